"""Sound written and read back by codecs that recorders, cameras and telephones use.

The delay that a codec adds is taken out again, so that truth stays true to the sample.
"""

import io
from collections.abc import Callable

import numpy as np
import soundfile
import soxr
from scipy import fft

from listen.synth.sound import Sound

OPUS_HZ = (8000, 12000, 16000, 24000, 48000)
MP3_HZ = (8000, 11025, 12000, 16000, 22050, 24000, 32000, 44100, 48000)
TELEPHONE_HZ = 8000
COARSEST_STEP, FINEST_STEP = 2.2, 0.15  # of `Microphone.codec_step`


def through_vorbis(sound: Sound, rate: int, coarse: float) -> Sound:
    """Ogg Vorbis; `coarse` from 0 (best) to 1."""
    return _aligned(sound, _there_and_back(sound, rate, "OGG", "VORBIS", 0.35 + 0.65 * coarse))


def through_opus(sound: Sound, rate: int, coarse: float) -> Sound:
    """Ogg Opus, at the next of its own rates; `coarse` from 0 (best) to 1."""
    return _at_rate(sound, rate, OPUS_HZ, "OGG", "OPUS", 0.9 + 0.08 * coarse)


def through_mp3(sound: Sound, rate: int, coarse: float) -> Sound:
    """MPEG layer III, at the next of its own rates; `coarse` from 0 (best) to 1."""
    return _at_rate(sound, rate, MP3_HZ, "MP3", "MPEG_LAYER_III", 0.6 + 0.39 * coarse)


def through_telephone(sound: Sound, rate: int, coarse: float) -> Sound:
    """GSM 06.10 full rate, as at 8 kHz; `coarse` has no say."""
    return _at_rate(sound, rate, (TELEPHONE_HZ,), "WAV", "GSM610", None)


STORED: dict[str, Callable[[Sound, int, float], Sound]] = {
    "vorbis": through_vorbis,
    "opus": through_opus,
    "mp3": through_mp3,
    "telephone": through_telephone,
}


def coarseness(codec_step: float) -> float:
    """A step of the made codecs as a place between best and worst, 0 to 1."""
    place = np.log(codec_step / FINEST_STEP) / np.log(COARSEST_STEP / FINEST_STEP)
    return float(np.clip(place, 0.0, 1.0))


def _at_rate(
    sound: Sound, rate: int, rates: tuple[int, ...], container: str, coding: str, compression: float | None
) -> Sound:
    """Through a codec that knows some rates only."""
    own = min((hz for hz in rates if hz >= rate), default=rates[-1])
    carried = sound if own == rate else np.asarray(soxr.resample(sound, rate, own), np.float32)
    back = _there_and_back(carried, own, container, coding, compression)
    back = back if own == rate else np.asarray(soxr.resample(back, own, rate), np.float32)
    return _aligned(sound, back)


def _there_and_back(sound: Sound, rate: int, container: str, coding: str, compression: float | None) -> Sound:
    store = io.BytesIO()
    more = {} if compression is None else {"compression_level": compression}
    with soundfile.SoundFile(store, "w", rate, 1, coding, format=container, **more) as file:
        for start in range(0, sound.size, rate):  # the library fails on minutes of sound at once
            file.write(sound[start : start + rate])
    store.seek(0)
    return np.asarray(soundfile.read(store, dtype="float32")[0], np.float32)


def _aligned(sound: Sound, back: Sound) -> Sound:
    """`back` without the delay that it has against `sound`, shape (n_samples,)."""
    n_seen = min(sound.size, back.size, 1 << 18)
    n_fft = fft.next_fast_len(2 * n_seen)
    across = fft.irfft(fft.rfft(back[:n_seen], n_fft) * np.conj(fft.rfft(sound[:n_seen], n_fft)), n_fft)
    reach = min(4096, n_seen - 1)
    near = np.concatenate([across[-reach:], across[: reach + 1]])
    delay = int(np.argmax(near)) - reach
    shifted = back[delay:] if delay >= 0 else np.pad(back, (-delay, 0))
    return np.pad(shifted, (0, max(0, sound.size - shifted.size)))[: sound.size]
