"""What the verb `devices` prints and asks: the microphones, and whether one of them is fit to listen with."""

import json as json_text
from collections.abc import Callable, Iterable
from dataclasses import asdict
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from listen.cli_live import device_of

if TYPE_CHECKING:
    from listen.hear import Device, LevelCheck, Remark

WHERE = (
    "Where to put it: outside the guard, near spindle or table, where it cannot fall into the machine; "
    "no cable through a door seal or across a walkway.",
    "Where the guard is closed and coolant floods, a contact pickup on the fixed frame or the fixed guard "
    "hears best.",
    "Look one over: `cut-listen devices NUMBER`, at the machine `cut-listen devices NUMBER --spindle`.",
)
ROOM = "Spindle stopped, nobody talking. Press Enter to listen. "
KNOCK = "Spindle still stopped: press Enter, then knock once with a knuckle on the table. "
TURNING = "Hands away, door shut: start the spindle in air as its manual says. Press Enter to listen. "
KNOCK_S = 4.0  # what comes after the knock shows a level control
Listen = Callable[[float], NDArray[np.float64]]


def devices(*, device: str | None, channel: int, seconds: float, spindle: bool, json: bool) -> int:
    """List the microphones; with `device`, look over it. Exit code 1 where something is in the way."""
    from listen.hear import best_rate, list_devices, record

    if device is None:
        found = list_devices()
        _print_devices(found, json=json)
        return 0 if found else 1
    chosen = device_of(device)
    rate = best_rate(chosen)

    def listen(duration_s: float) -> NDArray[np.float64]:
        return record(device=chosen, rate=rate, duration_s=duration_s, channel=channel)

    told = _at_the_machine(listen, rate, seconds) if spindle else _level(listen, rate, seconds)
    return _tell(told, rate, json=json)


def _print_devices(found: "tuple[Device, ...]", *, json: bool) -> None:
    if json:
        print(json_text.dumps([asdict(device) for device in found]))
        return
    for device in found:
        mark = "*" if device.is_default else " "
        rates = ", ".join(str(rate) for rate in device.rates)
        print(f"{mark} {device.number:3d}  {device.name}  channels {device.channels}  {rates} Hz")
    print("\n".join(WHERE) if found else "There is no microphone; plug one in and try again.")


def _level(listen: Listen, rate: int, seconds: float) -> tuple[dict[str, Any], "list[Remark]"]:
    """Level, clipping, hum, silence, level control: what the sound alone tells."""
    from listen.hear import check_level

    check = check_level(listen(seconds), rate=rate)
    return _figures(check), list(check.remarks)


def _figures(check: "LevelCheck") -> dict[str, Any]:
    return {name: value for name, value in asdict(check).items() if name != "remarks"}


def _at_the_machine(listen: Listen, rate: int, seconds: float) -> tuple[dict[str, Any], "list[Remark]"]:
    """The same at the machine: the room, a knock on the table, and the spindle against the room."""
    from listen.hear import check_knock, check_level, check_spindle

    input(ROOM)
    off = listen(seconds)
    room = check_level(off, rate=rate, is_quiet=True)
    input(KNOCK)
    struck = listen(KNOCK_S)
    knock_db, knock = check_knock(struck, rate=rate)
    input(TURNING)
    on = listen(seconds)
    rise_db, rise = check_spindle(off, on, rate=rate)
    remarks = [*room.remarks, *check_level(struck, rate=rate, is_quiet=True).remarks, knock, rise]
    remarks += check_level(on, rate=rate).remarks
    figures = {"room": _figures(room), "knock_db": knock_db, "spindle_db": rise_db}
    return figures, _each_once(remark for remark in remarks if remark is not None)


def _each_once(remarks: "Iterable[Remark]") -> "list[Remark]":
    """The first of each kind, in order."""
    kept: dict[str, Remark] = {}
    for remark in remarks:
        kept.setdefault(remark.kind, remark)
    return list(kept.values())


def _tell(told: tuple[dict[str, Any], "list[Remark]"], rate: int, *, json: bool) -> int:
    figures, remarks = told
    if json:
        print(json_text.dumps({**figures, "rate": rate, "remarks": [asdict(remark) for remark in remarks]}))
        return 1 if remarks else 0
    room = figures.get("room", figures)
    print(f"level {room['level_db']:.0f} dB, peak {room['peak_db']:.0f} dB of full scale, at {rate} Hz")
    if "spindle_db" in figures:
        print(f"knock on the table {figures['knock_db']:.0f} dB above the room")
        print(f"spindle {figures['spindle_db']:.0f} dB above the room, 300 to 8000 Hz")
    for remark in remarks:
        print(f"- {remark.text} {remark.remedy}")
    if not remarks:
        print("Nothing stands in the way.")
    return 1 if remarks else 0
