"""The run folder, written as the run happens.

Conventions
-----------
``decisions.jsonl`` is the truth: its first line says what the run is, each further line is one
decision, its last line says that the run was finished. The sound is beside it, and so are the
sheet (``expected.json``, ``spans.npz``) and copies of job and programs (``job/``). ``run.json``
and ``events.tsv`` are made from these at the end, and can be made again at any time.
"""

import json
import os
import shutil
import threading
from dataclasses import asdict
from pathlib import Path
from types import TracebackType
from typing import Self

import numpy as np

from listen.blocks import Block, Gap
from listen.errors import FolderError, InputError, RecordingError
from listen.followed import Position, Verdict
from listen.job import Job
from listen.record.aside import AsideSound
from listen.record.expected_file import write_expected
from listen.record.features import FEATURES_FILE
from listen.record.job_copy import copy_job
from listen.record.lines import LINE_TYPES, Line, to_line
from listen.record.reader import DECISIONS, is_run_folder, read_run
from listen.record.run import Run, RunHeader
from listen.record.run_json import write_files
from listen.record.sound import SoundWriter, open_sound
from listen.record.spectrum import PictureMaker
from listen.states import Event
from listen.timeline import Timeline

FORMAT = "cut-listen decisions 1"
SHEET_FILES = ("expected.json", "spans.npz")
SOUND_FILES = ("sound.ogg", "sound.flac")
MADE_FILES = ("run.json", "events.tsv", "timeline.html", "labels.json")
OWN_FILES = (DECISIONS, *MADE_FILES, *SHEET_FILES, *SOUND_FILES, FEATURES_FILE)
LONGEST_SILENCE_S = 3600.0  # written for one gap; more would fill the disk


class RunWriter:
    """Writes one run as it comes; what is pushed is on its way to the disk when `push` returns.

    Parameters
    ----------
    folder : Path
        The run folder; made if it is not there.
    rate : int
        Samples a second of the stream [Hz].
    live : bool
        True while the machine runs: what was recorded is kept whatever happens, and goes
        through to the disk (fsync) once a second. False for a recording that exists anyway: a run
        that is refused leaves nothing behind.
    sound : str | None
        "opus", "vorbis" or "long vorbis" (small), "flac" (exact for 16-bit sound, and fast) or "none";
        None takes "opus" for a live run and "flac" for a recording that is listened to again.
    copy_of : Path | None
        The recording that is listened to; where it is small already it is copied as it is.
    picture : PictureMaker | None
        Is shown all the sound, silence for what was not heard among it; only where the run is not live.
    timeline, job
        The sheet and the job, kept beside the run.
    started : str
        ISO 8601 date and time with zone, "" where not known.
    source : str
        Microphone or file name.
    replace : bool
        Whether a run that is in the folder already may be replaced.

    Raises
    ------
    RecordingError
        If the folder holds a run or cannot be written.
    """

    def __init__(
        self,
        folder: Path,
        *,
        rate: int,
        live: bool,
        sound: str | None = None,
        copy_of: Path | None = None,
        picture: PictureMaker | None = None,
        timeline: Timeline | None = None,
        job: Job | None = None,
        started: str = "",
        source: str = "",
        replace: bool = False,
    ) -> None:
        self.folder = folder
        self.problem = ""
        self._live = live
        self._made_folder = _prepare(folder, replace=replace)
        self._closed = False
        self._sound_closed = False
        self._stop = 0
        self._last_position: Position | None = None
        try:
            kept = sound or ("opus" if live else "flac")
            self._sound = _sound_of(folder, kept, rate, copy_of, picture, live=live)
            self.header = _header(self._sound, rate, timeline, job, started, source)
            self._lines = os.open(folder / DECISIONS, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o644)
            self._write({"type": "header", "format": FORMAT, **asdict(self.header)})
            if timeline is not None:
                write_expected(folder, timeline)
            copy_job(job, folder / "job", called=timeline.files if timeline else ())
        except OSError as error:
            self._clear()
            raise FolderError(folder, str(error.strerror or error)) from None
        except BaseException:
            self._clear()
            raise
        self._syncer = _Syncer((self._lines, self._sound.fileno())) if live else None
        self._next_sync = rate

    @property
    def recording(self) -> bool:
        """False once the disk has refused something: the page must then say so."""
        return not self.problem and not self._closed

    def push(self, *items: Block | Line) -> None:
        """Take what came or was decided, in order. A full disk does not raise: see `problem`."""
        if self._closed:
            raise RecordingError("push() after finish(): make a new RunWriter per run")
        for item in items:
            if isinstance(item, Block):
                self._block(item)
            elif isinstance(item, tuple(LINE_TYPES.values())):
                self._line(item)

    def close_sound(self) -> None:
        """End the sound file, so that it can be read before the run is finished; takes no more blocks."""
        if not self._sound_closed:
            if self._syncer is not None:
                self._syncer.close()
                self._syncer = None
            self._sound_closed = True
            self._sound.close()

    def finish(
        self,
        *,
        refined: tuple[Event, ...] = (),
        verdicts: tuple[Verdict, ...] = (),
    ) -> Run:
        """Close the run, write `run.json` and `events.tsv`, and give the run as read back.

        Parameters
        ----------
        refined, verdicts
            Events and verdicts as known after the whole run; the live ones stay beside them.
        """
        for event in refined:
            self._write_text(to_line(event, type_name="refined event"))
        for verdict in verdicts:
            self._write_text(to_line(verdict, type_name="refined verdict"))
        self._close()
        run = read_run(self.folder)
        try:
            write_files(run, self.folder)
        except OSError as error:
            self._fail(error)
        return run

    def abandon(self) -> None:
        """Leave nothing of this run behind."""
        try:
            self._close()
        finally:
            self._clear()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        traceback: TracebackType | None,
    ) -> None:
        if self._closed:
            return
        if kind is not None and not self._live:
            self.abandon()
        else:
            self.finish()

    def _block(self, block: Block) -> None:
        if block.rate != self.header.rate:
            raise InputError(
                f"the run is recorded at {self.header.rate} Hz, got a block at {block.rate} Hz; "
                "start a new run for another rate"
            )
        self._fill(block.start)
        self._sound.push(block.samples)
        self._stop = max(self._stop, block.stop)
        self._check()

    def _fill(self, start: int) -> None:
        """Silence for what was not heard, so that time never shifts."""
        missing = start - self._stop
        if missing > self.header.rate * LONGEST_SILENCE_S:
            raise InputError(f"a gap of {missing / self.header.rate:.0f} s is no gap; start a new run")
        while missing > 0:
            piece = min(missing, self.header.rate)
            self._sound.push(np.zeros(piece))
            missing -= piece

    def _line(self, item: Line) -> None:
        if isinstance(item, Position) and not self._worth(item):
            return
        if isinstance(item, Gap) and item.stop > self._stop:
            self._fill(item.stop)
            self._stop = item.stop
        self._write_text(to_line(item))

    def _worth(self, now: Position) -> bool:
        last = self._last_position
        same = last is not None and last.line == now.line and abs(last.rate - now.rate) < 0.005
        if same and last is not None and now.at - last.at < self.header.rate // 5:
            return False
        self._last_position = now
        return True

    def _write(self, values: dict[str, object]) -> None:
        self._write_text(json.dumps(values, allow_nan=False))

    def _write_text(self, text: str) -> None:
        if self.problem:
            return
        data = (text + "\n").encode()
        try:
            written = os.write(self._lines, data)
            if written < len(data):
                os.ftruncate(self._lines, os.lseek(self._lines, -written, os.SEEK_CUR))
                raise OSError(28, os.strerror(28))
        except OSError as error:
            self._fail(error)

    def _check(self) -> None:
        if self._sound.problem is not None:
            self._fail(self._sound.problem)
        if self._syncer is not None and self._stop >= self._next_sync:
            self._next_sync = self._stop + self.header.rate
            self._syncer.ask()

    def _fail(self, error: OSError) -> None:
        why = error.strerror or str(error)
        self.problem = self.problem or f"recording stopped at {self._stop / self.header.rate:.1f} s: {why}"

    def _close(self) -> None:
        if self._closed:
            return
        self.close_sound()
        self._check_end()
        os.close(self._lines)
        self._closed = True

    def _check_end(self) -> None:
        self._check()
        self._write({"type": "end", "duration": self._stop})

    def _clear(self) -> None:
        for name in OWN_FILES:
            (self.folder / name).unlink(missing_ok=True)
        shutil.rmtree(self.folder / "job", ignore_errors=True)
        if self._made_folder:
            for folder in self._made_folder:
                if not any(folder.iterdir()):
                    folder.rmdir()


def _sound_of(
    folder: Path, kept: str, rate: int, copy_of: Path | None, picture: PictureMaker | None, *, live: bool
) -> SoundWriter:
    """What takes the sound: live it is on its way to the disk at once, else a second thread codes it."""
    assert not (live and picture), "a live run draws its picture afterwards"
    sound = open_sound(folder, sound=kept, rate=rate, copy_of=copy_of)
    return AsideSound(sound, also=picture) if not live and (sound.name or picture) else sound


def _prepare(folder: Path, *, replace: bool) -> tuple[Path, ...]:
    """Make the folder; the folders that were made, innermost first."""
    missing = [path for path in (folder, *folder.parents) if not path.exists()]
    try:
        folder.mkdir(parents=True, exist_ok=True)
        if is_run_folder(folder) or (folder / "run.json").exists():
            if not replace:
                raise RecordingError(f"{folder} must be an empty or new folder, it holds a run already")
            for name in OWN_FILES:
                (folder / name).unlink(missing_ok=True)
            shutil.rmtree(folder / "job", ignore_errors=True)
    except OSError as error:
        raise FolderError(folder, str(error.strerror)) from None
    return tuple(missing)


def _header(
    sound: SoundWriter, rate: int, timeline: Timeline | None, job: Job | None, started: str, source: str
) -> RunHeader:
    contacts = timeline.contacts if timeline else ()
    return RunHeader(
        rate=rate,
        started=started,
        source=source,
        kind=timeline.kind if timeline else "",
        program=timeline.program if timeline else "",
        material=job.material.name if job else "",
        machine=job.machine.name if job else "",
        tools=tuple(sorted({contact.tool for contact in contacts})),
        sound=sound.name,
        sound_rate=sound.rate if sound.name else 0,
    )


class _Syncer:
    """Asks the disk to keep what it was given, without making the run wait for it."""

    def __init__(self, descriptors: tuple[int, ...]) -> None:
        self._descriptors = tuple(each for each in descriptors if each >= 0)
        self._asked = threading.Event()
        self._done = False
        self._thread = threading.Thread(target=self._work, name="sync run folder", daemon=True)
        self._thread.start()

    def ask(self) -> None:
        """Sync soon."""
        self._asked.set()

    def close(self) -> None:
        """Sync a last time and end the thread."""
        self._done = True
        self._asked.set()
        self._thread.join()

    def _work(self) -> None:
        while not self._done:
            self._asked.wait()
            self._asked.clear()
            for descriptor in self._descriptors:
                os.fsync(descriptor)
