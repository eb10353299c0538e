"""Findings on real clips that lie beside the checkout, and on made ones with planted faults."""

import sys
from pathlib import Path

import numpy as np
import pytest
import soundfile

from listen.blocks import Block
from listen.decide.chatter import ChatterListener
from listen.ears import SoundEar, shipped_model
from listen.states import ContactSound, Finding, Turning

sys.path.insert(0, str(Path(__file__).resolve().parents[2] / "tools"))
findings = pytest.importorskip("tools_ear.findings")


def heard(path: Path, *turnings: Turning) -> tuple[list[Finding], list[ContactSound]]:
    samples, rate = soundfile.read(path)
    ear = SoundEar(shipped_model(), rate=rate, keep=False)
    ear.know(turnings)
    told = [*ear.push(Block(samples=np.ascontiguousarray(samples), start=0, rate=rate)), *ear.close()]
    return [t for t in told if isinstance(t, Finding)], [t for t in told if isinstance(t, ContactSound)]


@pytest.mark.reference
@pytest.mark.parametrize("program_rpm", [9000.0, 12000.0])
def test_real_passes_tell_their_speed_whatever_the_program_says(
    shared_data: Path, program_rpm: float
) -> None:
    """CNC Machine Tool Cutting Sound Dataset, Exp1-5: 9000 rpm, 5 flutes: 750 Hz, less some sagging."""
    found, sounds = heard(
        shared_data / "mic_two_passes.flac", Turning(spindle_hz=program_rpm / 60.0, flutes=5)
    )
    told = [sound.tooth_pass_hz for sound in sounds if np.isfinite(sound.tooth_pass_hz)]
    assert told
    assert told == pytest.approx([750.0] * len(told), rel=0.01)
    assert found == []


@pytest.mark.reference
@pytest.mark.parametrize(
    ("name", "kinds"),
    [("mic_idle", []), ("mic_steady", []), ("mic_two_passes", []), ("mic_chatter", ["chatter"])],
)
def test_real_clips_have_the_findings_of_their_labels(shared_data: Path, name: str, kinds: list[str]) -> None:
    """Their own labels: a machine in air, a stable cut, two passes, a chattering cut."""
    found, _ = heard(shared_data / f"{name}.flac")
    assert [finding.kind for finding in found] == kinds


@pytest.mark.regression
@pytest.mark.parametrize(
    ("kind", "index"), [("heavier by 10 dB", 3), ("heavier by 10 dB", 4), ("chatter", 2)]
)
def test_planted_faults_are_found_in_the_middle_of_a_cut(kind: str, index: int) -> None:
    at_all, _ = findings.is_found((kind, index))
    assert at_all


@pytest.mark.regression
@pytest.mark.parametrize("index", [0, 1, 2])
def test_nothing_is_found_in_these_fault_free_clips(index: int) -> None:
    told, _ = findings.false_findings(index)
    assert told == []


THREE_TEETH = Turning(spindle_hz=150.0, flutes=3)


def told_of(looks: np.ndarray, turning: Turning = THREE_TEETH) -> list[Finding]:
    """What is told of the lines of a contact, after ten looks of air without a line."""
    listener = ChatterListener(looks_per_s=25.0, turnings=(turning,))
    listener.begin(np.zeros((10, 5, 3), dtype=np.float32), np.zeros((5, 3), dtype=np.float32))
    found: list[Finding] = []
    for i, look in enumerate(looks):
        found += listener.look(1920 * i, look, looks[: i + 1].copy)
    return found


def lines_of(*lines: tuple[float, float, float], n_looks: int = 40) -> np.ndarray:
    """The same lines in every look: Hz, dB, dB over."""
    looks = np.zeros((n_looks, 5, 3), dtype=np.float32)
    looks[:, : len(lines)] = lines
    return looks


@pytest.mark.closed
@pytest.mark.parametrize(
    ("line_hz", "kinds"),
    [(441.0, []), (520.0, ["chatter"]), (1050.0, []), (1054.0, []), (1500.0, []), (1125.0, ["chatter"])],
)
def test_one_line_near_the_tooth_pass_or_on_its_comb_is_of_the_teeth_one_off_it_chatter(
    line_hz: float, kinds: list[str]
) -> None:
    """By hand: three teeth at 9000 rpm pass 450 times a second; 441 is 2 % off, 520 is on no comb of 150.

    1050 and 1500 are 7 and 10 turns, 1054 is 4 Hz off; 1125 is 2.5 tooth passes, 7.5 turns.
    """
    assert [one.kind for one in told_of(lines_of((line_hz, -30.0, 30.0), n_looks=20))] == kinds


@pytest.mark.closed
@pytest.mark.parametrize(
    ("over_db", "other_db", "kinds"), [(40.0, -50.0, ["chatter"]), (25.0, -50.0, []), (40.0, -34.0, [])]
)
def test_where_every_frequency_lies_on_the_comb_only_a_line_that_towers_is_chatter(
    over_db: float, other_db: float, kinds: list[str]
) -> None:
    """At 600 rpm two teeth pass 20 times a second: 905 is 45.25 passes, 12 of 20 Hz count as on one."""
    looks = lines_of((905.0, -30.0, over_db), (333.0, other_db, 10.0), n_looks=20)
    assert [one.kind for one in told_of(looks, Turning(spindle_hz=10.0, flutes=2))] == kinds


@pytest.mark.closed
def test_what_squeals_for_less_than_the_longest_exit_is_told_but_no_flag() -> None:
    """0.5 s at 25 looks a second: told once it stands for 0.36 s; 1.2 s and more: told again, as a flag."""
    looks = lines_of((520.0, -30.0, 30.0), n_looks=60)
    assert [one.probability for one in told_of(looks[:13])] == [0.75]
    assert [one.probability for one in told_of(looks)] == [0.75, 0.95]


@pytest.mark.closed
def test_chatter_is_told_once_in_a_contact_and_again_only_when_it_is_surer() -> None:
    """Its lines are many: 20 dB over gives 0.5 + (20 - 18) / 20; a second line as sure is not told."""
    looks = lines_of((520.0, -30.0, 20.0), n_looks=80)
    looks[20:40, 0] = (1125.0, -20.0, 20.0)
    looks[40:, 0] = (1125.0, -20.0, 35.0)
    found = told_of(looks)
    assert [round(one.frequency_hz) for one in found] == [520, 1125]
    assert [one.probability for one in found] == pytest.approx([0.6, 0.95])


@pytest.mark.reference
@pytest.mark.parametrize(("comes_up_at", "kinds"), [(80, ["chatter"]), (0, [])])
def test_half_way_between_the_lines_of_two_teeth_only_what_comes_up_is_chatter(
    comes_up_at: int, kinds: list[str]
) -> None:
    """The one-degree-of-freedom benchmark doubles its period at 12000 rpm: 1000 Hz, 2.5 times the tooth pass.

    Insperger & Stepan (2003), semi-discretisation, two teeth, worked out anew here; with two teeth 1000 Hz
    is 5 turns, where runout sings from the start.
    """
    looks = lines_of((1000.0, -20.0, 40.0), (400.0, -40.0, 20.0), n_looks=120)
    looks[:comes_up_at, 0] = 0.0
    found = told_of(looks, Turning(spindle_hz=200.0, flutes=2))
    assert [one.kind for one in found][-1:] == kinds
    assert all(one.frequency_hz == pytest.approx(1000.0, abs=1.0) for one in found)


@pytest.mark.closed
def test_a_mode_that_noise_strikes_wanders_and_is_no_chatter() -> None:
    """Spread of half a percent about 1125 Hz; a third of that keeps still enough."""
    looks, rng = lines_of((1125.0, -30.0, 30.0), n_looks=20), np.random.default_rng(3)
    still = looks.copy()
    looks[:, 0, 0] += 0.005 * 1125.0 * rng.standard_normal(len(looks)).clip(-2.0, 2.0)
    still[:, 0, 0] += 0.0015 * 1125.0 * rng.standard_normal(len(looks)).clip(-2.0, 2.0)
    assert told_of(looks) == []
    assert len(told_of(still)) == 1
