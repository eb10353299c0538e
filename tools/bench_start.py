"""How long `cut-listen --help` takes, from the shell, median of eleven."""

import statistics
import subprocess
import sys
import time

LIMIT_S = 0.3


def main(arguments: list[str]) -> int:
    """Time the command as a person meets it; 1 where it is slower than the budget."""
    command = [sys.executable, "-m", "listen.cli", "--help"]
    times = []
    for _ in range(11):
        began = time.perf_counter()
        subprocess.run(command, check=True, stdout=subprocess.DEVNULL)
        times.append(time.perf_counter() - began)
    median = statistics.median(times)
    print(f"cut-listen --help: median {median:.3f} s, longest {max(times):.3f} s (budget {LIMIT_S} s)")
    return 0 if median <= LIMIT_S else 1
