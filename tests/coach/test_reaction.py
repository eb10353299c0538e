"""Reactions, the way of the axis meanwhile, the drill at the machine, and the file of progress."""

from pathlib import Path

import numpy as np
import pytest

from listen.coach.hand_drill import CAUTIONS, Drill, Held, judge_holds, make_drill, read_drill
from listen.coach.progress import add_session, erase_progress, new_progress, read_progress
from listen.coach.reaction import (
    axis_travel_mm,
    hold_reactions,
    judge_presses,
    reaction_of,
    travel_rows,
    travel_to_standstill_mm,
)
from listen.errors import InputError
from listen.expect.stopping import stopping_distance
from listen.job import Machine
from listen.program import read_program, time_program
from listen.spans import SpanKind

FAST = Machine(jerk_m_per_s3=35.0, acceleration_m_per_s2=100.0)  # jerk alone limits, as in the manual


@pytest.mark.reference
@pytest.mark.parametrize(
    ("feed", "row"),
    [
        (100, (0.08, 0.17, 0.27, 0.31, 0.47, 0.83, 1.67)),
        (500, (0.42, 0.83, 1.33, 1.55, 2.36, 4.17, 8.33)),
        (1000, (0.83, 1.67, 2.67, 3.10, 4.72, 8.33, 16.7)),
        (10000, (8.33, 16.7, 26.7, 31.0, 47.2, 83.3, 167)),
    ],
)
def test_travel_before_the_button_moves(feed: float, row: tuple[float, ...]) -> None:
    """Feed x time; 186 and 283 ms are auditory simple and choice reaction.

    Nihon Jibiinkoka Gakkai Kaiho 93(5), 746-755. Figures rounded to 0.01 below 10, else to three digits.
    """
    times = (0.05, 0.1, 0.16, 0.186, 0.283, 0.5, 1.0)
    for time, mm in zip(times, row, strict=True):
        half_digit = 0.0051 if mm < 10.0 else 0.051 if mm < 100.0 else 0.51
        assert axis_travel_mm(feed, time) == pytest.approx(mm, rel=0, abs=half_digit)


@pytest.mark.reference
@pytest.mark.parametrize(
    ("feed", "mm", "half_digit"),
    [(500, 0.13, 0.005), (1000, 0.36, 0.005), (2000, 1.03, 0.005), (5000, 4.1, 0.05), (10000, 11.5, 0.05)],
)
def test_stop_alone(feed: float, mm: float, half_digit: float) -> None:
    """A CNC technical manual of 2013, section 6.8: s = v*sqrt(v/r) at r = 35 m/s3."""
    assert stopping_distance(feed / 60.0, FAST) == pytest.approx(mm, rel=0, abs=half_digit)


@pytest.mark.reference
def test_way_there_and_back_of_the_manual() -> None:
    """Same section, worked example: 30 m/min and 70 m/s3 reach speed and stop again in 85 mm (84.5)."""
    machine = Machine(jerk_m_per_s3=70.0, acceleration_m_per_s2=100.0)
    assert 2.0 * stopping_distance(500.0, machine) == pytest.approx(84.5, rel=0, abs=0.05)


@pytest.mark.closed
def test_way_from_sound_to_standstill_by_hand() -> None:
    """1000 mm/min: (6 + 186 + 30 + 20) ms are 4.03 mm, and 0.36 mm to stop."""
    assert travel_to_standstill_mm(1000.0, 0.186, FAST) == pytest.approx(4.03 + 0.36, rel=0, abs=0.01)
    assert travel_to_standstill_mm(0.0, 0.186, FAST) == 0.0


@pytest.mark.closed
def test_presses_by_hand() -> None:
    """Too soon, right, twice, late, none; the second press and the early one are false."""
    exits = [1.0, 5.0, 9.0, 13.0]
    presses = [1.05, 5.2, 5.4, 11.5]
    reactions, missed, false = judge_presses(exits, presses)
    assert reactions == pytest.approx([0.2], abs=1e-12)
    assert (missed, false) == (3, 3)
    assert judge_presses([], []) == ([], 0, 0)


@pytest.mark.closed
def test_figures_of_reactions() -> None:
    """0.20 to 0.40 in even steps: median 0.30, quartiles 0.25 and 0.35, 95th percentile 0.39."""
    made = reaction_of([0.20, 0.25, 0.30, 0.35, 0.40], n_missed=1)
    assert (made.median_s, made.spread_s, made.slow_s) == pytest.approx((0.30, 0.10, 0.39), abs=1e-9)
    assert made.n_missed == 1
    with pytest.raises(InputError, match="above 0 seconds"):
        reaction_of([float("nan")])


@pytest.mark.closed
def test_slower_lengthens_and_faster_never_shortens() -> None:
    assert hold_reactions(reaction_of([0.19, 0.2, 0.21])) == (0.5, 1.0)
    assert hold_reactions(reaction_of([0.8])) == pytest.approx((0.8, 1.6))
    assert hold_reactions(reaction_of([])) == (0.5, 1.0)
    assert travel_rows(reaction_of([]), Machine()) == ()
    slow, fast = (travel_rows(reaction_of([one]), Machine(), [1000.0])[0][1] for one in (0.8, 0.2))
    assert slow - fast == pytest.approx(10.0)  # 0.6 s at 1000 mm/min


def drill(seed: int, feed: float = 500.0, n_turns: int = 8) -> Drill:
    return make_drill(
        low=(0.0, 10.0),
        high=(200.0, 160.0),
        height=120.0,
        top=60.0,
        feed=feed,
        rng=np.random.default_rng(seed),
        n_turns=n_turns,
    )


@pytest.mark.closed
@pytest.mark.parametrize("seed", range(6))
def test_drill_stays_in_its_box_as_the_reader_of_programs_sees_it(seed: int, tmp_path: Path) -> None:
    path = tmp_path / "drill.nc"
    path.write_text(drill(seed).program, "utf-8")
    spans = time_program(read_program(path), Machine()).spans
    fed = spans.kind == SpanKind.FEED
    ends = spans.end[fed]
    assert fed.sum() == 10
    assert not (spans.kind == SpanKind.RAPID).any()
    assert (ends[:, 0] >= 0.0).all()
    assert (ends[:, 0] <= 200.0).all()
    assert (ends[:, 1] >= 10.0).all()
    assert (ends[:, 1] <= 160.0).all()
    np.testing.assert_allclose(ends[:, :2], drill(seed).points, rtol=0, atol=1e-6)
    words = [word for line in path.read_text("utf-8").splitlines() if line[0] != "(" for word in line.split()]
    assert not [word for word in words if word[0] == "Z" or word in ("G0", "G43", "G49")]  # Z is the hand's
    assert "M5" in words
    assert not {"M3", "M4", "M03", "M04"} & set(words)


@pytest.mark.closed
def test_places_differ_from_drill_to_drill() -> None:
    assert drill(1).points != drill(2).points
    assert drill(1).points == drill(1).points


@pytest.mark.closed
def test_drill_refuses_what_is_not_well_in_the_air() -> None:
    common = {"low": (0.0, 0.0), "rng": np.random.default_rng(0), "height": 50.0}
    with pytest.raises(InputError, match="at least 50 mm over the highest thing"):
        make_drill(high=(200.0, 200.0), top=1.0, feed=500.0, **common)  # type: ignore[arg-type]
    with pytest.raises(InputError, match="needs an area of 127 mm each way"):
        make_drill(high=(120.0, 200.0), top=0.0, feed=1000.0, **common)  # type: ignore[arg-type]


@pytest.mark.closed
def test_in_an_inch_job_the_drill_is_asked_for_written_and_run_in_inches(tmp_path: Path) -> None:
    """20 inch/min is 508 mm/min; the reader of programs takes what is written back to the same places."""
    made = read_drill("x 0 8 y -1 6 z 5 top 2.5 feed 20", units="inch")
    assert made.feed == pytest.approx(508.0)
    assert made.program.splitlines()[len(CAUTIONS) + 2].startswith("G20 ")
    assert "tool tip at z 5.0000 inch" in made.program
    path = tmp_path / "drill.nc"
    path.write_text(made.program, "utf-8")
    timed = time_program(read_program(path), Machine())
    fed = timed.spans.kind == SpanKind.FEED
    np.testing.assert_allclose(timed.spans.end[fed][:, :2], made.points, rtol=0, atol=1e-6)
    np.testing.assert_allclose(timed.feed_mm_per_min[fed], 508.0)
    legs = np.linalg.norm(np.diff(np.array(made.points), axis=0), axis=1)
    np.testing.assert_allclose(legs / 0.254, np.round(legs / 0.254), rtol=0, atol=1e-6)
    assert ((np.array(made.points) >= [0.0, -25.4]) & (np.array(made.points) <= [203.2, 152.4])).all()


@pytest.mark.closed
def test_in_an_inch_job_the_drill_refuses_in_inches() -> None:
    """50 mm are 1.97 inch; at 40 inch/min a leg of 2 s is 33.87 mm, so twice (33.87 + 30) mm, 5.03 inch."""
    with pytest.raises(InputError, match=r"at least 1\.97 inch over .* got height 3\.000 over top 2\.500"):
        read_drill("x 0 8 y 0 6 z 3 top 2.5 feed 20", units="inch")
    with pytest.raises(InputError, match=r"at 40 inch/min .* 5\.03 inch each way, got 5\.00 by 8\.00"):
        read_drill("x 0 5 y 0 8 z 5 top 0 feed 40", units="inch")
    with pytest.raises(InputError, match="the feed, in inch; got"):
        read_drill("x 0 5", units="inch")


@pytest.mark.closed
def test_typed_places_become_travel() -> None:
    """3 mm past turn 1 at 500 mm/min took 0.36 s; a place on no leg tells nothing."""
    made = drill(4)
    begin, end = np.array(made.points[1]), np.array(made.points[2])
    past = begin + 3.0 * (end - begin) / np.linalg.norm(end - begin)
    held, off = judge_holds(made, [(float(past[0]), float(past[1])), (-50.0, -50.0)])
    assert held is not None
    assert off is None
    assert held == Held(turn=1, travel_mm=held.travel_mm, seconds=held.seconds)
    assert (held.travel_mm, held.seconds) == pytest.approx((3.0, 0.36), abs=1e-9)


@pytest.mark.closed
def test_progress_is_plain_and_can_be_erased(tmp_path: Path) -> None:
    path = tmp_path / "learner.json"
    assert read_progress(path) == new_progress()
    add_session(path, {"lesson": "hold", "day": "2026-05-04", "reactions_s": [0.3], "missed": 0, "false": 1})
    add_session(path, {"lesson": "name", "day": "2026-05-05", "threshold_db": 2.5})
    assert [one["lesson"] for one in read_progress(path)["sessions"]] == ["hold", "name"]
    with pytest.raises(InputError, match="names a lesson of"):
        add_session(path, {"lesson": "unknown"})
    assert len(read_progress(path)["sessions"]) == 2
    erase_progress(path)
    assert list(tmp_path.iterdir()) == []
    path.write_text("[]", "utf-8")
    with pytest.raises(InputError, match="must hold 'listening lessons 1'"):
        read_progress(path)
