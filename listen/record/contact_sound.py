"""How one contact sounded, in numbers that can be compared from run to run.

Conventions
-----------
Bands are sixths of an octave. Levels are in dB re full scale; each comes with its own standard
error, because a short contact tells less than a long one.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from listen.record.run import Run, RunContact
from listen.record.sound import read_stretch

LOWEST_HZ = 100.0
HIGHEST_HZ = 16000.0
BANDS_PER_OCTAVE = 6
SEGMENT_S = 0.064
MOST_S = 20.0  # of one contact that is looked at
_FLOOR = 1e-14


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ContactNumbers:
    """One contact in numbers.

    Attributes
    ----------
    bands_hz : ndarray, shape (n_bands,)
        Centres of the bands [Hz].
    bands_db, bands_error_db : ndarray, shape (n_bands,)
        Level of the steady part in each band, and its standard error [dB].
    level_db, level_error_db : float
        Level of the steady part, 300 to 8000 Hz [dB].
    comb_db : float
        Share of the tooth-pass lines in 300 to 8000 Hz [dB]; NaN without a known tooth pass.
    load : float
        Mean load during the contact, in the run's own unit; NaN without one.
    onset_s, length_s : float
        Heard onset less expected onset; heard length less expected length [s]; NaN where unknown.
    """

    bands_hz: NDArray[np.float64]
    bands_db: NDArray[np.float64]
    bands_error_db: NDArray[np.float64]
    level_db: float
    level_error_db: float
    comb_db: float
    load: float
    onset_s: float
    length_s: float


def band_edges_hz(highest_hz: float = HIGHEST_HZ) -> NDArray[np.float64]:
    """Edges of the bands from 100 Hz up [Hz]; the centre of a band is the root of their product."""
    count = int(np.floor(np.log2(highest_hz / LOWEST_HZ) * BANDS_PER_OCTAVE))
    edges: NDArray[np.float64] = LOWEST_HZ * 2.0 ** (np.arange(count + 1) / BANDS_PER_OCTAVE)
    return edges


def contact_numbers(run: Run, contact: RunContact, *, highest_hz: float = HIGHEST_HZ) -> ContactNumbers:
    """The numbers of one heard contact.

    Parameters
    ----------
    highest_hz : float
        Upper end of the highest band [Hz]; must be below half the rate of the recorded sound.
    """
    assert contact.heard is not None, "only a heard contact has a sound"
    sound, rate = _middle(run, contact)
    power, lines_hz = _segments(sound, rate)
    edges = band_edges_hz(highest_hz)
    bands = _sum_bands(power, lines_hz, edges)
    level, level_error = _level(_sum_bands(power, lines_hz, np.array([300.0, min(8000.0, highest_hz)])))
    levels = [_level(bands[:, i : i + 1]) for i in range(bands.shape[1])]
    return ContactNumbers(
        bands_hz=np.sqrt(edges[:-1] * edges[1:]),
        bands_db=np.array([value for value, _ in levels]),
        bands_error_db=np.array([error for _, error in levels]),
        level_db=level,
        level_error_db=level_error,
        comb_db=_comb_db(power, lines_hz, _tooth_pass_hz(run, contact)),
        load=_load(run, contact),
        onset_s=_onset_s(run, contact),
        length_s=_length_s(run, contact),
    )


def _middle(run: Run, contact: RunContact) -> tuple[NDArray[np.float64], int]:
    """The contact without its first and last eighth: there it comes and goes."""
    assert contact.heard is not None
    if run.sound_path is None:
        return np.empty(0), run.header.sound_rate or run.rate
    eighth = (contact.heard.offset - contact.heard.onset) / 8 / run.rate
    start, stop = contact.heard.onset / run.rate + eighth, contact.heard.offset / run.rate - eighth
    sound = read_stretch(run.sound_path, from_s=start, to_s=min(stop, start + MOST_S))
    return sound, run.header.sound_rate


def _segments(sound: NDArray[np.float64], rate: int) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Power of half-overlapping segments, shape (n_segments, n_lines), and the lines [Hz]."""
    from scipy import fft

    size = 2 * round(SEGMENT_S * rate / 2)  # of one length at every rate, or bands leak unlike
    lines_hz = np.arange(size // 2 + 1) * rate / size
    if sound.size < size:
        sound = np.concatenate([sound, np.zeros(size - sound.size)])
    window = np.hanning(size)
    frames = np.lib.stride_tricks.sliding_window_view(sound, size)[:: size // 2] * window
    lines = fft.rfft(frames, axis=1)
    power: NDArray[np.float64] = (lines.real**2 + lines.imag**2) * 2 / np.sum(window**2) / size
    return power, lines_hz


def _sum_bands(
    power: NDArray[np.float64], lines_hz: NDArray[np.float64], edges_hz: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Power in each band, shape (n_segments, n_bands); a narrow band takes the nearest line."""
    first = np.searchsorted(lines_hz, edges_hz[:-1])
    last = np.maximum(np.searchsorted(lines_hz, edges_hz[1:]), first + 1)
    last = np.minimum(last, lines_hz.size)
    first = np.minimum(first, last - 1)
    total = np.concatenate([np.zeros((power.shape[0], 1)), np.cumsum(power, axis=1)], axis=1)
    bands: NDArray[np.float64] = total[:, last] - total[:, first]
    return bands


def _level(power: NDArray[np.float64]) -> tuple[float, float]:
    """Mean level of segments [dB] and its standard error [dB]."""
    means = np.maximum(power.sum(axis=1), _FLOOR)
    level = float(10 * np.log10(means.mean()))
    if means.size < 3:
        return level, 3.0
    independent = means.size / 2  # the segments overlap by half
    relative = float(means.std(ddof=1) / means.mean() / np.sqrt(independent))
    return level, 10 * np.log10(1 + min(relative, 1.0))


def _comb_db(power: NDArray[np.float64], lines_hz: NDArray[np.float64], tooth_pass_hz: float) -> float:
    """Power on the lines k·tooth pass over all power, 300 to 8000 Hz [dB]."""
    if not tooth_pass_hz > 0.0:
        return float("nan")
    inside = (lines_hz >= 300.0) & (lines_hz <= 8000.0)
    width_hz = 1.5 * (lines_hz[1] - lines_hz[0])
    distance = np.abs(lines_hz - np.round(lines_hz / tooth_pass_hz) * tooth_pass_hz)
    mean = power.mean(axis=0)
    on_comb = float(mean[inside & (distance <= width_hz)].sum())
    return float(10 * np.log10(max(on_comb, _FLOOR) / max(float(mean[inside].sum()), _FLOOR)))


def _tooth_pass_hz(run: Run, contact: RunContact) -> float:
    sheet = run.timeline.contacts if run.timeline else ()
    return next((one.tooth_pass_hz for one in sheet if one.id == contact.id), float("nan"))


def _load(run: Run, contact: RunContact) -> float:
    assert contact.heard is not None
    values = [s.percent for s in run.loads if contact.heard.onset <= s.at < contact.heard.offset]
    return float(np.mean(values)) if values else float("nan")


def _onset_s(run: Run, contact: RunContact) -> float:
    if contact.expected is None or contact.heard is None:
        return float("nan")
    return (contact.heard.onset - contact.expected.onset) / run.rate


def _length_s(run: Run, contact: RunContact) -> float:
    if contact.expected is None or contact.heard is None:
        return float("nan")
    heard = contact.heard.offset - contact.heard.onset
    return (heard - (contact.expected.offset - contact.expected.onset)) / run.rate
