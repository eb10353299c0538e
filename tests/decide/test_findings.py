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


@pytest.mark.closed
@pytest.mark.parametrize(("line_hz", "kinds"), [(441.0, []), (520.0, ["chatter"])])
def test_one_line_near_the_tooth_pass_is_of_the_teeth_one_off_it_chatter(
    line_hz: float, kinds: list[str]
) -> None:
    """By hand: three teeth at 9000 rpm pass 450 times a second; 441 is 2 % off, 520 is on no comb of 150."""
    listener = ChatterListener(looks_per_s=25.0, turnings=(Turning(spindle_hz=150.0, flutes=3),))
    looks = np.zeros((40, 5, 3), dtype=np.float32)
    listener.begin(looks[:10], looks[0])
    looks[:, 0] = (line_hz, -30.0, 30.0)
    found = [one for i in range(40) for one in listener.look(1920 * i, looks[i], lambda: looks)]
    assert [one.kind for one in found] == kinds
