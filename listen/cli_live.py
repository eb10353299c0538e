"""What the verbs `live` and `devices` print and ask."""

import json as json_text
import sys
from contextlib import ExitStack
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from listen.errors import InputError

if TYPE_CHECKING:
    from threading import Event

    from listen.hear import Witness
    from listen.record import Run
    from listen.session import Plan

WHERE = (
    "Put it outside the guard, near the spindle or the table, no cable through a door seal or a walkway.",
    "Where the guard is closed and coolant floods, a contact pickup on fixed frame or guard hears best.",
)

KEEPS = {  # what is said, and how the sound is written
    "sound": ("decisions and sound", "flac"),
    "small": ("decisions and sound, made small", "opus"),
    "decisions": ("decisions only", "none"),
}


def devices(*, device: str | None, channel: int, seconds: float, spindle: bool, json: bool) -> int:
    """List the microphones; with `device`, look over its level. Exit code 1 where something is in the way."""
    from listen.hear import best_rate, check_level, list_devices, record

    found = list_devices()
    if device is None:
        _print_devices(found, json=json)
        return 0 if found else 1
    chosen = _device(device)
    rate = best_rate(chosen)
    if spindle:
        return _spindle(chosen, rate=rate, channel=channel, seconds=seconds)
    check = check_level(record(device=chosen, rate=rate, duration_s=seconds, channel=channel), rate=rate)
    if json:
        print(json_text.dumps(_plain(check) | {"rate": rate}))
        return 1 if check.remarks else 0
    print(f"level {check.level_db:.0f} dB, peak {check.peak_db:.0f} dB, at {rate} Hz")
    for remark in check.remarks:
        print(f"{remark.text} {remark.remedy}")
    if not check.remarks:
        print("Nothing stands in the way.")
    return 1 if check.remarks else 0


def _print_devices(found: tuple[Any, ...], *, json: bool) -> None:
    if json:
        print(json_text.dumps([_plain(device) for device in found]))
        return
    for device in found:
        mark = "*" if device.is_default else " "
        rates = ", ".join(str(rate) for rate in device.rates)
        print(f"{mark} {device.number:3d}  {device.name}  channels {device.channels}  {rates} Hz")
    print("\n".join(WHERE) if found else "There is no microphone; plug one in and try again.")


def _spindle(device: str | int | None, *, rate: int, channel: int, seconds: float) -> int:
    from listen.hear import check_spindle, record

    input("Spindle standing, nobody talking. Press Enter to listen. ")
    off = record(device=device, rate=rate, duration_s=seconds, channel=channel)
    input("Start the spindle in air, as its manual says, door shut. Press Enter to listen. ")
    on = record(device=device, rate=rate, duration_s=seconds, channel=channel)
    rise, remark = check_spindle(off, on, rate=rate)
    print(f"spindle {rise:.0f} dB above the room")
    if remark is not None:
        print(f"{remark.text} {remark.remedy}")
    return 1 if remark else 0


def live(
    job: Path | None,
    *,
    device: str | None,
    channel: int,
    rate: int | None,
    model: Path | None = None,
    out: Path | None,
    keep: str,
    port: int,
    lan: bool,
    terminal: bool,
    seconds: float | None,
    witnesses: "Witnessed",
) -> int:
    """Listen until Ctrl-C; exit code 1 where flags were raised."""
    from listen.hear import Microphone, best_rate
    from listen.job_file import load_job
    from listen.live_run import Screen, live_run, until_interrupted
    from listen.session import plan_job
    from listen.show.board import Board
    from listen.show.server import LiveServer, network_address
    from listen.show.terminal import TerminalScreen

    if keep not in KEEPS:
        raise InputError(f"--keep must be one of {', '.join(KEEPS)}, got {keep!r}")
    said, sound = KEEPS[keep]
    plan = None if job is None else plan_job(load_job(job))
    timeline = None if plan is None else plan.timeline
    listing = () if plan is None else plan.path.listing
    chosen = _device(device)
    rate = rate or best_rate(chosen)
    folder = out or Path("runs") / _run_name(job)
    with ExitStack() as stack:
        stop = stack.enter_context(until_interrupted())
        microphone = stack.enter_context(Microphone(device=chosen, rate=rate, channel=channel))
        board = Board(rate=rate, timeline=timeline, listing=listing, keeps=said)
        server = LiveServer(board, port=port, lan=network_address() if lan else None)
        stack.callback(server.stop)
        announce(server, lan=lan, folder=folder, keeps=said)
        screens: list[Screen] = [board]
        if terminal:
            screens.append(stack.enter_context(TerminalScreen(rate=rate, timeline=timeline)))
        if seconds is not None:
            _stop_after(stop, seconds)
        seen = witnesses.start(stack, rate=rate, lines=_lines_of_blocks(plan))
        run = live_run(
            microphone,
            rate=rate,
            folder=folder,
            screens=screens,
            stop=stop,
            timeline=timeline,
            job=None if plan is None else plan.job,
            keep=sound,
            name=device or "the system's microphone",
            model=model,
            witnesses=lambda: [item for one in seen for item in one.read(now=board.place_now())],
        )
    return _finished(run)


@dataclass(frozen=True, slots=True, kw_only=True)
class Witnessed:
    """Load and controller beside the microphone, as they were asked for; None where not."""

    mtconnect: str | None = None
    opcua: str | None = None
    nodes: str = ""
    mqtt: str | None = None

    def start(self, stack: ExitStack, *, rate: int, lines: dict[str, int]) -> "list[Witness]":
        """Begin to listen to each; they are closed with the stack."""
        from listen.hear import MqttWitness, MTConnectWitness, OpcUaWitness

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


def _lines_of_blocks(plan: "Plan | None") -> dict[str, int]:
    """Line in the main program of each N word."""
    if plan is None:
        return {}
    return {name: line for (file, line), name in plan.path.blocks.items() if file == 0}


def _run_name(job: Path | None) -> str:
    """A folder name that sorts by time."""
    return f"{datetime.now():%Y-%m-%d %H-%M-%S}{'' if job is None else f' {job.stem}'}"


def _finished(run: "Run") -> int:
    """Write the page of a finished run, and say what it was."""
    from listen.cli_print import print_run
    from listen.show import write_replay_page

    try:
        write_replay_page(run, run.folder / "timeline.html")
    except OSError as error:
        print(f"cut-listen: the page could not be written: {error.strerror}", file=sys.stderr)
    print_run(run, json=False)
    if run.problem:
        print(f"cut-listen: {run.problem}", file=sys.stderr)
    return 1 if run.flags else 0


def _stop_after(stop: "Event", seconds: float) -> None:
    from threading import Timer

    timer = Timer(seconds, stop.set)
    timer.daemon = True
    timer.start()


def announce(server: Any, *, lan: bool, folder: Path, keeps: str) -> None:
    """Say where the page is, that it records, and what it cannot do.

    Parameters
    ----------
    server : LiveServer
    lan : bool
        Whether screens on the network need a key: it is shown, as a code for a tablet too.
    folder : Path
        The run folder.
    keeps : str
        What is recorded, in words.
    """
    print("This screen cannot stop the machine. Watch the machine.")
    print(f"Recording {keeps} to {folder}. People's voices are theirs: say so to who stands near.")
    print(f"Open {server.address}")
    if lan:
        _print_code(server.address)
        print("The key in it serves one screen; when it was used, the next one is printed.")
        server.on_key = lambda: print(f"Next screen: {server.address}", flush=True)
    print("Ctrl-C ends the run.", flush=True)


def _print_code(address: str) -> None:
    try:
        import segno
    except ImportError:
        return  # the address is printed anyway
    segno.make(address, error="m").terminal(compact=True)


def _device(name: str | None) -> str | int | None:
    return int(name) if name is not None and name.isdigit() else name


def _plain(item: Any) -> dict[str, Any]:
    from dataclasses import asdict

    return asdict(item)
