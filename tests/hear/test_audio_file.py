"""Sound files read block by block, and each refusal with its one clear line."""

import os
import struct
import threading
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
import soundfile
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from listen.errors import InputError, RecordingError
from listen.hear.audio_file import quiet, read_blocks, sound_info

RATE = 16000


@pytest.fixture
def tone() -> NDArray[np.float64]:
    return 0.5 * np.sin(2 * np.pi * 440 * np.arange(RATE) / RATE)


def write(path: Path, samples: NDArray[np.float64], **how: str) -> Path:
    soundfile.write(path, samples, RATE, **how)
    return path


def least_difference(piece: NDArray[np.float64], whole: NDArray[np.float64]) -> float:
    """Greatest difference under the best shift: lossy coders delay, by a time of their own."""
    shifts = range(0, whole.size - piece.size)
    return float(min(np.max(np.abs(piece - whole[k : k + piece.size])) for k in shifts))


@pytest.mark.closed
@pytest.mark.parametrize(
    ("name", "how", "tolerance"),
    [
        ("a.wav", {"subtype": "DOUBLE"}, 0.0),
        ("a.wav", {"subtype": "PCM_16"}, 2e-4),
        ("a.flac", {"subtype": "PCM_16"}, 2e-4),
        ("a.ogg", {"format": "OGG", "subtype": "OPUS"}, 0.1),
        ("a.mp3", {}, 0.1),
    ],
)
def test_each_kind_of_file_gives_its_samples(
    tmp_path: Path, tone: NDArray[np.float64], name: str, how: dict[str, str], tolerance: float
) -> None:
    path = write(tmp_path / name, tone, **how)
    blocks = list(read_blocks(path, block_samples=1000))
    heard = np.concatenate([block.samples for block in blocks])
    assert [block.start for block in blocks] == list(range(0, heard.size, 1000))
    assert sound_info(path).n_samples == heard.size
    middle = slice(4000, 12000)
    if tolerance < 0.01:  # lossless: nothing may be shifted
        np.testing.assert_allclose(heard, tone, rtol=0, atol=tolerance)
    assert least_difference(heard[middle], tone) <= tolerance


@pytest.mark.closed
def test_channels_are_the_mean_or_the_one_asked_for(tmp_path: Path, tone: NDArray[np.float64]) -> None:
    path = write(tmp_path / "two.wav", np.column_stack([tone, 0 * tone]), subtype="DOUBLE")
    first = next(read_blocks(path, block_samples=RATE, channel=1))
    mean = next(read_blocks(path, block_samples=RATE))
    np.testing.assert_array_equal(first.samples, tone)
    np.testing.assert_array_equal(mean.samples, tone / 2)
    with pytest.raises(InputError, match="has channels 1 to 2, asked for channel 3"):
        next(read_blocks(path, block_samples=RATE, channel=3))


@pytest.mark.parity
@settings(max_examples=20, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(block_samples=st.integers(1, 3000))
def test_block_sizes_do_not_change_the_samples(tmp_path: Path, block_samples: int) -> None:
    samples = np.random.default_rng(1).uniform(-1, 1, 2500)
    path = write(tmp_path / "noise.wav", samples, subtype="DOUBLE")
    blocks = list(read_blocks(path, block_samples=block_samples))
    np.testing.assert_array_equal(np.concatenate([b.samples for b in blocks]), samples)
    assert all(a.stop == b.start for a, b in pairwise(blocks))


@pytest.mark.closed
def test_a_sample_that_is_not_finite_is_named_with_its_place(
    tmp_path: Path, tone: NDArray[np.float64]
) -> None:
    tone[8000] = np.nan
    path = write(tmp_path / "nan.wav", tone, subtype="FLOAT")
    with pytest.raises(RecordingError, match=r"^nan\.wav: sample 8000 \(0\.500 s\) is nan"):
        list(read_blocks(path, block_samples=3000))
    tone[8000] = np.inf
    write(path, tone, subtype="DOUBLE")
    with pytest.raises(RecordingError, match=r"sample 8000 \(0\.500 s\) is inf"):
        list(read_blocks(path, block_samples=3000))


@pytest.mark.closed
@pytest.mark.parametrize("suffix", [".wav", ".flac"])
def test_a_file_cut_short_is_refused_before_anything_is_heard(
    tmp_path: Path, tone: NDArray[np.float64], suffix: str
) -> None:
    path = write(tmp_path / f"short{suffix}", tone)
    path.write_bytes(path.read_bytes()[: path.stat().st_size // 2])
    with pytest.raises(RecordingError, match="is cut short"):
        sound_info(path)


@pytest.mark.closed
def test_a_wav_written_to_a_pipe_has_no_length_and_is_read_to_its_end(
    tmp_path: Path, tone: NDArray[np.float64]
) -> None:
    path = write(tmp_path / "pipe.wav", tone, subtype="PCM_16")
    data = bytearray(path.read_bytes())
    place = data.index(b"data") + 4
    data[place : place + 4] = struct.pack("<I", 0xFFFFFFFF)
    path.write_bytes(bytes(data))
    assert sum(b.samples.size for b in read_blocks(path, block_samples=999)) == tone.size


@pytest.mark.closed
def test_what_is_no_sound_is_refused_in_one_line(tmp_path: Path, tone: NDArray[np.float64]) -> None:
    (tmp_path / "empty.wav").write_bytes(b"")
    (tmp_path / "words.wav").write_text("G0 X0 Y0\n" * 50)
    (tmp_path / "noise.wav").write_bytes(bytes(range(256)))
    write(tmp_path / "none.wav", tone[:0])
    zero = bytearray(write(tmp_path / "zero.wav", tone).read_bytes())
    zero[24:28] = struct.pack("<I", 0)
    (tmp_path / "zero.wav").write_bytes(bytes(zero))
    soundfile.write(tmp_path / "slow.wav", tone, 4000)
    for name, message in {
        "absent.wav": "is not there or is no file",
        "empty.wav": r"^empty\.wav is empty \(0 bytes\)",
        "words.wav": r"^words\.wav is not a sound file .* is it the program\?$",
        "noise.wav": r"^noise\.wav is not a sound file .* is it whole\?$",
        "none.wav": r"holds no sound \(0 samples\)",
        "zero.wav": "sample rate of 0 Hz, at least 8000 Hz",
        "slow.wav": "sample rate of 4000 Hz, at least 8000 Hz",
        ".": "is not there or is no file",
    }.items():
        with pytest.raises(RecordingError, match=message) as raised:
            list(read_blocks(tmp_path / name, block_samples=100))
        assert "\n" not in str(raised.value)


@pytest.mark.reference
@pytest.mark.parametrize(
    ("first", "what"),
    [
        (b"\x00\x00\x00\x1cftypM4A ", "an MPEG-4 file"),  # ISO/IEC 14496-12, section 4.3
        (b"#!AMR\n", "an AMR file"),  # RFC 4867, section 5.1
        (b"\x1a\x45\xdf\xa3", "a Matroska or WebM file"),  # RFC 8794, section 11.2.1
    ],
)
def test_what_a_phone_records_is_named_with_how_to_convert_it(
    tmp_path: Path, first: bytes, what: str
) -> None:
    path = tmp_path / "mill 1.m4a"
    path.write_bytes(first + bytes(100))
    with pytest.raises(
        RecordingError, match=rf'^mill 1\.m4a is {what}.* -i "mill 1.m4a" -vn "mill 1.flac"`$'
    ):
        sound_info(path)


@pytest.mark.closed
def test_two_files_kept_quiet_at_once_leave_standard_error_as_it_was() -> None:
    """Each puts back what it found: the second must not find the first's silence."""
    before, inside, go_on = os.fstat(2), [threading.Event(), threading.Event()], threading.Event()

    def read(index: int) -> None:
        with quiet(Path("a.mp3")):
            inside[index].set()
            if index == 0:
                inside[1].wait(timeout=0.3)  # not before the first is done
            go_on.wait(timeout=0.3 if index == 0 else 1.0)

    readers = [threading.Thread(target=read, args=(index,)) for index in (0, 1)]
    readers[0].start()
    inside[0].wait(timeout=10.0)
    readers[1].start()
    readers[0].join(timeout=10.0)
    go_on.set()
    readers[1].join(timeout=10.0)
    assert os.path.samestat(os.fstat(2), before)
