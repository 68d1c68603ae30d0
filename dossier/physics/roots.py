"""Roots and rising fits, by SciPy, which is loaded only when one is wanted."""

import math
from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from dossier.words import later, say

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
