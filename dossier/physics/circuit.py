"""The oil circuit: how oil divides between paths, what is cleaned, and what stays in the sump.

Paths divide the oil so that pressures are equal and no flow is lost.  What is cleaned on each round
follows from one well-mixed sump of volume V, concentration C of one size class.  Contaminant enters
the sump at a rate R; the pump draws Q at C; each path catches its share and the rest returns:

    V dC/dt = R - Q e C,    e = (1 - w) (1 - P) + w (1 - P_fine)

w being the share through the fine path and P the penetrations, one entry a size class or a draw.
No oil is lost or replaced (the cautious figure).  A path that an arrangement lacks lets all
through: P = 1, or w = 0.  From mass balance; for one filter it is the control equation
N_d = R / (Q (beta - 1)) (E. C. Fitch, form from memory).
"""

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike

from dossier.physics.pressure_drop import Path
from dossier.physics.values import Floats, find_root, positive
from dossier.words import later, say


def split_parallel(
    paths: Sequence[Path], total_flow: float, viscosity: float, density: float
) -> tuple[float, ...]:
    """Return the share [-] of each of parallel `paths` (n) that carry `total_flow` [m3/s] together.

    Common pressure drop found so that the flows add up, `viscosity` [Pa s] and `density` [kg/m3] at
    the oil's temperature.  At the least of the drops that the whole flow would cause in one path
    alone the sum is at least the total; at the least of the drops that an n-th of it would cause
    the sum is at most the total: the root lies between.
    Raises ValueError without a path, or where a value is not above zero and finite.
    """
    if not paths:
        raise ValueError("there is no path to carry the flow")
    positive(later("total flow"), total_flow, "m3/s")
    low = min(p.pressure_drop(total_flow / len(paths), viscosity, density) for p in paths)
    high = min(p.pressure_drop(total_flow, viscosity, density) for p in paths)

    def flows(pressure_drop: float) -> list[float]:
        return [p.flow(pressure_drop, viscosity, density) for p in paths]

    def excess(pressure_drop: float) -> float:
        return math.fsum(flows(pressure_drop)) / total_flow - 1.0

    found = flows(find_root(excess, 0.5 * low, 2.0 * high, xtol=2e-15 * high, rtol=1e-14))
    return tuple(flow / math.fsum(found) for flow in found)


def split_to_sump(
    fine: Path,
    total_flow: float,
    gallery_pressure: float,
    viscosity: float,
    density: float,
    full_flow: Path | None = None,
) -> float:
    """Return the share [-] of the `fine` path (its restrictor included) that ends in the sump at 0.

    `total_flow` [m3/s] is the pump's, `gallery_pressure` [Pa, gauge] the regulated pressure at the
    bearings, `viscosity` [Pa s] and `density` [kg/m3] those of the oil at its temperature.  With a
    `full_flow` path between the branch and the gallery the fine path is driven by the gallery
    pressure plus that path's drop; without one, by the gallery pressure alone: a quadratic in the
    flow to the sump, of which the smaller root lies below the total flow.  Where the pressure
    is not regulated, put the bearings' path in series with the filter and use `split_parallel`.
    Raises ValueError where the fine path would take the whole flow, so that the gallery pressure
    cannot be held, or where a value is not above zero and finite.
    """
    positive(later("total flow"), total_flow, "m3/s")
    positive(later("gallery pressure"), gallery_pressure, "Pa")
    a, b = (full_flow.a, full_flow.b) if full_flow else (0.0, 0.0)
    if not fine.pressure_drop(total_flow, viscosity, density) > gallery_pressure:
        words = later(
            "the fine path would take the whole flow of {flow} m3/s: the gallery pressure of "
            "{pressure} Pa cannot be held"
        )
        raise ValueError(say(words, flow=total_flow, pressure=gallery_pressure))
    inlet = gallery_pressure + a * viscosity * total_flow + b * density * total_flow**2
    viscous = (fine.a + a) * viscosity + 2.0 * b * density * total_flow
    inertial = (fine.b - b) * density
    return 2.0 * inlet / (viscous + math.sqrt(viscous**2 + 4.0 * inertial * inlet)) / total_flow


def cleaned_share(main: ArrayLike, fine: ArrayLike, share: ArrayLike) -> Floats:
    """Return the share of the pump's flow that is cleaned, e [-]; arguments as above [-]."""
    w = np.asarray(share, dtype=np.float64)
    return np.asarray((1.0 - w) * (1.0 - np.asarray(main)) + w * (1.0 - np.asarray(fine)))


def long_run_concentration(ingression: ArrayLike, flow: float, cleaned: ArrayLike) -> Floats:
    """Return the long-run concentration in the sump, R / (Q e) [1/m3].

    `ingression` [1/s] of the class, `flow` [m3/s] of the pump, `cleaned` [-]; infinite where
    nothing is cleaned.  The volume plays no part.
    """
    with np.errstate(divide="ignore"):
        return np.asarray(np.asarray(ingression) / (flow * np.asarray(cleaned)))


def time_constant(volume: float, flow: float, cleaned: float) -> float:
    """Return V / (Q e) [s]: after it, 1/e of the way to the long run is left; `volume` [m3]."""
    return volume / (flow * cleaned)


def at_bearings(main: float, fine: float, share: float, *, through_flow: bool) -> float:
    """Return the concentration at the bearings over that in the sump [-].

    The oil that passes the main medium goes there; with `through_flow` that of the fine one too.
    """
    return (1.0 - share) * main + share * fine if through_flow else main
