"""The value that stands at a place when values are put in order."""

from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

Value = TypeVar("Value", bound=np.floating)


def at_rank(rows: NDArray[Value], share: float) -> NDArray[Value]:
    """What so large a share of the rows lies below, column by column.

    Parameters
    ----------
    rows : ndarray, shape (n_rows, ...)
    share : float
        0 for the least; 0.5 for the middle one, of two the upper.

    Returns
    -------
    ndarray, shape (...)

    Examples
    --------
    >>> float(at_rank(np.array([4.0, 1.0, 3.0, 2.0]), 0.5))
    3.0
    """
    place = int(share * len(rows))
    ordered: NDArray[Value] = np.partition(rows, place, axis=0)
    found: NDArray[Value] = ordered[place]
    return found


def middle(rows: NDArray[Value]) -> NDArray[Value]:
    """The middle one, of two the upper."""
    return at_rank(rows, 0.5)
