"""The bypass valve: where it opens and reseats, what it leaks shut and resists open."""

from dataclasses import replace
from functools import partial

import numpy as np

from dossier.evidence.bench import Bench
from dossier.evidence.records.measured import column_of
from dossier.evidence.records.valve_sweeps import (
    Read,
    ValveSweep,
    accept_inside,
    from_sweeps,
    opening_from_sweep,
    step_at,
)
from dossier.evidence.registry import RATED_FLOW, Conditions, Quantity, StatedAt
from dossier.evidence.spoken import Side
from dossier.evidence.statistics.combine import once
from dossier.evidence.statistics.estimate import Estimate, NotDemonstrated, stop_if
from dossier.physics import valve
from dossier.physics.values import last_digit
from dossier.words import later, say, say_count

BAND = later("lowest opening pressure: lower end of the application's band")
NOT_SWEPT = later(
    "the bypass valve is part of the candidate and nobody measured where it opens: hand in a "
    "bypass valve sweep of its specimens"
)


@once("circuit", "records")
def lowest_opening(bench: Bench, side: Side) -> Estimate:
    """Return the valve's lowest opening pressure [Pa].

    The lower end of the application's band, taken as a limit without uncertainty: a valve inside
    the band may open there.  Where the valve is in the filter and was tested, and opened lower
    than that, the measured lowest with its uncertainty; never the higher of the two.  A valve that
    was tested, but whose sweeps carry no result, has no known opening pressure.
    """
    circuit = bench.case.application.circuit
    if circuit.opening is None or circuit.bypass_valve is None:
        raise NotDemonstrated(say("the application names no bypass valve with an opening band"))
    band = Estimate(value=circuit.opening.min, u=0.0, notes=(say(BAND),))
    tested = _tested(bench, side)
    if circuit.bypass_valve.location != "filter" or (side == "reference" and not tested):
        return band
    if not tested:
        raise NotDemonstrated(say(NOT_SWEPT))
    try:
        measured = from_sweeps(bench, side, opening_from_sweep, result="pressure")
    except NotDemonstrated as why:
        words = later("lowest opening pressure of the valve: {reason}")
        raise NotDemonstrated(say(words, reason=why.reason), why.records) from None
    return _lower(band, measured)


def _tested(bench: Bench, side: Side) -> bool:
    swept = bench.case.of_kind("bypass_valve", side)
    return any(record.id not in bench.excluded for record in swept)


def _lower(band: Estimate, measured: Estimate) -> Estimate:
    """Return the lower of the band's end and the measured lowest opening pressure."""
    if measured.bound == "smaller than":
        names = ", ".join(each.specimen for each in measured.per_specimen if each.bound)
        told = later(
            "the valve of specimen {names} is open at the first reading of record {records}: its "
            "lowest opening pressure is not known"
        )
        stop_if(say(told, names=names, records=", ".join(measured.sources)), *measured.sources)
    values = np.array([each.value for each in measured.per_specimen])
    scatter = float(values.std(ddof=1)) if len(values) > 1 else 0.0
    lowest = min(float(values.mean()) - scatter, float(values.min()))
    words = say_count(
        len(values),
        "{lowest:.4g} kPa ({number} specimen, mean {mean:.4g} kPa less a standard deviation of "
        "{scatter:.2g} kPa, and not above the lowest of them)",
        "{lowest:.4g} kPa ({number} specimens, mean {mean:.4g} kPa less a standard deviation of "
        "{scatter:.2g} kPa, and not above the lowest of them)",
        lowest=lowest / 1e3, mean=values.mean() / 1e3, scatter=scatter / 1e3,
    )  # fmt: skip
    if lowest >= band.value:
        note = say("{band}; measured not lower: {words}", band=say(BAND), words=words)
        return replace(band, notes=(note,))
    note = later("lowest opening pressure: as measured, {words}, below the application's band")
    notes = (say(note, words=words),)
    return replace(measured, value=lowest, notes=notes, per_specimen=(), bound="")


PRESSURE = StatedAt(name="pressure", dimension="pressure", unit="kPa")
STANDARD = (
    "ISO 4548-2:1997 (overview seen); the flow at which the valve counts as open is the record's"
)
_declared = partial(Quantity, section="strength", records=("bypass_valve",), standard=STANDARD)
_pressure = partial(_declared, dimension="pressure", unit="kPa")


@_pressure(
    title="Opening pressure of the bypass valve",
    symbol="po",
    better="neither",
    meaning="Differential pressure at which the flow through the valve first reaches the "
    "criterion, rising.",
    formula="po = Δp at q = qc on the rising sweep, linear between rows; no extrapolation",
    example='between = { min = "140 kPa", max = "180 kPa" }\nbasis = "every_specimen"',
)
def valve_opening_pressure(bench: Bench, side: Side, at: Conditions) -> Estimate:
    """Return the opening pressure [Pa] at the record's criterion flow; a bound beyond the sweep."""
    return from_sweeps(bench, side, opening_from_sweep, result="pressure")


@_pressure(
    title="Reseating pressure of the bypass valve",
    symbol="pr",
    better="higher",
    meaning="Differential pressure below which the valve is shut again, falling.",
    formula="pr = Δp at q = qc on the falling sweep, linear between rows; no extrapolation",
    example='min = "110 kPa"',
)
def valve_reseat_pressure(bench: Bench, side: Side, at: Conditions) -> Estimate:
    """Return the reseating pressure [Pa] at the record's criterion flow."""
    return from_sweeps(bench, side, _reseat, result="pressure")


def _reseat(sweep: ValveSweep, flow: float) -> Read:
    p, q = sweep.falling
    if not bool((q > flow).any()):
        raise ValueError(say("the valve is not open on the falling sweep: no reseating was seen"))
    value, bound = valve.reseat_pressure(p, q, flow)
    return Read(value, bound, 0.0 if bound else step_at(q, p, flow))


@_declared(
    title="Leakage of the shut bypass valve",
    symbol="ql",
    dimension="volume rate",
    unit="mL/min",
    conditions=(PRESSURE,),
    better="lower",
    meaning="Flow past the valve at a differential pressure below its opening, rising.",
    formula="ql = q at Δp on the rising sweep, linear between rows, the largest if passed more "
    "than once; no extrapolation",
    example='at = { pressure = "100 kPa" }\nmax = "100 mL/min"',
)
def valve_leakage(bench: Bench, side: Side, at: Conditions) -> Estimate:
    """Return the leakage [m3/s] at the differential pressure `at["pressure"]` [Pa]."""
    try:
        return from_sweeps(bench, side, _leakage, result="flow", at=at["pressure"])
    except NotDemonstrated as why:
        if not _single_result(bench, side):
            raise
        words = later("{reason}; a valve leakage among the measurements states no pressure")
        raise NotDemonstrated(say(words, reason=why.reason), why.records) from None


def _single_result(bench: Bench, side: Side) -> bool:
    measured = bench.case.of_kind("measurement", side)
    return any(column_of(record, "valve leakage") is not None for record in measured)


def _leakage(sweep: ValveSweep, pressure: float) -> Read:
    """Return the leakage, known no better than its sweep is printed, in L/min and parts of ten."""
    p, q = sweep.rising
    accept_inside(p, pressure, "differential pressure", "kPa", 1e-3)
    printed = float(last_digit(q[q > 0] * 6e4).min()) / 6e4 if (q > 0).any() else 0.0
    step = max(step_at(p, q, pressure), printed)
    return Read(valve.largest_at(p, q, pressure), "", step)


@_pressure(
    title="Pressure drop of the open bypass valve",
    symbol="Δpv",
    conditions=(RATED_FLOW,),
    better="lower",
    meaning="Differential pressure at which the open valve passes a flow, in the tested fluid.",
    formula="Δpv = Δp at q on the sweeps, linear between rows, the larger of rising and falling; "
    "no extrapolation",
    example='at = { flow = "60 L/min" }\nmax = "230 kPa"',
)
def valve_flow_pressure_drop(bench: Bench, side: Side, at: Conditions) -> Estimate:
    """Return the open valve's pressure drop [Pa] at `at["flow"]` [m3/s], in the tested fluid."""
    return from_sweeps(bench, side, _open, result="pressure", at=at["flow"])


def _open(sweep: ValveSweep, flow: float) -> Read:
    accept_inside(sweep.rising[1], flow, "flow", "L/min", 6e4)
    found = (
        Read(valve.largest_at(q, p, flow), "", step_at(q, p, flow))
        for p, q in (sweep.rising, sweep.falling)
        if q.size >= 2 and q.min() <= flow <= q.max()
    )
    return max(found, key=lambda each: each.value)
