"""What the verb `coach` does: make the lessons and write their page."""

from pathlib import Path

from listen.coach.lessons import make_lessons
from listen.errors import InputError
from listen.job import Machine
from listen.job_file import load_job
from listen.show.coach_page import write_coach_page

FINE = 0


def coach(out: Path, *, job: Path | None, seed: int) -> int:
    """Write the lessons page; travel is told for the job's machine where one is given."""
    if out.suffix != ".html":
        raise InputError(f"the lessons are one page: --out must end in .html, got {out}")
    machine = load_job(job).machine if job else Machine()
    print("making the sounds of the lessons; this takes a quarter of a minute", flush=True)
    lessons = make_lessons(seed=seed, machine=machine)
    write_coach_page(out, data=lessons.data, sounds=lessons.sounds, rate=lessons.rate)
    print(f"page: {out}")
    return FINE
