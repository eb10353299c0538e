"""How often the demo's planted faults, and only those, are found when machine and room are drawn anew."""

import sys
import tempfile
from pathlib import Path

import listen.demo.demo as demo
from listen.record import Run

SEEDS = range(20, 32)


def without_page(run: Run, path: Path) -> None:
    """The page is not what is judged here."""


def main(arguments: list[str]) -> int:
    """Print one line a seed and the count; always 0, since the demo ships with one seed that passes."""
    shipped, clean = demo.SEED, 0
    for seed in SEEDS:
        demo.SEED = seed
        with tempfile.TemporaryDirectory() as folder:
            _, missed = demo.run_demo(Path(folder) / "run", write_page=without_page)
        clean += not missed
        print(f"seed {seed}: {missed or 'the planted faults and only those'}", flush=True)
    demo.SEED = shipped
    print(f"{clean} of {len(SEEDS)} machines; the demo ships with seed {shipped}")
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
