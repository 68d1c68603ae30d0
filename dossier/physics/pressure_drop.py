"""Pressure drop of a filter as a viscous and an inertial part, SI.

dp = a mu Q + b rho Q^2: the Darcy-Forchheimer law -dp/dx = (mu / k) v + C (rho / 2) v^2 lumped over
the filter.  Each part is carried to another oil and flow by its own law.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from dossier.physics.values import (
    Bounded,
    Floats,
    Number,
    all_finite,
    all_positive,
    find_root,
    not_negative,
    positive,
)
from dossier.words import later, say

COLLINEAR = 1e8
"""Condition number of the columns, each scaled to length one, from which they count as one [-]."""


@dataclass(frozen=True, slots=True)
class Path:
    """A flow path whose pressure drop is a mu Q + b rho Q^2 (Darcy-Forchheimer, lumped)."""

    a: float
    """Viscous coefficient [1/m3]."""
    b: float
    """Inertial coefficient [1/m4]."""

    def __post_init__(self) -> None:
        not_negative(later("viscous coefficient a"), self.a, "1/m3")
        not_negative(later("inertial coefficient b"), self.b, "1/m4")
        self._resists()

    def _resists(self) -> None:
        if not self.a + self.b > 0:
            raise ValueError(say("a path without resistance (a = 0 1/m3, b = 0 1/m4) sets no flow"))

    def at(self, flow: Number, viscosity: Number | float, density: Number | float) -> Number:
        """Return `pressure_drop` for arguments that were accepted before."""
        return self.a * viscosity * flow + self.b * density * flow**2

    def pressure_drop(
        self, flow: Number, viscosity: Number | float, density: Number | float
    ) -> Number:
        """Return the pressure drop [Pa] at `flow` [m3/s], `viscosity` [Pa s], `density` [kg/m3].

        Each a float or an array like `flow`.  Raises ValueError for a flow below zero, viscosity or
        density not above zero, and values that are not finite.
        """
        not_negative(later("flow"), flow, "m3/s")
        all_positive(later("viscosity"), viscosity, "Pa s")
        all_positive(later("density"), density, "kg/m3")
        return self.at(flow, viscosity, density)

    def flow(self, pressure_drop: float, viscosity: float, density: float) -> float:
        """Return the flow [m3/s] at `pressure_drop` [Pa], `viscosity` [Pa s], `density` [kg/m3].

        The positive root of a mu Q + b rho Q^2 = dp, written so that it holds for a = 0 or b = 0
        too: Q = 2 dp / (a mu + sqrt((a mu)^2 + 4 b rho dp)).  Raises ValueError unless dp >= 0,
        mu > 0, rho > 0, all finite, and for a path without resistance.
        """
        self._resists()
        not_negative(later("pressure drop"), pressure_drop, "Pa")
        viscous = self.a * positive(later("viscosity"), viscosity, "Pa s")
        inertial = self.b * positive(later("density"), density, "kg/m3")
        root = math.sqrt(viscous**2 + 4.0 * inertial * pressure_drop)
        return 2.0 * pressure_drop / (viscous + root) if pressure_drop > 0.0 else 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class PressureDropFit(Path):
    """Coefficients of dp = a mu Q + b rho Q^2 by least squares."""

    covariance: Floats
    """Of (a, b), scaled by the residual variance (2, 2) [1/m6, 1/m7, 1/m8]."""
    resolved: tuple[bool, bool]
    """False for a coefficient that came out negative: it is 0, and so is its covariance."""

    def __post_init__(self) -> None:
        """Accept one that shows no resistance, as an empty housing may: it has no flow to give."""


class Offset(NamedTuple):
    """The zero offset common to all rows of a flow sweep."""

    value: float
    """[Pa]."""
    u: float
    """Its standard uncertainty from the scatter of the rows [Pa]."""


def fit_pressure_drop(
    flow: Floats,
    viscosity: Floats,
    density: Floats,
    pressure_drop: Floats,
    weight_sd: Floats | None = None,
) -> PressureDropFit:
    """Return a and b of dp = a mu Q + b rho Q^2 by non-negative least squares, and how well known.

    `flow` (n,) [m3/s], `viscosity` dynamic (n,) [Pa s], `density` (n,) [kg/m3], `pressure_drop`
    (n,) [Pa]; `weight_sd` (n,), the standard deviation of each row up to a common factor, or None
    for the same in all rows.  A coefficient whose unconstrained estimate is negative is set to 0,
    the other is fitted again, and `resolved` tells.  The covariance is scaled by the residual
    variance.  Raises ValueError for fewer than three rows with flow, NaN, rows that cannot tell
    the two coefficients apart, and when no coefficient is above zero.
    Source: Darcy-Forchheimer form, weighted linear least squares (textbook).
    """
    columns, drop, sd = _rows(flow, viscosity, density, pressure_drop, weight_sd, least=3)
    both, _ = _solve(columns / sd[:, None], drop / sd)
    resolved = (bool(both[0] >= 0.0), bool(both[1] >= 0.0))
    free = np.flatnonzero(resolved)
    x, covariance = np.zeros(2), np.zeros((2, 2))
    if len(free):
        part = _solve(columns[:, free] / sd[:, None], drop / sd)
        x[free], covariance[np.ix_(free, free)] = part
    if not (x.min() >= 0.0 and x.max() > 0.0):
        words = later("the pressure drop does not rise with flow: no coefficient is above zero")
        raise ValueError(say(words))
    return PressureDropFit(a=float(x[0]), b=float(x[1]), covariance=covariance, resolved=resolved)


def offset_of_fit(
    flow: Floats,
    viscosity: Floats,
    density: Floats,
    pressure_drop: Floats,
    weight_sd: Floats | None = None,
) -> Offset:
    """Return the intercept c of dp = c + a mu Q + b rho Q^2 and its standard uncertainty [Pa].

    A gauge that does not read zero at rest gives an intercept of several standard uncertainties.
    a and b are free to be negative here.  Arguments as in `fit_pressure_drop`.  Raises ValueError
    for fewer than four rows with flow, NaN, and rows that cannot tell the three terms apart.
    Source: weighted linear least squares (textbook).
    """
    columns, drop, sd = _rows(flow, viscosity, density, pressure_drop, weight_sd, least=4)
    wide = np.column_stack([np.ones(len(drop)), columns]) / sd[:, None]
    x, covariance = _solve(wide, drop / sd)
    return Offset(float(x[0]), math.sqrt(float(covariance[0, 0])))


def opening_temperature(
    pressure_drop_at: Callable[[float], float], opening: float, low: float, high: float
) -> Bounded:
    """Return the oil temperature [K] above which the pressure drop stays below `opening` [Pa].

    `pressure_drop_at` gives the pressure drop [Pa] at a temperature [K] and falls as it rises;
    `low` and `high` [K] bound the search.  Result (value, bound): "smaller than" `low` where the
    valve is closed over the whole range, "larger than" `high` where it is open over all of it.
    Raises ValueError unless 0 < low < high < inf and 0 < opening < inf, for a pressure drop that is
    not above zero and finite, or is higher at `high` than at `low`.
    Source: definition; root by the method of R. P. Brent (1973).
    """
    positive(later("opening pressure"), opening, "Pa")
    if not (0.0 < low < high < math.inf):
        raise ValueError(f"temperatures must rise from low to high, not {low:g} K to {high:g} K")

    def excess(temperature: float) -> float:
        return positive(later("pressure drop"), pressure_drop_at(temperature), "Pa") - opening

    cold, hot = excess(low), excess(high)
    if hot > cold:
        words = later("the pressure drop rises from {low:g} K to {high:g} K; it must fall")
        raise ValueError(say(words, low=low, high=high))
    if cold < 0.0:
        return Bounded(low, "smaller than")
    if hot > 0.0:
        return Bounded(high, "larger than")
    return Bounded(find_root(excess, low, high, xtol=1e-9))


def _rows(
    flow: Floats, mu: Floats, rho: Floats, drop: Floats, sd: Floats | None, *, least: int
) -> tuple[Floats, Floats, Floats]:
    """Return columns (mu Q, rho Q^2) (n, 2), pressure drop (n,) and its sd (n,), all checked."""
    q = not_negative(later("flow"), flow, "m3/s")
    m = all_positive(later("viscosity"), mu, "Pa s")
    r = all_positive(later("density"), rho, "kg/m3")
    dp = all_finite(later("pressure drop"), drop, "Pa")
    weights = np.ones_like(dp) if sd is None else sd
    s = all_positive(later("standard deviation of a row"), weights, "Pa")
    if q.ndim != 1 or not (q.shape == m.shape == r.shape == dp.shape == s.shape):
        raise ValueError("flow, viscosity, density, pressure drop and weight differ in length")
    if np.count_nonzero(q) < least:
        words = later("{least} rows with flow are needed, not {rows}")
        raise ValueError(say(words, least=least, rows=np.count_nonzero(q)))
    return np.column_stack([m * q, r * q**2]), dp, s


def _solve(columns: Floats, y: Floats) -> tuple[Floats, Floats]:
    """Return coefficients (p,) of `y` (n,) on `columns` (n, p), and their covariance (p, p).

    Least squares by singular values, columns scaled to length one.
    """
    length = np.linalg.norm(columns, axis=0)
    u, s, vt = np.linalg.svd(columns / length, full_matrices=False)
    if not s[0] < COLLINEAR * s[-1]:
        words = later(
            "the rows cannot tell the terms of the pressure drop apart: flow and viscosity must "
            "vary more"
        )
        raise ValueError(say(words))
    x = vt.T @ (u.T @ y / s)
    residual = y - columns / length @ x
    variance = float(residual @ residual) / (len(y) - len(x))
    inverse = (vt.T / s**2) @ vt
    return x / length, variance * inverse / np.outer(length, length)
