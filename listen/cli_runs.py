"""The verb `runs`: the library of kept runs."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    from listen.record.library import Library, RunRow

runs_app = typer.Typer(
    help="List, show, compare, mark, export, delete and check kept runs.\n\nExample: cut-listen runs list",
    short_help="List, show, compare, mark, export or delete kept runs.",
    add_completion=False,
    rich_markup_mode=None,
)
Where = Annotated[Path, typer.Option("--in", help="The folder that holds the runs.")]
Name = Annotated[str, typer.Argument(metavar="RUN", help="Its folder, or its name in the library.")]
Json = Annotated[bool, typer.Option("--json", help="Print JSON for a machine to read.")]
HERE = Path()


def _library(where: Path) -> "Library":
    from listen.record.library import Library

    library = Library(where)
    library.refresh()
    return library


@runs_app.command("list")
def list_runs(
    where: Where = HERE,
    program: Annotated[str, typer.Option(help="Part of the program's name.")] = "",
    tool: Annotated[int | None, typer.Option(help="A tool that the run uses.")] = None,
    material: Annotated[str, typer.Option(help="Part of the material's name.")] = "",
    machine: Annotated[str, typer.Option(help="Part of the machine's name.")] = "",
    verdict: Annotated[str, typer.Option(help="A verdict that a contact got, as 'not heard'.")] = "",
    flagged: Annotated[bool, typer.Option("--flagged", help="Only runs with flags.")] = False,
    reference: Annotated[bool, typer.Option("--reference", help="Only references.")] = False,
    since: Annotated[str, typer.Option(help="Earliest date, as 2030-01-31.")] = "",
    json: Json = False,
) -> int:
    """List the runs in a folder, newest first.

    Example: cut-listen runs list --in runs --flagged
    """
    rows = _library(where).rows(
        program=program,
        tool=tool,
        material=material,
        machine=machine,
        verdict=verdict,
        flagged=flagged,
        reference=reference,
        since=since,
    )
    _print_rows(rows, json=json)
    return 0


def _print_rows(rows: "tuple[RunRow, ...]", *, json: bool) -> None:
    if json:
        import json as to_json
        from dataclasses import asdict

        hidden = ("stamp", "verdicts", "tools")
        values = [{k: v for k, v in asdict(row).items() if k not in hidden} for row in rows]
        more = [{"tools": row.tool_numbers, "verdicts": row.verdict_counts} for row in rows]
        print(to_json.dumps([{**one, **other} for one, other in zip(values, more, strict=True)]))
        return
    if not rows:
        print("no runs here that fit")
    for row in rows:
        marks = ("reference " if row.reference else "") + (row.trouble or row.sentence)
        print(f"{row.date[:16].replace('T', ' '):16}  {row.folder}  {row.program or '-'}  {marks}")


@runs_app.command()
def show(name: Name, where: Where = HERE, json: Json = False) -> int:
    """Show one run as it was printed when it ended.

    Example: cut-listen runs show first_cut
    """
    from listen.cli_print import print_run
    from listen.record import read_run

    print_run(read_run(_library(where).find(name)), json=json)
    return 0


@runs_app.command()
def reference(
    name: Name,
    by: Annotated[str, typer.Option(help="Initials of someone experienced who stands for it.")] = "",
    note: Annotated[str, typer.Option(help="What is good about it.")] = "",
    remove: Annotated[bool, typer.Option("--remove", help="Take the mark away.")] = False,
    where: Where = HERE,
) -> int:
    """Mark a run as the yardstick for later runs of its program.

    Example: cut-listen runs reference first_cut --by AB --note "even tone, clean exits"
    """
    from listen.record.reference import mark_reference, unmark_reference

    folder = _library(where).find(name)
    if remove:
        unmark_reference(folder)
    else:
        mark_reference(folder, by=by, note=note)
    print(f"{folder}: {'no longer a reference' if remove else f'reference, by {by}'}")
    return 0


@runs_app.command()
def page(name: Name, where: Where = HERE) -> int:
    """Make the page of a run again.

    It stands beside the last reference of its program.

    Example: cut-listen runs page tuesday
    """
    from listen.record import read_run
    from listen.show import write_run_page

    folder = _library(where).find(name)
    write_run_page(read_run(folder), folder / "timeline.html")
    print(f"page: {folder / 'timeline.html'}")
    return 0


@runs_app.command()
def export(
    name: Name,
    target: Annotated[Path, typer.Argument(metavar="ZIP", help="The zip file to write.")],
    with_sound: Annotated[
        bool, typer.Option("--with-sound", help="Pack the sound too; people's voices may be on it.")
    ] = False,
    yes: Annotated[bool, typer.Option("--yes", help="Do not ask about voices.")] = False,
    where: Where = HERE,
) -> int:
    """Pack one run into a zip file, without its sound unless asked.

    Example: cut-listen runs export first_cut first_cut.zip
    """
    from listen.errors import InputError
    from listen.record.export import export_run
    from listen.show import write_replay_page

    folder = _library(where).find(name)
    question = (
        "the voices of people near the machine may be on the sound; do they agree that it is handed on?"
    )
    if with_sound and not yes and not typer.confirm(question, err=True):
        raise InputError("nothing was packed; without --with-sound no sound goes along")
    names = export_run(folder, target, with_sound=with_sound, write_page=write_replay_page)
    print(f"{target}: {', '.join(names)}")
    return 0


@runs_app.command()
def delete(
    name: Name,
    yes: Annotated[bool, typer.Option("--yes", help="Do not ask.")] = False,
    where: Where = HERE,
) -> int:
    """Delete one run for good.

    Example: cut-listen runs delete first_cut
    """
    from listen.errors import InputError
    from listen.record.library import delete_run

    folder = _library(where).find(name)
    if not yes and not typer.confirm(f"delete {folder} for good?", err=True):
        raise InputError("nothing was deleted")
    delete_run(folder)
    print(f"{folder}: deleted")
    return 0


@runs_app.command()
def check(where: Where = HERE) -> int:
    """Read every file of every run to its end.

    Exit code 1 when something is wrong.

    Example: cut-listen runs check --in runs
    """
    from listen.record.check import check_run
    from listen.record.words import counted

    rows = _library(where).rows()
    troubles = [trouble for row in rows for trouble in check_run(where / row.folder)]
    for trouble in troubles:
        print(f"{trouble.folder}: {trouble.text}; {trouble.remedy}")
    print(f"{counted(len(rows), 'run')} checked, {counted(len(troubles), 'trouble')}")
    return 1 if troubles else 0


@runs_app.command()
def compare(
    first: Annotated[str, typer.Argument(metavar="FIRST", help="The run to compare with.")],
    second: Annotated[str, typer.Argument(metavar="SECOND", help="The run that is compared.")],
    page: Annotated[Path, typer.Option("--page", help="The page to write.")] = Path("compare.html"),
    where: Where = HERE,
    json: Json = False,
) -> int:
    """Compare two runs of one program, contact by contact.

    Exit code 1 when something changed beyond the spread of earlier good runs.

    Example: cut-listen runs compare monday tuesday
    """
    from listen.record import read_run
    from listen.record.words import counted
    from listen.show.compare_page import write_compare_page

    library = _library(where)
    one, other = (read_run(library.find(name)) for name in (first, second))
    used = {one.folder.resolve(), other.folder.resolve()}
    good = [run for run in library.references(one.header.program) if run.folder.resolve() not in used]
    comparison = write_compare_page(one, other, page, good=good)
    if json:
        import json as to_json
        from dataclasses import asdict

        print(to_json.dumps([asdict(change) for change in comparison.changes]))
    else:
        n_pairs, n_changes = len(comparison.pairs), len(comparison.changes)
        both, earlier = counted(n_pairs, "contact"), counted(comparison.n_good, "earlier good run")
        print(f"{both} heard in both, {counted(n_changes, 'change')}, {earlier}")
        for change in comparison.changes:
            print(f"  {change.text}")
        print(f"page: {page}")
    return 1 if comparison.changes else 0


@runs_app.command()
def report(
    page: Annotated[Path, typer.Option("--page", help="The page to write.")] = Path("report.html"),
    program: Annotated[str, typer.Option(help="Part of the program's name.")] = "",
    where: Where = HERE,
) -> int:
    """Write one page over all runs of a folder.

    Verdicts, drift and flags over time; previews are left out.

    Example: cut-listen runs report --in runs
    """
    from listen.record import read_run
    from listen.record.words import counted
    from listen.show.report_page import write_report_page

    rows = [row for row in _library(where).rows(program=program) if not row.damaged]
    runs = [run for row in rows if not (run := read_run(where / row.folder)).header.of_made_sound]
    write_report_page(runs, page)
    print(f"page: {page} ({counted(len(runs), 'run')})")
    return 0
