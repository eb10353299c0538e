"""Reading, timing and checking programs: seconds, lines per second and memory, beside plain tokenising."""

import json
import math
import re
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
sys.path.insert(0, str(ROOT))

WORD = re.compile(r"([A-Za-z])\s*([-+]?[\d.]+)")
CASES = {  # name: (lines, with arcs and comments, most seconds to read and time, most GB)
    "100k": (100_000, False, 2.5, 1.5),
    "1M": (1_000_000, False, 25.0, 1.5),
    "100k mixed": (100_000, True, 0.0, 1.5),
}


def main(arguments: list[str]) -> int:
    """Run each case in a process of its own; 1 where a limit is missed.

    Kernels are compiled once before, as they are at the first use after installing.
    """
    if arguments[:1] == ["--one"]:
        print(json.dumps(one(Path(arguments[1]))))
        return 0
    status = 0
    with tempfile.TemporaryDirectory() as folder:
        warm = Path(folder) / "warm.nc"
        warm.write_text(program_text(300, mixed=False))
        before = time.perf_counter()
        measured(warm)
        print(
            f"  first use, kernels compiled where they are not kept yet: {time.perf_counter() - before:.1f} s"
        )
        for name, (n_lines, mixed, most_s, most_gb) in CASES.items():
            path = Path(folder) / "part.nc"
            path.write_text(program_text(n_lines, mixed=mixed))
            status |= told(name, n_lines, measured(path), most_s, most_gb)
    return status


def told(name: str, n_lines: int, figures: dict[str, float], most_s: float, most_gb: float) -> int:
    """Print one case beside its limits."""
    total = figures["read_s"] + figures["time_s"]
    right = (most_s == 0.0 or total <= most_s) and figures["gb"] < most_gb
    limit = f"≤ {most_s:g} s" if most_s else "no limit set"
    print(
        f"  {'ok    ' if right else 'MISSED'} {name}: read {figures['read_s']:.2f} s, "
        f"timed {figures['time_s']:.2f} s, together {total:.2f} s ({limit}), "
        f"{n_lines / total:,.0f} lines a second; checked {figures['check_s']:.2f} s; "
        f"{figures['gb']:.2f} GB (< {most_gb:g}); start of Python and imports {figures['start_s']:.2f} s; "
        f"plain tokenising of the same file {figures['tokens_s']:.2f} s"
    )
    if not right:
        print(f"         over by {total - most_s:.2f} s, {figures['gb'] - most_gb:.2f} GB")
    return 0 if right else 1


def measured(path: Path) -> dict[str, float]:
    """Figures of one program, from a fresh process."""
    command = [sys.executable, __file__, "--one", str(path)]
    before = time.perf_counter()
    done = subprocess.run(command, check=True, capture_output=True, text=True)
    whole = time.perf_counter() - before
    figures: dict[str, float] = json.loads(done.stdout)
    figures["start_s"] = whole - sum(figures[key] for key in ("read_s", "time_s", "check_s", "tokens_s"))
    return figures


def one(path: Path) -> dict[str, float]:
    """Read, time and check one program in this process."""
    from listen.job import Machine
    from listen.program import check_program, program_facts, read_program, time_program

    start = time.perf_counter()
    program = read_program(path)
    read = time.perf_counter()
    timed = time_program(program, Machine())
    ready = time.perf_counter()
    gigabytes = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6
    check_program(program, timed, None)
    program_facts(program, timed)
    checked = time.perf_counter()
    n_words = sum(len(WORD.findall(line)) for line in path.read_text().splitlines())
    tokens = time.perf_counter()
    assert n_words > 0
    return {
        "read_s": read - start,
        "time_s": ready - read,
        "check_s": checked - ready,
        "tokens_s": tokens - checked,
        "gb": gigabytes,
    }


def program_text(n_lines: int, *, mixed: bool) -> str:
    """A spiral of short G1 moves; mixed with arcs, comments and N words where asked."""
    lines = ["%", "O1", "G21 G17 G90 G54", "T1 M6", "S8000 M3", "G0 X0 Y0", "G43 H1 Z5", "G1 Z-1 F500"]
    for i in range(n_lines - len(lines) - 2):
        angle = i * 0.01
        x, y, z = 30 * math.cos(angle) + i * 1e-5, 30 * math.sin(angle), -1 - i * 1e-6
        if mixed and i % 4 == 1:
            lines.append(f"N{i} G2 X{x + 1:.4f} Y{y:.4f} R0.8")
        elif mixed and i % 4 == 3:
            lines.append(f"G1 X{x:.4f} Y{y:.4f} (pass {i})")
        else:
            lines.append(f"G1 X{x:.4f} Y{y:.4f} Z{z:.4f} F1500")
    return "\n".join([*lines, "M30", "%"]) + "\n"


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
