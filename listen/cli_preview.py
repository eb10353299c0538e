"""What the verb `preview` does: make the sound of a program, right and with a work zero that is wrong."""

import json as to_json
from dataclasses import replace
from pathlib import Path

from listen.cli_job import job_of
from listen.cli_print import print_preview, say_set_aside
from listen.coach.preview import (
    PreviewSettings,
    begin_of,
    contacts_of_passes,
    contacts_within,
    make_preview,
    read_range,
)
from listen.coach.wrong_setup import (
    effects_of,
    louder_everywhere_db,
    read_offset,
    summary_of,
    with_wrong_zero,
)
from listen.plan import Plan, plan_job
from listen.record import Run, is_run_folder, read_header
from listen.record.new_folder import new_folder
from listen.record.words import counted
from listen.show import write_replay_page
from listen.timeline import Caution

FINE = 0


def preview(
    job: Path, *, out: Path, settings: PreviewSettings, passes: str, off_by: str, sound: str, json: bool
) -> int:
    """Make it, and beside it the wrong one where a zero is to be off."""
    planned, guessed = job_of(job)
    plan = plan_job(planned, first=guessed)
    if not json:
        _say_cautions(job, plan, guessed)
    if asked := read_range(passes):
        settings = replace(settings, contacts=contacts_of_passes(plan.timeline, asked))
    if not off_by:
        run = _made(plan, out, settings, sound)
        print_preview(run, out, wanted=len(contacts_within(plan.timeline, settings.contacts)), json=json)
        return FINE
    wrong = plan_job(with_wrong_zero(plan.job, read_offset(off_by, plan.job.units)))
    override = settings.feed_override or plan.timeline.feed_override
    effects = effects_of(replace(plan.timeline, feed_override=override), wrong.timeline)
    louder = louder_everywhere_db(plan.timeline, wrong.timeline)
    settings = replace(settings, begin_s=_begin(plan, wrong, override, settings))
    right_run = _made(plan, out / "right", settings, sound)
    wrong_run = _made(wrong, out / "wrong", replace(settings, snr_db=settings.snr_db + louder), sound)
    _compare(right_run, wrong_run, out / "compare.html")
    if json:
        rows = [{"block": one.block, "tells": one.tells, "words": one.words} for one in effects]
        print(to_json.dumps({"summary": summary_of(effects), "contacts": rows}))
        return FINE
    for one in effects:
        print(f"  {one.block:8} {one.words}")
    print(summary_of(effects))
    print(f"pages: {out / 'right' / 'timeline.html'}, {out / 'wrong' / 'timeline.html'}")
    print(f"both beside each other: {out / 'compare.html'}")
    return FINE


def _begin(plan: Plan, wrong: Plan, override: float, settings: PreviewSettings) -> float:
    """Where both begin: the earlier of the two, so that what comes sooner is sooner on both clocks."""
    both = (replace(one.timeline, feed_override=override) for one in (plan, wrong))
    return min(begin_of(timeline, settings.contacts) for timeline in both)


def _say_cautions(job: Path, plan: Plan, guessed: tuple[Caution, ...]) -> None:
    """What was guessed, and that a made sound does not make a wrong program right."""
    for caution in guessed:
        print(f"! {caution.text}; {caution.remedy}")
    if n := len(plan.warnings):
        print(f"! {counted(n, 'warning')} on its sheet: read `cut-listen expect {job}` first")


def _made(plan: Plan, target: Path, settings: PreviewSettings, sound: str) -> Run:
    is_preview = is_run_folder(target) and read_header(target).is_made
    with new_folder(target, set_aside=None if is_preview else say_set_aside(target)) as folder:
        run = make_preview(
            plan.timeline,
            folder,
            settings=settings,
            job=plan.job,
            sound=sound,
            write_page=write_replay_page,
        )
    return replace(run, folder=target)


def _compare(right: Run, wrong: Run, page: Path) -> None:
    from listen.show.compare_page import write_compare_page

    write_compare_page(right, wrong, page)
