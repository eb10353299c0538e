"""The force tables of the cuts in use, kept so that contacts with the same cut share them."""

from functools import lru_cache

import numpy as np

from listen.synth.force import Cut, force_tables
from listen.synth.sound import Sound


def tables_of(cut: Cut, smear: float) -> tuple[Sound, Sound]:
    """Drive and gate tables of a cut, smear rounded up to a tenth of an octave."""
    return _kept(cut, int(np.ceil(10.0 * np.log2(smear))))


@lru_cache(maxsize=24)
def _kept(cut: Cut, tenth_octaves: int) -> tuple[Sound, Sound]:
    return force_tables(cut, smear=2.0 ** (tenth_octaves / 10.0))
