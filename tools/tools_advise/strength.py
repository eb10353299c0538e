"""How often a pass that is cut too heavy or too light is flagged, and how often a good one is."""

import tempfile
from collections import Counter
from pathlib import Path

from listen.job_file import load_job
from listen.plan import plan_job
from listen.synth import Fault
from listen.timeline import Timeline
from listen.told import Flag
from tools.tools_advise.made import listen_to, make_run

N_PASSES = 12
HEAVIER, LIGHTER = 6, 9  # ids of the contacts that are changed
STEPS_DB = (6.0, 9.0)
STRENGTHS = ("heavier", "lighter")


def many_passes() -> Timeline:
    """Side passes of one depth and width along an invented block."""
    head = [
        "N10 G17 G21 G90 G94 G54 G40 G49 G80",
        "N20 T1 M6",
        "N30 S8000 M3",
        "N40 G0 X-16. Y-3.",
        "N50 G43 H1 Z5.",
    ]
    passes = [
        line
        for i in range(N_PASSES)
        for line in (
            f"G0 X-16. Y{-3.0 + 2.0 * i:.1f}",
            "G1 Z-5. F2000",
            f"N{100 + 10 * i} G1 X36. F1200",
            "G0 Z5.",
        )
    ]
    job = (
        'program = "passes.nc"\n[stock]\nmin = [0.0, 0.0, -20.0]\nmax = [24.0, 60.0, 0.0]\n'
        'material = "aluminium 6061"\n[[tools]]\nnumber = 1\nkind = "flat end mill"\ndiameter = 10.0\n'
        "flutes = 3\n[machine]\noverride_steady = true\n"
    )
    with tempfile.TemporaryDirectory() as folder:
        (Path(folder) / "passes.nc").write_text("\n".join([*head, *passes, "N900 M30"]) + "\n")
        (Path(folder) / "job.toml").write_text(job)
        return plan_job(load_job(Path(folder) / "job.toml")).timeline


def print_strength(n_runs: int) -> int:
    """Runs without a fault, then with a heavier and a lighter pass; 1 above one false flag in 20."""
    timeline = many_passes()
    false_runs = sum(bool(_flagged(timeline, seed, ())) for seed in range(n_runs))
    print(f"runs without a fault that raise a strength flag: {false_runs} of {n_runs}")
    for step in STEPS_DB:
        print(_line(timeline, step, n_runs), flush=True)
    return int(false_runs > n_runs / 20)


def _line(timeline: Timeline, step_db: float, n_runs: int) -> str:
    faults = (
        Fault(kind="heavier", contact=HEAVIER, amount=step_db),
        Fault(kind="lighter", contact=LIGHTER, amount=step_db),
    )
    found: Counter[str] = Counter()
    for seed in range(n_runs):
        told = _flagged(timeline, seed, faults)
        found["heavier"] += ("heavier", HEAVIER) in told
        found["lighter"] += ("lighter", LIGHTER) in told
        found["false"] += bool(told - {("heavier", HEAVIER), ("lighter", LIGHTER)})
    right = f"heavier flagged in {found['heavier']}, lighter in {found['lighter']} of {n_runs}"
    return f"{step_db:.0f} dB: {right}, another contact flagged in {found['false']}"


def _flagged(timeline: Timeline, seed: int, faults: tuple[Fault, ...]) -> set[tuple[str, int | None]]:
    told = listen_to(timeline, make_run(timeline, seed, faults=faults).samples, [])
    return {(item.kind, item.contact) for item in told if isinstance(item, Flag) and item.kind in STRENGTHS}
