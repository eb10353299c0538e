"""Passes of real sound put together anew, with the times of contact that follow.

The recordings lie beside the checkout and are no part of the project; their times of contact are those
of the data's own labels, or read off the energy curve (within 0.2 s). For looking: nothing may be
fitted to them and then reported as a test.
"""

from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import soundfile
from numpy.typing import NDArray

FADE_S = 0.015
Sound = NDArray[np.float64]
Contacts = tuple[tuple[float, float], ...]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Source:
    """Where a recording has its contacts and its air [s].

    Attributes
    ----------
    contacts : tuple of (first touch, last touch)
    around : tuple of (start, stop)
        What is cut out with each contact: it begins and ends in air.
    air : (start, stop)
        Air of the same machine with the spindle turning.
    """

    name: str
    contacts: Contacts
    around: Contacts
    air: tuple[float, float]


SOURCES = (
    Source(
        name="mic_two_passes",
        contacts=((0.14, 0.875), (1.70, 2.525)),
        around=((0.10, 0.93), (1.66, 2.58)),
        air=(0.95, 1.66),
    ),
    Source(name="mic_steady", contacts=((1.55, 6.9),), around=((1.3, 7.2),), air=(0.1, 1.3)),
    Source(name="mic_chatter", contacts=((0.8, 15.7),), around=((0.6, 16.0),), air=(0.0, 0.6)),
)
IDLE = Source(name="mic_idle", contacts=(), around=(), air=(0.0, 11.4))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Take:
    """Sound with its true contacts [s]."""

    name: str
    samples: Sound
    rate: int
    contacts: Contacts


def recording(folder: Path, source: Source) -> tuple[Sound, int]:
    """Samples of one channel, shape (n_samples,), and their rate [Hz]."""
    sound, rate = soundfile.read(folder / f"{source.name}.flac")
    return (sound if sound.ndim == 1 else sound[:, 0]), rate


def joined(pieces: list[Sound], rate: int) -> Sound:
    """Pieces one after the other, each faded into the next with constant power."""
    n_fade = round(FADE_S * rate)
    turn = np.linspace(0.0, 0.5 * np.pi, n_fade)
    rise, fall = np.sin(turn), np.cos(turn)
    whole = [pieces[0]]
    for piece in pieces[1:]:
        before = whole[-1]
        whole[-1] = before[:-n_fade]
        whole += [before[-n_fade:] * fall + piece[:n_fade] * rise, piece[n_fade:]]
    return np.concatenate(whole)


def looped(rng: np.random.Generator, piece: Sound, *, length_s: float, rate: int) -> Sound:
    """A stretch of such sound of any length, from different places of the piece."""
    n_wanted, n_made, parts = round(length_s * rate), 0, []
    while n_made < n_wanted + round(0.05 * rate):
        parts.append(piece[int(rng.integers(0, max(1, piece.size // 3))) :])
        n_made += parts[-1].size - round(FADE_S * rate)
    return joined(parts, rate)[:n_wanted]


def put_together(
    rng: np.random.Generator,
    folder: Path,
    source: Source,
    *,
    n_contacts: int,
    slower: float = 1.0,
    gap_s: tuple[float, float] = (1.0, 4.0),
) -> Take:
    """Contacts in random order with air between them; the middle of each is `slower` times as long."""
    sound, rate = recording(folder, source)
    air = sound[round(source.air[0] * rate) : round(source.air[1] * rate)]
    n_fade, parts, contacts = round(FADE_S * rate), [looped(rng, air, length_s=2.0, rate=rate)], []
    n_made = parts[0].size
    for _ in range(n_contacts):
        which = int(rng.integers(len(source.contacts)))
        piece, (start, stop) = _contact(rng, sound, rate, source, which, slower)
        begins = n_made - n_fade
        contacts.append(((begins + start) / rate, (begins + stop) / rate))
        parts += [piece, looped(rng, air, length_s=float(rng.uniform(*gap_s)), rate=rate)]
        n_made += piece.size + parts[-1].size - 2 * n_fade
    return Take(name=source.name, samples=joined(parts, rate), rate=rate, contacts=tuple(contacts))


def _contact(
    rng: np.random.Generator, sound: Sound, rate: int, source: Source, which: int, slower: float
) -> tuple[Sound, tuple[int, int]]:
    """One contact with its own edges, and where it starts and stops in that piece [samples]."""
    low, high = (round(t * rate) for t in source.around[which])
    start, stop = (round(t * rate) - low for t in source.contacts[which])
    piece = sound[low:high]
    if slower == 1.0:
        return piece, (start, stop)
    edge, n_fade = round(0.15 * rate), round(FADE_S * rate)
    middle = piece[start + edge : stop - edge]
    longer = looped(rng, middle, length_s=slower * middle.size / rate, rate=rate)
    made = joined([piece[: start + edge + n_fade], longer, piece[stop - edge - n_fade :]], rate)
    return made, (start, made.size - (piece.size - stop))


def air_of(rng: np.random.Generator, folder: Path, source: Source, *, length_s: float) -> Take:
    """Air alone."""
    sound, rate = recording(folder, source)
    piece = sound[round(source.air[0] * rate) : round(source.air[1] * rate)]
    return Take(
        name=source.name,
        samples=looped(rng, piece, length_s=length_s, rate=rate),
        rate=rate,
        contacts=(),
    )


def renamed(take: Take, what: str, samples: Sound, rate: int | None = None) -> Take:
    """The take with something done to it."""
    return replace(take, name=f"{take.name}, {what}", samples=samples, rate=rate or take.rate)
