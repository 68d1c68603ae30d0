"""The element's bypass valve: what its sweep shows, and what it lets past the element.

ISO 4548-2:1997 tests opening, reseating, leakage and flow resistance; the flow at which a valve
counts as open is not taken from that standard but stated with the requirement.
"""

import numpy as np
from numpy.typing import ArrayLike

from dossier.physics.values import Bounded, Floats, not_negative, positive
from dossier.words import later, say

NEVER_RISES = later("neither differential pressure [Pa] nor flow [m3/s] rises throughout")
NEVER_FALLS = later("neither differential pressure [Pa] nor flow [m3/s] falls throughout")


def sweep_branches(
    dp: ArrayLike, flow: ArrayLike, rising: ArrayLike
) -> tuple[tuple[Floats, Floats], tuple[Floats, Floats]]:
    """Return (dp, flow) of the rising rows, then of the falling rows, in the order measured.

    `dp` (n) [Pa], `flow` (n) [m3/s], `rising` (n) true for rows of the rising sweep.
    Raises ValueError for unequal lengths, or a value that is negative or not finite.
    """
    p, q = _accepted(dp, flow)
    up = np.asarray(rising, dtype=bool)
    if not (p.ndim == 1 and p.shape == q.shape == up.shape):
        raise ValueError(f"columns differ in length: {p.shape}, {q.shape}, {up.shape} rows")
    return (p[up], q[up]), (p[~up], q[~up])


def opening_pressure(dp: ArrayLike, flow: ArrayLike, criterion_flow: float) -> Bounded:
    """Return the first pressure of a rising sweep at which the flow reaches `criterion_flow`.

    `dp` (n) [Pa] and `flow` (n) [m3/s] in the order measured, `criterion_flow` [m3/s]; linear
    between rows.  Already reached in the first row: smaller than its pressure (or equal to it);
    never reached: larger than the highest pressure.  Raises ValueError where neither pressure nor
    flow keeps rising, or a value is negative or not finite.
    """
    p, q = _branch(dp, flow, 1.0)
    positive(later("criterion flow"), criterion_flow, "m3/s")
    reached = np.flatnonzero(q >= criterion_flow)
    if reached.size == 0:
        return Bounded(float(p.max()), "larger than")
    first = int(reached[0])
    if first == 0:
        return Bounded(float(p[0]), "smaller than")
    return Bounded(_between(q, p, first - 1, criterion_flow))


def reseat_pressure(dp: ArrayLike, flow: ArrayLike, criterion_flow: float) -> Bounded:
    """Return the pressure of a falling sweep below which the flow stays within `criterion_flow`.

    Arguments as in `opening_pressure`, linear between rows.  Still open in the last row: smaller
    than its pressure.  Raises ValueError where neither pressure nor flow keeps falling, where the
    valve was never open on this sweep (it then shows no reseating), or a value is negative or not
    finite.
    """
    p, q = _branch(dp, flow, -1.0)
    positive(later("criterion flow"), criterion_flow, "m3/s")
    passing = np.flatnonzero(q > criterion_flow)
    if passing.size == 0:
        words = later(
            "the flow never exceeds {flow} m3/s on the falling sweep: the valve was not open, so "
            "its reseating was not seen"
        )
        raise ValueError(say(words, flow=criterion_flow))
    last = int(passing[-1])
    if last == q.size - 1:
        return Bounded(float(p[-1]), "smaller than")
    return Bounded(_between(q, p, last, criterion_flow))


def largest_at(x: Floats, y: Floats, at: float) -> float:
    """Return the largest y [its unit] that a sweep shows at x = `at` [that of x].

    Pressures [Pa] against flows [m3/s] or the other way round, `x` (n) and `y` (n) in the order
    measured; linear between rows.  Raises ValueError outside the measured range.
    """
    low, high = np.minimum(x[:-1], x[1:]), np.maximum(x[:-1], x[1:])
    rows = np.flatnonzero((low <= at) & (at <= high))
    if rows.size == 0:
        raise ValueError(f"{at} lies outside the sweep")
    level = [float(max(y[r], y[r + 1])) for r in rows if x[r] == x[r + 1]]
    return max(level + [_between(x, y, int(r), at) for r in rows if x[r] != x[r + 1]])


def _accepted(dp: ArrayLike, flow: ArrayLike) -> tuple[Floats, Floats]:
    p = not_negative(later("differential pressure"), dp, "Pa")
    return p, not_negative(later("flow"), flow, "m3/s")


def _columns(dp: ArrayLike, flow: ArrayLike) -> tuple[Floats, Floats]:
    p, q = _accepted(dp, flow)
    if not (p.ndim == 1 and p.shape == q.shape and p.size >= 2):
        words = later("a sweep needs two or more rows of both: {pressures}, {flows}")
        raise ValueError(say(words, pressures=p.shape, flows=q.shape))
    return p, q


def _branch(dp: ArrayLike, flow: ArrayLike, sign: float) -> tuple[Floats, Floats]:
    """Return the columns if the pressure or the flow, whichever was set, runs one way."""
    p, q = _columns(dp, flow)
    if not any(bool((sign * np.diff(each) >= 0).all()) for each in (p, q)):
        raise ValueError(say(NEVER_RISES if sign > 0 else NEVER_FALLS))
    return p, q


def _between(x: Floats, y: Floats, row: int, at: float) -> float:
    """Return y at x = `at` on the straight line from `row` to the next."""
    weight = (at - x[row]) / (x[row + 1] - x[row])
    return float(y[row] + weight * (y[row + 1] - y[row]))
