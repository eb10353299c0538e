"""From a plan to sound and truth."""

import numpy as np

from listen.synth.bumps import BUMPS
from listen.synth.contact_sound import RenderedContact, render_contact
from listen.synth.made import Made, TrueDisturbance, TrueSpindle, Truth
from listen.synth.microphone import pick_up
from listen.synth.plan import Plan, Running
from listen.synth.room import (
    Room,
    blast_sound,
    chirp_sound,
    compressor_sound,
    coolant_sound,
    floor_sound,
    neighbour_sound,
    radio_sound,
)
from listen.synth.sound import Sound, Values, add_at, band_power, convolve, envelope, gain_of
from listen.synth.talk import talk_sound
from listen.synth.voice import Voice, drive_sound, spindle_sound


def render(rng: np.random.Generator, plan: Plan, voice: Voice, room: Room, rate: int) -> Made:
    """The clip that a plan describes, in this room with this machine."""
    n_samples = round(plan.duration_s * rate)
    rpm = envelope(plan.spindle_s, plan.spindle_rpm, n_samples=n_samples, rate=rate)
    rpm = rpm * _dips(plan, voice, n_samples=n_samples, rate=rate)
    turns = np.cumsum(rpm, dtype=np.float64) / (60.0 * rate)
    air = _air(rng, plan, voice, room, rpm=rpm, turns=turns, rate=rate)
    high_hz = min(8000.0, room.microphone.cutoff_hz)
    cuts = [
        render_contact(
            rng, planned, voice.tools[planned.tool], air=air, turns=turns, rate=rate, high_hz=high_hz
        )
        for planned in plan.contacts
    ]
    sound = air
    for cut in cuts:
        add_at(sound, cut.sound, cut.truth.start)
    disturbances = _disturb(rng, sound, plan, room, rate)
    samples = pick_up(rng, room.microphone, sound, rate)
    truth = _truth(plan, voice, cuts, disturbances, n_samples=n_samples, rate=rate)
    return Made(samples=samples.astype(np.float64), rate=rate, truth=truth)


def _dips(plan: Plan, voice: Voice, *, n_samples: int, rate: int) -> Sound:
    """Share of its speed that the spindle keeps under load, shape (n_samples,)."""
    if voice.speed_dip == 0.0 or not plan.contacts:
        return np.ones(n_samples, np.float32)
    times = [t for c in plan.contacts for t in (c.start_s, c.full_s, c.leaving_s, c.stop_s)]
    loads = np.tile([1.0, 1.0 - voice.speed_dip, 1.0 - voice.speed_dip, 1.0], len(plan.contacts))
    return envelope(np.array(times), loads, n_samples=n_samples, rate=rate)


def _air(
    rng: np.random.Generator, plan: Plan, voice: Voice, room: Room, *, rpm: Sound, turns: Values, rate: int
) -> Sound:
    """All that the microphone hears between contacts, talk and bumps apart; the reference has power 1."""
    air = floor_sound(rng, room, n_samples=rpm.size, rate=rate)
    spindle = spindle_sound(rng, voice, rpm=rpm, turns=turns, rate=rate)
    top = np.flatnonzero(rpm > 0.95 * rpm.max(initial=1.0))
    if top.size:
        power = band_power(spindle[top[0] : top[0] + 2 * rate], rate=rate) + 1e-20
        air += spindle * np.float32(gain_of(voice.spindle_db) / np.sqrt(power))
    air *= np.float32(1.0 / np.sqrt(1.0 + 10.0 ** (voice.spindle_db / 10.0)))
    for move in plan.moves:
        start, stop = int(move.start_s * rate), int(move.stop_s * rate)
        part = drive_sound(rng, voice, n_samples=max(0, stop - start), share=move.share, rate=rate)
        add_at(air, part * np.float32(gain_of(move.level_db)), start)
    for running in plan.running:
        if running.kind != "talk":
            _add_running(rng, air, running, room, rate)
    return air


def _add_running(rng: np.random.Generator, bus: Sound, running: Running, room: Room, rate: int) -> None:
    """Add one running thing to the bus; changes `bus`."""
    start = max(0, int(running.start_s * rate))
    n_samples = min(bus.size, int(running.stop_s * rate)) - start
    if n_samples < rate // 100:
        return
    part = _running_sound(rng, running.kind, room, n_samples=n_samples, rate=rate)
    length = running.stop_s - running.start_s
    ramp = min(running.ramp_s, 0.45 * length)
    first = running.start_s - start / rate  # before 0 where it was on when the clip began
    times = first + np.array([0.0, ramp, length - ramp, length])
    gain = envelope(times, np.array([0.0, 1.0, 1.0, 0.0]), n_samples=n_samples, rate=rate)
    bus[start : start + n_samples] += part * gain * np.float32(gain_of(running.level_db))


def _running_sound(rng: np.random.Generator, kind: str, room: Room, *, n_samples: int, rate: int) -> Sound:
    if kind == "talk":
        speaker = room.speakers[int(rng.integers(len(room.speakers)))]
        dry = talk_sound(rng, room.talk_recipe, speaker, n_samples=n_samples, rate=rate)
        return convolve(dry, room.outside_response)[:n_samples]
    if kind == "chirp":
        return chirp_sound(rng, n_samples=n_samples, rate=rate)
    makers = {
        "coolant": coolant_sound,
        "blast": blast_sound,
        "compressor": compressor_sound,
        "neighbour": neighbour_sound,
        "radio": radio_sound,
    }
    return makers[kind](rng, room, n_samples=n_samples, rate=rate)


def _disturb(
    rng: np.random.Generator, sound: Sound, plan: Plan, room: Room, rate: int
) -> tuple[TrueDisturbance, ...]:
    """Add talk and bumps to the sound (changed), and say what disturbs in the clip."""
    told = []
    for running in plan.running:
        if running.kind == "talk":
            _add_running(rng, sound, running, room, rate)
        start, stop = (min(max(0, int(t * rate)), sound.size) for t in (running.start_s, running.stop_s))
        told.append(TrueDisturbance(kind=running.kind, start=start, stop=stop, level_db=running.level_db))
    for bump in plan.bumps:
        part = BUMPS[bump.kind](rng, room.recipes.bump, rate) * np.float32(gain_of(bump.level_db))
        start = int(bump.at_s * rate)
        add_at(sound, part, start)
        stop = min(sound.size, start + part.size)
        told.append(TrueDisturbance(kind=bump.kind, start=start, stop=stop, level_db=bump.level_db))
    for move in plan.moves:
        start, stop = (min(max(0, int(t * rate)), sound.size) for t in (move.start_s, move.stop_s))
        told.append(TrueDisturbance(kind="move", start=start, stop=stop, level_db=move.level_db))
    return tuple(sorted(told, key=lambda one: one.start))


def _truth(
    plan: Plan,
    voice: Voice,
    cuts: list[RenderedContact],
    disturbances: tuple[TrueDisturbance, ...],
    *,
    n_samples: int,
    rate: int,
) -> Truth:
    spindle = tuple(
        TrueSpindle(
            start=max(0, round(start * rate)),
            stop=min(n_samples, round(stop * rate)),
            rpm=voice.tools[tool].rpm,
            flutes=voice.tools[tool].cut.flutes,
        )
        for start, stop, tool in plan.tools
    )
    return Truth(
        n_samples=n_samples,
        contacts=tuple(cut.truth for cut in cuts),
        chatter=tuple(cut.chatter for cut in cuts if cut.chatter is not None),
        spindle=spindle,
        disturbances=disturbances,
        missing=plan.missing,
        program_at=plan.program_at_s * rate,
        program_s=plan.program_s,
    )
