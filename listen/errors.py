"""The errors `listen` raises on purpose; everything else is a bug."""

from pathlib import Path


class ListenError(Exception):
    """Root of all errors that a user of `listen` can cause and cure."""


class InputError(ListenError, ValueError):
    """A value handed to `listen` is outside what the function accepts."""


class ProgramError(ListenError):
    """A program that cannot be read: the message begins with file and line.

    Attributes
    ----------
    program : str
        Name of the program file.
    line : int
        Line in the file, counted from 1.
    """

    def __init__(self, program: str, line: int, reason: str) -> None:
        super().__init__(f"{program} line {line}: {reason}")
        self.program = program
        self.line = line


class DeviceError(ListenError):
    """A microphone or another source that cannot be opened or went away."""


class ModelError(ListenError):
    """A model that does not fit the sound or the features it is given."""


class RecordingError(ListenError):
    """A sound file, load log or run folder that cannot be read or written."""


class FolderError(RecordingError):
    """A run folder that cannot be written.

    Attributes
    ----------
    folder : Path
    reason : str
    """

    def __init__(self, folder: Path, reason: str) -> None:
        super().__init__(f"{folder} must be a folder that can be written: {reason}")
        self.folder = folder
        self.reason = reason
