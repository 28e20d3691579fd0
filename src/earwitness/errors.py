"""Everything that can go wrong for a user, each with the sentence that says what to do."""

from __future__ import annotations

EXIT_DEFECT = 1
"""Exit code: `verify`, `audit` or `check` found a defect."""
EXIT_INPUT = 2
"""Exit code: wrong use, or input that cannot be read."""
EXIT_EQUIPMENT = 3
"""Exit code: a microphone, a disk or another piece of equipment failed."""


class EarwitnessError(Exception):
    """Root of every error that is shown to a user as one plain sentence and a remedy.

    Parameters
    ----------
    fault : str
        What is wrong, naming the file or the value.
    remedy : str, optional
        What the user should do; the class's own remedy if left out.
    """

    exit_code = EXIT_INPUT
    remedy = "Run the command with --help to see what it expects."

    def __init__(self, fault: str, *, remedy: str | None = None) -> None:
        super().__init__(fault)
        self.fault = fault
        if remedy is not None:
            self.remedy = remedy

    def __str__(self) -> str:
        return f"{self.fault.rstrip('.')}. {self.remedy}"


class AudioFileError(EarwitnessError):
    """A sound file is missing, unreadable, or not what it claims to be."""

    remedy = "Give a WAV or FLAC file written by a recorder, and record it again if it is damaged."


class SheetError(EarwitnessError):
    """A run sheet cannot be followed as it stands."""

    remedy = "Correct that line of the run sheet and run the command again."


class SettingsError(EarwitnessError):
    """A setting that does not exist, or has an impossible value."""

    remedy = "Correct it; `earwitness settings` shows every key and what is in force."


class LayoutError(EarwitnessError):
    """An engine that cannot exist, or that this tool does not cover."""

    remedy = "Check the cylinder count and the firing order against the maker's data."


class GaugeError(EarwitnessError):
    """A gauge reading that no gauge can show."""

    remedy = "Read the gauge again and correct the value."


class ModelError(EarwitnessError):
    """The speech model is missing, incomplete, or lacks words that are needed."""

    remedy = "Reinstall earwitness, or name a complete Vosk model folder with --model."


class RecordError(EarwitnessError):
    """A record folder cannot be read or continued."""

    remedy = "Do not edit the folder; copy it again from the machine that recorded it."


class KeyStoreError(EarwitnessError):
    """The shop's key cannot be used as it lies there."""

    remedy = "Put the key folder back as it was backed up, readable by you alone."


class StorageError(EarwitnessError):
    """The disk refused to keep what was just recorded."""

    exit_code = EXIT_EQUIPMENT
    remedy = "Free some space or choose another folder with --out; what was acknowledged is kept."


class EquipmentError(EarwitnessError):
    """A microphone or another device is missing or refused to work."""

    exit_code = EXIT_EQUIPMENT
    remedy = "Plug the device in, check it with `earwitness devices`, and try again."
