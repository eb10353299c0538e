"""Live at the machine: kills, lost devices, full disks, hours, pages, slow tablets, processor and memory."""

import argparse

WHAT = ("kills", "devices", "disks", "hours", "minutes", "pages", "tablet", "delay")


def main(arguments: list[str]) -> int:
    """Measure one of them; 1 where a limit is missed."""
    from tools.tools_live import delay, faults, soak

    parser = argparse.ArgumentParser(prog="tools/bench live", description=__doc__)
    parser.add_argument("what", choices=WHAT)
    parser.add_argument("-n", type=int, default=None, help="how many kills, devices, disks or pages")
    parser.add_argument("--length", type=float, default=None, help="hours or minutes")
    parser.add_argument("--at-once", type=int, default=4, help="killed runs side by side")
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args(arguments)
    does = {
        "kills": lambda: faults.kills(asked.n or 50, at_once=asked.at_once, seed=asked.seed),
        "devices": lambda: faults.devices(asked.n or 10, seed=asked.seed),
        "disks": lambda: faults.disks(asked.n or 5, seed=asked.seed),
        "hours": lambda: soak.hours(asked.length or 8.0, seed=asked.seed),
        "minutes": lambda: soak.minutes(asked.length or 30.0, seed=asked.seed),
        "pages": lambda: soak.pages(asked.n or 20, seed=asked.seed),
        "delay": lambda: delay.delays(seed=asked.seed),
        "tablet": lambda: soak.tablet(seed=asked.seed),
    }
    return does[asked.what]()
