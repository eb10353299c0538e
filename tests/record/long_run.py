"""A long invented run, as large as half an hour on a machine gets: for how fast things are."""

from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from listen.blocks import Block, LoadSample
from listen.contact import Contact
from listen.followed import Position, Verdict, VerdictKind
from listen.record import Run, RunWriter
from listen.record.sound import LONG_S
from listen.spans import Spans
from listen.states import Event, State
from listen.timeline import Timeline
from listen.told import Flag
from tests.record.made_run import made_contact

RATE = 32000
EVERY_S = 4.5  # a contact begins
LASTS_S = 3.2
PIECE_S = 9.0  # of sound, over and over: two contacts
LINES_PER_CONTACT = 10


def write_long_run(folder: Path, *, minutes: float) -> Run:
    """Half an hour has 400 contacts, 4000 moves, 9000 positions and load samples, 16 flags."""
    sound = "long vorbis" if minutes * 60 > LONG_S else "vorbis"
    length = round(minutes * 60 * RATE)
    timeline = long_timeline(minutes * 60)
    piece = _sound()
    with RunWriter(
        folder, rate=RATE, live=False, sound=sound, timeline=timeline, source="invented"
    ) as writer:
        for start in range(0, length, piece.size):
            samples = piece[: length - start]
            writer.push(Block(samples=samples, start=start, rate=RATE))
        for contact in timeline.contacts:
            _tell(writer, contact)
        _follow(writer, minutes * 60)
        return writer.finish()


def long_timeline(seconds: float) -> Timeline:
    """A contact every 4.5 seconds, ten moves each."""
    contacts = [
        made_contact(i + 1, LINES_PER_CONTACT * i + 5, EVERY_S * i + 1.0, EVERY_S * i + 1.0 + LASTS_S)
        for i in range(int(seconds / EVERY_S))
    ]
    return Timeline(
        program="long, made up.nc",
        spans=_spans(LINES_PER_CONTACT * len(contacts), seconds),
        contacts=tuple(contacts),
        duration=seconds,
    )


def _spans(count: int, seconds: float) -> Spans:
    rng = np.random.default_rng(3)
    times = np.linspace(0.0, seconds, count + 1)
    places = np.column_stack([rng.uniform(0, 80, (count + 1, 2)), -rng.uniform(0, 10, count + 1)])
    return Spans(
        start_s=times[:-1],
        stop_s=times[1:],
        kind=(np.arange(count) % 3 > 0).astype(np.int8),
        line=np.arange(1, count + 1, dtype=np.int32),
        tool=np.full(count, 1, dtype=np.int32),
        begin=places[:-1],
        end=places[1:],
        centre=np.full((count, 3), np.nan),
        sweep=np.zeros(count),
        axis=np.full(count, 2, dtype=np.int8),
    )


def _sound() -> NDArray[np.float64]:
    rng = np.random.default_rng(1)
    time = np.arange(round(PIECE_S * RATE)) / RATE
    sound = 0.01 * rng.standard_normal(time.size)
    for start in (1.0, 1.0 + EVERY_S):
        cutting = (time >= start) & (time < start + LASTS_S)
        tone = sum(np.sin(2 * np.pi * 400 * k * time) / k for k in range(1, 8))
        sound += cutting * (0.05 * tone + 0.04 * rng.standard_normal(time.size))
    return sound


def _tell(writer: RunWriter, contact: Contact) -> None:
    """As expected, but every 25th, which starts early."""

    def at(seconds: float) -> int:
        return round(seconds * RATE)

    early = contact.id % 25 == 0
    onset = contact.start - (0.5 if early else 0.0)
    marks = ((State.ENTRY, 0.0), (State.STEADY, 0.2), (State.EXIT, LASTS_S - 0.2), (State.AIR, LASTS_S))
    for state, after in marks:
        when = at((onset if state is State.ENTRY else contact.start) + after)
        writer.push(Event(state=state, at=when, decided_at=when + 1600, probability=0.95))
    writer.push(
        Verdict(
            contact=contact.id,
            kind=VerdictKind.STARTED_EARLY if early else VerdictKind.AS_EXPECTED,
            probability=0.9,
            called_at=at(contact.stop + 0.2),
            expected_onset=at(contact.start),
            expected_offset=at(contact.stop),
            heard_onset=at(onset),
            heard_offset=at(contact.stop),
        )
    )
    if early:
        text = f"{contact.block} began before its place"
        writer.push(Flag(at=at(onset), kind="started early", contact=contact.id, text=text))


def _follow(writer: RunWriter, seconds: float) -> None:
    line_s = EVERY_S / LINES_PER_CONTACT
    for tick in range(int(seconds * 5)):
        now = tick / 5
        line = int(now / line_s) + 1
        rate = 1.0 + 0.05 * np.sin(now / 60)
        at = round(now * RATE)
        writer.push(Position(at=at, program_time=now, line=line, spread=0.1, rate=float(rate)))
        load = 5.0 + 20.0 * (1.0 <= now % EVERY_S < 1.0 + LASTS_S) + np.sin(now)
        writer.push(LoadSample(at=at, percent=float(load), kind="load_percent"))
