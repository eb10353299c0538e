"""What is taught is in the sound."""

import pytest

from listen.coach.examples import examples
from listen.coach.lesson_sound import RATE, make_clip
from listen.coach.psychoacoustics import tone_to_noise_db

pytestmark = pytest.mark.reference


def test_chatter_of_the_example_is_a_prominent_tone() -> None:
    """ECMA-418-1 calls a tone prominent from about 8 dB over its band up at 1 kHz (from memory)."""
    made = make_clip(next(one for one in examples(3) if one.title == "Chatter").recipe)
    (contact,), (chatter,) = made.truth.contacts, made.truth.chatter
    cut = made.samples[contact.full : contact.leaving]
    assert tone_to_noise_db(cut, rate=RATE, frequency_hz=chatter.frequency_hz) >= 8.0
