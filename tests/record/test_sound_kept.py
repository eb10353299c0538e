"""What a run keeps of its sound: small, exact, copied as it is, or nothing."""

from pathlib import Path

import numpy as np
import pytest
import soundfile

from listen.blocks import Block, Gap
from listen.errors import InputError
from listen.record import Run, RunWriter, read_sound
from listen.record.sound import is_small
from listen.record.spectrum import PictureMaker
from tests.record.made_run import made_sound

pytestmark = pytest.mark.closed
RATE = 48000


def kept(folder: Path, *, sound: str, copy_of: Path | None = None, rate: int = RATE) -> Run:
    """Two seconds of made sound as a run keeps them."""
    samples = made_sound(rate, 2.0)
    with RunWriter(folder, rate=rate, live=False, sound=sound, copy_of=copy_of) as writer:
        writer.push(Block(samples=samples, start=0, rate=rate))
        return writer.finish()


def level_db(samples: np.ndarray) -> float:
    """Mean level [dB re full scale]."""
    return float(10 * np.log10(np.mean(np.square(samples))))


@pytest.mark.parametrize(
    ("sound", "kept_rate", "within_db"),
    [("vorbis", 32000, 0.5), ("long vorbis", 24000, 1.5)],
    ids=["short", "long"],
)
def test_small_sound_is_small_and_as_loud_and_long(
    tmp_path: Path, sound: str, kept_rate: int, within_db: float
) -> None:
    """The made air is white noise: of its power so much is left, 10 lg(2/3) = -1.76 dB, 10 lg(1/2) = -3.01.

    White noise is the worst that can be coded: at 24 kHz it comes back about 1 dB louder.
    """
    run = kept(tmp_path / "run", sound=sound)
    assert run.sound_path is not None
    info = soundfile.info(run.sound_path)
    assert (info.format, info.subtype, info.samplerate) == ("OGG", "VORBIS", kept_rate)
    assert run.header.sound_rate == kept_rate
    assert run.sound_path.stat().st_size < 2.0 * 8000  # bytes: 64 kbit/s
    heard = np.concatenate(list(read_sound(run.sound_path, block_samples=kept_rate)))
    assert abs(heard.size - 2.0 * kept_rate) <= 64
    left_db = 10.0 * np.log10(kept_rate / RATE)
    assert level_db(heard) == pytest.approx(level_db(made_sound(RATE, 2.0)) + left_db, abs=within_db)


def test_small_sound_of_a_low_rate_keeps_its_rate(tmp_path: Path) -> None:
    assert kept(tmp_path / "run", sound="vorbis", rate=16000).header.sound_rate == 16000


@pytest.mark.parametrize("coding", ["OPUS", "VORBIS"])
def test_small_sound_is_copied_byte_for_byte(tmp_path: Path, coding: str) -> None:
    """Coding what was coded already would harm it a second time."""
    source = tmp_path / "a.ogg"
    soundfile.write(source, made_sound(RATE, 2.0), RATE, format="OGG", subtype=coding)
    run = kept(tmp_path / "run", sound="vorbis", copy_of=source)
    assert run.sound_path is not None
    assert run.sound_path.read_bytes() == source.read_bytes()
    assert run.header.sound_rate == RATE


def test_two_channels_and_exact_sound_are_not_copied(tmp_path: Path) -> None:
    both = tmp_path / "both.ogg"
    soundfile.write(both, np.tile(made_sound(RATE, 1.0)[:, None], 2), RATE, format="OGG", subtype="VORBIS")
    assert not is_small(both)
    assert not is_small(Path(__file__))
    one = tmp_path / "one.ogg"
    soundfile.write(one, made_sound(RATE, 1.0), RATE, format="OGG", subtype="VORBIS")
    run = kept(tmp_path / "run", sound="flac", copy_of=one)
    assert run.header.sound == "sound.flac"


def test_the_picture_made_in_passing_is_that_of_the_exact_sound(tmp_path: Path) -> None:
    """With a gap inside, which is silence in both."""
    samples = np.rint(made_sound(16000, 3.0) * 32768) / 32768
    made = PictureMaker(16000, duration_s=3.0)
    with RunWriter(tmp_path / "run", rate=16000, live=False, sound="flac", picture=made) as writer:
        writer.push(Block(samples=samples[:16000], start=0, rate=16000))
        writer.push(Gap(start=16000, stop=24000, reason="pulled out"))
        writer.push(Block(samples=samples[24000:], start=24000, rate=16000))
        run = writer.finish()
    assert run.sound_path is not None
    again = PictureMaker(16000, duration_s=3.0)
    for block in read_sound(run.sound_path, block_samples=7777):
        again.push(block)
    one, other = made.close(), again.close()
    np.testing.assert_array_equal(one.columns, other.columns)
    assert one.hop_s == other.hop_s == 0.005
    assert one.columns[205:295].max() == 0


def test_an_unknown_choice_is_refused(tmp_path: Path) -> None:
    with pytest.raises(
        InputError, match="sound must be one of opus, vorbis, long vorbis, flac, none; got 'mp3'"
    ):
        kept(tmp_path / "run", sound="mp3")
