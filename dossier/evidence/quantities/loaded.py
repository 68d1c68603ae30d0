"""The loaded filter in the application: the test's loading curve on the application's oil."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dossier.evidence.bench import Bench
from dossier.evidence.limits import Limits
from dossier.evidence.quantities.clean import oil_at, outside
from dossier.evidence.records.reduced import MultipassResult, PressureDropResult
from dossier.evidence.records.usable import usable_runs, usable_sweeps
from dossier.evidence.registry import Side
from dossier.evidence.statistics.estimate import NotDemonstrated, stop_if
from dossier.physics.values import Floats
from dossier.words import say


@dataclass(frozen=True, slots=True, kw_only=True)
class Loaded:
    """One specimen, ready to be loaded at one state of the application's oil."""

    record: str
    """The multi-pass run."""
    sweeps: tuple[str, ...]
    """Records of the flow sweeps: its own, else all of the filter."""
    specimen: str
    mass: Floats
    """Injected contaminant (n,) [kg], increasing."""
    drop: Floats
    """Assembly pressure drop in the application at those masses (n,) [Pa], not falling."""
    viscous: float
    """Clean viscous part of the element [Pa]: the part that grows."""
    clean: float
    """Clean assembly [Pa]."""
    tested: float
    """Highest differential pressure of the assembly in the run [Pa]: nothing is known above it."""

    def at_mass(self, mass: Floats) -> Floats:
        """Return the pressure drop [Pa] at `mass` [kg]; infinite beyond the tested loading.

        Before the first reading the filter counts as loaded to the first reading.
        """
        inside = np.interp(mass, self.mass, self.drop)
        result: Floats = np.where(mass <= self.mass[-1], inside, np.inf)
        return result

    def mass_to(self, limit: float) -> tuple[float, bool]:
        """Return the mass [kg] at which the drop reaches `limit` [Pa], and if it was reached.

        Where the run ended below the limit, the largest tested mass comes back with False.
        """
        if not self.drop[0] < limit:
            return 0.0, True
        if self.drop[-1] < limit:
            return float(self.mass[-1]), False
        return float(self.masses_to(np.array([limit]))[0]), True

    def masses_to(self, limits: Floats) -> Floats:
        """Return the masses (m,) [kg] at which the drop first reaches each of `limits` (m,) [Pa].

        Zero where the first reading reaches it, the largest tested mass where none does.
        """
        after = np.searchsorted(self.drop, limits, side="left")
        at = np.clip(after, 1, len(self.drop) - 1)
        x0, y0 = self.mass[at - 1], self.drop[at - 1]
        rise = np.where(self.drop[at] > y0, self.drop[at] - y0, 1.0)
        inside = x0 + (self.mass[at] - x0) * (limits - y0) / rise
        beyond = np.where(after > len(self.drop) - 1, self.mass[-1], inside)
        masses: Floats = np.where(limits > self.drop[0], beyond, 0.0)
        return masses


def loaded_specimens(
    bench: Bench, side: Side, flow: float, temperature: float
) -> tuple[Loaded, ...]:
    """Return every specimen of one side at `flow` [m3/s] and oil `temperature` [K].

    The element's viscous part grows as it did in the run; housing and inertial parts stay
    (common practice).  Each specimen's own sweep is used; one without a sweep takes the mean of
    the filter's sweeps.
    """
    runs = usable_runs(bench, side)
    sweeps = usable_sweeps(bench, side)
    mu, rho = oil_at(bench, temperature)
    for sweep in sweeps:
        stop_if(outside(sweep, bench.limits, flow, mu, rho), sweep.record)
    found = []
    for run in runs:
        why = far_from_run(run, bench.limits, flow) or _too_thick(run, bench.limits, mu / rho)
        stop_if(why, run.record)
        found.append(_loaded(run, sweeps, flow, mu, rho))
    return tuple(found)


def far_from_run(run: MultipassResult, limits: Limits, flow: float) -> str:
    """Return why a run says nothing at a `flow` [m3/s], or an empty string."""
    factor = limits.run_flow_factor
    if run.flow / factor <= flow <= run.flow * factor:
        return ""
    return say(
        "{flow:.4g} L/min is more than a factor {factor:g} from the {tested:.4g} L/min of the run "
        "in record {record}",
        flow=flow * 6e4, factor=factor, tested=run.flow * 6e4, record=run.record,
    )  # fmt: skip


def _too_thick(run: MultipassResult, limits: Limits, nu: float) -> str:
    """Return why the loading of a run cannot be carried to a viscosity [m2/s], or nothing."""
    factor, tested = limits.run_viscosity_factor, run.viscosity / run.density
    if tested / factor <= nu <= tested * factor:
        return ""
    return say(
        "{nu:.4g} mm²/s is more than a factor {factor:g} from the {tested:.4g} mm²/s of the run in "
        "record {record}",
        nu=nu * 1e6, factor=factor, tested=tested * 1e6, record=run.record,
    )  # fmt: skip


def _loaded(
    run: MultipassResult, sweeps: tuple[PressureDropResult, ...], flow: float, mu: float, rho: float
) -> Loaded:
    own = [sweep for sweep in sweeps if sweep.specimen == run.specimen] or list(sweeps)
    a = float(np.mean([sweep.assembly.a for sweep in own]))
    b = float(np.mean([sweep.assembly.b for sweep in own]))
    housings = [sweep.housing.a for sweep in own if sweep.housing is not None]
    a_housing = float(np.mean(housings)) if housings else 0.0
    still = a_housing * run.viscosity * run.flow + b * run.density * run.flow**2
    start = float(run.curve[0]) - still
    if not (start > 0 and a > a_housing):
        reason = say(
            "record {record}: the clean element's viscous part is not above zero, so that its "
            "growth cannot be carried to the application",
            record=run.record,
        )
        raise NotDemonstrated(reason, (run.record,))
    viscous = (a - a_housing) * mu * flow
    rest = a_housing * mu * flow + b * rho * flow**2
    corners = _corners(run.curve)
    growth = (run.curve[corners] - still) / start
    return Loaded(
        record=run.record,
        sweeps=tuple(sweep.record for sweep in own),
        specimen=run.specimen,
        mass=run.mass[corners],
        drop=rest + viscous * growth,
        viscous=viscous,
        clean=rest + viscous,
        tested=run.terminal + run.housing,
    )


def _corners(curve: Floats) -> NDArray[np.int64]:
    """Return the places of a never falling curve (n,) that its straight lines need.

    Inside a level part every reading is on the line between its ends: leaving them out changes no
    interpolated value, and a long record has few that are left.
    """
    rises = np.flatnonzero(np.diff(curve) != 0.0)
    return np.unique(np.concatenate([[0], rises, rises + 1, [len(curve) - 1]])).astype(np.int64)
