"""Arguments are accepted by a stated condition; NaN and infinity never meet it."""

import numpy as np
from numpy.typing import ArrayLike, NDArray

from dossier.words import later, say

__all__ = ["not_negative", "positive", "share"]

Values = NDArray[np.float64]
POSITIVE = later("{name} must be above zero and finite, not {value} {unit}")
NOT_NEGATIVE = later("{name} must be 0 or more and finite, not {value} {unit}")


def positive(name: str, value: float, unit: str) -> float:
    """Return `value` [unit] if 0 < value < inf.

    Raises ValueError otherwise, with name, value and unit.
    """
    if not 0 < value < np.inf:
        raise ValueError(say(POSITIVE, name=say(name), value=value, unit=say(unit)))
    return float(value)


def not_negative(name: str, values: ArrayLike, unit: str) -> Values:
    """Return `values` (any shape) [unit] as an array if 0 <= value < inf for each.

    Raises ValueError otherwise, with name, first offending value and unit.
    """
    array = np.asarray(values, dtype=np.float64)
    accepted = (array >= 0) & (array < np.inf)
    if not accepted.all():
        worst = array[~accepted][0]
        raise ValueError(say(NOT_NEGATIVE, name=say(name), value=worst, unit=say(unit)))
    return array


def share(name: str, values: ArrayLike) -> Values:
    """Return `values` (any shape) [-] as an array if 0 <= value <= 1 for each.

    Raises ValueError otherwise, with name and first offending value.
    """
    array = np.asarray(values, dtype=np.float64)
    accepted = (array >= 0) & (array <= 1)
    if not accepted.all():
        words = later("{name} must lie between 0 and 1, not {value}")
        raise ValueError(say(words, name=say(name), value=array[~accepted][0]))
    return array
