"""Growth of a filter's pressure drop with the contaminant it holds, SI (kg, Pa)."""

from dossier.physics.roots import never_falling
from dossier.physics.values import (
    Floats,
    all_finite,
    increasing,
    not_negative,
    positive,
)
from dossier.words import later, say


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


def _same_length(masses: Floats, drops: Floats) -> None:
    if masses.shape != drops.shape:
        words = later("{number} masses do not fit pressure drops of shape {shape}")
        raise ValueError(say(words, number=masses.size, shape=drops.shape))
