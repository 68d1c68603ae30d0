"""What a filter takes up until its terminal pressure, and what it resists while it loads."""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial

import numpy as np
from numpy.typing import NDArray

from dossier.case.model import RecordEntry
from dossier.evidence.bench import Bench
from dossier.evidence.limits import Limits
from dossier.evidence.quantities.pressure import oil_at, outside
from dossier.evidence.records.instruments import accuracy_of
from dossier.evidence.records.reduced import MultipassResult, PressureDropResult
from dossier.evidence.records.usable import usable_runs, usable_sweeps
from dossier.evidence.registry import Conditions, Quantity
from dossier.evidence.spoken import Side
from dossier.evidence.statistics.between import BETWEEN, between
from dossier.evidence.statistics.combine import budget, combine_results, once, widening
from dossier.evidence.statistics.estimate import Component, Estimate, NotDemonstrated, stop_if
from dossier.physics.values import Bounded, Floats
from dossier.words import later, say

INJECTION_FLOW = later("injection flow")
STANDARD = "ISO 4548-12:2017 and ISO 16889:2022 (from memory)"
_mass = partial(Quantity, dimension="mass", unit="g", section="capacity", better="higher")
_declared = partial(_mass, records=("multipass",), standard=STANDARD)


def injection_flow_components(
    bench: Bench, runs: Sequence[MultipassResult], effects: Sequence[float]
) -> list[Component]:
    """Return the injection flow's calibration, and what other rigs would find, as components.

    `effects` (n): change of each specimen's result for a relative error of one [unit of result].
    """
    among = [bench.entries[run.record] for run in runs]
    found = []
    for run, entry, effect in zip(runs, among, effects, strict=True):
        own = accuracy_of(bench.case, bench.limits, entry, "injection flow", run.injection_flow)
        inputs = (INJECTION_FLOW, own), (BETWEEN, between(bench, entry, "injection flow", among))
        found += [(name, k, effect / len(runs) * k.u) for name, k in inputs if k is not None]
    return budget(found)


def injection_level_u(bench: Bench, entry: RecordEntry) -> float:
    """Return the relative standard uncertainty of a run's mean injection level [-].

    From the stated uncertainties of the two samples, else from the accuracy that the standard
    allows (rectangular); half the difference of the samples is added as a drift (rectangular).
    """
    ends = entry.conditions.injection_concentration
    assert ends is not None
    mean = 0.5 * (ends.start.value + ends.end.value)
    drift = 0.5 * abs(ends.start.value - ends.end.value) / mean / math.sqrt(3.0)
    if ends.start.u is not None and ends.end.u is not None:
        stated = 0.5 * math.hypot(ends.start.u, ends.end.u) / mean
    else:
        stated = bench.limits.accuracy["injection level"] / math.sqrt(3.0)
    return math.hypot(stated, 0.5 * drift)


def _final_u(bench: Bench, entry: RecordEntry, run: MultipassResult) -> float:
    """Return the uncertainty of the mass left in the system [kg]."""
    final, volume = entry.conditions.final_concentration, entry.conditions.system_volume
    if run.balance is None or final is None or volume is None:
        return 0.0
    level, filled = (
        stated.u / stated.value
        if stated.u is not None and stated.value > 0
        else bench.limits.accuracy[name] / math.sqrt(3.0)
        for stated, name in ((final, "final level"), (volume, "system volume"))
    )
    return run.balance.left_in_system * math.hypot(level, filled)


def _capacity(
    bench: Bench, side: Side, mass_of: Callable[[MultipassResult], float], with_balance: bool
) -> Estimate:
    runs = usable_runs(bench, side)
    values = [mass_of(run) for run in runs]
    own = []
    for run in runs:
        level = injection_level_u(bench, bench.entries[run.record]) * run.injected
        final = _final_u(bench, bench.entries[run.record], run) if with_balance else 0.0
        own.append(math.hypot(level, final))
    shared = injection_flow_components(bench, runs, [run.injected for run in runs])
    shared += widening(bench, [run.record for run in runs], float(np.mean(values)))
    name, notes = later("gravimetry of each run"), (_notes(bench.entries[runs[0].record]),)
    return combine_results(bench, runs, values, own, shared, own_name=name, notes=notes)


def _notes(entry: RecordEntry) -> str:
    ends = entry.conditions.injection_concentration
    if ends is not None and ends.start.u is not None and ends.end.u is not None:
        return say("uncertainty of the injection level as the laboratory states it")
    return say("no uncertainty of the injection level stated: the standard's accuracy stands in")


@_declared(
    title="Injected capacity",
    symbol="mi",
    meaning="Contaminant injected up to the terminal differential pressure.",
    formula="mi = ci·qi·tf",
    example='min = "40 g"',
)
def injected_capacity(bench: Bench, side: Side, at: Conditions) -> Estimate:
    """Return the injected mass to the terminal differential pressure [kg]."""
    return _capacity(bench, side, lambda run: run.injected, with_balance=False)


@_declared(
    title="Retained capacity",
    symbol="mR",
    meaning="Contaminant that the filter holds at its terminal differential pressure.",
    formula="mR = ci·qi·tf − c·V − c·qu·tf − (c − cb)·qd·tf",
    example='min = "36 g"',
)
def retained_capacity(bench: Bench, side: Side, at: Conditions) -> Estimate:
    """Return the retained mass [kg]: injected less what stayed in the system or was drawn off."""
    return _capacity(bench, side, _retained, with_balance=True)


def _retained(run: MultipassResult) -> float:
    if run.balance is None:
        reason = say("record {record}: {reason}", record=run.record, reason=run.missing_balance)
        raise NotDemonstrated(reason, (run.record,))
    return run.balance.retained


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
    clean: float
    """Clean assembly [Pa]."""
    tested: float
    """Highest differential pressure of the assembly in the run [Pa]: nothing is known above it."""

    def at_mass(self, mass: Floats) -> Floats:
        """Return the pressure drop [Pa] at `mass` [kg]; infinite beyond the tested loading.

        Before the first reading the filter counts as loaded to the first reading.
        """
        inside = np.interp(mass, self.mass, self.drop)
        return np.where(mass <= self.mass[-1], inside, np.inf)

    def mass_to(self, limit: float) -> Bounded:
        """Return the mass [kg] at which the drop reaches `limit` [Pa].

        Where the run ended below the limit, it is larger than the largest tested mass.
        """
        mass = float(self.masses_to(np.array([limit]))[0])
        return Bounded(mass, "larger than" if self.drop[-1] < limit else "")

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
        return np.where(limits > self.drop[0], beyond, 0.0)


@once("oil", "multipass", "pressure")
def loaded_specimens(bench: Bench, side: Side, flow: float, warmth: float) -> tuple[Loaded, ...]:
    """Return every specimen of one side at `flow` [m3/s] and oil of `warmth` [K].

    The element's viscous part grows as it did in the run; housing and inertial parts stay
    (common practice).  Each specimen's own sweep is used; one without a sweep takes the mean of
    the filter's sweeps.
    """
    runs = usable_runs(bench, side)
    sweeps = usable_sweeps(bench, side)
    mu, rho = oil_at(bench, warmth)
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
    words = later(
        "{flow:.4g} L/min is more than a factor {factor:g} from the {tested:.4g} L/min of the run "
        "in record {record}"
    )
    return say(words, flow=flow * 6e4, factor=factor, tested=run.flow * 6e4, record=run.record)


def _too_thick(run: MultipassResult, limits: Limits, nu: float) -> str:
    """Return why the loading of a run cannot be carried to a viscosity [m2/s], or nothing."""
    factor, tested = limits.run_viscosity_factor, run.viscosity / run.density
    if tested / factor <= nu <= tested * factor:
        return ""
    words = later(
        "{nu:.4g} mm²/s is more than a factor {factor:g} from the {tested:.4g} mm²/s of the run in "
        "record {record}"
    )
    return say(words, nu=nu * 1e6, factor=factor, tested=tested * 1e6, record=run.record)


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
