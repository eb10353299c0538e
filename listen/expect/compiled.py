"""Whether the compiled loops are ready, so that a first run can say that it compiles."""

import os
from pathlib import Path

_FIRST_OF_ALL = "kernels.sweep-*.nbi"


def compiles_first() -> bool:
    """Whether nothing is in the cache of compiled loops yet: the next sheet takes some seconds longer."""
    own = os.environ.get("NUMBA_CACHE_DIR")
    folder = Path(own) if own else Path(__file__).parent / "__pycache__"
    return not folder.is_dir() or next(folder.rglob(_FIRST_OF_ALL), None) is None
