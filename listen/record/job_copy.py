"""Job and programs beside the run, so that the folder alone is enough to replay it."""

import shutil
import tomllib
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from listen.job import Job
from listen.job_file import job_file_text

_NAMED = ("program", "machine_from", "operator_from", "tools_from", "mesh", "after")


def copy_job(job: Job | None, folder: Path, *, called: Sequence[str] = ()) -> None:
    """Copy the job file, its programs and every file it names into `folder`.

    Names that lead out of the job's own folder are rewritten to the copy beside it.

    Parameters
    ----------
    job : Job | None
    folder : Path
    called : sequence of str
        Names of the files that the programs call, which lie beside them.
    """
    if job is None:
        return
    folder.mkdir(parents=True, exist_ok=True)
    names = {program.name: program for program in job.programs}
    if job.path is None or not job.path.is_file():
        for name, program in names.items():
            if program.is_file():
                shutil.copyfile(program, folder / name)
                _copy_called(called, program.parent, folder)
        return
    text = job_file_text(job.path)
    for name in dict.fromkeys(_named(tomllib.loads(text))):
        text = _copy_named(name, text, job.path.parent, folder, called)
    (folder / "job.toml").write_text(text, encoding="utf-8")


def _named(values: dict[str, Any]) -> list[str]:
    """Every file that a job file names, wherever in its tables."""
    found: list[str] = []
    for key, value in values.items():
        items = value if isinstance(value, list) else [value]
        if key in _NAMED:
            found += [item for item in items if isinstance(item, str)]
        for item in items:
            if isinstance(item, dict):
                found += _named(item)
    return found


def _copy_called(called: Sequence[str], source: Path, folder: Path) -> None:
    for name in called:
        if (source / name).is_file() and not (folder / name).exists():
            shutil.copyfile(source / name, folder / name)


def _copy_named(name: str, text: str, source: Path, folder: Path, called: Sequence[str]) -> str:
    path = source / name
    if not path.is_file():
        return text
    inside = not Path(name).is_absolute() and ".." not in Path(name).parts
    target = folder / name if inside else folder / path.name
    target.parent.mkdir(parents=True, exist_ok=True)
    shutil.copyfile(path, target)
    _copy_called(called, path.parent, target.parent)
    return (
        text if inside else text.replace(f'"{name}"', f'"{path.name}"').replace(f"'{name}'", f'"{path.name}"')
    )
