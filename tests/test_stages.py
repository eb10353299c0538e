"""Checks that every streaming stage must pass, run on all of them and on the whole chain."""

import copy
from collections.abc import Callable, Iterable, Sequence
from dataclasses import fields, is_dataclass
from functools import cache
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from listen.advise import Advise
from listen.blocks import Block, Frames, Gap, LoadSample
from listen.decide import Decide, DecideLoad
from listen.ears import LoadEar, SoundEar, ear_layout, shipped_model
from listen.errors import InputError, ListenError
from listen.follow import Follower
from listen.followed import Position, Verdict
from listen.job_file import load_job
from listen.measure import Measure, MeasureLoad
from listen.plan import plan_job
from listen.session import Session
from listen.states import AirSound, ContactSound, Event, Finding, Learnt, StateLikelihoods
from listen.synth import EVALUATION_RANGES, draw_clip
from listen.timeline import Timeline
from listen.told import Cue

pytestmark = pytest.mark.battery
RATE = 48000
JOBS = Path(__file__).parent / "jobs"


@cache
def sound() -> np.ndarray[Any, np.dtype[np.float64]]:
    rng = np.random.default_rng(5)
    made = draw_clip(rng, ranges=EVALUATION_RANGES, rate=RATE, duration_s=6.0)
    samples = made.samples
    samples.setflags(write=False)
    return samples


@cache
def timeline() -> Timeline:
    return plan_job(load_job(JOBS / "two_passes.toml")).timeline


def blocks(cuts: Iterable[int] = ()) -> list[Block]:
    """The sound cut at these places."""
    edges = [0, *sorted(set(cuts)), sound().size]
    return [Block(samples=sound()[a:b], start=a, rate=RATE) for a, b in pairwise(edges)]


def frames_of(cuts: Iterable[int] = ()) -> list[Any]:
    measure = Measure(RATE)
    return [made for block in blocks(cuts) for made in measure.push(block)]


def load(n_samples: int = 400) -> list[LoadSample]:
    rng = np.random.default_rng(6)
    values = np.where((np.arange(n_samples) % 100) < 40, 30.0, 4.0) + rng.normal(0.0, 0.2, n_samples)
    return [
        LoadSample(at=i * RATE // 5, percent=float(value), kind="load_percent")
        for i, value in enumerate(values)
    ]


def flat(items: Iterable[object]) -> dict[str, list[object]]:
    """Items of each kind, arrays row by row: any cut gives the same rows in the same order."""
    kinds: dict[str, list[object]] = {}
    for item in items:
        kinds.setdefault(type(item).__name__, []).extend(_rows(item))
    return kinds


def _rows(item: object) -> list[object]:
    if isinstance(item, Frames | StateLikelihoods):
        arrays = [getattr(item, field.name) for field in fields(item)]
        return [tuple(np.asarray(array[i]).tobytes() for array in arrays) for i in range(len(item.at))]
    assert is_dataclass(item)
    return [repr(item)]


class Fed:
    """A stage and what it is fed with: pieces of its input, cut in any way."""

    def __init__(self, make: Callable[[], Any], pieces: Callable[[Sequence[int]], list[Any]]) -> None:
        self.make = make
        self.pieces = pieces


class FollowerAsStage:
    """`Follower` takes items and a time; here it is fed what `Decide` gives, block by block."""

    def __init__(self) -> None:
        self._decide = Decide(shipped_model(), ear_layout(), hop=Measure(RATE).pace.hop)
        self._measure = Measure(RATE)
        self._stage = Follower(timeline(), rate=RATE, ear=shipped_model().rates)

    def push(self, block: Block) -> tuple[object, ...]:
        heard = [item for frames in self._measure.push(block) for item in self._decide.push(frames)]
        kept = tuple(item for item in heard if not isinstance(item, StateLikelihoods | AirSound | Learnt))
        return self._stage.push(kept, block.stop)

    def close(self) -> tuple[object, ...]:
        return self._stage.close(sound().size)


def sound_session() -> Session:
    return Session(timeline(), ear=SoundEar(shipped_model(), rate=RATE, keep=False), rate=RATE)


def load_session() -> Session:
    return Session(timeline(), ear=LoadEar(rate=RATE, keep=False), rate=RATE)


STAGES: dict[str, Fed] = {
    "measure": Fed(lambda: Measure(RATE), blocks),
    "decide": Fed(
        lambda: Decide(shipped_model(), ear_layout(), hop=Measure(RATE).pace.hop),
        lambda cuts: frames_of(cuts),
    ),
    "follow": Fed(FollowerAsStage, blocks),
    "session on sound": Fed(sound_session, blocks),
    "session on load": Fed(load_session, lambda cuts: load()),
    "measure load": Fed(lambda: MeasureLoad(rate=RATE), lambda cuts: load()),
}


def run(fed: Fed, cuts: Sequence[int]) -> dict[str, list[object]]:
    stage = fed.make()
    made = [item for piece in fed.pieces(cuts) for item in stage.push(piece)]
    return flat([*made, *stage.close()])


@pytest.mark.parametrize("fed", STAGES.values(), ids=STAGES.keys())
class TestEveryStage:
    @pytest.mark.parametrize("size", [480, 479, 1000, 48000])
    def test_blocks_of_any_size_give_the_same(self, fed: Fed, size: int) -> None:
        assert run(fed, range(size, sound().size, size)) == run(fed, ())

    def test_the_same_input_gives_the_same_again(self, fed: Fed) -> None:
        assert run(fed, ()) == run(fed, ())

    def test_something_is_decided(self, fed: Fed) -> None:
        assert run(fed, ())

    def test_nothing_is_taken_after_close(self, fed: Fed) -> None:
        if fed.make is FollowerAsStage:
            return  # its own tests
        stage = fed.make()
        stage.close()
        with pytest.raises(ListenError, match=r"after close\(\)"):
            stage.push(fed.pieces(())[0])

    def test_close_twice_gives_nothing_more(self, fed: Fed) -> None:
        stage = fed.make()
        stage.close()
        assert not stage.close()


@pytest.mark.parametrize("make", [sound_session, lambda: Measure(RATE)], ids=["session", "measure"])
class TestRefusedInput:
    def test_it_leaves_the_state_as_it_was(self, make: Callable[[], Any]) -> None:
        first, rest = blocks([20000])
        stage = make()
        stage.push(first)
        twin = copy.deepcopy(stage)
        for wrong in (
            Block(samples=np.zeros(10), start=first.stop + 7, rate=RATE),
            Block(samples=np.zeros(10), start=first.stop, rate=44100),
        ):
            with pytest.raises(InputError):
                stage.push(wrong)
        assert flat(stage.push(rest)) == flat(twin.push(rest))

    def test_a_gap_starts_the_context_anew(self, make: Callable[[], Any]) -> None:
        stage = make()
        stage.push(blocks()[0])
        end = sound().size
        stage.push(Gap(start=end, stop=end + RATE, reason="unplugged"))
        again = stage.push(Block(samples=sound()[:RATE], start=end + RATE, rate=RATE))
        assert again or make is sound_session


@settings(max_examples=5, deadline=None)
@given(cuts=st.lists(st.integers(1, 6 * RATE - 1), max_size=12))
def test_any_cut_of_the_sound_gives_the_same_run(cuts: list[int]) -> None:
    fed = STAGES["session on sound"]
    assert run(fed, cuts) == run(fed, ())


def test_advise_gives_the_same_one_by_one_as_all_at_once() -> None:
    session = sound_session()
    told = [item for block in blocks() for item in session.push(block)]
    told += session.close()
    items = [item for item in told if isinstance(item, Position | Verdict | Event | Finding | ContactSound)]
    one_by_one = Advise(timeline(), RATE)
    at_once = Advise(timeline(), RATE)
    assert [said for item in items for said in one_by_one.push(item)] == list(at_once.push(*items))


def test_each_cue_is_told_once() -> None:
    session = sound_session()
    told = [item for block in blocks() for item in session.push(block)]
    cues = [item for item in (*told, *session.close()) if isinstance(item, Cue)]
    assert cues
    assert len(cues) == len(set(cues))


def test_load_frames_in_any_cut_give_the_same_events() -> None:
    measure = MeasureLoad(rate=RATE)
    made = [frames for sample in load() for frames in measure.push(sample)]
    whole, parts = DecideLoad(rate=RATE), DecideLoad(rate=RATE)
    joined = Frames(at=np.concatenate([f.at for f in made]), values=np.concatenate([f.values for f in made]))
    assert [e for f in made for e in parts.push(f)] == list(whole.push(joined))
