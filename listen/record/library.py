"""The library: run folders on disk are the truth, an SQLite index only finds them.

Conventions
-----------
The index (``runs.sqlite`` in the library's folder) can be deleted at any time; the next look
makes it again from the folders. Of a folder that must not be written it is kept in memory.
"""

import json
import os
import shutil
import sqlite3
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from dataclasses import astuple, dataclass, fields
from datetime import UTC, datetime
from pathlib import Path

from listen.errors import InputError, RecordingError
from listen.followed import VerdictKind
from listen.record.features import FEATURES_FILE
from listen.record.reader import DECISIONS, is_run_folder, read_run
from listen.record.reference import REFERENCE, is_reference
from listen.record.run import Run
from listen.record.words import run_sentence

INDEX = "runs.sqlite"
INDEX_VERSION = 2  # another one where rows are told otherwise: then the index is made again
OWN = (DECISIONS, "run.json", "events.tsv", "timeline.html", "expected.json", "spans.npz")
OWN_MORE = ("sound.ogg", "sound.flac", FEATURES_FILE, "labels.json", REFERENCE)


@dataclass(frozen=True, slots=True, kw_only=True)
class RunRow:
    """One run as the library lists it.

    Attributes
    ----------
    folder : str
        Path below the library's folder, with ``/``.
    date : str
        When it was recorded (ISO 8601), else when it was listened to.
    tools : str
        Numbers with commas before and after: ",1,4,".
    verdicts : str
        JSON object: how often each verdict.
    reference : int
        1 where someone marked it as reference.
    trouble : str
        "" for a good run; else why it cannot be used, or that it was cut off.
    """

    folder: str
    date: str = ""
    program: str = ""
    kind: str = ""
    material: str = ""
    machine: str = ""
    tools: str = ","
    duration_s: float = 0.0
    n_flags: int = 0
    verdicts: str = "{}"
    sentence: str = ""
    reference: int = 0
    trouble: str = ""
    damaged: int = 0
    stamp: str = ""

    @property
    def tool_numbers(self) -> tuple[int, ...]:
        """The tools as numbers."""
        return tuple(int(number) for number in self.tools.split(",") if number)

    @property
    def verdict_counts(self) -> dict[str, int]:
        """How often each verdict."""
        counts: dict[str, int] = json.loads(self.verdicts)
        return counts


_COLUMNS = tuple(field.name for field in fields(RunRow))


class Library:
    """All runs below one folder.

    Parameters
    ----------
    root : Path
        Folder that holds run folders, at any depth.

    Raises
    ------
    InputError
        If `root` is no folder.
    """

    def __init__(self, root: Path) -> None:
        if not root.is_dir():
            raise InputError(f"{root} must be a folder of runs, there is none")
        self.root = root
        self._in_memory = None if os.access(root, os.W_OK) else _prepared(":memory:")

    def refresh(self, *, progress: Callable[[int, int], None] = lambda done, total: None) -> None:
        """Bring the index up to date with the folders; unchanged runs are not read again."""
        folders = dict(_folders(self.root))
        with self._opened() as index:
            known = dict(index.execute("SELECT folder, stamp FROM runs"))
            gone = [(folder,) for folder in known if folder not in folders]
            changed = [name for name, stamp in folders.items() if known.get(name) != stamp]
            rows = []
            for done, name in enumerate(changed, start=1):
                rows.append(astuple(_row(self.root, name, folders[name])))
                progress(done, len(changed))
            with index:
                index.executemany("DELETE FROM runs WHERE folder = ?", gone)
                places = ", ".join("?" for _ in _COLUMNS)
                index.executemany(f"INSERT OR REPLACE INTO runs VALUES ({places})", rows)

    def rows(
        self,
        *,
        program: str = "",
        tool: int | None = None,
        material: str = "",
        machine: str = "",
        verdict: str = "",
        flagged: bool = False,
        reference: bool = False,
        since: str = "",
    ) -> tuple[RunRow, ...]:
        """The runs that fit, newest first, as the index has them; call `refresh` before.

        Parameters
        ----------
        program, material, machine : str
            Part of the name, any case; "" for all.
        tool : int | None
            A tool that the run uses.
        verdict : str
            A verdict that at least one contact got.
        flagged, reference : bool
            Only runs with flags; only those marked as reference.
        since : str
            Earliest date, as ISO 8601 writes it.
        """
        if verdict and verdict not in list(VerdictKind):
            raise InputError(f"verdict must be one of {', '.join(VerdictKind)}; got {verdict!r}")
        clauses: list[str] = []
        values: list[object] = []
        for column, wanted in (("program", program), ("material", material), ("machine", machine)):
            clauses.append(f"instr(lower({column}), lower(?)) > 0 OR ? = ''")
            values += [wanted, wanted]
        clauses.append("instr(tools, ?) > 0 OR ? = ''")
        values += [f",{tool},", "" if tool is None else "tool"]
        clauses.append("instr(verdicts, ?) > 0 OR ? = ''")
        values += [f'"{verdict}"', verdict]
        clauses += ["n_flags > 0 OR NOT ?", "reference = 1 OR NOT ?", "date >= ?"]
        values += [flagged, reference, since]
        where = " AND ".join(f"({clause})" for clause in clauses)
        with self._opened() as index:
            found = index.execute(
                f"SELECT {', '.join(_COLUMNS)} FROM runs WHERE {where} ORDER BY date DESC, folder", values
            ).fetchall()
        return tuple(RunRow(**dict(zip(_COLUMNS, row, strict=True))) for row in found)

    def find(self, name: str) -> Path:
        """The folder of a run, by its path or its last part.

        Raises
        ------
        InputError
            If none or several fit.
        """
        for direct in (self.root / name, Path(name)):
            if is_run_folder(direct):
                return direct
        rows = [row.folder for row in self.rows()]
        fitting = [folder for folder in rows if folder == name or folder.split("/")[-1] == name]
        if len(fitting) != 1:
            what = "none is called that" if not fitting else f"several are: {', '.join(fitting[:5])}"
            raise InputError(f"{name!r} must name one run in {self.root}, {what}; `runs list` shows all")
        return self.root / fitting[0]

    def references(self, program: str) -> tuple[Run, ...]:
        """The runs of a program that someone marked as reference, newest first."""
        rows = self.rows(program=program, reference=True)
        fitting = (row for row in rows if row.program == program and not row.damaged)
        return tuple(read_run(self.root / row.folder) for row in fitting)

    @contextmanager
    def _opened(self) -> Iterator[sqlite3.Connection]:
        if self._in_memory is not None:
            yield self._in_memory
            return
        with closing(self._on_disk()) as index:
            yield index

    def _on_disk(self) -> sqlite3.Connection:
        path = self.root / INDEX
        try:
            return _prepared(path)
        except sqlite3.DatabaseError:  # not ours, older or damaged: it is only an index
            path.unlink()
            return _prepared(path)


def _prepared(path: Path | str) -> sqlite3.Connection:
    index = sqlite3.connect(path)
    try:
        version = index.execute("PRAGMA user_version").fetchone()[0]
        if version != INDEX_VERSION:
            index.execute("DROP TABLE IF EXISTS runs")
            index.execute(f"CREATE TABLE runs ({', '.join(_COLUMNS)}, PRIMARY KEY (folder))")
            index.execute(f"PRAGMA user_version = {INDEX_VERSION}")
            index.commit()
    except sqlite3.DatabaseError:
        index.close()
        raise
    return index


def _folders(root: Path) -> Iterator[tuple[str, str]]:
    """Every run folder below `root`, with a stamp that changes when its files do."""
    for folder, inside, files in root.walk() if hasattr(root, "walk") else _walk(root):
        inside[:] = sorted(name for name in inside if not name.startswith("."))
        if folder != root and {DECISIONS, "run.json"} & {*files, *inside}:
            inside.clear()
            yield folder.relative_to(root).as_posix(), _stamp(folder)


def _walk(root: Path) -> Iterator[tuple[Path, list[str], list[str]]]:
    """`Path.walk`, which Python 3.11 does not have."""
    for folder, inside, files in os.walk(root):
        yield Path(folder), inside, files


def _stamp(folder: Path) -> str:
    parts = []
    for name in (*OWN[:1], *OWN[4:], REFERENCE, "run.json"):
        try:
            status = (folder / name).stat()
            parts.append(f"{status.st_mtime_ns}:{status.st_size}")
        except OSError:
            parts.append("-")
    return " ".join(parts)


def _row(root: Path, name: str, stamp: str) -> RunRow:
    folder = root / name
    try:
        run = read_run(folder)
    except RecordingError as error:
        return RunRow(folder=name, trouble=str(error), damaged=1, stamp=stamp)
    except OSError as error:
        return RunRow(folder=name, trouble=f"{folder}: {error.strerror}", damaged=1, stamp=stamp)
    return RunRow(
        folder=name,
        date=run.header.started or _file_date(folder / DECISIONS),
        program=run.header.program,
        kind=run.header.kind,
        material=run.header.material,
        machine=run.header.machine,
        tools="".join(f",{tool}" for tool in run.header.tools) + ",",
        duration_s=run.duration / run.rate,
        n_flags=len(run.flags),
        verdicts=json.dumps(Counter(str(contact.verdict) for contact in run.contacts), sort_keys=True),
        sentence=run_sentence(run),
        reference=int(is_reference(folder)),
        trouble="" if run.complete else run.problem,
        stamp=stamp,
    )


def _file_date(path: Path) -> str:
    return datetime.fromtimestamp(path.stat().st_mtime, UTC).isoformat(timespec="seconds")


def delete_run(folder: Path) -> None:
    """Delete a run: its own files only; a folder that holds others stays with them.

    Raises
    ------
    InputError
        If the folder holds no run, or a reference: that is unmarked first.
    """
    if not is_run_folder(folder) and not (folder / "run.json").exists():
        raise InputError(f"{folder} must be a run folder, it holds no run")
    if is_reference(folder):
        raise InputError(f"{folder} is a reference; take the mark away before deleting it")
    for name in (*OWN, *OWN_MORE):
        (folder / name).unlink(missing_ok=True)
    shutil.rmtree(folder / "job", ignore_errors=True)
    if not any(folder.iterdir()):
        folder.rmdir()
