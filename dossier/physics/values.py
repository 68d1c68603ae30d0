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
KELVIN = 273.15
"""0 degC [K]."""
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


def all_positive(name: str, values: ArrayLike | float, unit: str) -> Floats:
    """Return `values` (any shape) [unit] as an array if each is in (0, inf).

    Raises ValueError otherwise, with name, first offending value and unit.
    """
    array = np.asarray(values, dtype=np.float64)
    if isinstance(values, float) and 0.0 < values < np.inf:
        return array  # ten times as fast for a number alone, which is asked for most
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
    return _accept(array, np.append(True, np.diff(array) > 0.0), RISING, name, unit)


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


def not_negative(name: str, values: ArrayLike | float, unit: str) -> Floats:
    """Return `values` (any shape) [unit] as an array if 0 <= value < inf for each.

    Raises ValueError otherwise, with name, first offending value and unit.
    """
    array = np.asarray(values, dtype=np.float64)
    if isinstance(values, float) and 0.0 <= values < np.inf:
        return array
    return _accept(array, (array >= 0.0) & (array < np.inf), NOT_NEGATIVE, name, unit)


EPS = 4.0 * float(np.finfo(float).eps)


def find_root(
    function: Callable[[float], float],
    low: float,
    high: float,
    *,
    xtol: float,
    rtol: float = EPS,
) -> float:
    """Return a root of `function` between `low` and `high`, which give values of unlike sign.

    It is met within xtol + rtol |root|, `xtol` in the unit of `low`, `rtol` [-].  Raises ValueError
    where the signs are alike or no numbers, RuntimeError where the steps do not suffice.
    Source: T. R. Chandrupatla, Advances in Engineering Software 28 (1997) 145-149: an inverse
    quadratic step where the three last points allow it, else half of what is left (from memory).
    """
    ends = function(low), function(high)
    if any(math.isnan(end) for end in ends) or ends[0] * ends[1] > 0.0:
        words = later("no change of sign between {low:g} and {high:g}: {first:g}, {last:g}")
        raise ValueError(say(words, low=low, high=high, first=ends[0], last=ends[1]))
    (a, fa), (b, fb) = (high, ends[1]), (low, ends[0])
    step = 0.5
    for _ in range(200):
        best = a if abs(fa) <= abs(fb) else b
        room = xtol + rtol * abs(best)
        if fa == 0.0 or fb == 0.0 or abs(b - a) <= room:
            return best
        least = 0.5 * room / abs(b - a)
        new = a + min(max(step, least), 1.0 - least) * (b - a)
        f_new = function(new)
        if (f_new > 0.0) == (fa > 0.0):
            c, fc = a, fa
        else:
            c, fc, b, fb = b, fb, a, fa
        a, fa = new, f_new
        step = _quadratic_step((a, fa), (b, fb), (c, fc))
    raise RuntimeError(f"no root within {xtol:g} after 200 steps between {low:g} and {high:g}")


def _quadratic_step(
    new: tuple[float, float], other: tuple[float, float], last: tuple[float, float]
) -> float:
    """Return the share of the way from `new` to `other` at which the root is sought next [-]."""
    (a, fa), (b, fb), (c, fc) = new, other, last
    along, risen = (a - b) / (c - b), (fa - fb) / (fc - fb)
    if not (risen**2 < along and (1.0 - risen) ** 2 < 1.0 - along):
        return 0.5
    return fa / (fb - fa) * fc / (fb - fc) + (c - a) / (b - a) * fa / (fc - fa) * fb / (fc - fb)


def never_falling(values: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the never falling values (n,) nearest to `values` (n,) by least squares [same unit].

    Isotonic regression by pooling adjacent violators (Ayer and others 1955, from memory): a value
    below the one before takes the mean of both, as often as any is.
    """
    drops, counts = np.asarray(values, dtype=np.float64), np.ones(len(values), dtype=np.int64)
    for _ in range(6):  # runs that fall are pooled whole: of a million noisy values few are left
        starts = np.flatnonzero(np.append(True, drops[1:] >= drops[:-1])[: len(drops)])
        sums, counts = (np.add.reduceat(each, starts) for each in (drops * counts, counts))
        drops = sums / counts
    means: list[float] = []
    sizes: list[int] = []
    for mean, size in zip(drops.tolist(), counts.tolist(), strict=True):
        while means and means[-1] > mean:
            before = sizes.pop()
            mean = (mean * size + means.pop() * before) / (size + before)
            size += before
        means.append(mean)
        sizes.append(size)
    return np.repeat(np.array(means), sizes)


_PLACES = np.array([1e-9, *(10.0**power for power in range(-8, 8))])


def last_digit(values: Floats) -> Floats:
    """Return the place of the last digit that is not zero in each value, such as 0.1 or 100.

    From 1e-8 to 1e7; 1e-9 where it lies below, and for a zero, which has none.
    """
    scaled = np.abs(values)[..., None] / _PLACES[1:]
    near = np.rint(scaled)
    whole = (near > 0) & (np.abs(scaled - near) <= 1e-9 * np.maximum(scaled, 1.0))
    places: Floats = _PLACES[np.logical_and.accumulate(whole, axis=-1).sum(axis=-1)]
    return places


def printed_step(values: Floats) -> float:
    """Return the largest step that values (n,) above zero are multiples of, in their unit.

    It is the step of their printing, whatever unit that was in; a billionth of the largest where
    there is none.  Of many, a third of the rows shows it: a row or two may be of other digits.
    """
    known = values[values > 0]
    parts = 3 if len(known) >= 12 else 1
    return max(_step(known[k::parts]) for k in range(parts))


def _step(known: Floats) -> float:
    """Return the largest step of all values (n,): Euclid's algorithm by the nearest multiple."""
    step = top = float(known.max(initial=0.0))
    least = 1e-9 * top
    while step > least:
        step = top / round(top / step)  # so that no error grows
        off = float(np.abs(known - np.rint(known / step) * step).max())
        if off <= least:
            return step
        while off > least:
            step, off = off, abs(step - round(step / off) * off)
    return least


def printed_digits(values: Floats) -> Floats:
    """Return the place of the last digit of each pressure (n,), in its printed unit [Pa].

    That of the values where most have eight digits or fewer, else one in which they share a step.
    """
    plain, known = last_digit(values), values > 0
    if not known.any() or float(np.median(plain[known] / values[known])) > 1e-8:
        return plain
    step = printed_step(values)
    return step * last_digit(values / step)
