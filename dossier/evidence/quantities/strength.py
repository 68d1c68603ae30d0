"""Strength, integrity and cleanliness: measured once on each specimen, or found on inspection."""

from collections.abc import Sequence
from dataclasses import replace
from functools import partial

from dossier.evidence.bench import Bench
from dossier.evidence.records.measured import (
    READINGS,
    Inspected,
    inspected,
    measured,
    number_found,
    outside_drawing,
    place_of,
)
from dossier.evidence.records.readings import Reading, estimate_of, read_with, shown_by
from dossier.evidence.registry import Conditions, Quantity, StatedAt
from dossier.evidence.spoken import Side
from dossier.evidence.statistics.estimate import Estimate, NotDemonstrated, SpecimenValue
from dossier.words import later, say

MEAN = "mean over the specimens; a result “> x” or “< x” enters and is decided as a bound"
_declared = partial(Quantity, section="strength", records=("measurement",), formula=MEAN)
_pressure = partial(_declared, dimension="pressure", unit="kPa", better="higher")
ROWS = {
    "collapse pressure": _pressure(
        title="Collapse pressure of the element",
        symbol="Δpc",
        meaning="Differential pressure at which the element collapses or bursts.",
        standard="ISO 4548-3:1997 and ISO 2941:2009 (titles and abstracts seen)",
        example='min = "700 kPa"\nbasis = "every_specimen"',
    ),
    "burst pressure": _pressure(
        title="Burst pressure of the housing",
        symbol="pb",
        meaning="Gauge pressure at which the housing leaks or bursts.",
        standard="ISO 4548-6:2021 (extract seen)",
        example='min = "1600 kPa"\nbasis = "every_specimen"',
    ),
    "first bubble pressure": _pressure(
        title="First bubble pressure",
        symbol="p₁",
        meaning="Pressure at which the first bubble leaves the wetted element: a sign of sound "
        "making, not a measure of efficiency.",
        standard="ISO 2942 (abstract seen)",
        example='min = "2.0 kPa"',
    ),
    "pulse cycles": _declared(
        title="Pressure pulses withstood",
        symbol="Np",
        dimension="number",
        unit="1",
        better="higher",
        meaning="Pressure cycles to the first leak or failure.",
        formula=MEAN + "; cycles are counted exactly",
        standard="ISO 4548-5 (scope seen)",
        example='min = 100000\nbasis = "every_specimen"',
    ),
    "vibration hours": _declared(
        title="Vibration withstood",
        symbol="tw",
        dimension="time",
        unit="h",
        better="higher",
        meaning="Hours of vibration to the first leak or crack.",
        formula=MEAN + "; hours are taken as exact",
        standard="ISO 4548-7:2012 (scope seen)",
        example='min = "48 h"\nbasis = "every_specimen"',
    ),
    "anti-drain leakage": _declared(
        title="Leakage of the anti-drain valve",
        symbol="qa",
        dimension="volume rate",
        unit="mL/min",
        better="lower",
        meaning="Oil that runs back through the anti-drain valve at standstill.",
        standard="ISO 4548-9:2008 (title seen)",
        example='max = "0.5 mL/min"',
    ),
    "initial cleanliness": _declared(
        title="Dirt in the new filter",
        symbol="m₀",
        dimension="mass",
        unit="mg",
        better="lower",
        meaning="Mass of particles that a new filter brings of its own.",
        standard="gravimetry of what a flush carries out, common practice",
        example='max = "15 mg"',
    ),
}
"""Column of the measurement records -> the quantity that it holds."""

for _column, _row in ROWS.items():
    _name = _column.replace(" ", "_").replace("-", "_")
    _named = replace(_row, name=_name)
    _named(partial(measured, _column, _named))

CHARACTERISTIC = StatedAt(name="characteristic", dimension="text", unit="")
_found = partial(Quantity, section="strength", records=("inspection",), better="neither")
_inspected = partial(_found, conditions=(CHARACTERISTIC,))


@_inspected(
    title="Dimension",
    symbol="d",
    dimension="length",
    unit="mm",
    meaning="An inspected dimension of the filter.",
    formula="mean over the specimens, or each on its own",
    standard="own; uncertainty by JCGM 100:2008",
    example='at = { characteristic = "overall length" }\n'
    'between = { min = "138 mm", max = "141 mm" }\nbasis = "every_specimen"',
)
def dimension(bench: Bench, side: Side, at: Conditions) -> Estimate:
    """Return the dimension `at["characteristic"]` [mm]."""
    rows = inspected(bench, side, at["characteristic"])
    try:
        readings = [_reading(bench, row) for row in rows]
    except ValueError as error:
        raise NotDemonstrated(str(error), _records(rows)) from None
    drawn = tuple(filter(None, map(outside_drawing, rows)))
    return estimate_of(bench, readings, notes=drawn)


def _reading(bench: Bench, row: Inspected) -> Reading:
    value = number_found(row)
    effect = read_with(bench, row.record, READINGS["length"], ("length",), value)
    return Reading(record=row.record, specimen=row.specimen, value=value, effects=(effect,))


def _records(rows: Sequence[Inspected]) -> tuple[str, ...]:
    return tuple(dict.fromkeys(row.record.id for row in rows))


@_inspected(
    title="Found on inspection",
    symbol="yes/no",
    dimension="statement",
    unit="1",
    meaning="Something that was looked for on every specimen, and found so or not.",
    formula="holds if every specimen was found so",
    standard="own",
    example='at = { characteristic = "gasket seated in its groove" }\nmust_hold = true',
)
def statement(bench: Bench, side: Side, at: Conditions) -> Estimate:
    """Return 1 if `at["characteristic"]` was found so on every specimen, 0 if not [-]."""
    rows = inspected(bench, side, at["characteristic"])
    for row in rows:
        if row.word is None:
            words = later("{place}: {found!r} says neither yes nor no")
            reason = say(words, place=place_of(row), found=row.found)
            raise NotDemonstrated(reason, (row.record.id,))
    each = [
        SpecimenValue(
            specimen=row.specimen, record=row.record.id, value=float(row.word or 0), u=0.0
        )
        for row in rows
    ]
    found = Estimate(value=0.0, u=0.0, per_specimen=tuple(each), sources=_records(rows))
    if not all(row.word for row in rows):
        return found
    confidence = bench.case.application.decision_rule.confidence
    details, note = shown_by(len(rows), confidence, say("found so"))
    return replace(found, value=1.0, notes=(note,), details=details)
