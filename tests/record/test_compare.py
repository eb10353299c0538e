"""Comparing runs: a planted change is found where it is, good runs give nothing."""

from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.signal import resample_poly

from listen.errors import InputError
from listen.record import Run
from listen.record.compare import compare_runs
from listen.record.contact_sound import band_edges_hz, contact_numbers
from tests.record.made_run import made_sound, write_made_run

pytestmark = pytest.mark.closed
RATE = 16000


def boosted(samples: NDArray[np.float64], hz: float, gain_db: float, start_s: float) -> NDArray[np.float64]:
    """The sound with a third of an octave about `hz` raised, from a second on."""
    first = round(start_s * RATE)
    lines = np.fft.rfft(samples[first:])
    frequencies = np.fft.rfftfreq(samples.size - first, 1 / RATE)
    inside = (
        np.abs(np.log2(frequencies / hz, where=frequencies > 0, out=np.full(frequencies.size, 99.0))) < 1 / 6
    )
    lines[inside] *= 10 ** (gain_db / 20)
    return np.concatenate([samples[:first], np.fft.irfft(lines, samples.size - first)])


def run_of(folder: Path, seed: int, samples: NDArray[np.float64] | None = None) -> Run:
    return write_made_run(folder / str(seed), rate=RATE, seed=seed, samples=samples)


def test_six_decibels_at_one_frequency_in_one_contact_are_found(tmp_path: Path) -> None:
    first = run_of(tmp_path, 1)
    second = run_of(tmp_path, 2, boosted(made_sound(RATE, seed=2), 3000.0, 6.0, 6.0))
    changes = compare_runs(first, second).changes
    assert len(changes) == 1
    assert (changes[0].contact, changes[0].what) == (2, "spectrum")
    assert changes[0].hz == pytest.approx(3000.0, rel=0.15)
    assert changes[0].amount == pytest.approx(6.0, abs=1.0)
    assert changes[0].text.startswith("N70: louder by ")


def test_good_runs_of_other_seeds_give_nothing(tmp_path: Path) -> None:
    """Twenty pairs; one false change in twenty is borne."""
    runs = [run_of(tmp_path, seed) for seed in range(10, 17)]
    pairs = [(a, b) for i, a in enumerate(runs) for b in runs[i + 1 :]][:20]
    false = sum(bool(compare_runs(a, b).changes) for a, b in pairs)
    print(f"{false} of {len(pairs)} pairs of good runs give a change")
    assert false <= 1


def test_the_spread_of_good_runs_is_the_yardstick(tmp_path: Path) -> None:
    """Good runs that differ by 4 dB among themselves excuse a difference of 5 dB."""
    louder = {1: 0.0, 2: 4.0, 3: -4.0, 4: 5.0}
    runs = [
        run_of(tmp_path, seed, boosted(made_sound(RATE, seed=seed), 2000.0, gain_db, 6.0))
        for seed, gain_db in louder.items()
    ]
    assert compare_runs(runs[0], runs[3]).changes
    assert compare_runs(runs[0], runs[3], good=runs[:3]).changes == ()


def test_a_louder_microphone_is_told_apart_from_a_louder_cut(tmp_path: Path) -> None:
    first = run_of(tmp_path, 1)
    second = run_of(tmp_path, 2, made_sound(RATE, seed=2) * 10 ** (-8 / 20))
    assert compare_runs(first, second).changes == ()  # all bands alike: the microphone


def test_one_sound_kept_at_two_rates_is_one_sound(tmp_path: Path) -> None:
    """A run kept lossy has 32 kHz, one kept whole 48: a line at 250 Hz leaks alike into the band below."""
    time = np.arange(48000 * 12) / 48000
    line = (
        0.2 * np.sin(2 * np.pi * 250.0 * time) * (((time >= 2) & (time < 4)) | ((time >= 7.5) & (time < 10)))
    )
    whole = 0.5 * made_sound(48000) + line
    runs = [
        write_made_run(tmp_path / str(rate), rate=rate, samples=resample_poly(whole, rate // 16000, 3))
        for rate in (48000, 32000)
    ]
    assert compare_runs(runs[0], runs[1]).changes == ()


def test_bands_are_sixths_of_an_octave() -> None:
    edges = band_edges_hz(1600.0)
    assert edges.size == 4 * 6 + 1
    assert edges[-1] == pytest.approx(1600.0)


def test_the_level_of_a_contact_is_that_of_its_middle(tmp_path: Path) -> None:
    """Lines of amplitude 0.05/k at 400k Hz and noise of 0.041: by hand -26.4 dB in 300 to 7200 Hz.

    Lines: 0.05²/2 · (1 + 1/4 + … + 1/49) = 0.00189; noise: 0.0412² · 6900/8000 = 0.00147.
    """
    run = run_of(tmp_path, 1)
    numbers = contact_numbers(run, run.contacts[1], highest_hz=7200.0)
    lines = 0.05**2 / 2 * sum(1 / k**2 for k in range(1, 8))
    noise = (0.04**2 + 0.01**2) * 6900 / 8000
    assert numbers.level_db == pytest.approx(10 * np.log10(lines + noise), abs=0.3)
    assert numbers.comb_db > -3.0
    assert numbers.load == pytest.approx(31.0)
    assert numbers.onset_s == pytest.approx(-0.5)


def test_other_programs_are_refused(tmp_path: Path) -> None:
    from dataclasses import replace

    run = run_of(tmp_path, 1)
    other = replace(run, header=replace(run.header, program="other.nc"))
    with pytest.raises(InputError, match=r"two runs of one program .* made up.nc and other.nc"):
        compare_runs(run, other)
