"""Clean pressure drop at any oil and flow, and the oil temperature at which it opens the valve."""

import math
from collections.abc import Iterator, Sequence
from dataclasses import replace
from functools import partial

import numpy as np

from dossier.case.model import RecordEntry
from dossier.evidence.bench import Bench
from dossier.evidence.limits import Limits
from dossier.evidence.quantities.valve import lowest_opening
from dossier.evidence.records.fluid import fluid_at, temperature_of, viscosity_accuracy
from dossier.evidence.records.instruments import InputAccuracy, accuracy_of
from dossier.evidence.records.reduced import PressureDropResult
from dossier.evidence.records.usable import usable_sweeps
from dossier.evidence.registry import RATED_FLOW, Conditions, Quantity, StatedAt
from dossier.evidence.spoken import Side
from dossier.evidence.statistics.between import BETWEEN, between
from dossier.evidence.statistics.combine import budget, combine_results, once, widening
from dossier.evidence.statistics.estimate import Component, Estimate, NotDemonstrated, stop_if
from dossier.physics.pressure_drop import opening_temperature
from dossier.words import later, say

OIL = later("viscosity of the application's oil")
FIT = later("fit of each sweep")
OF_THE_SWEEPS = {
    "differential pressure": later("differential pressure of the flow sweeps"),
    "flow": later("flow of the flow sweeps"),
    "temperature": later("temperature of the flow sweeps"),
    "viscosity": later("viscosity of the fluid of the flow sweeps"),
    BETWEEN: BETWEEN,
}
"""What the instruments of a flow sweep contribute."""


def oil_at(bench: Bench, temperature: float) -> tuple[float, float]:
    """Return viscosity [Pa s] and density [kg/m3] of the application's oil at that temperature [K].

    Raises NotDemonstrated where they cannot be computed.
    """
    try:
        return fluid_at(bench.case.application.oil, temperature)
    except ValueError as error:
        raise NotDemonstrated(say("oil of the application: {error}", error=error)) from None


def outside(sweep: PressureDropResult, limits: Limits, flow: float, mu: float, rho: float) -> str:
    """Return why a point lies too far outside the tested range, or an empty string."""
    tested, viscosities, densities, read = sweep.rows
    nu, wanted, factor = viscosities / densities, mu / rho, limits.viscosity_factor
    if not 0 < flow <= tested.max() * limits.flow_factor:
        words = later(
            "{flow:.4g} L/min is outside the tested flows (up to {most:.4g} L/min) of record "
            "{record}"
        )
        return say(words, flow=flow * 6e4, most=tested.max() * 6e4, record=sweep.record)
    if not nu.min() / factor <= wanted <= nu.max() * factor:
        words = later(
            "{wanted:.4g} mm²/s is more than a factor {factor:g} outside the tested viscosities "
            "({low:.4g} mm²/s to {high:.4g} mm²/s) of record {record}"
        )
        ends = {"low": nu.min() * 1e6, "high": nu.max() * 1e6, "wanted": wanted * 1e6}
        return say(words, factor=factor, record=sweep.record, **ends)
    drop, most = sweep.assembly.at(flow, mu, rho), float(read.max())
    if not drop <= most * limits.flow_factor:
        words = later(
            "{drop:.4g} kPa would be more than the {most:.4g} kPa that record {record} was swept to"
        )
        return say(words, drop=drop / 1e3, most=most / 1e3, record=sweep.record)
    return ""


def pressure_components(
    bench: Bench, sweeps: Sequence[PressureDropResult], flow: float, mu: float, rho: float
) -> list[Component]:
    """Return what all specimens share: differential pressure, flow and test temperature [Pa].

    The errors of instruments and viscosities act on the fitted coefficients, and through them on
    the pressure drop carried to `flow` [m3/s], `mu` [Pa s] and `rho` [kg/m3].
    """
    x = (mu * flow, rho * flow**2)
    parts = budget(
        (OF_THE_SWEEPS[name], known, (slope[0] * x[0] + slope[1] * x[1]) * known.u / len(sweeps))
        for sweep in sweeps
        for name, slope, known in sweep_inputs(bench, sweep)
    )
    known = oil_accuracy(bench, mu, rho)
    viscous = float(np.mean([sweep.assembly.a for sweep in sweeps])) * x[0]
    oil = Component(name=OIL, u=viscous * known.u, source=known.source, shared=known.shared)
    return [*parts, oil]


def of_the_fit(sweep: PressureDropResult, flow: float, mu: float, rho: float) -> float:
    """Return the fit's own uncertainty of the carried pressure drop [Pa]."""
    x = np.array([mu * flow, rho * flow**2])
    return math.sqrt(max(0.0, float(x @ sweep.assembly.covariance @ x)))


Sweeps = Sequence[PressureDropResult]
Point = tuple[float, float, float]
"""Flow [m3/s], viscosity [Pa s] and density [kg/m3]."""


def clean_estimate(bench: Bench, sweeps: Sweeps, at: Point, notes: Sequence[str] = ()) -> Estimate:
    """Return the clean pressure drop [Pa] `at` a flow [m3/s], mu [Pa s] and rho [kg/m3]."""
    values = [sweep.assembly.at(*at) for sweep in sweeps]
    own = [of_the_fit(sweep, *at) for sweep in sweeps]
    shared = pressure_components(bench, sweeps, *at)
    shared += widening(bench, [sweep.record for sweep in sweeps], float(np.mean(values)))
    return combine_results(bench, sweeps, values, own, shared, own_name=FIT, notes=notes)


@once("pressure")
def sweep_inputs(
    bench: Bench, sweep: PressureDropResult
) -> list[tuple[str, tuple[float, float], InputAccuracy]]:
    """Return each input of a sweep: name, change of a and b for a unit error, and its accuracy.

    An error of one is relative, or a kelvin.
    """
    entries = bench.entries
    entry, whole = entries[sweep.record], (sweep.assembly.a, sweep.assembly.b)
    inputs = (
        ("differential pressure", whole, float(np.median(sweep.pressure_drop))),
        ("flow", sweep.per_flow, float(np.median(sweep.flow))),
        ("temperature", sweep.per_kelvin, 1.0),
    )
    found = [
        (name, slope, accuracy_of(bench.case, bench.limits, entry, name, value))
        for name, slope, value in inputs
    ]
    found += [("viscosity", slope, known) for slope, known in _viscosity(bench, entry, sweep)]
    like = [each for each in bench.pressure if (each.side, each.path) == (sweep.side, sweep.path)]
    among = [entries[each.record] for each in like]
    other = between(bench, entry, "differential pressure", among)
    if other is not None:
        found.append((BETWEEN, whole, other))
    return found


def _viscosity(
    bench: Bench, entry: RecordEntry, sweep: PressureDropResult
) -> Iterator[tuple[tuple[float, float], InputAccuracy]]:
    """Yield what the fluid's viscosity does: each of the two as stated, else all of it at once."""
    assert entry.fluid is not None
    fluid, house = bench.case.fluid(entry.fluid), bench.case.laboratory_of(entry)
    for key, slope in zip(("kv40", "kv100"), sweep.per_viscosity, strict=True):
        one, shared = getattr(fluid, key), f"{house}:{fluid.id}:{key}"
        if fluid.kv40.u is None or fluid.kv100.u is None:
            known = viscosity_accuracy(bench.limits, fluid, shared, 0.0)
            yield (-sweep.assembly.a, 0.0), replace(known, laboratory=house)
            return
        known = InputAccuracy(u=one.u / one.value, source=fluid.id, shared=shared)
        yield slope, replace(known, laboratory=f"{house}:{key}")


def oil_accuracy(bench: Bench, mu: float, rho: float) -> InputAccuracy:
    """Return how well the viscosity of the application's oil is known where it is `mu` [Pa s]."""
    oil = bench.case.application.oil
    return viscosity_accuracy(bench.limits, oil, "oil", temperature_of(oil, mu / rho))


WARMTH = StatedAt(name="temperature", dimension="temperature", unit="degC")
STANDARD = (
    "ISO 4548-1:1997 and ISO 3968:2017 for the sweep (abstracts seen); ASTM D341 and ASTM D1250 "
    "for the oil; the two-term fit is the Darcy-Forchheimer form"
)
COLDEST, WARMEST = 233.15, 423.15
"""Range searched for the opening temperature [K]."""


_declared = partial(Quantity, section="pressure", better="lower", standard=STANDARD)


@_declared(
    title="Clean pressure drop",
    symbol="Δp₀",
    dimension="pressure",
    unit="kPa",
    conditions=(RATED_FLOW, WARMTH),
    records=("pressure_drop",),
    meaning="Differential pressure of the clean assembly with the application's oil.",
    formula="Δp = a·µ·Q + b·ρ·Q², µ = ν·ρ, lg lg(ν + 0.7) = A − B·lg T",
    example='at = { flow = "80 L/min", temperature = "100 degC" }\nmax = "32 kPa"',
)
def clean_pressure_drop(bench: Bench, side: Side, at: Conditions) -> Estimate:
    """Return the clean assembly's pressure drop [Pa] at `at["flow"]`, `at["temperature"]`.

    Refused when flow or viscosity lie too far outside the tested range.
    """
    sweeps = usable_sweeps(bench, side)
    mu, rho = oil_at(bench, at["temperature"])
    for sweep in sweeps:
        stop_if(outside(sweep, bench.limits, at["flow"], mu, rho), sweep.record)
    return clean_estimate(bench, sweeps, (at["flow"], mu, rho), range_notes(sweeps, mu / rho))


def range_notes(sweeps: Sequence[PressureDropResult], nu: float) -> tuple[str, ...]:
    """Return that a viscosity `nu` [m2/s] lies beyond those that were swept, if it does."""
    low, high = min(s.swept[0] for s in sweeps), max(s.swept[1] for s in sweeps)
    if low <= nu <= high:
        return ()
    words = later(
        "carried to {nu:.3g} mm²/s, beyond the tested {low:.3g} mm²/s to {high:.3g} mm²/s"
    )
    return (say(words, nu=nu * 1e6, low=low * 1e6, high=high * 1e6),)


@_declared(
    title="Oil temperature at which the clean filter opens the valve",
    symbol="tv",
    dimension="temperature",
    unit="degC",
    conditions=(RATED_FLOW,),
    records=("pressure_drop", "bypass_valve"),
    share_of="",
    meaning="Above this oil temperature the clean filter no longer opens the bypass valve.",
    formula="Δp(tv, Q) = lowest opening pressure of the valve, solved for the temperature",
    example='at = { flow = "80 L/min" }\nmax = "50 degC"',
)
def cold_bypass_temperature(bench: Bench, side: Side, at: Conditions) -> Estimate:
    """Return the oil temperature [K] below which the clean filter opens the valve at full flow."""
    sweeps = usable_sweeps(bench, side)
    opening = lowest_opening(bench, side)
    found = [_opening_temperature(bench, each, at["flow"], opening.value) for each in sweeps]
    return _temperature_estimate(bench, sweeps, found, at["flow"], opening)


def _opening_temperature(
    bench: Bench, sweep: PressureDropResult, flow: float, opening: float
) -> float:
    oil = bench.case.application.oil

    def drop(temperature: float) -> float:
        return sweep.assembly.at(flow, *fluid_at(oil, temperature))

    try:
        value, bound = opening_temperature(drop, opening, COLDEST, WARMEST)
    except ValueError as error:
        reason = say("record {record}: {reason}", record=sweep.record, reason=error)
        raise NotDemonstrated(reason, (sweep.record,)) from None
    if bound:
        words = later("record {record}: the valve opens at no temperature or at every one")
        raise NotDemonstrated(say(words, record=sweep.record), (sweep.record,))
    stop_if(outside(sweep, bench.limits, flow, *fluid_at(oil, value)), sweep.record)
    return float(value)


def _temperature_estimate(
    bench: Bench, sweeps: Sweeps, found: Sequence[float], flow: float, opening: Estimate
) -> Estimate:
    """Carry the pressure drop's uncertainties through the slope of temperature on pressure."""
    oil, slopes, own = bench.case.application.oil, [], []
    for sweep, temperature in zip(sweeps, found, strict=True):
        near = (fluid_at(oil, temperature + step) for step in (-0.5, 0.5))
        ends = [sweep.assembly.at(flow, *each) for each in near]
        slopes.append(1.0 / abs(ends[1] - ends[0]))
        own.append(of_the_fit(sweep, flow, *fluid_at(oil, temperature)) * slopes[-1])
    slope = float(np.mean(slopes))
    warmth = fluid_at(oil, float(np.mean(found)))
    shared = [c.times(slope) for c in pressure_components(bench, sweeps, flow, *warmth)]
    of_valve, source = later("opening pressure of the valve"), "; ".join(opening.notes)
    if opening.u > 0:
        u = opening.u * slope
        shared.append(Component(name=of_valve, u=u, dof=opening.dof, source=source))
    records = [sweep.record for sweep in sweeps]
    shared += [c.times(slope) for c in widening(bench, records, opening.value)]
    return combine_results(bench, sweeps, found, own, shared, own_name=FIT, notes=opening.notes)
