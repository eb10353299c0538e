"""The lessons as one file that opens from disk with the network off."""

import io
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from listen.record.run_json import write_whole
from listen.record.spectrum import SpectrumColumns, useful_range
from listen.show.page import bundle, one_file, packed, static_text

_HOP_S = 0.01


def write_coach_page(
    path: Path, *, data: Mapping[str, Any], sounds: Mapping[str, NDArray[np.float64]], rate: int
) -> None:
    """Write the page of lessons.

    Parameters
    ----------
    path : Path
    data : mapping
        What is asked and explained; plain values.
    sounds : mapping of str to ndarray, shape (n_samples,)
        Full scale = ±1; kept without loss, so that the page's times are those of the making.
    rate : int
        [Hz]
    """
    binaries: dict[str, bytes] = {}
    clips: dict[str, Any] = {}
    for name, samples in sounds.items():
        spectrum = SpectrumColumns(rate, hop_s=_HOP_S)
        columns = np.concatenate([spectrum.push(samples), spectrum.close()])
        quiet, loud = useful_range(columns)
        binaries[f"sound-{name}"] = _flac(samples, rate)
        binaries[f"spectrum-{name}"] = packed(columns.tobytes())
        clips[name] = {
            "duration_s": samples.size / rate,
            "hop_s": spectrum.hop_s,
            "bands_hz": [round(float(hz), 1) for hz in spectrum.bands_hz],
            "quiet": quiet,
            "loud": loud,
        }
    page = one_file(
        title="Listening lessons",
        body=static_text("coach.html"),
        script=bundle("coach.js"),
        style=static_text("look.css") + static_text("coach.css"),
        data=dict(data) | {"clips": clips},
        binaries=binaries,
    )
    write_whole(path, page)


def _flac(samples: NDArray[np.float64], rate: int) -> bytes:
    import soundfile

    target = io.BytesIO()
    soundfile.write(target, np.clip(samples, -1.0, 1.0), rate, format="FLAC", subtype="PCM_16")
    return target.getvalue()
