"""Load of the sheet against measured load, as a page.

Run with ``python tools/load_page.py RUN_FOLDER -o page.html`` on a run with a job and a load log,
or with ``--log`` instead of the folder on the measured block log in ../shared/data.
"""

import argparse
import sys
from collections.abc import Sequence
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parent))

from listen.errors import ListenError
from listen.record import read_run
from listen.show.load_page import LoadPoint, load_points, residuals, write_load_page

FLUTES = 2


def main(arguments: Sequence[str]) -> int:
    """Write the page; exit code 2 where there is nothing to compare."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("run", nargs="?", type=Path)
    parser.add_argument("--log", action="store_true")
    parser.add_argument("-o", "--out", type=Path, default=Path("load.html"))
    asked = parser.parse_args(arguments)
    if asked.run is None and not asked.log:
        parser.error("name a run folder with a job and a load log, or give --log")
    try:
        points = log_points() if asked.log else load_points(read_run(asked.run))
    except ListenError as error:
        print(error, file=sys.stderr)
        return 2
    if len(points) < 2:
        print("fewer than two contacts have an expected and a measured load", file=sys.stderr)
        return 2
    title = "Load of the sheet against measured load"
    units = ("W", "%") if asked.log else ("as the sheet gives it", "as the log gives it")
    write_load_page(points, asked.out, title=title, expected_unit=units[0], measured_unit=units[1])
    expected, measured = (np.array([getattr(p, k) for p in points]) for k in ("expected", "measured"))
    rest = residuals(points)
    print(
        f"{len(points)} points, r {np.corrcoef(expected, measured)[0, 1]:.3f}, half of the residuals within "
        f"{np.median(np.abs(rest - np.median(rest))):.0f} %; {asked.out}"
    )
    return 0


def log_points() -> tuple[LoadPoint, ...]:
    """The cutting blocks of the measured log, against the power that the sheet's methods give."""
    from bench_expect import block_figures, log_program, path_and_job

    from listen.job import Box, Tool

    rows, lines = log_program()
    stock = Box(low=(-31.75, -31.75, -25.0), high=(31.75, 31.75, 0.0))
    tool = Tool(number=0, kind="flat end mill", diameter=9.525, flutes=FLUTES)
    path, job = path_and_job(lines, stock, tool, material="aluminium 6061")
    found = block_figures(path, job, len(rows))
    idle = min(float(row["Spindle Load"]) for row in rows if row["Cut / No Cut"] == "Air-Cut")
    points = []
    for i, row in enumerate(rows):
        lasts, rpm = float(row["Duration (s)"]), float(row["Spindle speed (RPM)"] or 0.0)
        cut = row["Cut / No Cut"] in ("Cut with Feed", "Plunge with feed") and found["volume"][i] > 0.0
        if not (cut and lasts > 0.0 and rpm > 0.0 and row["Spindle Load"]):
            continue
        chip = max(float(row["Feed rate (mm/min)"]) / rpm / FLUTES * found["thinned"][i], 1e-4)
        power = found["volume"][i] / lasts * 800.0 * chip**-0.25 / 1000.0
        rise = max(0.0, float(row["Spindle Load"]) - idle)
        points.append(LoadPoint(name=f"block {i + 1}", expected=float(power), measured=rise))
    return tuple(points)


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
