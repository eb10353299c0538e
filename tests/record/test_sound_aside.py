"""Sound coded in a thread of its own: the same file, in order, and what goes wrong comes back."""

import threading
from pathlib import Path

import numpy as np
import pytest
import soundfile
from numpy.typing import NDArray

from listen.blocks import Block
from listen.record import RunWriter
from listen.record.aside import MOST_WAITING, AsideSound
from listen.record.sound import EncodedSound
from listen.record.spectrum import PictureMaker
from tests.record.made_run import made_sound

pytestmark = pytest.mark.closed
RATE = 48000


class Notes:
    """A sound writer that writes down what it was given, and by which thread; may be made to fail."""

    name, rate = "sound.none", RATE

    def __init__(self, *, fails_at: float | None = None, full_at: float | None = None) -> None:
        self.given: list[float] = []
        self.threads: set[int] = set()
        self.closed = False
        self.problem: OSError | None = None
        self._fails_at, self._full_at = fails_at, full_at
        self.may_go_on = threading.Event()
        self.may_go_on.set()

    def push(self, samples: NDArray[np.float64]) -> None:
        self.may_go_on.wait()
        self.threads.add(threading.get_ident())
        if samples[0] == self._fails_at:
            raise ArithmeticError("the encoder broke")
        if samples[0] == self._full_at:
            self.problem = OSError(28, "No space left on device")
        self.given.append(float(samples[0]))

    def fileno(self) -> int:
        return -1

    def close(self) -> None:
        self.closed = True


def block(number: int) -> NDArray[np.float64]:
    return np.full(3, float(number))


@pytest.mark.parametrize("sound", ["vorbis", "long vorbis", "opus", "flac"])
def test_the_file_is_that_of_one_thread_to_the_sample(tmp_path: Path, sound: str) -> None:
    """Blocks of uneven length; the picture, too."""
    samples = made_sound(RATE, 5.0)
    made = {}
    for name in ("one", "two"):
        (tmp_path / name).mkdir()
        encoder = EncodedSound(tmp_path / name, sound=sound, rate=RATE)
        picture = PictureMaker(RATE, duration_s=5.0)
        writer = AsideSound(encoder, also=picture) if name == "two" else encoder
        for piece in np.split(samples, [7, 10_000, 10_001, 90_000, 200_000]):
            writer.push(piece)
            if name == "one":
                picture.push(piece)
        writer.close()
        made[name] = (soundfile.read(tmp_path / name / encoder.name)[0], picture.close().columns)
    for one, two in zip(made["one"], made["two"], strict=True):
        np.testing.assert_array_equal(one, two)


def test_one_other_thread_takes_all_blocks_in_order() -> None:
    notes = Notes()
    aside = AsideSound(notes)
    for number in range(50):
        aside.push(block(number))
    aside.close()
    assert notes.given == list(range(50))
    assert len(notes.threads) == 1
    assert threading.get_ident() not in notes.threads
    assert notes.closed


def test_no_more_than_a_few_blocks_wait() -> None:
    """The push after the last that may wait does not return before the thread has gone on."""
    notes = Notes()
    notes.may_go_on.clear()
    aside = AsideSound(notes)
    for number in range(MOST_WAITING):
        aside.push(block(number))
    begun = threading.Event()

    def push() -> None:
        begun.set()
        aside.push(block(MOST_WAITING))

    pushing = threading.Thread(target=push)
    pushing.start()
    assert begun.wait(timeout=10.0)
    pushing.join(timeout=0.2)
    assert pushing.is_alive()
    notes.may_go_on.set()
    pushing.join(timeout=10.0)
    assert not pushing.is_alive()
    aside.close()


@pytest.mark.parametrize("n_later", [MOST_WAITING + 3, 1], ids=["at a later push", "at the end"])
def test_what_the_thread_raised_comes_back_and_the_file_is_closed(n_later: int) -> None:
    notes = Notes(fails_at=2.0)
    aside = AsideSound(notes)

    def pushed_and_closed() -> None:
        try:
            for number in range(3 + n_later):
                aside.push(block(number))
        except ArithmeticError:
            aside.close()  # raises no second time
            raise
        aside.close()

    with pytest.raises(ArithmeticError, match="the encoder broke"):
        pushed_and_closed()
    assert notes.closed
    assert not [each for each in threading.enumerate() if each.name.startswith("sound of a run")]


def test_a_full_disk_is_known_at_the_same_block_every_time() -> None:
    """Block 3 does not fit: known when it is taken up, `MOST_WAITING` pushes later, not by luck before."""
    for _ in range(20):
        aside = AsideSound(Notes(full_at=3.0))
        known = []
        for number in range(12):
            aside.push(block(number))
            known.append(aside.problem is not None)
        aside.close()
        assert known.index(True) == 3 + MOST_WAITING


def test_a_replay_whose_encoder_breaks_leaves_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("listen.record.writer.open_sound", lambda *_, **__: Notes(fails_at=0.0))
    folder = tmp_path / "run"

    def broken() -> None:
        with RunWriter(folder, rate=RATE, live=False) as writer:
            writer.push(Block(samples=np.zeros(3), start=0, rate=RATE))
            writer.finish()

    with pytest.raises(ArithmeticError, match="the encoder broke"):
        broken()
    assert not folder.exists()


def test_a_live_run_writes_in_its_own_thread(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """What is pushed must be on its way to the disk when `push` returns."""
    notes = Notes()
    monkeypatch.setattr("listen.record.writer.open_sound", lambda *_, **__: notes)
    with RunWriter(tmp_path / "run", rate=RATE, live=True) as writer:
        writer.push(Block(samples=np.zeros(3), start=0, rate=RATE))
        assert notes.threads == {threading.get_ident()}
        writer.abandon()
