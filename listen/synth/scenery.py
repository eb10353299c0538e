"""What else happens in a drawn clip: axis moves, coolant, talk, knocks."""

import numpy as np

from listen.synth.bumps import KINDS as BUMP_KINDS
from listen.synth.plan import Bump, Move, Running
from listen.synth.sound import draw_log
from listen.synth.voice import Voice


def draw_moves(
    rng: np.random.Generator, voice: Voice, gaps: list[tuple[float, float]], *, per_s: float
) -> tuple[Move, ...]:
    """Axis moves, most of them within the gaps between contacts, rapids and feeds."""
    moves = []
    for start, stop in gaps:
        n_moves = int(rng.poisson(min(40.0, per_s * (stop - start)))) + int(rng.random() < 0.3)
        for _ in range(n_moves):
            length = min(draw_log(rng, (0.08, 2.5)), stop - start)
            at = start + float(rng.uniform(0.0, 1.0)) * max(0.0, stop - length - start)
            where = rng.random()
            at = stop - length if where < 0.2 else at  # right up to the contact
            at = start if 0.2 <= where < 0.5 else at  # from the exit on, as the axis turns or runs off
            share = 1.0 if rng.random() < 0.6 else draw_log(rng, (0.01, 0.5))
            level = voice.drive_db + float(rng.normal(0.0, 3.0))
            moves.append(Move(start_s=at, stop_s=at + length, share=share, level_db=level))
    return tuple(moves)


def draw_running(rng: np.random.Generator, duration_s: float, *, busy: bool) -> tuple[Running, ...]:
    """Coolant, blast, compressor, neighbours, talk, sliding tones."""
    made = [
        *_switched(rng, "coolant", duration_s, chances=(0.35, 0.3), levels_db=(-20.0, 12.0)),
        *_switched(rng, "blast", duration_s, chances=(0.06, 0.1), levels_db=(-15.0, 12.0)),
        *_switched(rng, "compressor", duration_s, chances=(0.08, 0.1), levels_db=(-18.0, 6.0)),
        *_switched(rng, "neighbour", duration_s, chances=(0.2, 0.0), levels_db=(-25.0, -3.0)),
        *_switched(rng, "radio", duration_s, chances=(0.06, 0.02), levels_db=(-25.0, 0.0)),
    ]
    more = 1.5 if busy else 1.0
    for _ in range(1 + int(rng.poisson(0.7)) if rng.random() < 0.28 * more else 0):
        length = draw_log(rng, (0.8, 40.0))
        made.append(_piece(rng, "talk", duration_s, length, (-8.0, 18.0)))
    for _ in range(int(rng.poisson(duration_s / 30.0 * more)) if rng.random() < 0.25 else 0):
        made.append(_piece(rng, "chirp", duration_s, draw_log(rng, (0.15, 2.0)), (-12.0, 8.0)))
    return tuple(made)


def _switched(
    rng: np.random.Generator,
    kind: str,
    duration_s: float,
    *,
    chances: tuple[float, float],
    levels_db: tuple[float, float],
) -> list[Running]:
    """Off, on for the whole clip, or switched on and off; `chances` of the latter two."""
    drawn = rng.random()
    level = float(rng.uniform(*levels_db))
    if kind == "coolant" and rng.random() < 0.35:  # louder than the air, as it is in many shops
        level = float(rng.uniform(2.0, levels_db[1]))
    if drawn < chances[0]:
        return [Running(kind=kind, start_s=-1.0, stop_s=duration_s + 1.0, ramp_s=0.5, level_db=level)]
    if drawn > chances[0] + chances[1]:
        return []
    made, at = [], float(rng.uniform(-5.0, 0.5 * duration_s))
    while at < duration_s - 0.3:
        length = draw_log(rng, (0.3, max(1.0, duration_s)))
        ramp = draw_log(rng, (0.01, 1.0))
        made.append(Running(kind=kind, start_s=at, stop_s=at + length, ramp_s=ramp, level_db=level))
        at += length + draw_log(rng, (0.5, 20.0))
    return made


def _piece(
    rng: np.random.Generator, kind: str, duration_s: float, length_s: float, levels_db: tuple[float, float]
) -> Running:
    start = float(rng.uniform(-0.5 * length_s, duration_s - 0.3))
    ramp = draw_log(rng, (0.01, 0.3))
    level = float(rng.uniform(*levels_db))
    return Running(kind=kind, start_s=start, stop_s=start + length_s, ramp_s=ramp, level_db=level)


def draw_bumps(rng: np.random.Generator, duration_s: float, *, busy: bool) -> tuple[Bump, ...]:
    """Single noises, none in half of the clips; sometimes the microphone is set up at the beginning."""
    made = []
    if rng.random() < (0.8 if busy else 0.5):
        for _ in range(int(rng.poisson(duration_s * draw_log(rng, (1.0, 12.0)) / 60.0))):
            kind = str(rng.choice(BUMP_KINDS, p=[0.3, 0.1, 0.1, 0.15, 0.1, 0.1, 0.05, 0.1]))
            at = float(rng.uniform(0.0, duration_s))
            made.append(Bump(kind=kind, at_s=at, level_db=float(rng.uniform(4.0, 38.0))))
    if rng.random() < 0.08:
        at = float(rng.uniform(0.0, min(2.0, duration_s)))
        made.append(Bump(kind="handling", at_s=at, level_db=float(rng.uniform(10.0, 36.0))))
    return tuple(made)
