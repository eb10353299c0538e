"""What is taught is in the sound."""

from typing import Any

import numpy as np
import pytest

from listen.coach.examples import examples
from listen.coach.followed import WRONGS, followed_programs
from listen.coach.lesson_sound import RATE, band_power, make_clip
from listen.coach.psychoacoustics import tone_to_noise_db
from listen.synth import Made

pytestmark = pytest.mark.reference


def test_chatter_of_the_example_is_a_prominent_tone() -> None:
    """ECMA-418-1 calls a tone prominent from about 8 dB over its band up at 1 kHz (from memory)."""
    made = make_clip(next(one for one in examples(3) if one.title == "Chatter").recipe)
    (contact,), (chatter,) = made.truth.contacts, made.truth.chatter
    cut = made.samples[contact.full : contact.leaving]
    assert tone_to_noise_db(cut, rate=RATE, frequency_hz=chatter.frequency_hz) >= 8.0


def test_the_wrong_contact_of_each_program_is_wrong_in_its_sound() -> None:
    """By what was asked for: 0.7 s early, silence, 9 dB over the mean of the others, a prominent tone."""
    made: dict[str, Made] = {}

    def keep(name: str, clip: Made) -> Made:
        made[name] = clip
        return clip

    programs = dict(zip([w.kind for w in WRONGS], followed_programs(3, keep), strict=True))
    assert all(2 <= told["wrong"] <= 5 for told in programs.values())
    levels = {kind: _levels(made[told["clip"]], told) for kind, told in programs.items()}
    wrong = {kind: programs[kind]["wrong"] - 1 for kind in programs}
    heavier = levels["heavier"]
    others = np.delete(heavier, wrong["heavier"])
    assert heavier[wrong["heavier"]] - others.mean() == pytest.approx(9.0, abs=2.0)
    assert levels["missing"][wrong["missing"]] < levels["missing"].max() - 10.0
    early = next(c for c in made[programs["early"]["clip"]].truth.contacts if c.contact == wrong["early"] + 1)
    line = next(one for one in programs["early"]["lines"] if one.get("contact") == wrong["early"] + 1)
    assert line["from_s"] - early.start / RATE == pytest.approx(0.7, abs=0.03)
    sung = made[programs["chatter"]["clip"]].truth.chatter[0]
    samples = made[programs["chatter"]["clip"]].samples[sung.start : sung.stop]
    assert tone_to_noise_db(samples, rate=RATE, frequency_hz=sung.frequency_hz) >= 8.0


def _levels(made: Made, told: dict[str, Any]) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    """Level of the middle of each contact line [dB]."""
    lines = [one for one in told["lines"] if one.get("contact")]
    middles = [
        (0.75 * one["from_s"] + 0.25 * one["to_s"], 0.35 * one["from_s"] + 0.65 * one["to_s"])
        for one in lines
    ]
    powers = [band_power(made.samples[round(a * RATE) : round(b * RATE)], RATE) for a, b in middles]
    return np.asarray(10.0 * np.log10(powers))
