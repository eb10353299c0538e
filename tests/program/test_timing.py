"""How long moves take: closed forms, the plain-loop twin, and a real machine's log."""

import csv
import math
from pathlib import Path

import numpy as np
import pytest

from listen.errors import InputError
from listen.job import Machine
from listen.program import TimedPath, read_program, time_program
from listen.program.dialect import Dialect
from listen.program.kernels import ride_times
from listen.program.timing import at_override
from listen.spans import SpanKind
from tests.naive import naive_ride_times as naive

MILL = Machine(rapid_mm_per_min=12000.0, acceleration_m_per_s2=1.0, jerk_m_per_s3=20.0)


def timed(folder: Path, text: str, machine: Machine = MILL) -> TimedPath:
    path = folder / "part.nc"
    path.write_text(text)
    return time_program(read_program(path), machine)


def seconds(path: TimedPath) -> list[float]:
    return [float(s) for s in path.spans.stop_s - path.spans.start_s]


@pytest.mark.closed
def test_a_long_move_costs_its_length_and_one_ramp(tmp_path: Path) -> None:
    """By hand: v = 100 mm/s, a = 1000, j = 20000: T = L/v + v/a + a/j = 2.5 + 0.1 + 0.05 s."""
    path = timed(tmp_path, "G0 X0 Y0 Z0\nG1 X250 F6000\n")
    assert seconds(path)[1] == pytest.approx(2.65, rel=0, abs=1e-9)


@pytest.mark.closed
def test_a_short_move_never_reaches_its_feed(tmp_path: Path) -> None:
    """By hand: all jerk, T = 4 (L / 2j)^(1/3); L = 1 mm, j = 20000 gives 0.11696 s."""
    path = timed(tmp_path, "G0 X0 Y0 Z0\nG1 X1 F60000\n")
    assert seconds(path)[1] == pytest.approx(4.0 * (1.0 / 40000.0) ** (1 / 3), rel=0, abs=1e-9)


@pytest.mark.closed
def test_moves_in_one_line_are_ridden_as_one(tmp_path: Path) -> None:
    """Ten pieces of 25 mm take what one of 250 mm takes; the inner ones 25 / 100 s each."""
    lines = "".join(f"G1 X{25 * i} F6000\n" for i in range(1, 11))
    pieces = seconds(timed(tmp_path, "G0 X0 Y0 Z0\n" + lines))[1:]
    assert sum(pieces) == pytest.approx(2.65, rel=0, abs=1e-9)
    assert pieces[4] == pytest.approx(0.25, rel=0, abs=1e-9)


@pytest.mark.closed
def test_a_reversal_and_an_exact_stop_end_at_rest(tmp_path: Path) -> None:
    """By hand: 50 mm at 100 mm/s from rest to rest is 0.5 + 0.15 s."""
    back = seconds(timed(tmp_path, "G0 X0 Y0 Z0\nG1 X50 F6000\nX0\n"))
    assert back[1:] == pytest.approx([0.65, 0.65], rel=0, abs=1e-9)
    exact = seconds(timed(tmp_path, "G61 G0 X0 Y0 Z0\nG1 X50 F6000\nX100\n"))
    assert exact[1:] == pytest.approx([0.65, 0.65], rel=0, abs=1e-9)


@pytest.mark.closed
def test_a_right_corner_is_taken_at_its_own_speed(tmp_path: Path) -> None:
    """By hand: within 0.02 mm, r = 0.02 cos 45° / (1 - cos 45°) = 0.04828 mm, v = √(a r) = 6.949 mm/s.

    A feed below that loses no time in the corner: 2 × 30 mm at 5 mm/s is 12 s and one ramp
    √(5/20000)·2 = 0.0316 s.
    """
    path = timed(tmp_path, "G0 X0 Y0 Z0\nG1 X30 F300\nY30\n")
    assert sum(seconds(path)[1:]) == pytest.approx(12.0 + 2 * math.sqrt(5 / 20000), rel=0, abs=1e-9)
    fast = seconds(timed(tmp_path, "G0 X0 Y0 Z0\nG1 X50 F6000\nY50\n"))
    assert 0.6 < fast[1] < 0.65


@pytest.mark.closed
def test_arcs_and_helices_by_their_path(tmp_path: Path) -> None:
    """NISTIR 6556, 2.1.2.5: feed along the helix itself; π·10 across and 10 up is 32.97 mm."""
    path = timed(tmp_path, "G0 X0 Y0 Z0\nG3 X-20 Y0 Z10 I-10 J0 F60\n", Machine(jerk_m_per_s3=1e6))
    length = math.hypot(math.pi * 10.0, 10.0)
    assert seconds(path)[1] == pytest.approx(length + 1.0 / 1500.0 + 1.5 / 1e6 * 1e3, rel=0, abs=2e-3)


@pytest.mark.closed
def test_inverse_time_and_feed_per_turn(tmp_path: Path) -> None:
    """NISTIR 6556, 3.5.19: F2.0 under G93 is half a minute. G95: 0.1 mm × 600 rpm is 60 mm/min."""
    inverse = seconds(timed(tmp_path, "G0 X0 Y0 Z0\nG93 G1 X10 F2.0\n"))
    assert inverse[1] == pytest.approx(30.0, rel=0, abs=0.02)
    turning = timed(tmp_path, "G0 X0 Y0 Z0\nS600 M3\nG95 G1 X10 F0.1\n")
    assert turning.feed_mm_per_min[-1] == pytest.approx(60.0, rel=0, abs=1e-9)


@pytest.mark.closed
def test_rapids_are_within_each_axis_and_may_be_bent(tmp_path: Path) -> None:
    """By hand: X goes 100 mm at 200 mm/s, 0.5 + 0.2 + 0.05 s; Y has arrived at X40."""
    text = "G0 X0 Y0 Z0\nG0 X100 Y40\n"
    straight = timed(tmp_path, text)
    assert seconds(straight)[1] == pytest.approx(0.75, rel=0, abs=1e-9)
    bent = timed(
        tmp_path,
        text,
        Machine(
            rapid_mm_per_min=12000.0,
            acceleration_m_per_s2=1.0,
            jerk_m_per_s3=20.0,
            rapid_path="each axis",
        ),
    )
    assert len(bent.spans) == len(straight.spans) + 1
    np.testing.assert_allclose(bent.spans.end[1], [40.0, 40.0, 0.0], rtol=0, atol=1e-12)
    np.testing.assert_allclose(bent.spans.begin[2], [40.0, 40.0, 0.0], rtol=0, atol=1e-12)
    assert bent.spans.stop_s[-1] == pytest.approx(straight.spans.stop_s[-1], rel=0, abs=1e-12)


@pytest.mark.closed
def test_waits_dwells_and_set_times(tmp_path: Path) -> None:
    text = "T1 M6\nS1000 M3\nG4 P2.5\nM0\nS2000\nM5\n"
    path = timed(tmp_path, text, Machine(tool_change_s=4.0, spindle_start_s=3.0))
    assert [SpanKind(k).name for k in path.spans.kind] == [
        "TOOL_CHANGE",
        "SPINDLE",
        "DWELL",
        "WAIT",
        "SPINDLE",
        "SPINDLE",
    ]
    assert seconds(path) == pytest.approx([4.0, 3.0, 2.5, 0.0, 1.5, 0.0], rel=0, abs=1e-12)


@pytest.mark.closed
def test_a_tap_turns_round_in_its_share_of_the_top_speed(tmp_path: Path) -> None:
    """From +600 to -600 of a spindle that reaches 6000 in 2 s: 1200 / 6000 x 2 s, below and above."""
    text = "S600 M3\nG0 X0 Y0 Z5\nG84 X0 Y0 Z-8 R5 F600\n"
    path = timed(tmp_path, text, Machine(spindle_max_rpm=6000.0))
    turns = np.array(seconds(path))[path.spans.kind == SpanKind.SPINDLE]
    assert turns == pytest.approx([2.0, 0.4, 0.4], rel=0, abs=1e-12)


@pytest.mark.closed
def test_overrides_scale_feed_and_rapid_apart(tmp_path: Path) -> None:
    path = timed(tmp_path, "G0 X0 Y0 Z0\nG0 X10\nG1 X20 F60\nM49\nX30\nM48\n")
    slow = at_override(path, feed_percent=50.0, rapid_percent=25.0)
    ratio = np.array(seconds(slow)[1:]) / np.array(seconds(path)[1:])
    np.testing.assert_allclose(ratio, [4.0, 2.0, 1.0], rtol=1e-9)
    with pytest.raises(InputError, match="feed override must be above 0 and at most 200"):
        at_override(path, feed_percent=0.0, rapid_percent=25.0)


@pytest.mark.twin
@pytest.mark.parametrize("seed", range(12))
def test_the_kernel_equals_its_plain_twin(seed: int) -> None:
    rng = np.random.default_rng(seed)
    n = int(rng.integers(1, 60))
    lengths = 10.0 ** rng.uniform(-3, 2, n)
    limits = rng.choice([1.0, 10.0, 50.0, 250.0], n)
    joints = np.where(rng.random(n) < 0.5, 1e9, rng.uniform(0.0, 60.0, n))
    joints[-1] = 0.0
    times = ride_times(lengths, limits, joints, 1500.0, 35000.0)
    whole = naive.stretch_times(list(lengths), list(limits), list(joints), 1500.0, 35000.0)
    assert (times > 0.0).all()
    assert float(times.sum()) == pytest.approx(sum(whole), rel=1e-7)


def log_program(rows: list[dict[str, str]]) -> tuple[str, list[int]]:
    """The log's feed moves as a program with the feeds it logged, Z moves at its only F word, F25."""
    lines, kept = ["G21 G90 G17", "G0 X-33.338 Y-38.324 Z2"], []
    place = (-33.338, -38.324, 2.0)
    for i, row in enumerate(rows):
        end = (float(row["X (mm)"]), float(row["Y (mm)"]), float(row["Z (mm)"]))
        feed = float(row["Feed rate (mm/min)"] or 0.0)
        kind = row["Cut / No Cut"]
        if float(row["Timestamp (s)"]) < 17.0 or end == place:
            continue
        if "G83" in row["Code"] or not kind or "Rapid" in kind:
            lines.append(f"G0 X{end[0]} Y{end[1]} Z{end[2]}")
        else:
            lines.append(
                f"G1 X{end[0]} Y{end[1]} Z{end[2]} F{25.0 if end[2] != place[2] else round(feed, 1)}"
            )
            kept.append(i)
        place = end
    return "\n".join(lines) + "\n", kept


@pytest.mark.reference
def test_times_against_the_log_of_a_real_mill(
    tmp_path: Path, shared_data: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """'nc_log' of an open data set (milling energy prediction, MIT licence): measured block durations.

    The log samples about every 0.3 s, so one block cannot be known better than that. One
    block (at 1699.95 s) begins deeper than the log's place says and is left in.
    """
    with (shared_data / "nc_log.csv").open() as file:
        rows = list(csv.DictReader(file))
    text, kept = log_program(rows)
    path = timed(tmp_path, text, Machine())
    feeding = path.spans.kind == SpanKind.FEED
    predicted = (path.spans.stop_s - path.spans.start_s)[feeding]
    measured = np.array([float(rows[i]["Duration (s)"]) for i in kept])
    assert predicted.shape == measured.shape
    error = predicted - measured
    median, most = float(np.median(np.abs(error))), float(np.percentile(np.abs(error), 95))
    total = float(predicted.sum() / measured.sum() - 1.0)
    with capsys.disabled():
        print(
            f"\nnc_log: {error.size} feed blocks, error median {median:.3f} s, 95 % within {most:.3f} s, "
            f"sum {100 * total:+.2f} % of {measured.sum():.0f} s"
        )
    assert median < 0.15
    assert most < 0.3
    assert abs(total) < 0.01


@pytest.mark.reference
@pytest.mark.parametrize(("peck", "measured_s"), [(2.0, 42.12), (4.0, 34.07)])
def test_deep_drilling_against_the_same_log(
    tmp_path: Path, shared_data: Path, peck: float, measured_s: float
) -> None:
    """G83 G99 Z-13 R-1 F25 with Q2 and Q4; this mill feeds again from 1 mm above the last depth."""
    text = (shared_data / "nc_log.csv").read_text()
    assert f"Q{peck:.4f}" in text
    assert f",{measured_s}," in text
    part = tmp_path / "part.nc"
    part.write_text(f"S1700 M3\nG0 X0 Y0 Z-1\nG83 G99 X0 Y0 Z-13 R-1 F25 Q{peck}\n")
    path = time_program(read_program(part, dialect=Dialect(peck_clearance_mm=1.0)), Machine())
    cycle = sum(s for s, c in zip(seconds(path), path.cycle, strict=True) if c == 83)
    assert cycle == pytest.approx(measured_s, rel=0.05)


@pytest.mark.closed
def test_a_dwell_between_two_moves_in_one_line_stops_the_tool(tmp_path: Path) -> None:
    """By hand: each 50 mm from rest to rest at 100 mm/s is 0.65 s."""
    path = timed(tmp_path, "G0 X0 Y0 Z0\nG1 X50 F6000\nG4 P1\nX100\n")
    assert seconds(path)[1:] == pytest.approx([0.65, 1.0, 0.65], rel=0, abs=1e-9)
