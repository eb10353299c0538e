"""One contact as sound: force through the machine, chip noise, chips that fly, chatter."""

from dataclasses import dataclass

import numpy as np

from listen.synth.force import at_feed, read_table, rows_of
from listen.synth.made import TrueChatter, TrueContact
from listen.synth.plan import PlannedContact
from listen.synth.regenerative_sound import regenerate
from listen.synth.sound import (
    TABLE,
    Sound,
    Values,
    add_at,
    band_power,
    convolve,
    envelope,
    gain_of,
    wander_db,
    white,
)
from listen.synth.tables import tables_of
from listen.synth.voice import ToolVoice

FELT = 0.02  # gate from which a tooth counts as cutting


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RenderedContact:
    """Sound of a contact from `truth.start` on, with its echo, and what is true of it."""

    sound: Sound
    truth: TrueContact
    chatter: TrueChatter | None


def render_contact(
    rng: np.random.Generator,
    planned: PlannedContact,
    tool: ToolVoice,
    *,
    air: Sound,
    turns: Values,
    rate: int,
    high_hz: float,
) -> RenderedContact:
    """Sound and truth of one contact at its planned signal to noise ratio.

    Parameters
    ----------
    air : ndarray, shape (n_samples,)
        All else that sounds at the microphone; only measured here.
    turns : ndarray, shape (n_samples,)
        Revolutions of the spindle.
    high_hz : float
        Upper end of the band of the signal to noise ratio [Hz].
    """
    start = round(planned.start_s * rate)
    stop = max(start + 2, min(round(planned.stop_s * rate), turns.size))
    full = min(max(0, round(planned.full_s * rate) - start), stop - start)
    leaving = min(max(full, round(planned.leaving_s * rate) - start), stop - start)
    own = turns[start:stop]
    rows = rows_of(own.size, full=full, leaving=leaving)
    smear = 1.5 * max(1e-9, (own[-1] - own[0]) / own.size)
    drive_table, gate_table = tables_of(at_feed(tool.cut, planned.feed_share), max(smear, 1.0 / TABLE))
    gate = read_table(gate_table, rows, own)
    clean = read_table(drive_table, rows, own) * _unevenness(rng, tool, own)
    drive = clean.copy()
    if planned.regenerative > 0.0:
        chatter = regenerate(drive, planned.regenerative, tool, full=full, leaving=leaving, rate=rate)
    else:
        chatter = _add_chatter(rng, drive, gate, planned, tool, full=full, leaving=leaving, rate=rate)
    swell = _swell(rng, tool, own.size, rate) * _course(planned, own.size, rate)
    inside = _Inside(full=full, leaving=leaving, rate=rate, high_hz=high_hz)
    wet, power = _wet(rng, tool, drive * swell, clean * swell, gate * swell, inside)
    wet *= np.float32(np.sqrt(_air_power(air, start, inside) / power) * gain_of(planned.snr_db))
    felt = np.flatnonzero(gate > FELT)
    first, last = (int(felt[0]), int(felt[-1]) + 1) if felt.size else (0, own.size)
    truth = TrueContact(
        start=start + first,
        full=start + max(first, min(full, last)),
        leaving=start + max(first, min(leaving, last)),
        stop=start + last,
        snr_db=planned.snr_db,
        rpm=tool.rpm,
        flutes=tool.cut.flutes,
        way=tool.cut.way,
        contact=planned.contact,
        fault=planned.fault,
    )
    return RenderedContact(sound=wet[first:], truth=truth, chatter=_placed(chatter, start))


@dataclass(frozen=True, slots=True, kw_only=True)
class _Inside:
    """The full engagement of a contact, and the band in which power counts."""

    full: int
    leaving: int
    rate: int
    high_hz: float

    def power(self, sound: Sound) -> float:
        """Power in full engagement, or around its middle where that is shorter than 20 ms."""
        full, leaving, least = self.full, self.leaving, self.rate // 50
        if leaving - full < least:
            full = max(0, (full + leaving - least) // 2)
            leaving = full + least
        return band_power(sound[full:leaving], rate=self.rate, high_hz=self.high_hz) + 1e-20


def _placed(chatter: TrueChatter | None, start: int) -> TrueChatter | None:
    if chatter is None:
        return None
    return TrueChatter(
        start=chatter.start + start,
        stop=chatter.stop + start,
        frequency_hz=chatter.frequency_hz,
        level_db=chatter.level_db,
    )


def _unevenness(rng: np.random.Generator, tool: ToolVoice, turns: Values) -> Sound:
    """How much each single tooth bites, shape (n_samples,)."""
    index = ((turns - turns[0]) * tool.cut.flutes).astype(np.int32)
    bites = 1.0 + tool.unevenness * rng.standard_normal(int(index[-1]) + 1)
    return np.asarray(np.maximum(bites, 0.0).astype(np.float32)[index])


def _swell(rng: np.random.Generator, tool: ToolVoice, n_samples: int, rate: int) -> Sound:
    """Slow changes of the whole cut; in a longer one also steps, as in corners, shape (n_samples,)."""
    swell = wander_db(rng, n_samples=n_samples, rate=rate, per_s=2.0, spread_db=tool.swell_db)
    n_steps = int(rng.poisson(min(6.0, n_samples / rate / 6.0)))
    if n_steps == 0:
        return swell
    times = np.sort(rng.uniform(0.0, n_samples / rate, n_steps))
    levels = np.repeat(np.append(0.0, rng.uniform(-4.0, 4.0, n_steps)), 2)[1:-1]
    edges = np.repeat(times, 2) + np.tile([0.0, 0.05], n_steps)
    return swell * envelope(edges, 10.0 ** (levels / 20.0), n_samples=n_samples, rate=rate)


def _course(planned: PlannedContact, n_samples: int, rate: int) -> Sound:
    """Gain by the planned steps of force, each within 50 ms, shape (n_samples,)."""
    if not planned.course:
        return np.ones(n_samples, np.float32)
    times = np.repeat([at - planned.start_s for at, _ in planned.course], 2) + np.tile(
        [0.0, 0.05], len(planned.course)
    )
    levels = [level for _, level in planned.course]
    held = np.repeat(np.array([levels[0], *levels]), 2)[1:-1]
    return envelope(times, np.asarray(10.0 ** (held / 20.0)), n_samples=n_samples, rate=rate)


def _add_chatter(
    rng: np.random.Generator,
    drive: Sound,
    gate: Sound,
    planned: PlannedContact,
    tool: ToolVoice,
    *,
    full: int,
    leaving: int,
    rate: int,
) -> TrueChatter | None:
    """Chatter where it is planned, and a squeal at entry and exit where the tool has that habit.

    Changes `drive`.
    """
    if tool.squeal_db > -90.0:
        edge = int(rng.uniform(0.02, 0.5) * rate)
        for begin, end in ((0, full + edge), (leaving - edge, drive.size)):
            begin, end = max(0, begin), min(end, drive.size)
            _vibrate(rng, drive, gate, (begin, end), tool.chatter_hz, tool.squeal_db, rate)
    begin = full + int(planned.chatter_from * (leaving - full))
    end = full + int(planned.chatter_to * (leaving - full))
    grown = _vibrate(rng, drive, gate, (begin, end), tool.chatter_hz, planned.chatter_db, rate)
    if grown is None:
        return None
    return TrueChatter(
        start=begin + grown, stop=end, frequency_hz=tool.chatter_hz, level_db=planned.chatter_db
    )


def _vibrate(
    rng: np.random.Generator,
    drive: Sound,
    gate: Sound,
    within: tuple[int, int],
    frequency_hz: float,
    level_db: float,
    rate: int,
) -> int | None:
    """Add a vibration that grows until the teeth leave the metal; changes `drive`.

    Returns the sample after `within[0]` at which it passes a tenth of its size, None where it is too short.
    """
    begin, end = within
    if end - begin < rate // 50:
        return None
    time = np.arange(end - begin) / rate
    drift = (
        np.cumsum(envelope(*_drift(rng, time[-1]), n_samples=time.size, rate=rate), dtype=np.float64) / rate
    )
    wave = np.sin(2.0 * np.pi * (((time + drift) * frequency_hz) % 1.0)).astype(np.float32)
    bent = np.float32(rng.uniform(0.3, 3.0))
    late = min(time[-1] * 0.2, 0.3)
    grown = np.minimum(np.exp((time - late) / rng.uniform(0.02, 0.15)), 1.0).astype(np.float32)
    fade = np.clip((time[-1] - time) / 0.03, 0.0, 1.0).astype(np.float32)
    wave = np.tanh(wave * bent + np.float32(0.3)) * grown * fade
    mix = np.float32(rng.uniform(0.2, 1.0))
    part = gate[begin:end] * mix + (np.float32(1.0) - mix) * (gate[begin:end] > FELT)
    drive[begin:end] += wave * part * np.float32(gain_of(level_db))
    return int(np.argmax(grown > 0.1))


def _drift(rng: np.random.Generator, length_s: float) -> tuple[Values, Values]:
    """Small changes of the chatter frequency over time, as a ratio."""
    n_points = int(length_s * 8) + 2
    return np.arange(n_points) / 8.0, rng.standard_normal(n_points) * 0.003


def _wet(
    rng: np.random.Generator, tool: ToolVoice, drive: Sound, clean: Sound, gate: Sound, inside: _Inside
) -> tuple[Sound, float]:
    """Force, chip noise and flying chips at the microphone, and their power in full engagement.

    The power is that of the cut without vibrations, whose force is `clean`.
    """
    rate = inside.rate
    tone = convolve(drive, tool.drive_response)
    rustle = wander_db(rng, n_samples=gate.size, rate=rate, per_s=tool.rustle_per_s, spread_db=tool.rustle_db)
    hiss = convolve(white(rng, gate.size) * gate * rustle, tool.noise_response)
    vibrates = not np.array_equal(drive, clean)
    tone_power = inside.power(convolve(clean, tool.drive_response) if vibrates else tone)
    noise_ratio = 10.0 ** (tool.noise_db / 10.0)
    made = np.zeros(max(tone.size, hiss.size), np.float32)
    made[: tone.size] += tone * np.float32(1.0 / np.sqrt(tone_power))
    made[: hiss.size] += hiss * np.float32(np.sqrt(noise_ratio / inside.power(hiss)))
    if tool.chip_hits_per_s > 0.0:
        hits = _chip_hits(rng, tool, gate, rate)
        loud = np.sqrt(np.mean(np.square(hits))) + np.float32(1e-9)
        add_at(made, hits * np.float32(rng.uniform(0.1, 0.8) * gain_of(max(0.0, tool.noise_db))) / loud, 0)
    return made, 1.0 + noise_ratio if vibrates else inside.power(made)


def _chip_hits(rng: np.random.Generator, tool: ToolVoice, gate: Sound, rate: int) -> Sound:
    """Chips that strike sheet metal a little after they were cut, shape (n_samples + n_taps - 1,)."""
    n_hits = int(rng.poisson(tool.chip_hits_per_s * gate.size / rate))
    hits = np.zeros(gate.size + rate // 5, np.float32)
    places = rng.integers(0, gate.size, n_hits) + (rng.random(n_hits) * 0.2 * rate).astype(int)
    np.add.at(hits, places, rng.standard_exponential(n_hits).astype(np.float32))
    return convolve(hits, tool.chip_hit_response)


def _air_power(air: Sound, start: int, inside: _Inside) -> float:
    """Power of the air in the half second before a contact, or after its start where there is none."""
    before = air[max(0, start - inside.rate // 2) : start]
    if before.size < inside.rate // 20:
        before = air[start : start + inside.rate // 2]
    return band_power(before, rate=inside.rate, high_hz=inside.high_hz) + 1e-20
