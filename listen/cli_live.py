"""What the verb `live` prints and asks."""

import os
import sys
from contextlib import ExitStack
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

from listen.errors import InputError, RecordingError
from listen.live_run import live_run
from listen.live_start import VOICES, FromHere, agree, start_of, typed_line
from listen.plan import lines_of_blocks
from listen.record.keep import KEEPS, Start

if TYPE_CHECKING:
    from threading import Event

    from listen.hear import Microphone, Witness
    from listen.live_run import Screen, Witnesses
    from listen.plan import Plan
    from listen.record import Run
    from listen.show.board import Board
    from listen.show.server import LiveServer
    from listen.timeline import Timeline


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """How `live` was asked to listen; None where the system or the person chooses.

    Attributes
    ----------
    ask : bool | None
        Whether kind and keep are asked for at the start; None asks at a terminal that did not give both.
    """

    device: str | None
    channel: int
    rate: int | None
    kind: str | None
    keep: str | None
    ask: bool | None
    port: int
    lan: bool
    terminal: bool
    seconds: float | None

    def asks(self, start: Start) -> bool:
        """Whether the person is asked before anything is recorded."""
        if self.ask is not None:
            return self.ask
        is_known = self.keep is not None and (self.kind is not None or not start.kind)
        return sys.stdin.isatty() and sys.stdout.isatty() and not is_known


@dataclass(frozen=True, slots=True, kw_only=True)
class _Prepared:
    """What stands before the microphone is opened."""

    plan: "Plan | None"
    offered: Start
    folder: Path
    device: str | int | None
    rate: int

    @property
    def timeline(self) -> "Timeline | None":
        return None if self.plan is None else self.plan.timeline


def live(
    job: Path | None, *, asked: Asked, out: Path | None, model: Path | None, witnesses: "Witnessed"
) -> int:
    """Listen until Ctrl-C; exit code 1 where flags were raised."""
    from listen.hear import Microphone
    from listen.live_run import until_interrupted

    here = _prepared(job, asked, out, model)
    with ExitStack() as stack:
        stop = stack.enter_context(until_interrupted())
        microphone = stack.enter_context(
            Microphone(device=here.device, rate=here.rate, channel=asked.channel)
        )
        board = _board(here)
        _serve(stack, board, asked)
        agreed = (
            _agreed(microphone, board, here.offered, asked, stop)
            if asked.asks(here.offered)
            else here.offered
        )
        if agreed is None:
            print("Ended before the run began: nothing was recorded.")
            return 0
        board.begin(agreed)
        _say_start(agreed, here.folder)
        screens: list[Screen] = [board, *_terminal(stack, asked, here.rate, here.timeline)]
        seen = witnesses.start(stack, rate=here.rate, lines=lines_of_blocks(here.plan), device=here.device)
        if asked.seconds is not None:
            _stop_after(stop, asked.seconds)
        beside = _beside(seen, board)
        run = _recorded(here, agreed, microphone, screens, stop, beside, name=asked.device, model=model)
        _end(board, run)
    return _finished(run)


def _prepared(job: Path | None, asked: Asked, out: Path | None, model: Path | None) -> _Prepared:
    """All that can be refused is refused here; what the sheet warns of is said before anything is asked."""
    from listen.cli_print import warning_lines
    from listen.hear import best_rate

    plan = _plan(job)
    for line in warning_lines(plan):
        print(f"! {line}")
    offered = start_of(asked.kind, asked.keep, of_job="" if plan is None else plan.timeline.kind)
    folder = out or Path("runs") / _run_name(job)
    check_folder(folder)
    device = device_of(asked.device)
    rate = asked.rate or best_rate(device)
    get_ready(rate, model)
    return _Prepared(plan=plan, offered=offered, folder=folder, device=device, rate=rate)


def _plan(job: Path | None) -> "Plan | None":
    from listen.job_file import load_job
    from listen.plan import plan_job

    return None if job is None else plan_job(load_job(job))


def _board(here: _Prepared) -> "Board":
    from listen.cli_print import warning_lines
    from listen.show.board import Board

    listing = () if here.plan is None else here.plan.path.listing
    warnings = tuple(warning_lines(here.plan))
    return Board(rate=here.rate, timeline=here.timeline, listing=listing, warnings=warnings)


def _recorded(
    here: _Prepared,
    agreed: Start,
    microphone: "Microphone",
    screens: "list[Screen]",
    stop: "Event",
    witnesses: "Witnesses | None",
    *,
    name: str | None,
    model: Path | None,
) -> "Run":
    timeline = here.timeline
    return live_run(
        FromHere(microphone),
        rate=here.rate,
        folder=here.folder,
        screens=screens,
        stop=stop,
        timeline=None if timeline is None else replace(timeline, kind=agreed.kind),
        job=None if here.plan is None else here.plan.job,
        keep=KEEPS[agreed.keep],
        name=name or "the system's microphone",
        model=model,
        witnesses=witnesses,
    )


def _beside(seen: "list[Witness]", board: "Board") -> "Witnesses | None":
    """What came beside the sound since it was last asked for; None where nothing does."""
    return (lambda: [item for one in seen for item in one.read(now=board.place_now())]) if seen else None


def _end(board: "Board", run: "Run") -> None:
    """Write the page, and tell the screens what was found afterwards and that it is over."""
    _write_page(run)
    told = board.n_flags
    board.tell(*run.flags[told:])
    board.end(ended_words(run, told=told))


def get_ready(rate: int, model: Path | None) -> None:
    """Compile what hears before the microphone is open, and say so where it takes time."""
    from threading import Timer

    from listen.live_ready import make_ready

    words = "Getting ready: on this computer's first run that may take half a minute."
    slow = Timer(1.5, print, (words,), {"flush": True})
    slow.start()
    try:
        make_ready(rate=rate, model=model)
    finally:
        slow.cancel()


def check_folder(folder: Path) -> None:
    """Refuse a run folder that cannot be written before anybody is asked anything.

    Raises
    ------
    RecordingError
        With the reason.
    """
    near = next(path for path in (folder, *folder.absolute().parents) if path.exists())
    if not near.is_dir() or not os.access(near, os.W_OK | os.X_OK):
        raise RecordingError(
            f"the run is recorded to {folder}, and {near} cannot be written; choose another folder with --out"
        )


def _serve(stack: ExitStack, board: "Board", asked: Asked) -> None:
    from listen.show.server import LiveServer, network_address

    server = LiveServer(board, port=asked.port, lan=network_address() if asked.lan else None)
    stack.callback(server.stop)
    announce(server, lan=asked.lan)


def _agreed(
    microphone: "Microphone", board: "Board", start: Start, asked: Asked, stop: "Event"
) -> Start | None:
    is_terminal = sys.stdin.isatty() or asked.ask is True
    return agree(
        microphone,
        board,
        offered=start,
        goes_on=lambda: not stop.is_set(),
        typed=typed_line if is_terminal else None,
    )


def _terminal(stack: ExitStack, asked: Asked, rate: int, timeline: "Timeline | None") -> "list[Screen]":
    from listen.show.terminal import TerminalScreen

    return [stack.enter_context(TerminalScreen(rate=rate, timeline=timeline))] if asked.terminal else []


@dataclass(frozen=True, slots=True, kw_only=True)
class Witnessed:
    """Load and controller beside the microphone, as they were asked for; None where not."""

    mtconnect: str | None = None
    opcua: str | None = None
    nodes: str = ""
    mqtt: str | None = None
    clamp: str = ""

    def start(
        self, stack: ExitStack, *, rate: int, lines: dict[str, int], device: str | int | None
    ) -> "list[Witness]":
        """Begin to listen to each; they are closed with the stack."""
        from listen.hear import ClampWitness, MqttWitness, MTConnectWitness, OpcUaWitness, parse_clamp

        made: list[Witness] = []
        if self.mtconnect is not None:
            made.append(MTConnectWitness(self.mtconnect, rate=rate, lines_of_blocks=lines))
        if self.opcua is not None:
            nodes = _node_map(self.nodes)
            made.append(OpcUaWitness(self.opcua, rate=rate, nodes=nodes, lines_of_blocks=lines))
        if self.mqtt is not None:
            address, _, topic = self.mqtt.partition("/")
            if not topic:
                raise InputError(f"--mqtt reads host:port/topic, got {self.mqtt!r}")
            made.append(MqttWitness(address, topic, rate=rate, lines_of_blocks=lines))
        if self.clamp:
            made.append(ClampWitness(parse_clamp(self.clamp), device=device, rate=rate))
        for witness in made:
            witness.start()
            stack.callback(witness.close)
        return made


def _node_map(text: str) -> dict[str, str]:
    """Node id by key from ``load_percent=ns=2;s=Load,line=ns=2;i=7``."""
    nodes = {}
    for part in filter(None, (piece.strip() for piece in text.split(","))):
        key, equals, node = part.partition("=")
        if not equals or not node:
            raise InputError(f"--nodes reads key=node, separated by commas; got {part!r}")
        nodes[key.strip()] = node.strip()
    return nodes


def _run_name(job: Path | None) -> str:
    """A folder name that sorts by time."""
    return f"{datetime.now():%Y-%m-%d %H-%M-%S}{'' if job is None else f' {job.stem}'}"


def ended_words(run: "Run", *, told: int) -> str:
    """What the live page says at the end; `told` flags were raised while it ran."""
    n_flags, n_late = len(run.flags), len(run.flags) - told
    flags = f"{n_flags} flag{'' if n_flags == 1 else 's'}" if n_flags else "No flags, which is no permission"
    late = f", {n_late} found only when it was heard again" if n_late > 0 else ""
    return f"The run has ended. {flags}{late}. Its page: timeline.html in {run.folder.name}."


def _write_page(run: "Run") -> None:
    from listen.show import write_run_pages

    try:
        write_run_pages(run, run.folder / "timeline.html")
    except OSError as error:
        print(f"cut-listen: the page could not be written: {error.strerror}", file=sys.stderr)


def _finished(run: "Run") -> int:
    """Say what the run was."""
    from listen.cli_print import print_run

    print_run(run, json=False)
    if run.problem:
        print(f"cut-listen: {run.problem}", file=sys.stderr)
    return 1 if run.flags else 0


def _stop_after(stop: "Event", seconds: float) -> None:
    from threading import Timer

    timer = Timer(seconds, stop.set)
    timer.daemon = True
    timer.start()


def announce(server: "LiveServer", *, lan: bool) -> None:
    """Say where the page is and what it cannot do.

    Parameters
    ----------
    server : LiveServer
    lan : bool
        Whether screens on the network need a key: it is shown, as a code for a tablet too.
    """
    print("This screen cannot stop the machine. Watch the machine.")
    print(f"Open {server.address}")
    if lan:
        _print_code(server.address)
        print("The key in it serves one screen; when it was used, the next one is printed.")
        server.on_key = lambda: print(f"Next screen: {server.address}", flush=True)
    print("Ctrl-C ends the run.", flush=True)


def _say_start(start: Start, folder: Path) -> None:
    kind = f"{start.kind[:1].upper()}{start.kind[1:]}. " if start.kind else ""
    print(f"{kind}This records {KEEPS[start.keep].said}, to {folder}. {VOICES}", flush=True)


def _print_code(address: str) -> None:
    try:
        import segno
    except ImportError:
        return  # the address is printed anyway
    segno.make(address, error="m").terminal(compact=True)


def device_of(name: str | None) -> str | int | None:
    """A number where it is one."""
    return int(name) if name is not None and name.isdigit() else name
