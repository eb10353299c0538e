"""The command `cut-listen`: one verb a job, exit code 0 fine, 1 flags were raised, 2 could not run."""

import sys
from pathlib import Path
from typing import Annotated

import typer

from listen.cli_runs import runs_app
from listen.cli_stream import BROKEN_PIPE, patient_streams
from listen.errors import InputError, ListenError

FINE, FLAGGED, FAILED = 0, 1, 2
_MISUSE: type[Exception] = typer.BadParameter.__mro__[2]  # every complaint about how a command was written

app = typer.Typer(
    name="cut-listen",
    help="Listen with a newcomer during the first run of a program. Advice only: it cannot stop the machine.",
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
)
app.add_typer(runs_app, name="runs")

JobOption = Annotated[Path | None, typer.Option("--job", help="The job file; `cut-listen job` makes one.")]
OutOption = Annotated[Path | None, typer.Option("--out", help="Folder for the run.")]
ModelOption = Annotated[Path | None, typer.Option("--model", help="A model folder; else the shipped one.")]
SeedOption = Annotated[int, typer.Option(min=0, help="Another number, another machine and room.")]
JsonOption = Annotated[bool, typer.Option("--json", help="Print JSON for a machine to read.")]


def main(arguments: list[str] | None = None) -> int:
    """Run one verb; what the user can cure is one line on standard error.

    Returns
    -------
    int
        0 fine, 1 flags were raised, 2 could not run; 141 where all was done, but its reader was gone.
    """
    with patient_streams(sys.stdout, sys.stderr) as out:
        code = _run(arguments)
    return BROKEN_PIPE if out.broken and code != FAILED else code


def _run(arguments: list[str] | None) -> int:
    try:
        answer = app(args=arguments, prog_name="cut-listen", standalone_mode=False)
        sys.stdout.flush()
    except ListenError as error:
        return _fail(str(error))
    except _MISUSE as error:
        return _fail(f"{_complaint(error)}; `{_verb_of(error)} --help` lists what there is")
    except OSError as error:
        return _fail(
            f"{error.filename or 'a file'} cannot be read or written: {error.strerror or error}; "
            f"look at its name, its folder and the room on the disk"
        )
    except (KeyboardInterrupt, typer.Abort):
        return _fail("stopped")
    return answer if isinstance(answer, int) else FINE


def _complaint(error: Exception) -> str:
    told = getattr(error, "format_message", None)
    return str(told() if told else error).rstrip(". ")


def _verb_of(error: Exception) -> str:
    """The command that was written wrong: its help lists what it takes."""
    return str(getattr(getattr(error, "ctx", None), "command_path", "cut-listen"))


def _fail(reason: str) -> int:
    print(f"cut-listen: {' '.join(reason.split())}", file=sys.stderr)
    return FAILED


def _version(wanted: bool) -> None:
    if wanted:
        from listen import __version__

        print(f"cut-listen {__version__}")
        raise typer.Exit


@app.callback(invoke_without_command=True)
def _about(
    context: typer.Context,
    version: Annotated[
        bool, typer.Option("--version", is_eager=True, callback=_version, help="Print the version.")
    ] = False,
) -> None:
    if context.invoked_subcommand is None:
        print(context.get_help())


@app.command()
def demo(out: OutOption = None, json: JsonOption = False) -> int:
    """Make, hear and show a small invented job.

    Two faults are planted; exit code 0 when exactly these were found, else 2.

    Example: cut-listen demo
    """
    from listen.cli_print import print_run, progress_bar
    from listen.demo import run_demo
    from listen.show import write_replay_page

    with progress_bar("demo", quiet=json) as progress:
        run, missed = run_demo(
            out or Path("cut-listen-demo"), write_page=write_replay_page, progress=progress
        )
    print_run(run, json=json)
    return _fail(f"the planted faults were not found as planted: {missed}") if missed else FINE


@app.command()
def job(
    program: Annotated[Path, typer.Argument(metavar="PROGRAM", help="The program file.")],
    size: Annotated[str | None, typer.Option(help="Stock size, as 80x50x20 or diameter x height.")] = None,
    zero: Annotated[
        str | None,
        typer.Option(help="Where X0 Y0 is, as 'left front corner' or '2 inside the left front corner'."),
    ] = None,
    z0: Annotated[
        str | None, typer.Option("--z0", help="As 'top of the stock' or '1 below the top'.")
    ] = None,
    material: Annotated[str | None, typer.Option(help="As 'aluminium 6061'.")] = None,
    tools: Annotated[str | None, typer.Option(help="As 'T1 flat end mill 12 3; T2 drill 5 2'.")] = None,
    kind: Annotated[str | None, typer.Option(help="raised dry run, first cut or repeat.")] = None,
    overrides: Annotated[str | None, typer.Option(help="Feed and rapid at the start, as '10 25'.")] = None,
    jaws: Annotated[str | None, typer.Option(help="Top of the vice jaws, as Z.")] = None,
    tools_from: Annotated[Path | None, typer.Option(help="A tool table (CSV) beside the program.")] = None,
    columns: Annotated[str, typer.Option(help="Its columns: number=T,diameter=Dia,….")] = "",
    machine_from: Annotated[Path | None, typer.Option(help="A machine file beside the program.")] = None,
    yes: Annotated[bool, typer.Option("--yes", help="Take the defaults; ask nothing.")] = False,
    out: Annotated[Path | None, typer.Option("--out", help="The job file; else PROGRAM.toml.")] = None,
    replace: Annotated[bool, typer.Option("--replace", help="Write over a job file.")] = False,
) -> int:
    """Make the job file for a program, with at most eight questions.

    Example: cut-listen job part.nc --size 80x50x20 --yes
    """
    from listen.cli_job import make_job

    answers = {
        "size": size,
        "zero": zero,
        "z0": z0,
        "material": material,
        "tools": tools,
        "kind": kind,
        "overrides": overrides,
        "jaws": jaws,
    }
    given = {key: value for key, value in answers.items() if value is not None}
    target = out or program.parent / f"{program.stem}.toml"
    make_job(
        program,
        target,
        given=given,
        ask=not yes and sys.stdin.isatty(),
        replace=replace,
        machine_from=machine_from,
        tools_from=tools_from,
        columns=columns,
    )
    return FINE


@app.command()
def expect(
    job_or_program: Annotated[Path, typer.Argument(metavar="JOB", help="A job file, or a program.")],
    json: JsonOption = False,
    html: Annotated[Path | None, typer.Option("--html", help="Write the sheet as a page to print.")] = None,
    contacts: Annotated[bool, typer.Option("--contacts", help="Every contact, not only passes.")] = False,
    figures: Annotated[bool, typer.Option("--figures", help="Chip, force, power and load too.")] = False,
) -> int:
    """Print the first-run sheet: what to expect, where and when.

    Exit code 1 when it warns.

    Example: cut-listen expect bracket.toml --html sheet.html
    """
    from listen.cli_job import job_of
    from listen.cli_print import print_sheet, progress_bar, refuse_no_page
    from listen.plan import plan_job

    refuse_no_page(html)
    planned, guessed = job_of(job_or_program)
    with progress_bar("expect", quiet=json) as progress:
        plan = plan_job(planned, first=guessed, progress=progress)
    print_sheet(plan, json=json, html=html, contacts=contacts, figures=figures)
    return FLAGGED if plan.warnings else FINE


@app.command()
def replay(
    recording: Annotated[
        list[str],
        typer.Argument(
            metavar="RECORDING...", help="Sound files, run folders, folders of them or globs; - for no sound."
        ),
    ],
    job: JobOption = None,
    load: Annotated[Path | None, typer.Option("--load", help="A load log (CSV or Parquet).")] = None,
    columns: Annotated[str, typer.Option("--columns", help="Its columns: time=…,load=….")] = "",
    clamp: Annotated[
        str, typer.Option(help="Current clamp on a channel, by two points: 2:RMS=A,RMS=A.")
    ] = "",
    model: ModelOption = None,
    out: OutOption = None,
    keep: Annotated[
        str, typer.Option(help="What is kept: sound, small (lossy sound), features or decisions.")
    ] = "small",
    workers: Annotated[int, typer.Option(help="Of many recordings, so many side by side.")] = 1,
    cluster: Annotated[str, typer.Option(help="Or on this Dask cluster, as tcp://host:8786.")] = "",
    json: JsonOption = False,
) -> int:
    """Listen to a recording as if it were happening now.

    Exit code 1 when flags were raised. Many recordings: one run folder each below --out.

    Example: cut-listen replay first_cut.flac --job bracket.toml --out first_cut
    """
    from listen.cli_replay import replay_all, replay_one

    if len(recording) == 1 and is_one(recording[0]):
        one = Path(recording[0])
        return replay_one(
            one, job=job, load=load, columns=columns, clamp=clamp, model=model, out=out, keep=keep, json=json
        )
    return replay_all(
        recording,
        job=job,
        model=model,
        out=out or Path("runs"),
        keep=keep,
        workers=workers,
        cluster=cluster,
        json=json,
    )


DeviceOption = Annotated[str | None, typer.Option(help="Name or number, as `devices` lists it.")]
ChannelOption = Annotated[int, typer.Option(help="Which channel, counted from 1.")]


@app.command()
def live(
    job: Annotated[Path | None, typer.Argument(metavar="[JOB]", help="Without: states only.")] = None,
    device: DeviceOption = None,
    channel: ChannelOption = 1,
    rate: Annotated[int | None, typer.Option(help="Samples a second.")] = None,
    model: ModelOption = None,
    out: OutOption = None,
    kind: Annotated[
        str | None, typer.Option(help="raised dry run, first cut or repeat; else the job's.")
    ] = None,
    keep: Annotated[
        str | None, typer.Option(help="What is kept: sound, small (lossy sound), features or decisions.")
    ] = None,
    ask: Annotated[
        bool | None,
        typer.Option("--ask/--no-ask", help="Ask for both at the start; else only at a terminal."),
    ] = None,
    port: Annotated[int, typer.Option(help="Of the live page; 0 takes a free one.")] = 0,
    lan: Annotated[bool, typer.Option("--lan", help="Serve the page on this network, with a key.")] = False,
    terminal: Annotated[bool, typer.Option("--terminal", help="Show the same facts here.")] = False,
    seconds: Annotated[float | None, typer.Option(help="Stop by itself after so long.")] = None,
    mtconnect: Annotated[str | None, typer.Option(help="Address of the machine's agent.")] = None,
    opcua: Annotated[str | None, typer.Option(help="Address of its OPC UA server.")] = None,
    nodes: Annotated[str, typer.Option(help="OPC UA nodes: load_percent=ns=2;s=Load,….")] = "",
    mqtt: Annotated[str | None, typer.Option(help="Broker and topic, as host:1883/mill/load.")] = None,
    clamp: Annotated[
        str, typer.Option(help="Current clamp on a channel, by two points: 2:RMS=A,RMS=A.")
    ] = "",
) -> int:
    """Listen at the machine: live page, recording, flags.

    Advice only: it cannot stop the machine. Ctrl-C ends it; exit code 1 when flags were raised.

    Example: cut-listen live bracket.toml
    """
    from listen import cli_live

    return cli_live.live(
        job,
        asked=cli_live.Asked(
            device=device,
            channel=channel,
            rate=rate,
            kind=kind,
            keep=keep,
            ask=ask,
            port=port,
            lan=lan,
            terminal=terminal,
            seconds=seconds,
        ),
        out=out,
        model=model,
        witnesses=cli_live.Witnessed(mtconnect=mtconnect, opcua=opcua, nodes=nodes, mqtt=mqtt, clamp=clamp),
    )


@app.command()
def devices(
    device: Annotated[str | None, typer.Argument(metavar="[DEVICE]", help="One to look over.")] = None,
    channel: ChannelOption = 1,
    seconds: Annotated[float, typer.Option(help="How long to listen to it.")] = 3.0,
    spindle: Annotated[
        bool, typer.Option("--spindle", help="At the machine: room, a knock, spindle against room.")
    ] = False,
    json: JsonOption = False,
) -> int:
    """List the microphones, or look over the level of one.

    Exit code 1 when something stands in the way of listening.

    Example: cut-listen devices
    """
    from listen import cli_devices

    return cli_devices.devices(device=device, channel=channel, seconds=seconds, spindle=spindle, json=json)


@app.command()
def preview(
    job: Annotated[Path, typer.Argument(metavar="JOB", help="The job file, or a program.")],
    out: OutOption = None,
    override: Annotated[float | None, typer.Option(help="Feed override [percent]; else the job's.")] = None,
    contacts: Annotated[str, typer.Option(help="Only these, as 1-3.")] = "",
    passes: Annotated[str, typer.Option(help="Or only these passes of the sheet, as 1-2.")] = "",
    coolant: Annotated[bool, typer.Option("--coolant", help="With coolant on.")] = False,
    fault: Annotated[
        str, typer.Option(help="Plant one in the second contact: early, rubbing, chatter, ….")
    ] = "",
    off_by: Annotated[
        str,
        typer.Option(
            help="Make it twice: right, and with a zero off by so much, in the job's unit, as 'z -2'."
        ),
    ] = "",
    sound: Annotated[str, typer.Option(help="flac, opus (small), or wav beside it.")] = "flac",
    seed: SeedOption = 20,
    json: JsonOption = False,
) -> int:
    """Make what the program should sound like, before it runs.

    Sound and page are made, nothing was heard.

    Example: cut-listen preview bracket.toml --contacts 1-2
    """
    from listen import cli_preview
    from listen.coach.preview import PreviewSettings, read_range

    settings = PreviewSettings(
        feed_override=override, contacts=read_range(contacts), coolant=coolant, fault=fault, seed=seed
    )
    target = out or Path(f"{job.stem}-preview")
    return cli_preview.preview(
        job, out=target, settings=settings, passes=passes, off_by=off_by, sound=sound, json=json
    )


@app.command()
def coach(
    runs: Annotated[
        list[Path] | None,
        typer.Argument(metavar="[RUN]...", help="Own run folders, for examples; references first."),
    ] = None,
    out: Annotated[Path, typer.Option("--out", help="The page to write.")] = Path("lessons.html"),
    job: Annotated[
        Path | None, typer.Option(help="Tell travel for this job's feed, machine and unit.")
    ] = None,
    drill: Annotated[
        str,
        typer.Option(help="Program in the air, in --job's unit: 'x 0 200 y 0 150 z 120 top 60 feed 500'."),
    ] = "",
    seed: SeedOption = 1,
    progress: Annotated[
        Path | None, typer.Option(help="Only read a learner's file, saved from the page.")
    ] = None,
    operator: Annotated[
        Path | None, typer.Option(help="With --progress: write it for a job's operator_from.")
    ] = None,
    erase: Annotated[bool, typer.Option("--erase", help="With --progress: erase it.")] = False,
) -> int:
    """Write the listening lessons: hear it, name it, hold, follow.

    One page that works from disk with the network off; what you answer stays in your browser.

    Example: cut-listen coach --out lessons.html
    """
    from listen import cli_coach

    if progress is not None:
        return cli_coach.progress(progress, job=job, operator=operator, erase=erase)
    if operator is not None or erase:
        raise InputError("--operator and --erase need --progress FILE: the file saved from the lessons page")
    asked = cli_coach.CoachAsked(job=job, seed=seed, runs=runs or (), drill=drill)
    return cli_coach.coach(out, asked)


@app.command()
def teach(
    runs: Annotated[
        list[Path] | None, typer.Argument(metavar="RUN...", help="Run folders with labels.json.")
    ] = None,
    check: Annotated[bool, typer.Option("--check", help="Only score the model on them.")] = False,
    model: ModelOption = None,
    out: Annotated[Path, typer.Option("--out", help="The new model folder.")] = Path("taught-ear"),
    forget: Annotated[Path | None, typer.Option(help="Only erase this taught model.")] = None,
    json: JsonOption = False,
) -> int:
    """Teach the ear your machine, microphone and room.

    It learns from contacts that you corrected on the pages of a few runs. The model stays as it is
    where nothing does better on runs that it was not taught on.

    Example: cut-listen teach monday tuesday wednesday --out our_mill
    """
    from listen import cli_teach

    if forget is not None:
        return cli_teach.forget(forget)
    if check:
        return cli_teach.check(runs or (), model=model, json=json)
    return cli_teach.teach(runs or (), model=model, out=out, json=json)


def is_one(recording: str) -> bool:
    """True for a file, a run folder or ``-``; a folder of recordings or a glob leads to many."""
    from listen.record import is_run_folder

    path = Path(recording)
    is_many = (path.is_dir() and not is_run_folder(path) and any(path.iterdir())) or (
        any(sign in recording for sign in "*?[") and not path.exists()
    )
    return not is_many


if __name__ == "__main__":
    sys.exit(main())
