"""What the verbs `live` and `devices` print and ask."""

import json as json_text
from pathlib import Path
from typing import Any

WHERE = (
    "Put it outside the guard, near the spindle or the table, no cable through a door seal or a walkway.",
    "Where the guard is closed and coolant floods, a contact pickup on fixed frame or guard hears best.",
)


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
        print("The key serves one screen; afterwards press Ctrl-C to end. The next key:")
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
