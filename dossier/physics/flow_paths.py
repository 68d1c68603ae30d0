"""How oil divides between paths: equal pressure, and no flow lost."""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from dossier.physics.pressure_drop import flow_at_pressure_drop, predict
from dossier.physics.values import find_root, not_negative, positive
from dossier.words import later, say


@dataclass(frozen=True, slots=True)
class Path:
    """A flow path whose pressure drop is a mu Q + b rho Q^2 (Darcy-Forchheimer, lumped)."""

    a: float
    """Viscous coefficient [1/m3]."""
    b: float
    """Inertial coefficient [1/m4]."""

    def __post_init__(self) -> None:
        not_negative("a", self.a, "1/m3")
        not_negative("b", self.b, "1/m4")
        if not self.a + self.b > 0:
            words = later("a path without resistance (a = 0 1/m3, b = 0 1/m4) sets no flow")
            raise ValueError(say(words))

    def pressure_drop(self, flow: float, viscosity: float, density: float) -> float:
        """Return the pressure drop [Pa] at `flow` [m3/s], `viscosity` [Pa s], `density` [kg/m3].

        Raises ValueError where an argument is negative or not finite.
        """
        return predict(self.a, self.b, flow, viscosity, density)

    def flow(self, pressure_drop: float, viscosity: float, density: float) -> float:
        """Return the flow [m3/s] at `pressure_drop` [Pa], `viscosity` [Pa s], `density` [kg/m3].

        Positive root of b rho Q^2 + a mu Q = dp.  Raises ValueError where an argument is negative
        or not finite.
        """
        return flow_at_pressure_drop(self.a, self.b, viscosity, density, pressure_drop)

    def accepted_drop(self, flow: float, viscosity: float, density: float) -> float:
        """Return `pressure_drop` for arguments that were accepted before."""
        return self.a * viscosity * flow + self.b * density * flow**2


@dataclass(frozen=True, slots=True, kw_only=True)
class ParallelSplit:
    """Flows of parallel paths."""

    flows: tuple[float, ...]
    """Flow of each path [m3/s], in the order given."""
    pressure_drop: float
    """Common pressure drop [Pa]."""

    @property
    def shares(self) -> tuple[float, ...]:
        """Share of the total flow in each path [-]."""
        total = math.fsum(self.flows)
        return tuple(flow / total for flow in self.flows)


@dataclass(frozen=True, slots=True, kw_only=True)
class SumpSplit:
    """Flows where one path returns to the sump."""

    to_sump: float
    """Flow through the fine path back to the sump [m3/s]."""
    to_engine: float
    """Flow to the bearings [m3/s]."""
    inlet_pressure: float
    """Gauge pressure ahead of the fine path [Pa]."""

    @property
    def share(self) -> float:
        """Share of the pump flow that returns to the sump [-]."""
        return self.to_sump / (self.to_sump + self.to_engine)


def split_parallel(
    paths: Sequence[Path], total_flow: float, viscosity: float, density: float
) -> ParallelSplit:
    """Return the flows of parallel `paths` (n) that carry `total_flow` [m3/s] together.

    Common pressure drop found by Brent's method so that the flows add up, `viscosity` [Pa s] and
    `density` [kg/m3] at the oil's temperature.  At the least of the drops that the whole flow
    would cause in one path alone the sum is at least the total; at the least of the drops that an
    n-th of it would cause the sum is at most the total: the root lies between.
    Raises ValueError without a path, or where a value is not above zero and finite.
    """
    if not paths:
        raise ValueError("there is no path to carry the flow")
    positive(later("total flow"), total_flow, "m3/s")
    low = min(p.pressure_drop(total_flow / len(paths), viscosity, density) for p in paths)
    high = min(p.pressure_drop(total_flow, viscosity, density) for p in paths)

    def excess(pressure_drop: float) -> float:
        flows = (p.flow(pressure_drop, viscosity, density) for p in paths)
        return math.fsum(flows) / total_flow - 1.0

    common = _root(excess, 0.5 * low, 2.0 * high)
    flows = tuple(p.flow(common, viscosity, density) for p in paths)
    return ParallelSplit(flows=flows, pressure_drop=common)


def split_to_sump(
    fine: Path,
    total_flow: float,
    gallery_pressure: float,
    viscosity: float,
    density: float,
    full_flow: Path | None = None,
) -> SumpSplit:
    """Return the split where the `fine` path (its restrictor included) ends in the sump at zero.

    `total_flow` [m3/s] is the pump's, `gallery_pressure` [Pa, gauge] the regulated pressure at the
    bearings, `viscosity` [Pa s] and `density` [kg/m3] those of the oil at its temperature.  With a
    `full_flow` path between the branch and the gallery the fine path is driven by the gallery
    pressure plus that path's drop; without one, by the gallery pressure alone.  Where the pressure
    is not regulated, put the bearings' path in series with the filter and use `split_parallel`.
    Raises ValueError where the fine path would take the whole flow, so that the gallery pressure
    cannot be held, or where a value is not above zero and finite.
    """
    positive(later("total flow"), total_flow, "m3/s")
    positive(later("gallery pressure"), gallery_pressure, "Pa")
    if not fine.pressure_drop(total_flow, viscosity, density) > gallery_pressure:
        words = later(
            "the fine path would take the whole flow of {flow} m3/s: the gallery pressure of "
            "{pressure} Pa cannot be held"
        )
        raise ValueError(say(words, flow=total_flow, pressure=gallery_pressure))

    def inlet(to_sump: float) -> float:
        if full_flow is None:
            return gallery_pressure
        rest = total_flow - to_sump
        return gallery_pressure + full_flow.accepted_drop(rest, viscosity, density)

    def excess(to_sump: float) -> float:
        return fine.accepted_drop(to_sump, viscosity, density) / inlet(to_sump) - 1.0

    to_sump = _root(excess, 0.0, total_flow)
    return SumpSplit(to_sump=to_sump, to_engine=total_flow - to_sump, inlet_pressure=inlet(to_sump))


def _root(function: Callable[[float], float], low: float, high: float) -> float:
    """Return the root between `low` and `high` to about 13 digits (Brent's method)."""
    return find_root(function, low, high, xtol=1e-15 * high, rtol=1e-14)
