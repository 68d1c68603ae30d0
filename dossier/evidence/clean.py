"""Clean pressure drop carried from the tested to the application's oil, flow and temperature."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from dossier.case.case import Case
from dossier.case.model import RecordEntry
from dossier.evidence.bench import Bench
from dossier.evidence.estimate import Component
from dossier.evidence.instruments import InputAccuracy, accuracy_of
from dossier.evidence.limits import Limits
from dossier.evidence.reduced import PressureDropResult

__all__ = ["CleanShares", "carried", "outside", "pressure_components"]


@dataclass(frozen=True, slots=True)
class CleanShares:
    """Clean pressure drop of one specimen and its viscous and inertial parts [Pa]."""

    viscous: float
    inertial: float

    @property
    def total(self) -> float:
        """Their sum [Pa]."""
        return self.viscous + self.inertial


def carried(sweep: PressureDropResult, flow: float, mu: float, rho: float) -> CleanShares:
    """Return the assembly's clean pressure drop at `flow` [m3/s], `mu` [Pa s], `rho` [kg/m3]."""
    return CleanShares(sweep.assembly.a * mu * flow, sweep.assembly.b * rho * flow**2)


def outside(sweep: PressureDropResult, limits: Limits, flow: float, mu: float, rho: float) -> str:
    """Return why a point lies too far outside the tested range, or an empty string."""
    rows = ~sweep.housing_rows
    tested = sweep.flow[rows]
    nu = sweep.viscosity[rows] / sweep.density[rows]
    wanted = mu / rho
    factor = limits.viscosity_factor
    if not 0 < flow <= tested.max() * limits.flow_factor:
        return (
            f"{flow * 6e4:.4g} L/min is outside the tested flows (up to {tested.max() * 6e4:.4g} "
            f"L/min) of record {sweep.record}"
        )
    if not nu.min() / factor <= wanted <= nu.max() * factor:
        return (
            f"{wanted * 1e6:.4g} mm²/s is more than a factor {factor:g} outside the tested "
            f"viscosities ({nu.min() * 1e6:.4g} mm²/s to {nu.max() * 1e6:.4g} mm²/s) of record "
            f"{sweep.record}"
        )
    return ""


def pressure_components(
    bench: Bench,
    sweeps: Sequence[PressureDropResult],
    flow: float,
    mu: float,
    rho: float,
) -> list[Component]:
    """Return what all specimens share: differential pressure, flow and test temperature [Pa].

    The instruments' errors act on the fitted coefficients, and through them on the pressure drop
    carried to `flow` [m3/s], `mu` [Pa s] and `rho` [kg/m3].
    """
    entries = {record.id: record.entry for record in bench.case.records}
    found: dict[tuple[str, str], tuple[InputAccuracy, float]] = {}
    for sweep in sweeps:
        entry = entries[sweep.record]
        for name, effect in _effects(sweep, flow, mu, rho).items():
            known = _input(bench.case, bench.limits, entry, sweep, name)
            key = (name, known.shared)
            so_far = found[key][1] if key in found else 0.0
            found[key] = (known, so_far + effect * known.u / len(sweeps))
    return [
        Component(
            name=f"{name} of the flow sweeps", u=abs(u), dof=math.inf,
            source=accuracy.source, shared=accuracy.shared,
        )
        for (name, _), (accuracy, u) in found.items()
    ]  # fmt: skip


def _effects(sweep: PressureDropResult, flow: float, mu: float, rho: float) -> dict[str, float]:
    """Return the change of the carried pressure drop [Pa] for a unit error of each input."""
    x = (mu * flow, rho * flow**2)

    def change(slope: tuple[float, float]) -> float:
        return slope[0] * x[0] + slope[1] * x[1]

    return {
        "differential pressure": carried(sweep, flow, mu, rho).total,
        "flow": change(sweep.per_flow),
        "temperature": change(sweep.per_kelvin),
    }


def _input(
    case: Case, limits: Limits, entry: RecordEntry, sweep: PressureDropResult, name: str
) -> InputAccuracy:
    typical = {"differential pressure": sweep.pressure_drop, "flow": sweep.flow}
    value = float(np.median(typical[name])) if name in typical else 1.0
    return accuracy_of(case, limits, entry, name, value)
