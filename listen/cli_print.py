"""What the command prints: progress on standard error, results on standard output."""

import json as to_json
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

from listen.errors import InputError, RecordingError
from listen.plan import Plan, warnings_of
from listen.record import Run, run_values
from listen.record.words import counted, run_sentence


@contextmanager
def progress_bar(what: str, *, quiet: bool) -> Iterator[Callable[[float], None]]:
    """A bar for a share done from 0 to 1; nothing where nobody looks."""
    if quiet or not sys.stderr.isatty():
        yield lambda share: None
        return
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

    columns = (TextColumn("{task.description}"), BarColumn(), TextColumn("{task.percentage:>3.0f} %"))
    with Progress(*columns, TimeElapsedColumn(), console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task(what, total=1.0)
        yield lambda share: bar.update(task, completed=share)


def print_run(run: Run, *, json: bool) -> None:
    """The sentence, the table, the flags and the page's path; or the whole run as JSON."""
    if json:
        print(to_json.dumps(run_values(run)))
        return
    from rich.console import Console

    from listen.report import clock_lines, contact_table, flag_lines, heard_table, silence_lines

    console = Console(highlight=False)
    console.print(run_sentence(run), markup=False)
    table = contact_table(run) if run.timeline is not None else heard_table(run)
    if table.row_count:
        console.print(table)
    for line in (*flag_lines(run), *silence_lines(run), *clock_lines(run)):
        console.print(line, markup=False)
    cautions = run.timeline.cautions if run.timeline is not None else ()
    if n := len(warnings_of(cautions)):
        print(f"! {counted(n, 'warning')} on the sheet of this program: read it with `cut-listen expect`")
    if run.problem:
        print(f"! {run.problem}: this is what was decided till then; {_once_more(run)}")
    page = run.folder / "timeline.html"
    print(
        f"page: {page}"
        if page.is_file()
        else f"page: none yet; `cut-listen runs page '{run.folder}'` makes it"
    )
    if (run.folder / "load.html").is_file():
        print(f"load: {run.folder / 'load.html'}")


def _once_more(run: Run) -> str:
    """What can be done with a run that was cut off."""
    if run.sound_path is None:
        return "its sound was not kept"
    return f"`cut-listen replay '{run.folder}'` hears all that was kept once more"


def warning_lines(plan: Plan | None) -> Iterator[str]:
    """What the sheet warns of, a line each with its place in the program; nothing without a job."""
    for caution in () if plan is None else plan.warnings:
        where = ""
        if plan is not None and caution.line is not None:
            elsewhere = "(in " in caution.text  # a line of another file, which the text names
            where = f"line {caution.line}" if elsewhere else plan.path.where(0, caution.line)
            where += ": "
        yield f"{where}{caution.text}; {caution.remedy}"


def say_set_aside(out: Path) -> Callable[[Path], None]:
    """Says on standard error where the earlier run of a folder is kept."""

    def say(aside: Path) -> None:
        print(f"{out} held an earlier run; it is kept as {aside}", file=sys.stderr)

    return say


def print_preview(run: Run, folder: Path, *, wanted: int, json: bool) -> None:
    """What was made, how many of the contacts wanted that is, and where it is."""
    if json:
        print(to_json.dumps(run_values(run)))
        return
    n_made = len(run.contacts)
    made = counted(n_made, "contact") if n_made == wanted else f"the first {n_made} of {wanted} contacts"
    print(f"made, not heard: {made} in {run.duration / run.rate:.0f} s of sound")
    if n_made < wanted:
        print(
            "sound is made for some ten minutes: --override 100 takes in more, --passes or --contacts others"
        )
    wav = folder / "sound.wav"
    print(f"sound: {wav if wav.is_file() else folder / run.header.sound}")
    print(f"page: {folder / 'timeline.html'}")


def refuse_no_page(html: Path | None) -> None:
    """A page may not be written over a program or a job whose name was mistyped for it.

    Raises
    ------
    InputError
        For a name that does not end as a page does.
    """
    if html is not None and html.suffix.lower() not in (".html", ".htm"):
        raise InputError(f"the sheet's page must end in .html, got {html}")


def print_sheet(plan: Plan, *, json: bool, html: Path | None, contacts: bool, figures: bool) -> None:
    """The first-run sheet in the form asked for."""
    from listen.expect.sheet import sheet_of

    sheet = sheet_of(plan.expected, plan.path, plan.job)
    if html is not None:
        from listen.expect.sheet_page import sheet_page

        _write(html, sheet_page(sheet, plan.job, figures=figures))
    if json:
        print(to_json.dumps(sheet))
        return
    from rich.console import Console

    from listen.expect.sheet_terminal import terminal_sheet

    Console(highlight=False).print(terminal_sheet(sheet, contacts=contacts, figures=figures))
    if html is not None:
        print(f"page: {html}")


def _write(path: Path, text: str) -> None:
    try:
        path.write_text(text, encoding="utf-8")
    except OSError as error:
        raise RecordingError(f"{path} cannot be written: {error.strerror}") from None
