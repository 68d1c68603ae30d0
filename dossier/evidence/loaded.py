"""The loaded filter in the application: the test's loading curve on the application's oil."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dossier.evidence.bench import Bench
from dossier.evidence.clean import outside
from dossier.evidence.estimate import NotDemonstrated
from dossier.evidence.fluid import fluid_at
from dossier.evidence.reduced import MultipassResult, PressureDropResult
from dossier.evidence.registry import Side
from dossier.evidence.usable import usable_runs, usable_sweeps
from dossier.words import say

__all__ = ["Loaded", "loaded_specimens"]

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Loaded:
    """One specimen, ready to be loaded at one state of the application's oil."""

    record: str
    """The multi-pass run."""
    sweep: str
    """The flow sweep."""
    specimen: str
    mass: Floats
    """Injected contaminant (n,) [kg], increasing."""
    drop: Floats
    """Assembly pressure drop in the application at those masses (n,) [Pa], not falling."""
    viscous: float
    """Clean viscous part of the element [Pa]: the part that grows."""
    clean: float
    """Clean assembly [Pa]."""

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
) -> tuple[Loaded, ...] | NotDemonstrated:
    """Return every specimen of one side at `flow` [m3/s] and oil `temperature` [K].

    The element's viscous part grows as it did in the run; housing and inertial parts stay
    (common practice).  Each specimen's own sweep is used; one without a sweep takes the mean of
    the filter's sweeps.
    """
    runs = usable_runs(bench, side)
    if isinstance(runs, NotDemonstrated):
        return runs
    sweeps = usable_sweeps(bench, side)
    if isinstance(sweeps, NotDemonstrated):
        return sweeps
    try:
        mu, rho = fluid_at(bench.case.application.oil, temperature)
    except ValueError as error:
        return NotDemonstrated(reason=say("oil of the application: {error}", error=error))
    for sweep in sweeps:
        why = outside(sweep, bench.limits, flow, mu, rho)
        if why:
            return NotDemonstrated(reason=why, records=(sweep.record,))
    found = []
    for run in runs:
        one = _loaded(run, sweeps, flow, mu, rho)
        if isinstance(one, NotDemonstrated):
            return one
        found.append(one)
    return tuple(found)


def _loaded(
    run: MultipassResult,
    sweeps: tuple[PressureDropResult, ...],
    flow: float,
    mu: float,
    rho: float,
) -> Loaded | NotDemonstrated:
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
        return NotDemonstrated(reason=reason, records=(run.record,))
    viscous = (a - a_housing) * mu * flow
    rest = a_housing * mu * flow + b * rho * flow**2
    corners = _corners(run.curve)
    growth = (run.curve[corners] - still) / start
    return Loaded(
        record=run.record,
        sweep=own[0].record if len(own) == 1 else say("mean of the sweeps"),
        specimen=run.specimen,
        mass=run.mass[corners],
        drop=rest + viscous * growth,
        viscous=viscous,
        clean=rest + viscous,
    )


def _corners(curve: Floats) -> NDArray[np.int64]:
    """Return the places of a never falling curve (n,) that its straight lines need.

    Inside a level part every reading is on the line between its ends: leaving them out changes no
    interpolated value, and a long record has few that are left.
    """
    rises = np.flatnonzero(np.diff(curve) != 0.0)
    return np.unique(np.concatenate([[0], rises, rises + 1, [len(curve) - 1]])).astype(np.int64)
