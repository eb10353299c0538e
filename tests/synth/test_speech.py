"""Words beside the microphone, by the speech synthesiser of the distribution."""

import numpy as np
import pytest

from listen.synth.speech import can_speak, spoken_sound
from listen.synth.talk import Speaker, talk_sound

RATE = 22050
needs_speech = pytest.mark.skipif(not can_speak(), reason="no speech synthesiser is installed")


@needs_speech
@pytest.mark.closed
def test_it_speaks_with_pauses_and_the_same_again() -> None:
    made = spoken_sound(np.random.default_rng(3), n_samples=20 * RATE, rate=RATE)
    again = spoken_sound(np.random.default_rng(3), n_samples=20 * RATE, rate=RATE)
    other = spoken_sound(np.random.default_rng(4), n_samples=20 * RATE, rate=RATE)
    np.testing.assert_array_equal(made, again)
    assert not np.array_equal(made, other)
    loud = np.sqrt(np.mean(np.square(made[: made.size // 441 * 441].reshape(-1, 441)), axis=1))
    assert 0.2 < np.mean(loud > 0.1) < 0.97
    assert 0.3 < float(np.mean(np.square(loud[loud > 0.1]))) < 3.0


@needs_speech
@pytest.mark.closed
def test_speech_has_its_power_where_speech_has_it() -> None:
    """Most of the power of speech lies below 4 kHz, the telephone band (ITU-T G.712, from memory)."""
    made = spoken_sound(np.random.default_rng(5), n_samples=30 * RATE, rate=RATE)
    power = np.square(np.abs(np.fft.rfft(made)))
    hz = np.fft.rfftfreq(made.size, 1.0 / RATE)
    assert power[(hz > 80.0) & (hz < 4000.0)].sum() > 0.7 * power.sum()


@pytest.mark.closed
def test_without_a_synthesiser_it_is_sung(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("listen.synth.talk.can_speak", lambda: False)
    rng = np.random.default_rng(6)
    speaker = Speaker(rng, RATE)
    spoken = talk_sound(np.random.default_rng(7), "spoken", speaker, n_samples=5 * RATE, rate=RATE)
    sung = talk_sound(np.random.default_rng(7), "sung table", speaker, n_samples=5 * RATE, rate=RATE)
    np.testing.assert_array_equal(spoken, sung)
