"""Growth of a filter's pressure drop with the contaminant it holds, SI (kg, Pa)."""

import math
from typing import Literal, assert_never

import numpy as np

from dossier.physics.roots import never_falling
from dossier.physics.values import (
    Bounded,
    Floats,
    Number,
    all_finite,
    all_positive,
    increasing,
    not_negative,
    positive,
)
from dossier.words import later, say

__all__ = [
    "BlockingLaw",
    "blocking_growth",
    "exponential_loading",
    "growth",
    "loaded_pressure_drop",
    "mass_at",
    "mass_of_exponential",
    "monotone_curve",
    "pressure_at",
]

BlockingLaw = Literal["complete", "standard", "intermediate", "cake"]


def monotone_curve(mass: Floats, pressure_drop: Floats) -> Floats:
    """Return the pressure drops (n,) [Pa] made never falling by isotonic least squares.

    `mass` (n,) [kg] rises, `pressure_drop` (n,) [Pa].  The caller drops empty rows: raises
    ValueError for NaN, for masses that do not rise and for unequal lengths.
    Source: isotonic regression by pooling adjacent violators (textbook).
    """
    masses = increasing(later("mass"), mass, "kg")
    drops = all_finite(later("pressure drop"), pressure_drop, "Pa")
    _same_length(masses, drops)
    return never_falling(drops)


def mass_at(pressure_drop: float, mass: Floats, curve: Floats) -> Bounded:
    """Return the mass [kg] at which the loading curve first reaches `pressure_drop` [Pa].

    Straight line between adjacent points of `mass` (n,) [kg] and `curve` (n,) [Pa], which never
    falls; no extrapolation.  Result (value, bound): "smaller than" the first mass where the curve
    starts above the pressure, "larger than" the last mass where it ends below it.
    Raises ValueError for a curve that falls, masses that do not rise, or values not finite.
    """
    masses, drops = _loading_curve(mass, curve)
    limit = positive("pressure drop", pressure_drop, "Pa")
    if drops[-1] < limit:
        return Bounded(float(masses[-1]), "larger than")
    first = int(np.argmax(drops >= limit))
    if first == 0:
        return Bounded(float(masses[0]), "" if drops[0] == limit else "smaller than")
    part = (limit - drops[first - 1]) / (drops[first] - drops[first - 1])
    return Bounded(float(masses[first - 1] + part * (masses[first] - masses[first - 1])))


def pressure_at(mass: float, masses: Floats, curve: Floats) -> float:
    """Return the pressure drop [Pa] of the loading curve at `mass` [kg], by straight lines.

    `masses` (n,) [kg] rise, `curve` (n,) [Pa] never falls.  Raises ValueError outside the tested
    masses, and as `mass_at`.
    """
    x, y = _loading_curve(masses, curve)
    if not (x[0] <= mass <= x[-1]):
        raise ValueError(f"mass {mass:g} kg is outside the tested {x[0]:g} kg to {x[-1]:g} kg")
    return float(np.interp(mass, x, y))


def growth(curve: Floats, inertial: float) -> Floats:
    """Return the growth factor (n,) [-] of the element's viscous resistance, 1 when clean.

    (dp - inertial) / (dp0 - inertial): `curve` (n,) [Pa] is the element's pressure drop over its
    loading, clean first, housing taken off; `inertial` [Pa] is its part that goes with rho Q^2 and
    does not grow.  Raises ValueError unless 0 <= inertial < dp0 and every value is finite.
    Source: only the medium is blocked by contaminant (common practice).
    """
    drops = all_finite("pressure drop of the element", curve, "Pa")
    not_negative("inertial part", inertial, "Pa")
    clean = positive("viscous part of the clean element", float(drops[0]) - inertial, "Pa")
    return (drops - inertial) / clean


def loaded_pressure_drop(viscous: float, inertial: float, housing: float, growth: Number) -> Number:
    """Return the pressure drop [Pa] of a loaded assembly: viscous growth + inertial + housing.

    `viscous` and `inertial` parts of the clean element and `housing` [Pa], each at the wanted oil
    and flow; `growth` [-], a float or an array.  Raises ValueError for values below zero or not
    finite, and for a growth of zero.  Source: as `growth`.
    """
    positive("viscous part", viscous, "Pa")
    not_negative("inertial part", inertial, "Pa")
    not_negative("pressure drop of the housing", housing, "Pa")
    all_positive("growth factor", growth, "(a ratio)")
    return viscous * growth + inertial + housing


def blocking_growth(u: Number, law: BlockingLaw) -> Number:
    """Return dp / dp0 [-] at constant flow under one of the four classical blocking laws.

    `u` [-] is proportional to the contaminant held.  dR/dV = K R^m integrated: complete (m = 2)
    1 / (1 - u); standard (m = 3/2) (1 - u / 2)^-2; intermediate (m = 1) e^u; cake (m = 0) 1 + u.
    Known laws against which a reduction can be tried.  Raises ValueError unless 0 <= u < inf, and
    where the filter is blocked: u >= 1 complete, u >= 2 standard.
    Source: J. Hermia, Trans. IChemE 60 (1982), 183 (from memory), carried to constant flow.
    """
    not_negative("amount held", u, "(a ratio)")
    if law == "complete":
        all_positive("open share, 1 - u", 1.0 - u, "(a share)")
        return 1.0 / (1.0 - u)
    if law == "standard":
        all_positive("open share, 1 - u / 2", 1.0 - u / 2.0, "(a share)")
        result: Number = (1.0 - u / 2.0) ** -2.0
        return result
    if law == "intermediate":
        grown: Number = np.exp(u)
        return grown
    if law == "cake":
        return 1.0 + u
    assert_never(law)


def exponential_loading(mass: Number, dp0: float, a: float, b: float) -> Number:
    """Return dp0 + a (e^(b m) - 1) [Pa] at `mass` m [kg], a float or an array.

    `dp0` clean pressure drop and `a` [Pa], `b` [1/kg].  Raises ValueError unless dp0 >= 0, a > 0,
    b > 0, mass >= 0, all finite.
    Source: intermediate blocking of a part of the resistance (common practice for pleated paper).
    """
    not_negative("mass", mass, "kg")
    _exponential(dp0, a, b)
    result: Number = dp0 + a * np.expm1(b * mass)
    return result


def mass_of_exponential(limit: float, dp0: float, a: float, b: float) -> float:
    """Return the mass [kg] at which `exponential_loading` reaches `limit` [Pa].

    Arguments as there.  Raises ValueError for a limit below dp0, and as there.
    """
    _exponential(dp0, a, b)
    not_negative("limit less the clean pressure drop", limit - dp0, "Pa")
    return math.log1p((limit - dp0) / a) / b


def _exponential(dp0: float, a: float, b: float) -> None:
    not_negative("clean pressure drop", dp0, "Pa")
    positive("factor a", a, "Pa")
    positive("rate b", b, "1/kg")


def _loading_curve(mass: Floats, curve: Floats) -> tuple[Floats, Floats]:
    """Return masses that rise [kg] and pressure drops that never fall [Pa], equally many."""
    masses = increasing("mass", mass, "kg")
    drops = all_finite("pressure drop", curve, "Pa")
    _same_length(masses, drops)
    if not (np.diff(drops) >= 0.0).all():
        raise ValueError("the loading curve falls; make it monotone first")
    return masses, drops


def _same_length(masses: Floats, drops: Floats) -> None:
    if masses.shape != drops.shape:
        words = later("{number} masses do not fit pressure drops of shape {shape}")
        raise ValueError(say(words, number=masses.size, shape=drops.shape))
