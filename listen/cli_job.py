"""From a program to a job: what is asked, what is said back, what is written."""

from collections.abc import Mapping
from pathlib import Path

from listen.errors import InputError
from listen.expect.facts import Facts, read_facts
from listen.expect.setup_job import check_answer, job_text
from listen.expect.setup_questions import Question, questions
from listen.expect.setup_said import drawn, said_back
from listen.job import Job
from listen.job_file import job_of_text, load_job
from listen.program import read_program
from listen.timeline import Caution

_MEASURED = {"size": "size of the stock", "zero": "place of X0 Y0", "z0": "place of Z0", "tools": "tools"}
"""Questions whose defaults are guesses that only a look at the machine can settle."""


def make_job(
    program: Path,
    target: Path,
    *,
    given: Mapping[str, str],
    ask: bool,
    replace: bool,
    machine_from: Path | None = None,
    tools_from: Path | None = None,
    columns: str = "",
) -> None:
    """Ask what was not given, say the set-up back, and write the job file.

    Raises
    ------
    ListenError
        If the program cannot be read, an answer is not right, or `target` is there already.
    """
    if target.is_dir():
        raise InputError(f"{target} must be a file, it is a folder")
    if target.exists() and not replace:
        raise InputError(f"{target} is there already; --replace writes over it, --out names another")
    facts = _facts_of(program)
    answers = asked(facts, given) if ask else dict(given)
    text = job_text(
        facts,
        answers,
        machine_from=_beside(machine_from, target),
        tools_from=_beside(tools_from, target),
        tool_columns=_columns(columns),
    )
    unmeasured = _unmeasured(answers, tools_from)
    job = _checked(text, target)
    print(said_back(facts, job))
    print("".join(f"{line}\n" for line in unmeasured) + drawn(job))
    if ask and not _agreed():
        raise InputError("nothing was written; run `cut-listen job` again")
    try:
        target.write_text("".join(f"# {line}\n" for line in unmeasured) + text, encoding="utf-8")
    except OSError as error:
        raise InputError(f"{target} cannot be written: {error.strerror}; --out names another") from None
    print(f"job: {target}")


def _unmeasured(answers: Mapping[str, str], tools_from: Path | None) -> list[str]:
    """One line that names what nobody answered, none where all is answered."""
    keys = [key for key in _MEASURED if key not in answers and not (key == "tools" and tools_from)]
    if not keys:
        return []
    return [f"Taken from the program, not measured: {', '.join(_MEASURED[key] for key in keys)}."]


def _facts_of(program: Path) -> Facts:
    facts = read_facts(read_program(program))
    if not facts.tools:
        raise InputError(f"{program.name} has no feed move; is it the right file, and is it whole?")
    return facts


def asked(facts: Facts, given: Mapping[str, str]) -> dict[str, str]:
    """Answers by key: those given, and for the others what the person types.

    Raises
    ------
    InputError
        If one of those given is not right: before anything is asked.
    """
    answers = dict(given)
    for key in given:
        check_answer(facts, key, answers)
    for question in questions(facts):
        if question.key not in answers:
            answers[question.key] = _ask(facts, question, answers)
    return answers


def _ask(facts: Facts, question: Question, before: Mapping[str, str]) -> str:
    """Ask until the answer is right; a plain return takes the default."""
    if question.why:
        print(f"  ({question.why})")
    for number, choice in enumerate(question.choices, start=1):
        print(f"  {number}  {choice}")
    while True:
        typed = _chosen(question, input(f"{question.text} [{question.default}] ").strip())
        try:
            check_answer(facts, question.key, {**before, question.key: typed})
        except InputError as error:
            print(f"  {error}")
            continue
        return typed


def _chosen(question: Question, typed: str) -> str:
    """The choice of a number that was typed; other words as they are."""
    if typed.isdigit() and 1 <= int(typed) <= len(question.choices):
        return question.choices[int(typed) - 1]
    return typed


def _agreed() -> bool:
    return input("Is this your set-up? [y/n] ").strip().lower() in ("y", "yes")


def _columns(text: str) -> dict[str, str]:
    """Column map from ``number=T,diameter=Dia``."""
    pairs = [part.partition("=") for part in text.split(",") if part.strip()]
    if not all(equals and key.strip() and column.strip() for key, equals, column in pairs):
        raise InputError(f"a column map reads key=header, separated by commas; got {text!r}")
    return {key.strip(): column.strip() for key, _, column in pairs}


def _beside(path: Path | None, target: Path) -> str | None:
    """The name by which the job file names another file."""
    if path is None:
        return None
    if not path.is_file():
        raise InputError(f"{path} is not there or is no file; check the name and the folder")
    import os

    return Path(os.path.relpath(path, target.parent)).as_posix()


def _checked(text: str, target: Path) -> Job:
    """The job as it will be read, so that what is written is sure to work; it is in no file yet."""
    return job_of_text(text, target.with_name(f".{target.name}.part"))


def job_of(path: Path) -> tuple[Job, tuple[Caution, ...]]:
    """The job in a job file, or for a bare program the one that the defaults of the questions give.

    Returns
    -------
    Job
    tuple of Caution
        That it was guessed, of a bare program.

    Raises
    ------
    ListenError
        If neither can be read.
    """
    if path.suffix.lower() == ".toml" or not path.is_file():
        return load_job(path), ()
    facts = _facts_of(path)
    job = _checked(job_text(facts, {}), path.with_suffix(".toml"))
    return job, (_guessed(path),)


def _guessed(path: Path) -> Caution:
    return Caution(
        kind="set-up guessed",
        line=None,
        text="stock, zero, tools and overrides are guessed from the program: nobody has measured them",
        remedy=f"measure them and run `cut-listen job {path.name}`; until then trust no place or time here",
    )
