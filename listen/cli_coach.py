"""What the verb `coach` does: write the page of lessons, or read a learner's file."""

import tomllib
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from listen.errors import InputError
from listen.job import Job, Machine
from listen.job_file import load_job

FINE = 0
USUAL_FEED = 1000.0


@dataclass(frozen=True, slots=True, kw_only=True)
class CoachAsked:
    """What the lessons are made of; see the options of the verb."""

    job: Path | None
    seed: int
    runs: Sequence[Path]
    drill: str


def coach(out: Path, asked: CoachAsked) -> int:
    """Write the lessons page; travel is told for the job's machine where one is given."""
    from listen.coach.hand_drill import read_drill
    from listen.coach.lesson_sound import RATE
    from listen.coach.lessons import make_lessons
    from listen.coach.own_runs import own_examples
    from listen.show.coach_page import write_coach_page

    if out.suffix != ".html":
        raise InputError(f"the lessons are one page: --out must end in .html, got {out}")
    job = load_job(asked.job) if asked.job else None
    unit = job.units if job else "mm"
    drill = read_drill(asked.drill, units=unit) if asked.drill else None
    own = [one for folder in asked.runs for one in own_examples(folder, rate=RATE)]
    machine, feed = (job.machine, _feed_of(job)) if job else (Machine(), USUAL_FEED)
    print("making the sounds of the lessons; this takes a quarter of a minute", flush=True)
    lessons = make_lessons(seed=asked.seed, machine=machine, feed=feed, drill=drill, own=own, unit=unit)
    write_coach_page(out, data=lessons.data, sounds=lessons.sounds, rate=lessons.rate)
    print(f"page: {out}")
    if drill is not None:
        program = out.with_name(f"{out.stem}-drill.nc")
        program.write_text(drill.program, "utf-8")
        print(f"program for the instructor to check: {program}; other places each time it is made")
    return FINE


def progress(path: Path, *, job: Path | None, operator: Path | None, erase: bool) -> int:
    """Say what a learner's file means; write the operator file that a job can name; or erase it."""
    from listen.coach.learner import learner_of, operator_text, words_of
    from listen.coach.progress import erase_progress, read_progress

    if not path.exists():
        raise InputError(f"{path} must be a file saved from the lessons page, there is none")
    told = read_progress(path)
    plan = load_job(job) if job else None
    machine, unit = (plan.machine, plan.units) if plan else (Machine(), "mm")
    learner = learner_of(told, machine)
    for line in words_of(learner, machine, feed=_feed_of(plan) if plan else USUAL_FEED, unit=unit):
        print(line)
    if operator is not None:
        _refuse_to_lose(operator)
        operator.write_text(operator_text(learner), "utf-8")
        print(f'{operator}: put operator_from = "{operator.name}" into the job beside it')
    if erase:
        erase_progress(path)
        print(f"{path} is erased; what the browser keeps is erased on the page")
    return FINE


def _refuse_to_lose(operator: Path) -> None:
    """An older operator file may be written over, nothing else."""
    if not operator.exists():
        return
    try:
        held = set(tomllib.loads(operator.read_text("utf-8")))
    except ValueError:
        held = {"something else"}
    if held != {"operator"}:
        raise InputError(
            f"{operator} must be new or an older operator file, it holds {min(held, default='nothing')}"
        )


def _feed_of(job: Job) -> float:
    """The fastest feed in the metal at the override in force [mm/min]."""
    from listen.plan import plan_job

    timeline = plan_job(job).timeline
    fastest = max((contact.feed_mm_per_min for contact in timeline.contacts), default=USUAL_FEED)
    return round(fastest * timeline.feed_override / 100.0) or USUAL_FEED
