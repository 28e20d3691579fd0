"""Everything the live inspection says of itself; the dictation's own answers are its language's."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from earwitness.engine.listening_points import ListeningPoint

MESSAGES = {
    "cautions": "before the air: ignition and fuel disabled, nobody at the crank, eyes and ears "
    "protected. read the cautions, then say next",
    "cautions_detail": "Nothing goes on before somebody has read them and says so: press "
    "Understood, or Enter, or say next.",
    "understood": "The cautions were read and understood before the air went on.",
    "shown_cautions": "Read the cautions",
    "gauge": "cylinder {n}: piston at the top of compression, air on, read the gauge",
    "move": "cylinder {n}: hold the probe at the {point}",
    "start": "Air off. Say next, or press start; then keep quiet.",
    "ready": "air off, keep quiet",
    "air_off": "Air off",
    "air_on": "Air on",
    "listening": "Turn the valve at each sound: rising is on, falling is off.",
    "scoring": "Enough. One moment.",
    "enough": "{point} is enough: {result}",
    "spoiled": "{point} is spoiled: {why} {remedy}",
    "say_again": "Say retest, or press again.",
    "broken_off": "{point} broken off: {why}",
    "skipped": "{point} skipped",
    "paused": "paused",
    "paused_detail": "Say resume test, or press resume. It can also go on another day.",
    "all_done": "everything on the plan is done",
    "all_done_detail": "Say done to finish, or name a place to take it again.",
    "done": "inspection finished",
    "done_detail": "",
    "no_such_place": "there is no {point} at cylinder {n}",
    "no_such_cylinder": "there is no cylinder {n}",
    "status": "cylinder {n}, {point}; {done} of {total} places done",
    "help": "say next, retest, skip that, pause test, a listening point, or a reading",
    "not_understood": "that is no reading: {text}",
    "first_gauge": "cylinder {n}",
    "shown_gauge": "Read the gauge",
    "shown_gauge_detail": "Cylinder {n}: piston at the top of compression, air on. Say for "
    "example: leakage twelve percent. Then confirm, then next.",
    "shown_move": "Probe to the {point}",
    "shown_ready": "Keep quiet",
    "shown_scoring": "One moment",
    "shown_paused": "Paused",
    "shown_all_done": "Plan done",
    "shown_done": "Finished",
    "shown_leak": "{seal}, {sure}",
    "shown_leaks": "{count} cylinders leak",
    "shown_open": "Undetermined",
    "shown_sound": "All sound, {sure}",
    "of_cylinder": "Cylinder {n}: {seal}, {sure}.",
    "likeliest": "Cylinder {n}: open; likeliest is {seal}, {sure}.",
    "lost": "sound was lost in this take",
    "probe_gone": "The probe microphone has stopped sending sound.",
    "plug_in": "Plug it in again, then take this place again.",
    "probe_back": "the probe microphone is back",
    "voice_gone": "The headset has stopped sending sound: use the keys or the page.",
}
"""What is said and shown, with slots in braces. `shown_` begins what is set so large that it can be
read at 3 m: it should not be longer than 24 letters."""


SEALS = {
    "rings-or-piston": "Rings or piston",
    "exhaust-valve": "Exhaust valve",
    "intake-valve": "Intake valve",
    "head-gasket-coolant": "Head gasket, coolant",
    "head-gasket-neighbour": "Head gasket, neighbour",
    "set-up": "Test set-up",
}
"""Each verdict as it is set in large type."""


def text(message: str, **slots: object) -> str:
    """Return a message with its slots filled in."""
    return MESSAGES[message].format(**slots)


def spoken_point(name: str) -> str:
    """Return a place as it is said: `plug-hole-2` as "plug hole 2".

    Examples
    --------
    >>> spoken_point("oil-filler")
    'oil filler'
    """
    return name.replace("-", " ")


def how_to_hold(point: ListeningPoint) -> str:
    """Return what to open and where to hold the probe."""
    return " ".join(s for s in (point.opening, point.how) if s)
