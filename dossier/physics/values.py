"""What the modules of physics share: accepted values, and results that may be only a bound.

Values are accepted by a stated condition; NaN and infinity never meet it.
"""

import math
from collections.abc import Callable
from typing import Literal, NamedTuple, TypeVar

import numpy as np
from numpy.typing import ArrayLike, NDArray

from dossier.words import later, say

Floats = NDArray[np.float64]
Number = TypeVar("Number", float, NDArray[np.float64])
POSITIVE = later("{name} must be above zero and finite, not {value} {unit}")
NOT_NEGATIVE = later("{name} must be 0 or more and finite, not {value} {unit}")
ABOVE_ZERO = later("{name} must be above zero, not {value:g} {unit}")
FINITE = later("{name} must be finite, not {value:g} {unit}")
RISING = later("{name} must rise from one value to the next, not {value:g} {unit}")
Bound = Literal["", "smaller than", "larger than"]


class Bounded(NamedTuple):
    """A value that was reached, or the end of the tested range that it lies beyond."""

    value: float
    bound: Bound = ""
    """Empty when `value` was reached; else the true value is smaller or larger than `value`."""


def all_positive(name: str, values: ArrayLike, unit: str) -> Floats:
    """Return `values` (any shape) [unit] as an array if each is in (0, inf).

    Raises ValueError otherwise, with name, first offending value and unit.
    """
    array = np.asarray(values, dtype=np.float64)
    return _accept(array, (array > 0.0) & (array < np.inf), ABOVE_ZERO, name, unit)


def all_finite(name: str, values: ArrayLike, unit: str) -> Floats:
    """Return `values` (any shape) [unit] as an array if each is finite.

    Raises ValueError otherwise, with name, first offending value and unit.
    """
    array = np.asarray(values, dtype=np.float64)
    return _accept(array, np.isfinite(array), FINITE, name, unit)


def increasing(name: str, values: ArrayLike, unit: str) -> Floats:
    """Return `values` (n,) [unit] as an array if finite, not empty and strictly rising.

    Raises ValueError otherwise, with name, first value that does not rise and unit.
    """
    array = all_finite(name, values, unit)
    if array.ndim != 1 or array.size == 0:
        words = later("{name} must be a row of one or more values, not of shape {shape}")
        raise ValueError(say(words, name=say(name), shape=array.shape))
    rises = np.append(True, np.diff(array) > 0.0)
    return _accept(array, rises, RISING, name, unit)


def _accept(array: Floats, good: NDArray[np.bool_], rule: str, name: str, unit: str) -> Floats:
    if not good.all():
        worst = array[~good].flat[0]
        raise ValueError(say(rule, name=say(name), value=worst, unit=say(unit)))
    return array


def positive(name: str, value: float, unit: str) -> float:
    """Return `value` [unit] if 0 < value < inf.

    Raises ValueError otherwise, with name, value and unit.
    """
    if not 0 < value < np.inf:
        raise ValueError(say(POSITIVE, name=say(name), value=value, unit=say(unit)))
    return float(value)


def not_negative(name: str, values: ArrayLike, unit: str) -> Floats:
    """Return `values` (any shape) [unit] as an array if 0 <= value < inf for each.

    Raises ValueError otherwise, with name, first offending value and unit.
    """
    array = np.asarray(values, dtype=np.float64)
    accepted = (array >= 0) & (array < np.inf)
    if not accepted.all():
        worst = array[~accepted][0]
        raise ValueError(say(NOT_NEGATIVE, name=say(name), value=worst, unit=say(unit)))
    return array


def share(name: str, values: ArrayLike) -> Floats:
    """Return `values` (any shape) [-] as an array if 0 <= value <= 1 for each.

    Raises ValueError otherwise, with name and first offending value.
    """
    array = np.asarray(values, dtype=np.float64)
    accepted = (array >= 0) & (array <= 1)
    if not accepted.all():
        words = later("{name} must lie between 0 and 1, not {value}")
        raise ValueError(say(words, name=say(name), value=array[~accepted][0]))
    return array


EPSILON = 4.0 * float(np.finfo(float).eps)


def find_root(
    function: Callable[[float], float],
    low: float,
    high: float,
    *,
    xtol: float,
    rtol: float = EPSILON,
) -> float:
    """Return a root of `function` between `low` and `high`, which give values of unlike sign.

    It is met within xtol + rtol |root|, `xtol` in the unit of `low`, `rtol` [-].  Raises ValueError
    where the signs are alike or no numbers, RuntimeError where the steps do not suffice.
    Source: R. P. Brent (1973), as in `scipy.optimize.brentq`.
    """
    from scipy.optimize import brentq

    ends = function(low), function(high)
    if any(math.isnan(end) for end in ends) or ends[0] * ends[1] > 0.0:
        words = later("no change of sign between {low:g} and {high:g}: {first:g}, {last:g}")
        raise ValueError(say(words, low=low, high=high, first=ends[0], last=ends[1]))
    return float(brentq(function, low, high, xtol=xtol, rtol=rtol, maxiter=200))


def never_falling(values: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the never falling values (n,) nearest to `values` (n,) by least squares [same unit].

    Source: isotonic regression by pooling adjacent violators, `scipy.optimize.isotonic_regression`.
    """
    from scipy.optimize import isotonic_regression

    return np.asarray(isotonic_regression(values).x, dtype=float)
