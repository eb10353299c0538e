"""The ear on a clip, live and refined, and two plain yardsticks on the same clip."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from listen.blocks import Block
from listen.decide import Model
from listen.ears import SoundEar
from listen.states import Event, Standing, State
from tools_ear.calibration import Belief, beliefs_of
from tools_ear.clips import Clip
from tools_ear.rates import Errors, errors_of

NEAR_S = 0.15  # from a contact: no start supposed in air
BLOCK_S = 0.100  # any size gives the same events; this one is quicker than 10 ms
Contacts = list[tuple[float, float]]


@dataclass(frozen=True, slots=True, kw_only=True)
class Hearing:
    """What one clip gave."""

    live: Contacts
    refined: Contacts
    entry_delays_s: list[float]  # first decision of each true entry less first contact; inf where missed
    onset_errors_s: list[float]
    offset_errors_s: list[float]
    errors: Errors  # live
    startled: int  # starts that were supposed in air
    beliefs: dict[str, list[Belief]]


def contacts_of(events: list[Event], rate: int) -> Contacts:
    """Pairs of entry and air among confirmed events [s]."""
    found: Contacts = []
    start: float | None = None
    for event in events:
        if event.standing is not Standing.CONFIRMED:
            continue
        if event.state is State.ENTRY:
            start = event.at / rate
        elif event.state is State.AIR and start is not None:
            found.append((start, event.at / rate))
            start = None
    return found


def hear(clip: Clip, model: Model) -> Hearing:
    """Run the ear over a clip in blocks."""
    ear = SoundEar(model, rate=clip.rate, keep=True)
    size = round(BLOCK_S * clip.rate)
    events: list[Event] = []
    for start in range(0, clip.samples.size, size):
        block = Block(samples=clip.samples[start : start + size], start=start, rate=clip.rate)
        events += [item for item in ear.push(block) if isinstance(item, Event)]
    events += [item for item in ear.close() if isinstance(item, Event)]
    live = contacts_of(events, clip.rate)
    refined = list(ear.look_again())
    return Hearing(
        live=live,
        refined=contacts_of(refined, clip.rate),
        entry_delays_s=_delays(clip, events),
        onset_errors_s=_errors(clip, live, 0),
        offset_errors_s=_errors(clip, live, 1),
        errors=errors_of(clip.contacts, live),
        startled=_startled(clip, events),
        beliefs=beliefs_of(clip.contacts, events, refined, rate=clip.rate),
    )


def _delays(clip: Clip, events: list[Event]) -> list[float]:
    """Time from first contact to the first standing entry decision that belongs to it."""
    entries = [
        (event.decided_at / clip.rate, event.at / clip.rate)
        for event in events
        if event.state is State.ENTRY and event.standing is not Standing.WITHDRAWN
    ]
    delays = []
    for onset, offset in clip.contacts:
        mine = [told - onset for told, at in entries if onset - 0.05 <= at < offset and told >= onset]
        delays.append(min(mine, default=float("inf")))
    return delays


def _startled(clip: Clip, events: list[Event]) -> int:
    """How often a start was supposed in air, more than 0.15 s from any contact."""
    supposed = [
        event.at / clip.rate
        for event in events
        if event.state is State.ENTRY and event.standing is Standing.PROVISIONAL
    ]
    return sum(all(at < a - NEAR_S or at > b + NEAR_S for a, b in clip.contacts) for at in supposed)


def _errors(clip: Clip, heard: Contacts, side: int) -> list[float]:
    """Signed error of the nearest heard contact's edge, where one lies within half a second."""
    errors = []
    for contact in clip.contacts:
        near = [h[side] - contact[side] for h in heard if abs(h[side] - contact[side]) <= 0.5]
        errors += [min(near, key=abs)] if near else []
    return errors


def energy_threshold(clip: Clip) -> Contacts:
    """Contact where the level is 6 dB over its own median of the last 10 s."""
    levels, hop_s = _levels(clip)
    over = np.zeros(levels.size, dtype=bool)
    for i in range(levels.size):
        over[i] = levels[i] > np.median(levels[max(0, i - 1000) : i + 1]) + 6.0
    return _spans(over, hop_s)


def two_window_ratio(clip: Clip) -> Contacts:
    """Contact from a short-over-long energy ratio above 2.5 until it falls below 1.2.

    References
    ----------
    Allen 1978, "Automatic earthquake recognition and timing from single traces": the short-term
    over long-term average; windows here 50 ms and 5 s, thresholds by common practice.
    """
    levels, hop_s = _levels(clip)
    power = 10.0 ** (levels / 10.0)
    over = np.zeros(power.size, dtype=bool)
    long_mean, short_mean, is_open = power[0], power[0], False
    for i, value in enumerate(power):
        short_mean += (value - short_mean) * hop_s / 0.05
        if not is_open:
            long_mean += (value - long_mean) * hop_s / 5.0
        ratio = short_mean / long_mean
        is_open = ratio > 1.2 if is_open else ratio > 2.5
        over[i] = is_open
    return _spans(over, hop_s)


def _levels(clip: Clip) -> tuple[NDArray[np.float64], float]:
    hop = round(0.01 * clip.rate)
    n_frames = clip.samples.size // hop
    frames = clip.samples[: n_frames * hop].reshape(n_frames, hop)
    return 10.0 * np.log10(np.mean(frames**2, axis=1) + 1e-12), hop / clip.rate


def _spans(over: NDArray[np.bool_], hop_s: float) -> Contacts:
    edges = np.flatnonzero(np.diff(np.concatenate([[0], over.astype(np.int8), [0]])))
    pairs = zip(edges[::2], edges[1::2], strict=True)
    return [(float(a * hop_s), float(b * hop_s)) for a, b in pairs if (b - a) * hop_s >= 0.05]
