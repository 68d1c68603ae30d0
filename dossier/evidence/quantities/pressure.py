"""Clean pressure drop, and the oil temperature at which the clean filter opens the valve."""

from collections.abc import Sequence

import numpy as np

from dossier.case.application import Oil
from dossier.evidence.bench import Bench
from dossier.evidence.quantities.clean import (
    FIT,
    carried,
    clean_estimate,
    of_the_fit,
    oil_at,
    outside,
    pressure_components,
)
from dossier.evidence.quantities.valve import opening_pressure
from dossier.evidence.records.fluid import fluid_at
from dossier.evidence.records.reduced import PressureDropResult
from dossier.evidence.records.usable import usable_sweeps
from dossier.evidence.registry import RATED_FLOW, Condition, Conditions, Quantity, Side
from dossier.evidence.statistics.combine import combine_results, widening
from dossier.evidence.statistics.estimate import Component, Estimate, NotDemonstrated, stop_if
from dossier.physics.pressure_drop import opening_temperature
from dossier.words import later, say

WARMTH = Condition(name="temperature", dimension="temperature", unit="degC")
STANDARD = (
    "ISO 4548-1:1997 and ISO 3968:2017 for the sweep (abstracts seen); ASTM D341 and ASTM D1250 "
    "for the oil; the two-term fit is the Darcy-Forchheimer form"
)
COLDEST, WARMEST = 233.15, 423.15
"""Range searched for the opening temperature [K]."""


@Quantity(
    title="Clean pressure drop",
    symbol="Δp₀",
    dimension="pressure",
    unit="kPa",
    conditions=(RATED_FLOW, WARMTH),
    section="pressure",
    records=("pressure_drop",),
    better="lower",
    meaning="Differential pressure of the clean assembly with the application's oil.",
    formula="Δp = a·µ·Q + b·ρ·Q², µ = ν·ρ, lg lg(ν + 0.7) = A − B·lg T",
    standard=STANDARD,
    example='quantity = "clean_pressure_drop"\n'
    'at = { flow = "80 L/min", temperature = "100 degC" }\nmax = "32 kPa"',
)
def clean_pressure_drop(bench: Bench, side: Side, at: Conditions) -> Estimate:
    """Return the clean assembly's pressure drop [Pa] at `at["flow"]`, `at["temperature"]`.

    Refused when flow or viscosity lie too far outside the tested range.
    """
    sweeps = usable_sweeps(bench, side)
    mu, rho = oil_at(bench, at["temperature"])
    for sweep in sweeps:
        stop_if(outside(sweep, bench.limits, at["flow"], mu, rho), sweep.record)
    return clean_estimate(bench, sweeps, (at["flow"], mu, rho), _range_notes(sweeps, mu / rho))


def _range_notes(sweeps: Sequence[PressureDropResult], nu: float) -> tuple[str, ...]:
    low = min(float((s.viscosity / s.density).min()) for s in sweeps)
    high = max(float((s.viscosity / s.density).max()) for s in sweeps)
    if low <= nu <= high:
        return ()
    return (
        say(
            "carried to {nu:.3g} mm²/s, beyond the tested {low:.3g} mm²/s to {high:.3g} mm²/s",
            nu=nu * 1e6, low=low * 1e6, high=high * 1e6,
        ),
    )  # fmt: skip


@Quantity(
    title="Oil temperature at which the clean filter opens the valve",
    symbol="tv",
    dimension="temperature",
    unit="degC",
    conditions=(RATED_FLOW,),
    section="pressure",
    records=("pressure_drop", "bypass_valve"),
    better="lower",
    share_of="",
    meaning="Above this oil temperature the clean filter no longer opens the bypass valve.",
    formula="Δp(tv, Q) = lowest opening pressure of the valve, solved for the temperature",
    standard=STANDARD,
    example='quantity = "cold_bypass_temperature"\nat = { flow = "80 L/min" }\nmax = "50 degC"',
)
def cold_bypass_temperature(bench: Bench, side: Side, at: Conditions) -> Estimate:
    """Return the oil temperature [K] below which the clean filter opens the valve at full flow."""
    sweeps = usable_sweeps(bench, side)
    opening = opening_pressure(bench, side)
    flow, oil = at["flow"], bench.case.application.oil
    found = [_opening_temperature(bench, sweep, oil, flow, opening.value) for sweep in sweeps]
    return _temperature_estimate(bench, sweeps, found, oil, flow, opening)


def _opening_temperature(
    bench: Bench, sweep: PressureDropResult, oil: Oil, flow: float, opening: float
) -> float:
    def drop(temperature: float) -> float:
        mu, rho = fluid_at(oil, temperature)
        return carried(sweep, flow, mu, rho)

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
    bench: Bench,
    sweeps: Sequence[PressureDropResult],
    found: Sequence[float],
    oil: Oil,
    flow: float,
    opening: Estimate,
) -> Estimate:
    """Carry the pressure drop's uncertainties through the slope of temperature on pressure."""
    slopes, own = [], []
    for sweep, temperature in zip(sweeps, found, strict=True):
        ends = [carried(sweep, flow, *fluid_at(oil, temperature + step)) for step in (-0.5, 0.5)]
        slopes.append(1.0 / abs(ends[1] - ends[0]))
        own.append(of_the_fit(sweep, flow, *fluid_at(oil, temperature)) * slopes[-1])
    slope = float(np.mean(slopes))
    warmth = fluid_at(oil, float(np.mean(found)))
    shared = [c.times(slope) for c in pressure_components(bench, sweeps, flow, *warmth)]
    shared += [
        Component(
            name=later("opening pressure of the valve"), u=opening.u * slope, dof=opening.dof,
            source="; ".join(opening.notes),
        )
    ] * (opening.u > 0)  # fmt: skip
    records = [sweep.record for sweep in sweeps]
    shared += [c.times(slope) for c in widening(bench, records, opening.value)]
    return combine_results(
        sweeps, found, own, shared, unit="K", own_name=FIT, notes=opening.notes,
        laboratories=bench.laboratories,
    )  # fmt: skip
