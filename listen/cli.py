"""The command `cut-listen`: one verb a job, exit code 0 fine, 1 flags were raised, 2 could not run."""

import os
import sys
from pathlib import Path
from typing import Annotated

import typer

from listen.errors import ListenError

FINE, FLAGGED, FAILED = 0, 1, 2

app = typer.Typer(
    name="cut-listen",
    help="Listen with a newcomer during the first run of a program. Advice only: it cannot stop the machine.",
    no_args_is_help=False,
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
)

JobOption = Annotated[Path | None, typer.Option("--job", help="The job file; `cut-listen job` makes one.")]
OutOption = Annotated[Path | None, typer.Option("--out", help="Folder for the run.")]
JsonOption = Annotated[bool, typer.Option("--json", help="Print JSON for a machine to read.")]


def main(arguments: list[str] | None = None) -> int:
    """Run one verb; what the user can cure is one line on standard error.

    Returns
    -------
    int
        0 fine, 1 flags were raised, 2 could not run.
    """
    try:
        answer = app(args=arguments, prog_name="cut-listen", standalone_mode=False)
    except ListenError as error:
        return _fail(str(error))
    except typer.BadParameter.__mro__[2] as error:  # every complaint about how the command was written
        return _fail(f"{error.format_message()}; `cut-listen --help` lists what there is")  # type: ignore[attr-defined]
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())  # nobody reads any more
        return FINE
    except OSError as error:
        return _fail(f"{error.filename or 'the file'}: {error.strerror or error}")
    except (KeyboardInterrupt, typer.Abort):
        return _fail("stopped")
    return answer if isinstance(answer, int) else FINE


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
def demo(out: OutOption = None) -> int:
    """Make a small invented job with planted faults, listen to it, show it.

    Example: cut-listen demo
    """
    from listen.demo.run import run_demo
    from listen.show import write_replay_page

    return run_demo(out or Path("cut-listen-demo"), write_page=write_replay_page)


@app.command()
def replay(
    recording: Annotated[Path, typer.Argument(help="WAV, FLAC, Ogg, MP3 or a run folder; - for none.")],
    job: JobOption = None,
    load: Annotated[Path | None, typer.Option("--load", help="A load log (CSV or Parquet).")] = None,
    columns: Annotated[str, typer.Option("--columns", help="Its columns: time=…,load=….")] = "",
    out: OutOption = None,
    json: JsonOption = False,
) -> int:
    """Listen to a recording, as if it were happening now.

    Example: cut-listen replay first_cut.flac --job bracket.toml --out first_cut
    """
    from listen.report import print_json, print_report
    from listen.replay_run import replay_recording
    from listen.show import write_replay_page

    run, folder = replay_recording(
        recording, job=job, load=load, columns=columns, out=out, write_page=write_replay_page
    )
    print_json(run) if json else print_report(run, folder)
    return FLAGGED if run.flags else FINE


if __name__ == "__main__":
    sys.exit(main())
