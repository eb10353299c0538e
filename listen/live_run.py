"""Listen at the machine: microphone in, decisions out to disk and to whoever watches.

The thread that calls `listen_live` reads the microphone, decides, writes and tells; nothing else
touches session or writer.
"""

import queue
import signal
import threading
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager, nullcontext
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from typing import Protocol

import numpy as np

from listen.blocks import Block, Gap, LoadSample, SourceState
from listen.ears import Ear, FusedEar, SoundEar, kept_features, shipped_model
from listen.followed import Position, Verdict
from listen.job import Job
from listen.marks import Look, Mark
from listen.record import Run, RunWriter, read_run
from listen.record.features import FEATURES_FILE, read_features
from listen.record.keep import Keep
from listen.replay_run import one_thread
from listen.replay_source import inputs_of, run_folder
from listen.second_hearing import second_hearing
from listen.session import Decided, Session
from listen.states import ContactSound, Event, Finding, Learnt, StateLikelihoods
from listen.timeline import Timeline
from listen.told import Cue, Flag

SIXTEEN_BITS = 32768.0
ENDED = "The run has ended. It is heard again now."
WAITS_S = 0.1  # for sound, before people and witnesses are heard
SECOND_LOOK_S = 3 * 3600.0  # longer recordings keep their live verdicts


Shown = Event | Finding | Learnt | Gap | LoadSample | Position | Verdict | Cue | Flag | Mark | Look


class Source(Protocol):
    """A microphone, or what stands in for one."""

    @property
    def listening(self) -> bool:
        """False while nothing arrives."""
        ...

    def read(self, *, timeout_s: float = 0.1) -> tuple[Block | Gap, ...]:
        """What arrived."""
        ...


class Screen(Protocol):
    """Whoever shows the run while it happens, and hands in what people say."""

    inbox: "queue.SimpleQueue[Mark | Look]"

    def hear(self, item: Block | Gap) -> None:
        """Take what was heard."""
        ...

    def tell(self, *items: Shown) -> None:
        """Take what was decided."""
        ...

    def stand(self, *, listening: bool, recording: bool, trouble: str = "") -> None:
        """Say whether the microphone gives sound and the disk takes it."""
        ...

    def end(self, words: str) -> None:
        """Say that nothing is listened to any more, and what became of the run."""
        ...


Witnesses = Callable[[], Iterable[LoadSample | Mark | SourceState]]


def listen_live(
    microphone: Source,
    *,
    session: Session,
    writer: RunWriter,
    screens: tuple[Screen, ...],
    goes_on: Callable[[], bool],
    witnesses: Witnesses = lambda: (),
) -> None:
    """Listen until `goes_on` says no; every decision is on its way to the disk before it is shown.

    Parameters
    ----------
    microphone : Source
    session, writer
        Of this run.
    screens : tuple of Screen
    goes_on : callable
        Asked after each read.
    witnesses : callable
        What load and controller said since it was last asked.
    """
    while goes_on():
        for item in microphone.read(timeout_s=WAITS_S):
            _take(as_recorded(item), session, writer, screens)
        for said in (*_said(screens), *witnesses()):
            if isinstance(said, SourceState):
                writer.push(said)
            else:
                _take(said, session, writer, screens)
        for screen in screens:
            screen.stand(listening=microphone.listening, recording=writer.recording, trouble=writer.problem)
    _give(session.close(), writer, screens)


def _said(screens: tuple[Screen, ...]) -> list[Mark | Look]:
    said: list[Mark | Look] = []
    for screen in screens:
        while not screen.inbox.empty():
            said.append(screen.inbox.get_nowait())
    return said


def _take(
    given: Block | Gap | LoadSample | Mark | Look,
    session: Session,
    writer: RunWriter,
    screens: tuple[Screen, ...],
) -> None:
    if isinstance(given, Mark | LoadSample) and given.at < session.heard:
        given = replace(given, at=session.heard)  # too late for what was decided: it counts from now
    decided = () if isinstance(given, Look) else session.push(given)
    writer.push(given)
    for screen in screens:
        if isinstance(given, Block | Gap):
            screen.hear(given)
        else:
            screen.tell(given)
    _give(decided, writer, screens)


def _give(decided: tuple[Decided, ...], writer: RunWriter, screens: tuple[Screen, ...]) -> None:
    """Decisions to the disk, then to the screens."""
    lines = [item for item in decided if not isinstance(item, StateLikelihoods)]
    writer.push(*lines)
    shown = [item for item in lines if not isinstance(item, ContactSound)]
    for screen in screens:
        screen.tell(*shown)


def as_recorded(item: Block | Gap) -> Block | Gap:
    """The block as 16 bits hold it, so that what is decided live is decided from what is kept."""
    if isinstance(item, Gap):
        return item
    whole = item.samples * SIXTEEN_BITS
    np.rint(whole, out=whole)
    np.clip(whole, -SIXTEEN_BITS, SIXTEEN_BITS - 1.0, out=whole)
    whole /= SIXTEEN_BITS
    return Block(samples=whole, start=item.start, rate=item.rate)


@contextmanager
def until_interrupted() -> Iterator[threading.Event]:
    """An event that Ctrl-C or a polite request to end sets, instead of ending at once."""
    stop = threading.Event()
    before = {
        number: signal.signal(number, lambda *_: stop.set()) for number in (signal.SIGINT, signal.SIGTERM)
    }
    try:
        yield stop
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


def live_run(
    microphone: Source,
    *,
    rate: int,
    folder: Path,
    screens: Sequence[Screen],
    stop: threading.Event,
    timeline: Timeline | None,
    job: Job | None,
    keep: Keep,
    name: str,
    witnesses: Witnesses | None = None,
    model: Path | None = None,
) -> Run:
    """Listen until `stop` is set, and give the finished run.

    Parameters
    ----------
    microphone : Source
    rate : int
        [Hz]
    folder : Path
        The run folder.
    screens : sequence of Screen
    stop : Event
    timeline, job
        None without a job.
    keep : Keep
        What of the sound is kept; "sound" replays to the sample.
    name : str
        Of the microphone.
    witnesses : callable
        See `listen_live`; None where nothing is beside the microphone.
    model : Path | None
        A model folder; the shipped model where none is named.
    """
    started = datetime.now().astimezone().isoformat(timespec="seconds")
    writer = RunWriter(
        folder,
        rate=rate,
        live=True,
        sound=keep.sound,
        timeline=timeline,
        job=job,
        started=started,
        source=name,
    )
    noted = kept_features(folder, rate) if keep.features else nullcontext()
    with one_thread(), writer, noted as features:
        sound = SoundEar(
            shipped_model(model), rate=rate, keep=False, note=features.push if features else None
        )
        ear: Ear = sound if witnesses is None else FusedEar(sound, rate=rate, keep=False)
        listen_live(
            microphone,
            session=Session(timeline, ear=ear, rate=rate),
            writer=writer,
            screens=tuple(screens),
            goes_on=lambda: not stop.is_set(),
            witnesses=witnesses or (lambda: ()),
        )
        for screen in screens:
            screen.end(ENDED)
        return finish_live(writer, timeline, model)


def finish_live(writer: RunWriter, timeline: Timeline | None, model: Path | None = None) -> Run:
    """Close the run; where its sound was kept exactly, it is looked at a second time."""
    writer.close_sound()
    ear = None if writer.problem else _heard_again(writer, model)
    if ear is None:
        return writer.finish()
    run = read_run(writer.folder)
    both = _with_load(ear, run)
    told = [*run.sounds, *run.marks, *run.gaps, *run.flags]
    again = second_hearing(both, timeline, rate=run.rate, told=told, end=run.duration)
    writer.push(*again.flags)
    if isinstance(both, FusedEar) and both.clock is not None:
        writer.push(both.clock)
    return writer.finish(refined=again.refined, verdicts=again.verdicts)


def _with_load(ear: SoundEar, run: Run) -> Ear:
    """The ear that heard the sound again, with the load that came beside it."""
    if not run.loads:
        return ear
    fused = FusedEar(ear, rate=run.rate, keep=True)
    beside: list[LoadSample | Mark] = [*run.loads, *run.marks]
    for item in sorted(beside, key=lambda one: one.at):
        fused.push(item)
    return fused


def _heard_again(writer: RunWriter, model: Path | None) -> SoundEar | None:
    """An ear that knows all frames of the run, None where they cannot be had or are too many."""
    rate = writer.header.rate
    if (writer.folder / FEATURES_FILE).exists():
        ear = SoundEar(shipped_model(model), rate=rate, keep=True)
        stretches = read_features(writer.folder).stretches
        if sum(len(frames) for frames in stretches) * ear.hop > SECOND_LOOK_S * rate:
            return None
        ear.remember(stretches)
        return ear
    if writer.header.sound != "sound.flac":
        return None
    source = run_folder(writer.folder, None)
    if source.length > SECOND_LOOK_S * source.rate:
        return None
    ear = SoundEar(shipped_model(model), rate=source.rate, keep=True)
    for item in inputs_of(source, None, ""):
        ear.push(item)
    ear.close()
    return ear
