"""Roots and rising fits without a library that takes a quarter of a second to load."""

import math
from collections.abc import Callable, Sequence

import numpy as np
from numpy.typing import NDArray

__all__ = ["find_root", "never_falling"]

EPSILON = 4.0 * float(np.finfo(float).eps)
STEPS = 200
MANY = 20_000
"""From this many points on the compiled library is worth its loading time."""


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
    Source: R. P. Brent, Algorithms for Minimization without Derivatives (1973), chapter 4 (from
    memory): a secant or inverse quadratic step where it converges, else bisection.
    """
    last, here, across = low, high, low
    f_last, f_here = function(low), function(high)
    if f_last == 0.0 or f_here == 0.0:
        return last if f_last == 0.0 else here
    if not (f_last < 0.0 < f_here or f_here < 0.0 < f_last):
        raise ValueError(f"no change of sign between {low:g} and {high:g}: {f_last:g}, {f_here:g}")
    f_across, before, step = f_last, here - last, here - last
    for _ in range(STEPS):
        if (f_last < 0.0) != (f_here < 0.0):
            across, f_across = last, f_last
            before = step = here - last
        if abs(f_across) < abs(f_here):
            last, here, across = here, across, here
            f_last, f_here, f_across = f_here, f_across, f_here
        delta, half = 0.5 * (xtol + rtol * abs(here)), 0.5 * (across - here)
        if f_here == 0.0 or abs(half) < delta:
            return here
        tried = math.inf
        if abs(before) > delta and abs(f_here) < abs(f_last):
            tried = _interpolated((last, here, across), (f_last, f_here, f_across))
        if 2.0 * abs(tried) < min(abs(before), 3.0 * abs(half) - delta):
            before, step = step, tried
        else:
            before = step = half
        last, f_last = here, f_here
        here += step if abs(step) > delta else (delta if half > 0.0 else -delta)
        f_here = function(here)
    raise RuntimeError(f"no root met between {low:g} and {high:g} in {STEPS} steps")


def _interpolated(x: tuple[float, float, float], f: tuple[float, float, float]) -> float:
    """Return the step from the middle one of three points to the root of the line or parabola."""
    (last, here, across), (f_last, f_here, f_across) = x, f
    if last == across:
        return -f_here * (here - last) / (f_here - f_last)
    slope = (f_last - f_here) / (last - here)
    other = (f_across - f_here) / (across - here)
    top = f_across * other - f_last * slope
    return -f_here * top / (other * slope * (f_across - f_last))


def never_falling(values: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the never falling values (n,) nearest to `values` (n,) by least squares [same unit].

    Source: isotonic regression by pooling adjacent violators (textbook, from memory).
    """
    if len(values) >= MANY:
        from scipy.optimize import isotonic_regression

        return np.asarray(isotonic_regression(values).x, dtype=float)
    means, counts = _pooled([float(value) for value in values])
    return np.repeat(means, counts)


def _pooled(values: Sequence[float]) -> tuple[list[float], list[int]]:
    """Return the means and sizes of the blocks that neighbours out of order are pooled to."""
    means: list[float] = []
    counts: list[int] = []
    for value in values:
        mean, count = value, 1
        while means and means[-1] >= mean:
            total = means[-1] * counts[-1] + mean * count
            count += counts.pop()
            mean = total / count
            means.pop()
        means.append(mean)
        counts.append(count)
    return means, counts
