"""What was found on inspection: dimensions, and statements that hold or do not."""

from collections.abc import Sequence
from dataclasses import replace
from functools import partial

from dossier.evidence.bench import Bench
from dossier.evidence.records.measured import (
    READINGS,
    Inspected,
    inspected,
    number_found,
    outside_drawing,
    place_of,
)
from dossier.evidence.records.readings import Reading, estimate_of, read_with, shown_by
from dossier.evidence.registry import Conditions, Quantity, StatedAt
from dossier.evidence.spoken import Side
from dossier.evidence.statistics.estimate import Estimate, NotDemonstrated, SpecimenValue
from dossier.words import later, say

CHARACTERISTIC = StatedAt(name="characteristic", dimension="text", unit="")
_declared = partial(
    Quantity, conditions=(CHARACTERISTIC,), section="strength", records=("inspection",),
    better="neither",
)  # fmt: skip


@_declared(
    title="Dimension",
    symbol="d",
    dimension="length",
    unit="mm",
    meaning="An inspected dimension of the filter.",
    formula="mean over the specimens, or each on its own",
    standard="own; uncertainty by JCGM 100:2008",
    example='quantity = "dimension"\nat = { characteristic = "overall length" }\n'
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
    return estimate_of(bench, readings, unit="mm", notes=drawn)


def _reading(bench: Bench, row: Inspected) -> Reading:
    value = number_found(row)
    effect = read_with(bench, row.record, READINGS["length"], ("length",), value)
    return Reading(record=row.record, specimen=row.specimen, value=value, effects=(effect,))


def _records(rows: Sequence[Inspected]) -> tuple[str, ...]:
    return tuple(dict.fromkeys(row.record.id for row in rows))


@_declared(
    title="Found on inspection",
    symbol="yes/no",
    dimension="statement",
    unit="1",
    meaning="Something that was looked for on every specimen, and found so or not.",
    formula="holds if every specimen was found so",
    standard="own",
    example='quantity = "statement"\nat = { characteristic = "gasket seated in its groove" }\n'
    "must_hold = true",
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
    found = Estimate(value=0.0, u=0.0, unit="1", per_specimen=tuple(each), sources=_records(rows))
    if not all(row.word for row in rows):
        return found
    confidence = bench.case.application.decision_rule.confidence
    details, note = shown_by(len(rows), confidence, say("found so"))
    return replace(found, value=1.0, notes=(note,), details=details)
