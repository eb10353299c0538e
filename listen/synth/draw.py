"""Clips drawn at random, without a program: what the ear is trained and judged on at scale."""

import itertools
from collections.abc import Iterator

import numpy as np

from listen.errors import InputError
from listen.synth.force import ramp_length_mm
from listen.synth.made import Made
from listen.synth.plan import Bump, Plan, PlannedContact, Running
from listen.synth.ranges import Ranges
from listen.synth.render import render
from listen.synth.room import draw_room
from listen.synth.scenery import draw_bumps, draw_moves, draw_running
from listen.synth.sound import Values, draw_log
from listen.synth.voice import ToolVoice, Voice, draw_voice

KINDS = ("air", "ordinary", "dense", "long", "at once")
NOTHING = np.zeros(0)
SHORTEST_S = 0.15  # of a contact


def draw_clip(rng: np.random.Generator, *, ranges: Ranges, rate: int, duration_s: float) -> Made:
    """A random machine at random work in a random room, with the exact truth.

    Parameters
    ----------
    rng : Generator
        The same state gives the same clip.
    ranges : Ranges
        `TRAINING_RANGES` or `EVALUATION_RANGES`.
    rate : int
        Sample rate of the clip [Hz], at least 8000; what the microphone carries may be less.
    duration_s : float
        Length [s], at least 2.

    Raises
    ------
    InputError
        If rate or duration are too small.

    Examples
    --------
    >>> from listen.synth.ranges import TRAINING_RANGES
    >>> made = draw_clip(np.random.default_rng(1), ranges=TRAINING_RANGES, rate=16000, duration_s=3.0)
    >>> made.samples.shape
    (48000,)
    """
    if not (rate >= 8000 and duration_s >= 2.0):
        raise InputError(f"a clip needs 8000 Hz and 2 s at least, got {rate} Hz and {duration_s} s")
    shares = [ranges.air_share, *(share * (1.0 - ranges.air_share) for share in (0.45, 0.2, 0.2, 0.15))]
    kind = str(rng.choice(KINDS, p=shares))
    n_tools = int(rng.choice([1, 2, 3], p=[0.75, 0.17, 0.08]))
    voice = draw_voice(rng, ranges, rate, n_tools=n_tools)
    room = draw_room(rng, ranges, rate)
    plan = draw_plan(rng, ranges, voice, kind=kind, duration_s=duration_s)
    return render(rng, plan, voice, room, rate)


def air_hour(
    rng: np.random.Generator, *, ranges: Ranges, rate: int, hours: float = 1.0, piece_s: float = 300.0
) -> Iterator[Made]:
    """Air of one machine with its disturbances, in pieces that follow each other.

    An hour has 20 knocks or the like, 10 minutes of talk, 4 times coolant on and off, 4 spindle starts,
    and axis moves; no contact.
    """
    voice = draw_voice(rng, ranges, rate, n_tools=1)
    room = draw_room(rng, ranges, rate)
    n_pieces = max(1, round(hours * 3600.0 / piece_s))
    for index in range(n_pieces):
        yield render(rng, _air_plan(rng, voice, index, piece_s), voice, room, rate)


def _air_plan(rng: np.random.Generator, voice: Voice, index: int, piece_s: float) -> Plan:
    share = piece_s / 300.0  # of the twelfth of an hour
    running = [_once(rng, "talk", piece_s, 50.0 * share, rng.uniform(-5.0, 15.0))]
    if index % 3 == 0:
        running.append(
            _once(rng, "coolant", piece_s, piece_s * rng.uniform(0.2, 0.8), rng.uniform(-6.0, 12.0))
        )
    n_bumps = int(rng.poisson(20.0 / 12.0 * share))
    bumps = [
        Bump(kind=str(rng.choice(["knock", "door", "clatter", "handling"])), at_s=at, level_db=level)
        for at, level in zip(rng.uniform(0.0, piece_s, n_bumps), rng.uniform(5.0, 40.0, n_bumps), strict=True)
    ]
    rpm = voice.tools[0].rpm
    times, speeds = np.array([0.0, piece_s]), np.array([rpm, rpm])
    if index % 3 == 1:
        stop = piece_s * rng.uniform(0.2, 0.5)
        times = np.array(
            [0.0, stop, stop + voice.run_up_s, stop + 20.0, stop + 20.0 + voice.run_up_s, piece_s]
        )
        speeds = np.array([rpm, rpm, 0.0, 0.0, rpm, rpm])
    return Plan(
        duration_s=piece_s,
        contacts=(),
        tools=((0.0, piece_s, 0),),
        spindle_s=times,
        spindle_rpm=speeds,
        moves=draw_moves(rng, voice, [(0.0, piece_s)], per_s=0.05),
        running=tuple(running),
        bumps=tuple(bumps),
        program_at_s=NOTHING,
        program_s=NOTHING,
    )


def _once(
    rng: np.random.Generator, kind: str, duration_s: float, length_s: float, level_db: float
) -> Running:
    length_s = min(length_s, duration_s)
    start = float(rng.uniform(0.0, duration_s - length_s))
    ramp = draw_log(rng, (0.03, 1.0))
    return Running(kind=kind, start_s=start, stop_s=start + length_s, ramp_s=ramp, level_db=level_db)


def draw_plan(
    rng: np.random.Generator, ranges: Ranges, voice: Voice, *, kind: str, duration_s: float
) -> Plan:
    """A random course of events of one of `KINDS`."""
    spans = _tool_spans(rng, voice, duration_s, starts_at_once=kind == "at once")
    level = _clip_snr(rng, ranges)
    contacts: list[PlannedContact] = []
    if kind != "air":
        for index, span in enumerate(spans):
            kind_here = kind if kind != "at once" or index == 0 else "ordinary"
            contacts += _contacts(rng, ranges, voice.tools[span[2]], span, kind=kind_here, snr_db=level)
    times, speeds = _spindle_course(rng, voice, spans, duration_s)
    gaps = _gaps(contacts, duration_s)
    return Plan(
        duration_s=duration_s,
        contacts=tuple(contacts),
        tools=tuple(spans),
        spindle_s=times,
        spindle_rpm=speeds,
        moves=draw_moves(rng, voice, gaps, per_s=float(rng.choice([0.05, 0.3, 1.0]))),
        running=(*_spray_for(rng, contacts), *draw_running(rng, duration_s, busy=kind == "air")),
        bumps=(*_changes(rng, spans), *draw_bumps(rng, duration_s, busy=kind == "air")),
        program_at_s=NOTHING,
        program_s=NOTHING,
    )


def _clip_snr(rng: np.random.Generator, ranges: Ranges) -> float:
    """The clip's typical signal to noise ratio [dB]."""
    shares = [share for share, _, _ in ranges.snr_db]
    _, low, high = ranges.snr_db[int(rng.choice(len(shares), p=shares))]
    return float(rng.uniform(low, high))


def _tool_spans(
    rng: np.random.Generator, voice: Voice, duration_s: float, *, starts_at_once: bool
) -> list[tuple[float, float, int]]:
    """When each tool turns at speed: changes in between, sometimes a start and a stop in the clip."""
    start, stop = 0.0, duration_s
    pause = 2.0 * voice.run_up_s + float(rng.uniform(0.5, 4.0))
    if not starts_at_once and rng.random() < 0.25 and duration_s > 3.0 * voice.run_up_s + 4.0:
        start = voice.run_up_s + float(rng.uniform(0.0, 0.3 * (duration_s - 2.0 * voice.run_up_s)))
    if rng.random() < 0.15 and duration_s - start > 3.0 * voice.run_up_s + 4.0:
        stop = duration_s - voice.run_up_s - float(rng.uniform(0.0, 0.2 * (duration_s - start)))
    n_tools = len(voice.tools)
    while n_tools > 1 and (stop - start - pause * (n_tools - 1)) / n_tools < 4.0:
        n_tools -= 1
    cuts = np.cumsum(rng.uniform(0.5, 1.0, n_tools))
    edges = [0.0, *(cuts / cuts[-1])]
    free = stop - start - pause * (n_tools - 1)
    return [
        (start + free * edges[i] + pause * i, start + free * edges[i + 1] + pause * i, i)
        for i in range(n_tools)
    ]


def _spindle_course(
    rng: np.random.Generator, voice: Voice, spans: list[tuple[float, float, int]], duration_s: float
) -> tuple[Values, Values]:
    """Spindle speed over time through all spans, with a little drift at speed."""
    times, speeds = [], []
    for start, stop, tool in spans:
        rpm = voice.tools[tool].rpm
        if start > 0.0:
            times += [start - voice.run_up_s, start - 0.3 * voice.run_up_s]
            speeds += [0.0, rpm * float(rng.uniform(0.7, 0.95))]
        inner = np.arange(start, stop, 0.7)
        times += [start, *inner[1:], stop]
        speeds += [rpm, *(rpm * (1.0 + 0.0008 * rng.standard_normal(max(0, inner.size - 1)))), rpm]
        if stop < duration_s:
            times += [stop + voice.run_up_s * float(rng.uniform(0.6, 1.0))]
            speeds += [0.0]
    return np.array(times), np.array(speeds)


def _contacts(
    rng: np.random.Generator,
    ranges: Ranges,
    tool: ToolVoice,
    span: tuple[float, float, int],
    *,
    kind: str,
    snr_db: float,
) -> list[PlannedContact]:
    """Contacts of one tool one after the other until its span is full."""
    low, high, index = span
    at = low + _lead_in(rng, high - low, kind)
    light = float(rng.uniform(0.05, 0.4))  # feed override of the light cuts
    light_chance = float(rng.choice([0.0, 0.4, 1.0], p=[0.78, 0.1, 0.12]))
    chatters = rng.random() < tool.chatter_share
    at_once_s = 240.0 / tool.rpm  # four turns: a standing feed, or one that goes on in the metal
    resumes = False
    made: list[PlannedContact] = []
    while at < high - SHORTEST_S:
        feed = light if rng.random() < light_chance else 1.0
        ramps = _ramps(tool, feed)
        steady = _steady_s(rng, kind, high - at)
        ramp_in, ramp_out = (
            min(ramp * float(rng.uniform(0.8, 1.25)), 2.5, 0.6 * (high - at) / 2.0) for ramp in ramps
        )
        held = rng.random() < 0.08
        ramp_in = at_once_s if resumes else ramp_in
        ramp_out = at_once_s if held else ramp_out
        resumes = held
        stop = min(at + max(ramp_in + steady + ramp_out, SHORTEST_S), high)
        ramp_in, ramp_out = min(ramp_in, 0.45 * (stop - at)), min(ramp_out, 0.45 * (stop - at))
        chatter = _chatter(rng, chatters)
        made.append(
            PlannedContact(
                start_s=at,
                full_s=at + ramp_in,
                leaving_s=stop - ramp_out,
                stop_s=stop,
                tool=index,
                snr_db=_contact_snr(rng, ranges, snr_db, feed if light_chance < 1.0 else 1.0),
                feed_share=feed,
                chatter_from=chatter[0],
                chatter_to=chatter[1],
                chatter_db=chatter[2],
            )
        )
        at = stop + _gap_s(rng, kind)
    return made


def _contact_snr(rng: np.random.Generator, ranges: Ranges, typical_db: float, feed: float) -> float:
    """Signal to noise ratio of one contact [dB]: lighter ones are fainter by their force, to −6 dB."""
    spread = float(np.clip(rng.normal(0.0, ranges.snr_spread_db), -9.0, 9.0))
    return max(typical_db + spread + float(15.0 * np.log10(feed)), min(-6.0, typical_db))


def _chatter(rng: np.random.Generator, chatters: bool) -> tuple[float, float, float]:
    """Where a contact's chatter begins and ends [shares], and its level [dB]."""
    if not chatters or rng.random() < 0.2:
        return 0.0, 0.0, 0.0
    start = float(rng.choice([0.0, rng.uniform(0.0, 0.6)]))
    stop = float(rng.choice([1.0, rng.uniform(start, 1.0)]))
    return start, stop, float(rng.uniform(-6.0, 18.0))


def _ramps(tool: ToolVoice, feed_share: float) -> tuple[float, float]:
    """Seconds from first touch to full engagement and back, from the tool's way in and its feed."""
    feed = tool.cut.feed_per_tooth_mm * tool.cut.flutes * tool.rpm / 60.0 * feed_share
    ramp = ramp_length_mm(tool.cut) / feed
    return ramp, 0.5 * ramp if tool.cut.is_axial else ramp


def _lead_in(rng: np.random.Generator, room_s: float, kind: str) -> float:
    """Air before the first contact of a tool [s]."""
    if kind == "at once":
        return float(rng.choice([0.0, rng.uniform(0.0, 0.2), rng.uniform(0.2, 1.0)], p=[0.3, 0.4, 0.3]))
    return min(draw_log(rng, (0.05, 12.0)), 0.4 * room_s)


def _steady_s(rng: np.random.Generator, kind: str, room_s: float) -> float:
    """Length of a contact's full part [s]."""
    if kind == "dense":
        return draw_log(rng, (0.08, 1.2))
    if kind == "long":
        return draw_log(rng, (min(10.0, 0.6 * room_s), max(10.0, min(120.0, 0.95 * room_s))))
    return draw_log(rng, (0.12, 15.0))


def _gap_s(rng: np.random.Generator, kind: str) -> float:
    """Air between two contacts [s]."""
    if kind == "dense":
        return draw_log(rng, (0.08, 1.5))
    return draw_log(rng, (0.12, 10.0))


def _spray_for(rng: np.random.Generator, contacts: list[PlannedContact]) -> tuple[Running, ...]:
    """Sometimes coolant that comes on shortly before the work and goes off after it."""
    if not contacts or rng.random() > 0.15:
        return ()
    first = contacts[int(rng.integers(len(contacts)))]
    start = first.start_s - draw_log(rng, (0.05, 3.0))
    stop = contacts[-1].stop_s + float(rng.uniform(-0.5, 3.0))
    level, ramp = float(rng.uniform(-12.0, 12.0)), draw_log(rng, (0.02, 1.0))
    return (
        Running(kind="coolant", start_s=start, stop_s=max(stop, start + 0.5), ramp_s=ramp, level_db=level),
    )


def _gaps(contacts: list[PlannedContact], duration_s: float) -> list[tuple[float, float]]:
    """Stretches without contact [s]."""
    edges = [0.0, *(t for contact in contacts for t in (contact.start_s, contact.stop_s)), duration_s]
    return [(a, b) for a, b in zip(edges[::2], edges[1::2], strict=True) if b - a > 0.05]


def _changes(rng: np.random.Generator, spans: list[tuple[float, float, int]]) -> tuple[Bump, ...]:
    """Clatter of the tool changes between spans."""
    return tuple(
        Bump(
            kind="clatter",
            at_s=float(rng.uniform(before[1], after[0])),
            level_db=float(rng.uniform(5.0, 30.0)),
        )
        for before, after in itertools.pairwise(spans)
    )
