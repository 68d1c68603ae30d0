"""The bypass valve: where it opens and reseats, what it leaks shut and resists open."""

from dataclasses import replace

from dossier.evidence.bench import Bench
from dossier.evidence.records.measured import column_of
from dossier.evidence.records.valve_sweeps import (
    Read,
    ValveSweep,
    from_sweeps,
    inside,
    opening_from_sweep,
    step_at,
)
from dossier.evidence.registry import Condition, Conditions, Side, quantity
from dossier.evidence.statistics.estimate import Estimate, NotDemonstrated
from dossier.physics import valve
from dossier.words import later, say

PRESSURE = Condition(name="pressure", dimension="pressure", unit="kPa")
FLOW = Condition(name="flow", dimension="flow", unit="L/min", default="circuit.rated_flow")
STANDARD = (
    "ISO 4548-2:1997 (overview seen); the flow at which the valve counts as open is the record's"
)


@quantity(
    name="valve_opening_pressure",
    title="Opening pressure of the bypass valve",
    symbol="po",
    dimension="pressure",
    unit="kPa",
    section="strength",
    records=("bypass_valve",),
    better="neither",
    meaning="Differential pressure at which the flow through the valve first reaches the "
    "criterion, rising.",
    formula="po = Δp at q = q_criterion on the rising sweep, linear between rows; no extrapolation",
    standard=STANDARD,
    example='quantity = "valve_opening_pressure"\n'
    'between = { min = "140 kPa", max = "180 kPa" }\nbasis = "every_specimen"',
)
def valve_opening_pressure(bench: Bench, side: Side, at: Conditions) -> Estimate | NotDemonstrated:
    """Return the opening pressure [Pa] at the record's criterion flow; a bound beyond the sweep."""
    return from_sweeps(bench, side, opening_from_sweep, result="pressure")


@quantity(
    name="valve_reseat_pressure",
    title="Reseating pressure of the bypass valve",
    symbol="pr",
    dimension="pressure",
    unit="kPa",
    section="strength",
    records=("bypass_valve",),
    better="higher",
    meaning="Differential pressure below which the valve is shut again, falling.",
    formula="pr = Δp at q = q_criterion on the falling sweep, linear between rows; "
    "no extrapolation",
    standard=STANDARD,
    example='quantity = "valve_reseat_pressure"\nmin = "110 kPa"',
)
def valve_reseat_pressure(bench: Bench, side: Side, at: Conditions) -> Estimate | NotDemonstrated:
    """Return the reseating pressure [Pa] at the record's criterion flow."""
    return from_sweeps(bench, side, _reseat, result="pressure")


def _reseat(sweep: ValveSweep, flow: float) -> Read:
    p, q = sweep.falling
    if not bool((q > flow).any()):
        raise ValueError(say("the valve is not open on the falling sweep: no reseating was seen"))
    value, bound = valve.reseat_pressure(p, q, flow)
    return Read(value, bound, 0.0 if bound else step_at(q, p, flow))


@quantity(
    name="valve_leakage",
    title="Leakage of the shut bypass valve",
    symbol="ql",
    dimension="volume rate",
    unit="mL/min",
    conditions=(PRESSURE,),
    section="strength",
    records=("bypass_valve",),
    better="lower",
    meaning="Flow past the valve at a differential pressure below its opening, rising.",
    formula="ql = q at Δp on the rising sweep, linear between rows, the largest if passed more "
    "than once; no extrapolation",
    standard=STANDARD,
    example='quantity = "valve_leakage"\nat = { pressure = "100 kPa" }\nmax = "100 mL/min"',
)
def valve_leakage(bench: Bench, side: Side, at: Conditions) -> Estimate | NotDemonstrated:
    """Return the leakage [m3/s] at the differential pressure `at["pressure"]` [Pa]."""
    found = from_sweeps(bench, side, _leakage, result="flow", at=at["pressure"])
    if isinstance(found, NotDemonstrated) and _single_result(bench, side):
        words = later("{reason}; a valve leakage among the measurements states no pressure")
        reason = say(words, reason=found.reason)
        return replace(found, reason=reason)
    return found


def _single_result(bench: Bench, side: Side) -> bool:
    return any(
        record.entry.filter == side and column_of(record, "valve leakage") is not None
        for record in bench.case.records
    )


def _leakage(sweep: ValveSweep, pressure: float) -> Read:
    p, q = sweep.rising
    inside(p, pressure, "differential pressure", "kPa", 1e-3)
    return Read(valve.leakage_at(p, q, pressure), "", step_at(p, q, pressure))


@quantity(
    name="valve_flow_pressure_drop",
    title="Pressure drop of the open bypass valve",
    symbol="Δpv",
    dimension="pressure",
    unit="kPa",
    conditions=(FLOW,),
    section="strength",
    records=("bypass_valve",),
    better="lower",
    meaning="Differential pressure at which the open valve passes a flow, in the tested fluid.",
    formula="Δpv = Δp at q on the sweeps, linear between rows, the larger of rising and falling; "
    "no extrapolation",
    standard=STANDARD,
    example='quantity = "valve_flow_pressure_drop"\nat = { flow = "60 L/min" }\nmax = "230 kPa"',
)
def valve_flow_pressure_drop(
    bench: Bench, side: Side, at: Conditions
) -> Estimate | NotDemonstrated:
    """Return the open valve's pressure drop [Pa] at `at["flow"]` [m3/s], in the tested fluid."""
    return from_sweeps(bench, side, _open, result="pressure", at=at["flow"])


def _open(sweep: ValveSweep, flow: float) -> Read:
    inside(sweep.rising[1], flow, "flow", "L/min", 6e4)
    found = []
    for p, q in (sweep.rising, sweep.falling):
        if q.size >= 2 and q.min() <= flow <= q.max():
            found.append(Read(valve.flow_pressure_drop(p, q, flow), "", step_at(q, p, flow)))
    return max(found, key=lambda each: each.value)
