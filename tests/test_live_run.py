"""Live and replay are one stream: what was decided at the machine is decided again from the folder."""

import json
import queue
import threading
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from listen.blocks import Block, Gap
from listen.cli_live import ended_words
from listen.cli_print import warning_lines
from listen.ears import SoundEar, shipped_model
from listen.errors import RecordingError
from listen.job_file import load_job
from listen.live_run import Screen, Shown, as_recorded, finish_live, listen_live, live_run
from listen.marks import Look, Mark, MarkKind
from listen.plan import plan_job
from listen.record import Run, RunWriter
from listen.record.keep import KEEPS
from listen.replay_run import replay_recording
from listen.session import Session
from listen.synth import EVALUATION_RANGES, Script, draw_room, draw_voice, synthesise
from listen.timeline import Timeline
from listen.told import Flag

RECORDINGS = Path(__file__).resolve().parents[1] / "recordings_synthetic"
pytestmark = pytest.mark.parity
JOBS = Path(__file__).parent / "jobs"
RATE = 48000


class HandMovedMicrophone:
    """Stands in for a microphone: pieces of a made recording, of uneven length, with one gap."""

    def __init__(self, items: list[Block | Gap]) -> None:
        self.items = items
        self.place = 0
        self.listening = True

    def read(self, *, timeout_s: float = 0.1) -> tuple[Block | Gap, ...]:
        self.place += 1
        return (self.items[self.place - 1],)

    def goes_on(self) -> bool:
        return self.place < len(self.items)


class Notebook:
    """Watches, and says something at a chosen place."""

    def __init__(self, say: dict[int, Mark | Look]) -> None:
        self.inbox: queue.SimpleQueue[Mark | Look] = queue.SimpleQueue()
        self.told: list[Shown] = []
        self._say = dict(say)

    def hear(self, item: Block | Gap) -> None:
        for at in [at for at in self._say if at <= item.stop]:
            self.inbox.put(self._say.pop(at))

    def tell(self, *items: Shown) -> None:
        self.told += items

    def stand(self, *, listening: bool, recording: bool, trouble: str = "") -> None:
        assert listening
        assert recording
        assert trouble == ""

    def end(self, words: str) -> None:
        assert "ended" in words


@pytest.fixture(scope="module")
def timeline() -> Timeline:
    return plan_job(load_job(JOBS / "two_passes.toml")).timeline


def heard(timeline: Timeline) -> list[Block | Gap]:
    """A made run cut into uneven pieces, with 0.4 s missing near its end."""
    rng = np.random.default_rng(3)
    made = synthesise(
        timeline,
        script=Script(start_delay_s=1.0, tail_s=1.0),
        voice=draw_voice(rng, EVALUATION_RANGES, RATE, n_tools=1),
        room=draw_room(rng, EVALUATION_RANGES, RATE),
        rate=RATE,
        rng=rng,
    )
    return list(_pieces(made.samples, gap=(made.samples.size - 60000, made.samples.size - 40800), rng=rng))


def _pieces(
    samples: np.ndarray[tuple[int], np.dtype[np.float64]], *, gap: tuple[int, int], rng: np.random.Generator
) -> Iterator[Block | Gap]:
    at = 0
    while at < samples.size:
        stop = min(at + int(rng.integers(1, 3000)), samples.size)
        if at < gap[0] < stop:
            stop = gap[0]
        if at == gap[0]:
            yield Gap(start=at, stop=gap[1], reason="unplugged")
            stop = gap[1]
        else:
            yield Block(samples=samples[at:stop], start=at, rate=RATE)
        at = stop


@pytest.fixture(scope="module")
def live(timeline: Timeline, tmp_path_factory: pytest.TempPathFactory) -> tuple[Run, Notebook]:
    folder = tmp_path_factory.mktemp("live") / "run"
    microphone = HandMovedMicrophone(heard(timeline))
    say: dict[int, Mark | Look] = {
        40000: Mark(at=40300, kind=MarkKind.CYCLE_START, source="operator"),
        140000: Mark(at=139000, kind=MarkKind.FEED_OVERRIDE, source="operator", value=60.0),  # said too late
        190000: Mark(at=190017, kind=MarkKind.HOLD, source="operator"),
        230000: Mark(at=229990, kind=MarkKind.RESUME, source="operator"),
        500000: Look(at=500000, contact=1, text="burr on the left edge"),
    }
    notebook: Screen = Notebook(say)
    session = Session(timeline, ear=SoundEar(shipped_model(), rate=RATE, keep=False), rate=RATE)
    job = load_job(JOBS / "two_passes.toml")
    writer = RunWriter(
        folder, rate=RATE, live=True, sound="flac", timeline=timeline, job=job, started="2030-01-31T08:00:00Z"
    )
    listen_live(microphone, session=session, writer=writer, screens=(notebook,), goes_on=microphone.goes_on)
    assert isinstance(notebook, Notebook)
    return finish_live(writer, timeline), notebook


def decided(run: Run) -> tuple[object, ...]:
    heard = (run.events, run.findings, run.sounds, run.marks, run.gaps, run.refined)
    return (*heard, run.flags, run.cues)


def test_replay_of_a_live_run_gives_the_live_decisions_to_the_sample(
    live: tuple[Run, Notebook], tmp_path: Path
) -> None:
    run, _ = live
    again = replay_recording(run.folder, out=tmp_path / "again", write_page=lambda run, path: None)
    assert decided(again) == decided(run)
    assert again.contacts == run.contacts
    assert run.events


def test_the_watcher_is_told_what_was_written(live: tuple[Run, Notebook]) -> None:
    run, notebook = live
    assert [item for item in notebook.told if isinstance(item, Flag)] == list(run.flags)
    assert run.marks[0].kind == MarkKind.CYCLE_START
    assert len(run.marks) == 4
    assert [look.text for look in run.looks] == ["burr on the left edge"]


def test_a_live_run_has_refined_verdicts_and_both_files(live: tuple[Run, Notebook]) -> None:
    run, _ = live
    assert run.complete
    assert run.refined
    values = json.loads((run.folder / "run.json").read_text())
    assert values["format"] == "cut-listen run 1"
    assert (run.folder / "events.tsv").read_text().count("\n") >= len(run.refined)


def test_the_last_words_say_which_flags_were_found_only_afterwards(live: tuple[Run, Notebook]) -> None:
    flags = tuple(Flag(at=at, kind="not heard", contact=None, text="by hand") for at in (5, 9))
    run = replace(live[0], flags=flags)
    assert "2 flags, 1 found only when it was heard again." in ended_words(run, told=1)
    assert "2 flags. Its page" in ended_words(run, told=2)
    assert "which is no permission" in ended_words(replace(run, flags=()), told=0)


def test_what_the_sheet_warns_of_is_said_with_its_line_before_the_run(tmp_path: Path) -> None:
    """The spindle of this copy never starts: one warning, and nothing without a job."""
    for name in ("step.nc", "step.toml"):
        (tmp_path / name).write_text((RECORDINGS / name).read_text().replace("S8000 M3", "S8000"))
    (line,) = warning_lines(plan_job(load_job(tmp_path / "step.toml")))
    assert line.startswith("N70 (line 9): T3 feeds while the spindle stands; do not run this")
    assert list(warning_lines(plan_job(load_job(RECORDINGS / "step.toml")))) == []
    assert list(warning_lines(None)) == []


def test_a_live_run_is_not_replaced_by_a_replay(live: tuple[Run, Notebook], tmp_path: Path) -> None:
    run, _ = live
    with pytest.raises(RecordingError, match="would be lost"):
        replay_recording(run.folder, out=run.folder, write_page=lambda run, path: None)


class UntilTheEnd(HandMovedMicrophone):
    """Asks for the end of the run with its last piece."""

    def __init__(self, items: list[Block | Gap]) -> None:
        super().__init__(items)
        self.stop = threading.Event()

    def read(self, *, timeout_s: float = 0.1) -> tuple[Block | Gap, ...]:
        read = super().read(timeout_s=timeout_s)
        if not self.goes_on():
            self.stop.set()
        return read


def lived(timeline: Timeline, folder: Path, *, keep: str) -> Run:
    microphone = UntilTheEnd(heard(timeline))
    return live_run(
        microphone,
        rate=RATE,
        folder=folder,
        screens=(),
        stop=microphone.stop,
        timeline=timeline,
        job=load_job(JOBS / "two_passes.toml"),
        keep=KEEPS[keep],
        name="by hand",
    )


def test_without_sound_the_second_look_is_made_from_the_measured_frames(
    timeline: Timeline, tmp_path: Path
) -> None:
    """Half precision moves the refined ends of contacts by less than the collar of 50 ms."""
    of_sound = lived(timeline, tmp_path / "sound", keep="sound")
    of_frames = lived(timeline, tmp_path / "frames", keep="features")
    assert of_frames.sound_path is None
    assert of_frames.events == of_sound.events
    assert [event.state for event in of_frames.refined] == [event.state for event in of_sound.refined]
    apart = [a.at - b.at for a, b in zip(of_frames.refined, of_sound.refined, strict=True)]
    assert max(map(abs, apart)) <= 0.05 * RATE


def test_the_kind_chosen_at_the_start_is_that_of_a_replay(timeline: Timeline, tmp_path: Path) -> None:
    run = lived(replace(timeline, kind="raised dry run"), tmp_path / "run", keep="sound")
    again = replay_recording(run.folder, out=tmp_path / "again", write_page=lambda run, path: None)
    assert again.header.kind == run.header.kind == "raised dry run"
    assert decided(again) == decided(run)
    assert any("raised dry run" in flag.kind for flag in run.flags)


def test_samples_are_rounded_as_the_file_keeps_them() -> None:
    """By hand: 16 bits hold -32768 to 32767 steps of 1/32768."""
    block = Block(samples=np.array([0.5, 1.0, -1.0, 1.4 / 32768]), start=0, rate=RATE)
    rounded = as_recorded(block)
    assert isinstance(rounded, Block)
    np.testing.assert_array_equal(rounded.samples * 32768, [16384, 32767, -32768, 1])
