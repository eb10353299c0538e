"""What is expected against real passes, a real block log and the clock: passes, log, speed, kernels."""

import csv
import math
import resource
import sys
import tempfile
import time
from collections import defaultdict
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

ROOT = Path(__file__).resolve().parents[1]
DATA = ROOT.parent / "shared" / "data"
sys.path.insert(0, str(ROOT))

from listen.expect import expect, kernels  # noqa: E402
from listen.expect.cutting import approach_length  # noqa: E402
from listen.expect.engagement import cut, steps_of  # noqa: E402
from listen.expect.segments import segments_of  # noqa: E402
from listen.expect.stock import make_stock  # noqa: E402
from listen.job import Box, Job, Machine, Material, Setup, Tool  # noqa: E402
from listen.program import read_program, time_program  # noqa: E402
from listen.program.path import TimedPath  # noqa: E402

MM_PER_INCH = 25.4
PARTS = ("passes", "log", "speed", "kernels")


def main(arguments: list[str]) -> int:
    """Run the parts named, or all; 1 where a limit is missed."""
    chosen = arguments or list(PARTS)
    unknown = [name for name in chosen if name not in PARTS]
    if unknown:
        print(f"bench expect: no part {unknown[0]!r}; there are {', '.join(PARTS)}", file=sys.stderr)
        return 2
    run = {"passes": bench_passes, "log": bench_log, "speed": bench_speed, "kernels": bench_kernels}
    return max(run[name]() for name in chosen)


def told(name: str, value: str, *, right: bool) -> int:
    """Print one figure with its limit; 1 where it is missed."""
    print(f"  {'ok    ' if right else 'MISSED'} {name}: {value}")
    return 0 if right else 1


# --- contact durations of labelled passes ------------------------------------------------------


def bench_passes() -> int:
    """Durations of labelled side-milling passes from cutter, width, feed and one stock length each."""
    print("passes: contact durations of 563 labelled passes, predicted")
    if not (DATA / "passes.csv").is_file():
        print(f"  skipped: no {DATA / 'passes.csv'}")
        return 0
    groups = defaultdict(list)
    with (DATA / "passes.csv").open() as file:
        for row in csv.DictReader(file):
            groups[row["experiment"]].append(row)
    errors: dict[str, NDArray[np.float64]] = {}
    for name, rows in groups.items():
        errors[name] = pass_errors(rows)
        print(f"  {name:9} n {len(rows):3}  median {1e3 * np.median(np.abs(errors[name])):5.1f} ms")
    kept = np.concatenate([e for name, e in errors.items() if name != "Exp2-1"])
    median, most = 1e3 * np.median(np.abs(kept)), 1e3 * np.quantile(np.abs(kept), 0.95)
    print(f"  all but Exp2-1: n {kept.size}")
    return max(
        told("median error", f"{median:.1f} ms (limit 20)", right=median <= 20.0),
        told("95 % of errors", f"{most:.1f} ms (limit 100)", right=most <= 100.0),
    )


def pass_errors(rows: list[dict[str, str]]) -> NDArray[np.float64]:
    """Predicted less labelled duration of each pass [s]; the stock length is the experiment's median."""
    speed = np.array([float(row["feed_in_per_min"]) * MM_PER_INCH / 60.0 for row in rows])
    labelled = np.array([float(row["end_s"]) - float(row["start_s"]) for row in rows])
    beyond = np.array(
        [
            approach_length(
                radius_mm=float(row["cutter_in"]) * MM_PER_INCH / 2.0,
                width_mm=float(row["width_in"]) * MM_PER_INCH,
            )
            for row in rows
        ]
    )
    length = float(np.median(labelled * speed - beyond))
    return np.asarray(np.array([expected_pass(row, length) for row in rows]) - labelled)


def expected_pass(row: dict[str, str], length: float) -> float:
    """Duration of one straight pass along a block, as the height field and the exact ends give it [s]."""
    radius = float(row["cutter_in"]) * MM_PER_INCH / 2.0
    width, depth = float(row["width_in"]) * MM_PER_INCH, float(row["depth_in"]) * MM_PER_INCH
    feed = float(row["feed_in_per_min"]) * MM_PER_INCH
    y = width - radius
    lines = [f"G21 G90 G0 X{-2 * radius:.4f} Y{y:.4f} Z5", "T1 M6", f"M3 S{row['spindle_rpm']}"]
    lines += [f"G0 Z{-depth:.4f}", f"G1 X{length + 2 * radius:.4f} F{feed:.4f}", "G0 Z5", "M30"]
    stock = Box(low=(0.0, 0.0, -depth - 5.0), high=(length, 2.0 * radius, 0.0))
    tool = Tool(number=1, kind="flat end mill", diameter=2 * radius, flutes=int(row["flutes"]))
    contacts = expect(*path_and_job(lines, stock, tool, material=row["material"])).timeline.contacts
    return contacts[0].stop - contacts[0].start


def path_and_job(
    lines: list[str], stock: Box, *tools: Tool, material: str, machine: Machine | None = None
) -> tuple[TimedPath, Job]:
    """A program of some lines, read and timed, and its job."""
    with tempfile.TemporaryDirectory() as folder:
        program = Path(folder) / "bench.nc"
        program.write_text("\n".join(lines) + "\n")
        job = Job(
            programs=(program,),
            units="mm",
            kind="first cut",
            setups=(Setup(offset="G54", stock=stock),),
            material=Material(name=material),
            tools=tools,
            machine=machine or Machine(),
        )
        read = read_program(program, job=job)
    return time_program(read, job.machine), job


# --- a real block log --------------------------------------------------------------------------


def bench_log() -> int:
    """A real block log, rebuilt as a program over a fresh box."""
    print("log: 195 logged blocks rebuilt as a program over a fresh 63.5 mm box")
    if not (DATA / "nc_log.csv").is_file():
        print(f"  skipped: no {DATA / 'nc_log.csv'}")
        return 0
    rows, lines = log_program()
    half = 31.75
    stock = Box(low=(-half, -half, -25.0), high=(half, half, 0.0))
    tool = Tool(number=0, kind="flat end mill", diameter=9.525, flutes=2)  # π·4.7625² is the plunge area
    path, job = path_and_job(lines, stock, tool, material="aluminium 6061")
    found = block_figures(path, job, len(rows))
    labelled = np.array([row["Cut / No Cut"] in ("Cut with Feed", "Plunge with feed") for row in rows])
    cuts = np.array([row["Cut / No Cut"] == "Cut with Feed" for row in rows])
    share = float((found["volume"][cuts] > 0.0).mean())
    status = told(
        "contact expected in blocks labelled cut",
        f"{share:.1%} of {cuts.sum()} (limit 98 %)",
        right=share >= 0.98,
    )
    for i in np.flatnonzero(labelled & ~(found["volume"] > 0.0)):
        row = rows[i]
        where = f"X{row['X (mm)']} Y{row['Y (mm)']} Z{row['Z (mm)']}"
        load = float(row["Spindle Load"])
        print(f"    none in block {i + 1} ({row['Cut / No Cut']}) to {where}: measured load {load:.1f} %")
    print("    (a plunge at Y-38.324 is 1.8 mm clear of the stock, and the measured load is that of idling)")
    compare_volumes(rows, labelled, found["volume"])
    return max(status, compare_load(rows, labelled, found))


def log_program() -> tuple[list[dict[str, str]], list[str]]:
    """Rows of the log and one program line each, with its mean feed as F word."""
    with (DATA / "nc_log.csv").open() as file:
        rows = list(csv.DictReader(file))
    lines: list[str] = []
    for row in rows:
        words = [row[key] for key in ("Code", *(f"Code.{i}" for i in range(1, 7))) if row[key]]
        feeding = row["Modal G-Code"] == "1" and "G83" not in words and "M5" not in words
        if feeding and not any(word.startswith("G0") for word in words):
            length = float(row["Length of Cut XYZ (code) (mm)"] or 0.0)
            mean = 60.0 * length / float(row["Duration (s)"]) if length else float(row["Feed rate (mm/min)"])
            words = ["G1", *words, f"F{max(mean, 1.0):.3f}"]
        if lines and "G83" in lines[-1]:
            words = ["G0", *words]  # the log leaves out where the cycle ends
        lines.append(" ".join(words))
    return rows, lines


def block_figures(path: TimedPath, job: Job, n_rows: int) -> dict[str, NDArray[np.float64]]:
    """Volume and mean chip of each line [mm³, mm], from the steps of removal."""
    segments = segments_of(path, job)
    stock = make_stock(job.setups[0].stock, cell=0.1)
    records = cut(stock, segments, np.ones(segments.span.size, dtype=np.bool_))
    index = records[:, kernels.SEGMENT].astype(np.int64)
    span = segments.span[index]
    line = path.spans.line[span].astype(np.int64) - 1
    volume = np.asarray(np.bincount(line, records[:, kernels.VOLUME], minlength=n_rows), dtype=np.float64)
    radius = segments.rows[index, kernels.RADIUS]
    left = np.arcsin(np.clip(records[:, kernels.LEFT] / radius, -1.0, 1.0))
    right = np.arcsin(np.clip(records[:, kernels.RIGHT] / radius, -1.0, 1.0))
    thinned = (np.sin(left) - np.sin(right)) / np.maximum(left - right, 1e-3)
    down = ~(np.abs(records[:, kernels.LEFT]) < 1e6)
    thinned = np.where(down, 1.0, thinned)
    weight = np.bincount(line, records[:, kernels.VOLUME] * thinned, minlength=n_rows)
    return {"volume": volume, "thinned": weight / np.maximum(volume, 1e-9)}


def compare_volumes(
    rows: list[dict[str, str]], labelled: NDArray[np.bool_], volume: NDArray[np.float64]
) -> None:
    """Removal per block against what the log's authors worked out."""
    authors = np.array([float(row["Volume of Cut (mm^3)"] or 0.0) for row in rows])
    both = labelled & (authors > 0.0)
    ratio = volume[both] / authors[both]
    near = np.abs(ratio - 1.0) <= 0.10
    print(f"  volume per block within 10 % of the authors' in {near.mean():.0%} of {ratio.size} blocks,")
    print(f"  median ratio {np.median(ratio):.3f}; those further off:")
    operations = [rows[i]["Operation"] or "none" for i in np.flatnonzero(both)]
    for name in dict.fromkeys(operations):
        mine = np.array([operation == name for operation in operations])
        print(
            f"    {name}: {(~near & mine).sum()} of {mine.sum()}, median ratio {np.median(ratio[mine]):.3f}"
        )
    air = np.array([row["Cut / No Cut"] == "Air-Cut" for row in rows])
    met = int((air & (volume > 0.5)).sum())
    print(f"  labelled air-cut, but material in a fresh box: {met} of {air.sum()} blocks")
    print("  (their stock had been machined before: the middle of the face was gone)")


def compare_load(
    rows: list[dict[str, str]], labelled: NDArray[np.bool_], found: dict[str, NDArray[np.float64]]
) -> int:
    """Measured spindle load against predicted power over the cutting blocks."""
    kc11, mc, flutes = 800.0, 0.25, 2
    load, power = [], []
    points = []
    for i in np.flatnonzero(labelled):
        row = rows[i]
        lasts, rpm = float(row["Duration (s)"]), float(row["Spindle speed (RPM)"] or 0.0)
        if not (lasts > 0.0 and rpm > 0.0 and found["volume"][i] > 0.0 and row["Spindle Load"]):
            continue
        per_tooth = float(row["Feed rate (mm/min)"]) / rpm / flutes
        chip = max(per_tooth * found["thinned"][i], 1e-4)
        power.append(found["volume"][i] / lasts * kc11 * chip**-mc / 1000.0)
        load.append(float(row["Spindle Load"]))
        points.append(row["Operation"] or "none")
    r = float(np.corrcoef(load, power)[0, 1])
    plot(np.array(power), np.array(load), "predicted power [W]", "measured load [%]")
    for name in dict.fromkeys(points):
        mine = np.array([p == name for p in points])
        if mine.sum() > 3:
            part = np.corrcoef(np.array(load)[mine], np.array(power)[mine])[0, 1]
            print(f"    {name}: r {part:.2f} over {mine.sum()}")
    return told("load against power", f"r {r:.3f} over {len(load)} blocks (limit 0.8)", right=r >= 0.8)


def plot(x: NDArray[np.float64], y: NDArray[np.float64], across: str, up: str) -> None:
    """A scatter in letters, 60 × 16."""
    n_x, n_y = 60, 16
    i = np.minimum((x / x.max() * n_x).astype(int), n_x - 1)
    j = np.minimum((y / y.max() * n_y).astype(int), n_y - 1)
    count = np.zeros((n_y, n_x), dtype=int)
    np.add.at(count, (j, i), 1)
    print(f"    {up}, 0 to {y.max():.0f}")
    for row in count[::-1]:
        print("    |" + "".join(" " if c == 0 else "." if c == 1 else "o" if c < 4 else "#" for c in row))
    print(f"    +{'-' * n_x}\n     {across}, 0 to {x.max():.0f}")


# --- speed -------------------------------------------------------------------------------------


def finishing_program(n_lines: int, step_mm: float = 0.25) -> list[str]:
    """Zigzag of a ball over a wavy face of 100 × 100 mm, as many lines as asked."""
    lines = ["G21 G90 G17 G54", "T1 M6", "S12000 M3", "G0 X0 Y0 Z10", "G1 Z-1 F800"]
    n_per_row = round(100.0 / step_mm)
    n_rows = max(1, n_lines // n_per_row)
    for row in range(n_rows):
        y = 100.0 * row / max(n_rows - 1, 1)
        for k in range(n_per_row + 1) if row % 2 == 0 else range(n_per_row, -1, -1):
            x = 100.0 * k / n_per_row
            z = -4.0 + 2.0 * math.sin(x / 9.0) * math.cos(y / 11.0)
            lines.append(f"X{x:.3f} Y{y:.3f} Z{z:.3f}" + (" F2000" if k == 0 and row == 0 else ""))
    return [*lines, "G0 Z10", "M30"]


def bench_speed() -> int:
    """The whole sheet of a 100 000-line finishing program, and how time grows with its length."""
    from listen.expect.sheet import sheet_of
    from listen.expect.sheet_page import sheet_page

    print("speed: 3-axis finishing of 100 × 100 × 30 mm, ball 6 mm, read to page, one thread")
    stock = Box(low=(0.0, 0.0, -30.0), high=(100.0, 100.0, 0.0))
    ball = Tool(number=1, kind="ball end mill", diameter=6.0, flutes=2)
    seconds = {}
    for n_lines in (2_000, 25_000, 50_000, 100_000):
        lines = finishing_program(n_lines)
        start = time.perf_counter()
        path, job = path_and_job(lines, stock, ball, material="aluminium 6061")
        read = time.perf_counter()
        expected = expect(path, job)
        done = time.perf_counter()
        page = sheet_page(sheet_of(expected, path, job), job)
        end = time.perf_counter()
        seconds[n_lines] = end - start
        cell = expected.uncut["G54"].cell
        print(
            f"  {len(lines):6} lines: read {read - start:5.2f} s, expect {done - read:5.2f} s, "
            f"sheet {end - done:5.2f} s, {len(expected.cuts)} contacts, "
            f"cell {cell:.3f} mm, page {len(page)} B"
            + (" (first: compiles or loads kernels)" if n_lines == 2_000 else "")
        )
    for n_lines in (25_000, 50_000, 100_000):
        path, job = path_and_job(finishing_program(n_lines), stock, ball, material="aluminium 6061")
        segments, field = segments_of(path, job), make_stock(stock, cell=0.15)
        start = time.perf_counter()
        cut(field, segments, np.ones(segments.span.size, dtype=np.bool_))
        lasts = time.perf_counter() - start
        metres = float(segments.lengths().sum()) / 1000.0
        each = 1e3 * lasts / metres
        print(f"  at one cell of 0.15 mm: {metres:5.1f} m of path in {lasts:.2f} s, {each:.1f} ms a metre")
    most = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024.0
    total = seconds[100_000]
    growth = seconds[100_000] / seconds[50_000]
    return max(
        told("100 000 lines", f"{total:.2f} s (limit 10)", right=total <= 10.0),
        told("memory", f"{most:.0f} MB (limit 1000)", right=most < 1000.0),
        told("growth from 50 000 to 100 000", f"{growth:.2f} times (limit 2.5)", right=growth <= 2.5),
    )


def bench_kernels() -> int:
    """Cells per second of the sweep beside what memory alone would allow for the same arrays."""
    print("kernels: cells visited a second")
    for name, lines, tool in (
        ("ball, finishing", finishing_program(20_000), Tool(number=1, kind="ball end mill", diameter=6.0)),
        ("flat, facing", facing_program(), Tool(number=1, kind="flat end mill", diameter=20.0)),
    ):
        stock = Box(low=(0.0, 0.0, -30.0), high=(100.0, 100.0, 0.0))
        path, job = path_and_job(lines, stock, tool, material="aluminium 6061")
        segments = segments_of(path, job)
        field = make_stock(stock, cell=0.1)
        start = time.perf_counter()
        cut(field, segments, np.ones(segments.span.size, dtype=np.bool_))
        lasts = time.perf_counter() - start
        n_steps = steps_of(segments, field)
        cutting = np.minimum(segments.rows[:, 2], segments.rows[:, 5]) < 0.0
        if tool.kind == "flat end mill":
            area = 2.0 * segments.rows[cutting, kernels.RADIUS] * segments.lengths()[cutting]
        else:
            area = n_steps[cutting] * 4.0 * segments.rows[cutting, kernels.RADIUS] ** 2
        cells = float(area.sum()) / field.cell**2
        alone = copy_rate(field.field) / 1e6
        print(f"  {name:16} {cells / lasts / 1e6:7.1f} M cells/s; memory alone {alone:.0f} M cells/s")
    return 0


def facing_program() -> list[str]:
    """Facing passes 14 mm apart."""
    lines = ["G21 G90 G17 G54", "T1 M6", "S6000 M3", "G0 X-20 Y5 Z10", "G1 Z-0.5 F800"]
    for level in range(1, 40):
        for row in range(7):
            lines += [f"Y{5 + 14 * row}", f"X{120 if row % 2 == 0 else -20}"]
        lines += ["G0 Z10", "G0 X-20 Y5", f"G1 Z{-0.5 * (level + 1)}"]
    return [*lines, "M30"]


def copy_rate(field: NDArray[np.float64]) -> float:
    """Cells a second that can be read and written when nothing else is done."""
    start = time.perf_counter()
    for _ in range(20):
        np.minimum(field, 1.0, out=field)
    return 20 * field.size / (time.perf_counter() - start)


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
