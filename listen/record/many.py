"""Many recordings, one after the other or side by side; takes up where it stopped."""

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from listen.errors import InputError, ListenError
from listen.record.reader import is_run_folder, read_run

SOUND_ENDINGS = (".wav", ".flac", ".ogg", ".oga", ".opus", ".mp3", ".aif", ".aiff")
Replay = Callable[[Path, Path], object]  # recording, run folder


@dataclass(frozen=True, slots=True, kw_only=True)
class Done:
    """What became of one recording.

    Attributes
    ----------
    recording, folder : Path
    how : str
        "done", "was done already" or "refused".
    reason : str
        Why it was refused.
    """

    recording: Path
    folder: Path
    how: str
    reason: str = ""


def find_recordings(patterns: Sequence[str]) -> tuple[Path, ...]:
    """Sound files and run folders that names, globs and folders lead to, each once and in order.

    Raises
    ------
    InputError
        If one leads to nothing.
    """
    found: dict[Path, None] = {}
    for pattern in patterns:
        paths = list(_lead_to(pattern))
        if not paths:
            raise InputError(f"{pattern!r} must lead to sound files or run folders, it leads to none")
        found.update(dict.fromkeys(paths))
    return tuple(found)


def _lead_to(pattern: str) -> Iterator[Path]:
    import glob

    matches = sorted(glob.glob(pattern, recursive=True)) if glob.has_magic(pattern) else [pattern]
    for path in map(Path, matches):
        if is_run_folder(path) or (path.is_file() and path.suffix.lower() in SOUND_ENDINGS):
            yield path
        elif path.is_dir():
            yield from _below(path)


def _below(folder: Path) -> Iterator[Path]:
    for path in sorted(folder.iterdir()):
        if is_run_folder(path) or path.suffix.lower() in SOUND_ENDINGS:
            yield path


def folders_for(recordings: Sequence[Path], out: Path) -> tuple[Path, ...]:
    """A run folder for each recording: its name, with a number where names are alike."""
    taken: dict[str, int] = {}
    folders = []
    for recording in recordings:
        name = recording.name if recording.is_dir() else recording.stem
        taken[name] = taken.get(name, 0) + 1
        folders.append(out / (name if taken[name] == 1 else f"{name} {taken[name]}"))
    return tuple(folders)


def replay_many(
    recordings: Sequence[Path],
    out: Path,
    replay: Replay,
    *,
    workers: int = 1,
    cluster: str = "",
    progress: Callable[[Done], None] = lambda done: None,
) -> tuple[Done, ...]:
    """Listen to many recordings; what is done already is passed over, what is refused is told.

    Parameters
    ----------
    recordings : sequence of Path
    out : Path
        Folder for the run folders.
    replay : callable
        Listens to one recording and writes its run folder whole or not at all. With workers or a
        cluster it must be picklable: a function of a module, or `functools.partial` of one.
    workers : int
        Processes on this machine; ignored with `cluster`.
    cluster : str
        Address of a Dask scheduler ("tcp://host:8786"); its workers must see the same files.
    progress : callable
        Is told each recording as it is finished, in any order.

    Returns
    -------
    tuple of Done
        In the order of `recordings`; the same for any number of workers.
    """
    if workers < 1:
        raise InputError(f"workers must be 1 or more, got {workers}")
    pairs = list(zip(recordings, folders_for(recordings, out), strict=True))
    tasks = [(replay, recording, folder) for recording, folder in pairs]
    if cluster:
        results: Iterable[Done] = _on_cluster(tasks, cluster)
    elif workers == 1:
        results = (_one(*task) for task in tasks)
    else:
        results = _side_by_side(tasks, workers)
    by_folder: dict[Path, Done] = {}
    for done in results:
        by_folder[done.folder] = done
        progress(done)
    return tuple(by_folder[folder] for _, folder in pairs)


def _one(replay: Replay, recording: Path, folder: Path) -> Done:
    if _is_done(folder):
        return Done(recording=recording, folder=folder, how="was done already")
    try:
        replay(recording, folder)
    except ListenError as error:
        return Done(recording=recording, folder=folder, how="refused", reason=str(error))
    return Done(recording=recording, folder=folder, how="done")


def _is_done(folder: Path) -> bool:
    if not (folder / "run.json").is_file():
        return False
    try:
        return read_run(folder).complete
    except ListenError:
        return False


def _side_by_side(tasks: Iterable[tuple[Replay, Path, Path]], workers: int) -> Iterable[Done]:
    from joblib import Parallel, delayed

    # One thread inside each process: two processes of two threads on two cores wait for each other.
    work = Parallel(n_jobs=workers, return_as="generator_unordered", inner_max_num_threads=1, backend="loky")
    found: Iterable[Done] = work(delayed(_one)(*task) for task in tasks)
    return found


def _on_cluster(tasks: Sequence[tuple[Replay, Path, Path]], address: str) -> Iterator[Done]:
    try:
        from distributed import Client, as_completed
    except ImportError:
        raise InputError("a cluster needs the extra: pip install 'cut-listen[cluster]'") from None
    try:
        client = Client(address, timeout="5s")
    except (OSError, ValueError) as error:
        raise InputError(f"{address!r} must be the address of a Dask scheduler, {error}") from None
    with client:
        waiting: list[Any] = [client.submit(_one, *task, pure=False) for task in tasks]
        for finished in as_completed(waiting):
            done: Done = finished.result()
            yield done
