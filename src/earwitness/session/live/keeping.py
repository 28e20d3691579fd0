"""Put into the record what a live inspection hears, in the words a replay would use."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING

from earwitness.audio.bext import Bext, coding_history, samples_since_midnight
from earwitness.errors import EarwitnessError, RecordError, StorageError
from earwitness.record import bodies, model
from earwitness.record.identity import salted
from earwitness.record.reader import AUDIO, LIVE, read_record
from earwitness.record.store import RecordWriter
from earwitness.session import machine, replay
from earwitness.session.live.steps import GAUGE
from earwitness.session.sheets.sheet_text import BY_VOICE, SHEET, sheet_text

if TYPE_CHECKING:
    from collections.abc import Iterable
    from pathlib import Path

    from earwitness.acoustics.finding import Finding
    from earwitness.audio.bext import Subtype
    from earwitness.diagnosis.verdict import EngineVerdict
    from earwitness.record.identity import Salts
    from earwitness.record.model import Inspection, Take
    from earwitness.record.moment import Clock
    from earwitness.session.dictation import Turn
    from earwitness.session.equipment.taking import Recorded
    from earwitness.session.sheets.sheet import Visit

SOURCE = "live inspection"
"""How the inspection was made, for the record."""
BY_HAND = "taken back by hand"
"""Why a reading was taken back that was taken back with a key or on the page."""


class Keeper:
    """The record of one live inspection, and the only one who writes it.

    Attributes
    ----------
    folder : Path
        The record folder.
    """

    def __init__(self, folder: Path, writer: RecordWriter, clock: Clock) -> None:
        self.folder, self._writer, self._clock = folder, writer, clock
        self._stored: list[int] = []

    @classmethod
    def create(
        cls, folder: Path, visit: Visit, *, clock: Clock, salts: Salts = os.urandom
    ) -> Keeper:
        """Begin a record; raises RecordError or StorageError."""
        writer = RecordWriter.create(folder, clock=clock)
        identity = salted(visit.identity(), salts)
        body = bodies.opened_body(
            visit.engine.layout(),
            gauge=visit.gauge.model_dump(),
            limit=visit.limits.limit(),
            identity=identity,
            date=visit.inspection.date,
            source=SOURCE,
            label=visit.inspection.label,
        )
        writer.begin(body, identity)
        return cls(folder, writer, clock)

    @classmethod
    def resume(cls, folder: Path, *, clock: Clock) -> tuple[Keeper, str | None]:
        """Go on with a record; return what an interruption cost, in plain words.

        Raises
        ------
        RecordError, StorageError
            If it cannot be gone on with, or was finished.
        """
        told = model.inspection(read_record(folder))
        if told.closed:
            raise RecordError(
                f"The inspection in {folder} was finished",
                remedy="Begin a new one; `earwitness history` compares them.",
            )
        writer = RecordWriter.open(folder, clock=clock)
        keeper = cls(folder, writer, clock)
        for left in sorted((folder / AUDIO).glob(f"*{LIVE}.wav")):
            keeper._writer.take_over(left, name=left.stem)
        keeper.note("Gone on with after a pause.")
        keeper.score_the_rest()
        return keeper, writer.recovered

    def told(self) -> Inspection:
        """Return the inspection as the record tells it."""
        return model.inspection(read_record(self.folder))

    def place(self, name: str) -> Path:
        """Return where to record a file that is the record's own."""
        return self._writer.place_to_record(name)

    def bext(self, heard: str, sample_rate_hz: int, subtype: Subtype, channels: int) -> Bext:
        """Return who records what, when and how."""
        now = self._clock()
        return Bext(
            description=heard,
            originator="earwitness",
            originator_reference=self.folder.resolve()
            .name.encode("ascii", "replace")
            .decode()[:32],
            time=now,
            time_reference_samples=samples_since_midnight(now, sample_rate_hz),
            coding_history=coding_history(sample_rate_hz, subtype, channels, "as captured"),
        )

    def note(self, text: str) -> None:
        """Append a remark."""
        self._writer.append("note", bodies.note_body(text))

    def new_dialogue(self) -> None:
        """Forget what may be taken back: a new recording has begun."""
        self._stored.clear()

    def said(self, path: Path) -> None:
        """Make a closed recording of speech the record's own."""
        self._writer.take_over(path, name=path.stem)

    def add(self, path: Path) -> None:
        """Copy a recording that was made before the record was begun."""
        self._writer.add_audio(path, name=path.stem)

    def turn(
        self, turn: Turn | None, effects: Iterable[machine.Effect], audio: Path | None
    ) -> None:
        """Append what was said, and what the dialogue decided.

        Parameters
        ----------
        turn : Turn or None
            None for what was pressed or typed.
        effects : iterable of Effect
            In their order.
        audio : Path or None
            The recording that is being made of it.
        """
        seq = None
        if turn is not None and turn.heard is not None and audio is not None:
            body = bodies.utterance_body(turn.heard, cylinder=turn.cylinder, audio=kept_name(audio))
            seq = self._writer.append("utterance", body).seq
        origin: bodies.Origin = "typed" if turn is None else "dictated, confirmed"
        for effect in effects:
            match effect:
                case machine.Store(r):
                    body = bodies.reading_body(
                        r.cylinder, r.quantity, r.value, r.unit, origin=origin, utterance=seq
                    )
                    self._stored.append(self._writer.append("reading", body).seq)
                case machine.Retract():
                    why = BY_HAND if turn is None else BY_VOICE
                    body = bodies.retraction_body(self._stored.pop(), why)
                    self._writer.append("retraction", body)
                case machine.Remark(text):
                    self.note(text)

    def take(self, recorded: Recorded, cylinder: int, point: str) -> Take | None:
        """Append a take and return it, or None if it was broken off and is kept as sound."""
        audio = [
            str(self._writer.take_over(path, name=path.stem)["path"]) for path in recorded.files
        ]
        if recorded.lost_s:
            when = ", ".join(f"{at:.1f}" for at in recorded.lost_s)
            self.note(f"Sound was lost by the recorder at {when} s of {audio[0]}.")
        if recorded.why or not recorded.air_on_s:
            why = recorded.why or "the air was never on"
            self.note(
                f"Take at {point} of cylinder {cylinder} broken off after {recorded.seconds:.1f} s"
                f" ({why.rstrip('.')}); its sound is kept in {audio[0]}."
            )
            return None
        body = bodies.take_body(
            cylinder=cylinder,
            point=point,
            basis="cycles",
            audio=audio,
            air_on_s=recorded.air_on_s,
        )
        self._writer.append("take", body)
        return self.told().takes[-1]

    def score(self, take: Take) -> Finding:
        """Score a take from its files exactly as a replay does; any thread may do so.

        Raises
        ------
        EarwitnessError
            If it cannot be scored.
        """
        return replay.score([self.folder / p for p in take.audio], take.point, take.air_on_s)

    def finding(self, finding: Finding, take: Take) -> None:
        """Append what a take shows."""
        body = bodies.finding_body(finding, take.seq, refused=not finding.usable)
        self._writer.append("finding", body)

    def withdraw(self, take: Take, why: str) -> None:
        """Take back a take that cannot be scored, so that no replay stumbles over it."""
        self._writer.append("retraction", bodies.retraction_body(take.seq, why))

    def score_the_rest(self) -> None:
        """Score what was recorded but not scored: the program was stopped in between."""
        for take in self.told().takes:
            if take.finding is None and not take.retracted:
                try:
                    self.finding(self.score(take), take)
                except EarwitnessError as e:
                    self.withdraw(take, e.fault)

    def judged(self) -> EngineVerdict:
        """Return the verdict as it stands, without appending it."""
        return replay.judge(self.folder).verdict

    def close(self) -> EngineVerdict:
        """Append the verdict, close the record, and write the sheet that replays it."""
        verdict = self.judged()
        self._writer.append("verdict", bodies.verdict_body(verdict))
        self._writer.append("closed", {})
        self.rest()
        return verdict

    def rest(self) -> None:
        """Write the sheet that replays what there is, and let another writer at the record.

        Raises
        ------
        StorageError
            If the disk refuses the sheet; the record is whole without it.
        """
        text = sheet_text(self.told())
        self._writer.close()
        try:
            if text:
                (self.folder / SHEET).write_text(text, encoding="utf-8")
        except OSError as e:
            raise StorageError(
                f"The disk refused to keep {self.folder / SHEET}: {e.strerror}",
                remedy="Free some space; the record itself is kept.",
            ) from e


def kept_name(audio: Path) -> str:
    """Return the path in the record that a recording will have once it is closed."""
    return f"{AUDIO}/{audio.name.replace(LIVE, '', 1)}"


def done_places(told: Inspection) -> set[tuple[int, str]]:
    """Return cylinder and point of every place that an earlier day has done."""
    taken = {(t.cylinder, t.point) for t in told.takes if t.counts}
    return taken | {(r.cylinder, GAUGE) for r in told.readings}
