"""Programs of whole experiments, by the labels of the passes that were cut.

The labels lie beside the checkout: CNC Machine Tool Cutting Sound Dataset (public repository
purduelamm/mt_cutting_dataset), 563 side-milling passes with their speeds, feeds, widths and times.
"""

import csv
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

import numpy as np

from listen.job_file import load_job
from listen.plan import plan_job

LONGEST_GAP_S = 8.0  # a longer pause between two passes is no move of the program
ROUNDS = 4  # of fitting the ways in air to the labelled gaps
JOB = """program = "passes.nc"
units = "inch"
[stock]
min = [0.0, 0.0, -2.0]
max = [{length:.4f}, 4.0, 0.0]
material = "steel 4140"
[[tools]]
number = 1
kind = "flat end mill"
diameter = {diameter}
flutes = {flutes}
[machine]
feed_override = 100
rapid_override = 100
"""


@dataclass(frozen=True, slots=True, kw_only=True)
class Pass:
    """One labelled pass; lengths in inches, feed in inches a minute.

    Attributes
    ----------
    start_s, stop_s : float
        Contact, from the first touch of the first pass.
    """

    start_s: float
    stop_s: float
    feed: float
    width: float
    depth: float
    diameter: float
    flutes: int

    @property
    def length(self) -> float:
        """What the work is long, by this pass: contact begins before the face."""
        radius = self.diameter / 2.0
        before = np.sqrt(radius**2 - (radius - self.width) ** 2)
        return float((self.stop_s - self.start_s) * self.feed / 60.0 - before)


def labelled_passes(folder: Path, experiment: str, *, n_passes: int) -> tuple[Pass, ...]:
    """The first passes of an experiment, with pauses of at most `LONGEST_GAP_S`."""
    with (folder / "passes.csv").open(encoding="utf-8") as file:
        rows = [row for row in csv.DictReader(file) if row["experiment"] == experiment][:n_passes]
    passes: list[Pass] = []
    ended_s = float(rows[0]["start_s"])
    for row in rows:
        gap_s = min(float(row["start_s"]) - ended_s, LONGEST_GAP_S)
        ended_s, start_s = float(row["end_s"]), gap_s + (passes[-1].stop_s if passes else 0.0)
        passes.append(_pass(row, start_s))
    return tuple(passes)


def _pass(row: dict[str, str], start_s: float) -> Pass:
    return Pass(
        start_s=start_s,
        stop_s=start_s + float(row["end_s"]) - float(row["start_s"]),
        feed=float(row["feed_in_per_min"]),
        width=float(row["width_in"]),
        depth=float(row["depth_in"]),
        diameter=float(row["cutter_in"]),
        flutes=int(row["flutes"]),
    )


def write_job(folder: Path, passes: Sequence[Pass], *, rpm: float, is_steady: bool = False) -> Path:
    """A job whose program cuts these passes there and back, with ways in air as long as the labels say.

    The spindle speed is that of the sound which is to be heard, not the labelled one.
    """
    first = passes[0]
    length = float(np.median([each.length for each in passes]))
    job = folder / "job.toml"
    told = JOB.format(length=length, diameter=first.diameter, flutes=first.flutes)
    job.write_text(told + ("override_steady = true\n" if is_steady else ""))
    wanted_s = np.array([b.start_s - a.stop_s for a, b in pairwise(passes)])
    s_per_in = np.array([60.0 / a.feed + 60.0 / b.feed for a, b in pairwise(passes)])
    beyond = wanted_s / s_per_in
    for _ in range(ROUNDS):
        beyond = np.maximum(beyond, 0.6 * first.diameter / 2.0)
        (folder / "passes.nc").write_text(_program(passes, length, beyond, rpm))
        contacts = plan_job(load_job(job)).timeline.contacts
        gaps_s = np.array([b.start - a.stop for a, b in pairwise(contacts)])
        beyond = beyond + (wanted_s - gaps_s) / s_per_in
    return job


def _program(passes: Sequence[Pass], length: float, beyond: np.ndarray, rpm: float) -> str:
    """There and back; after each pass so far beyond the work, and as far back to it."""
    y = passes[0].width - passes[0].diameter / 2.0
    lines = ["G17 G20 G90 G94 G54 G40", "T1 M6", f"S{rpm:.0f} M3", f"G0 X-0.6 Y{y:.4f}", "G43 H1 Z1.0"]
    lines.append(f"G0 Z{-passes[0].depth:.3f}")
    for number, each in enumerate(passes):
        past = float(beyond[number]) if number < len(beyond) else 0.6
        lines.append(f"G1 X{length + past if number % 2 == 0 else -past:.4f} F{each.feed:.1f}")
        if number + 1 < len(passes):
            y += passes[number + 1].width
            lines.append(f"G1 Y{y:.4f} F{passes[number + 1].feed:.1f}")
    lines += ["G0 Z1.0", "M5", "M30"]
    return "".join(f"N{10 * (i + 1)} {line}\n" for i, line in enumerate(lines))
