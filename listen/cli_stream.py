"""Standard output that nobody reads any more: the work goes on, and the exit code tells it."""

import os
from collections.abc import Iterator
from contextlib import contextmanager, redirect_stderr, redirect_stdout
from typing import Any, TextIO, cast

from listen.errors import RecordingError

BROKEN_PIPE = 141  # as a shell tells of a command that SIGPIPE ended: 128 + 13


class PatientStream:
    """A text stream that takes everything still when its reader is gone, as with ``| head``.

    Parameters
    ----------
    stream : text stream
        What it stands for; all but writing is that stream's own.

    Attributes
    ----------
    broken : bool
        Whether the reader is gone.
    """

    def __init__(self, stream: TextIO) -> None:
        self._stream = stream
        self.broken = False

    def write(self, text: str) -> int:
        """Write, or forget where nobody reads.

        Raises
        ------
        RecordingError
            Where it cannot be written for another reason, as to a full disk.
        """
        if not self.broken:
            try:
                return self._stream.write(text)
            except OSError as error:
                self._let_go(error)
        return len(text)

    def flush(self) -> None:
        """Send what is waiting on its way."""
        try:
            self._stream.flush()
        except OSError as error:
            self._let_go(error)

    def _let_go(self, why: OSError) -> None:
        """What still waits goes nowhere, or it would be tried again, in vain, at the very end."""
        nowhere = os.open(os.devnull, os.O_WRONLY)
        os.dup2(nowhere, self._stream.fileno())
        os.close(nowhere)
        self.broken = True
        if not isinstance(why, BrokenPipeError):
            raise RecordingError(f"what is printed cannot be written: {why.strerror or why}") from None

    def __getattr__(self, name: str) -> Any:
        return getattr(self._stream, name)


@contextmanager
def patient_streams(out: TextIO, err: TextIO) -> Iterator[PatientStream]:
    """Standard output and error made patient; gives the output, to ask whether somebody read to the end."""
    patient = PatientStream(out)
    with redirect_stdout(cast(TextIO, patient)), redirect_stderr(cast(TextIO, PatientStream(err))):
        yield patient
