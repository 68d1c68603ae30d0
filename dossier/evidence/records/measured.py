"""Results of measurements, a column a quantity, and of inspections, a row a characteristic."""

import math
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from dossier.case.case import Record
from dossier.case.records import InspectionTable, MeasurementTable
from dossier.case.tables.written import lowered
from dossier.case.units import UnitError, affine
from dossier.evidence.bench import Bench
from dossier.evidence.records.instruments import EXACT, READ_BY
from dossier.evidence.records.readings import (
    Reading,
    accounted,
    estimate_of,
    read_with,
    zero_failure,
)
from dossier.evidence.records.usable import expected, usable_records
from dossier.evidence.registry import Conditions, Quantity
from dossier.evidence.spoken import Side
from dossier.evidence.statistics.estimate import Estimate, NotDemonstrated
from dossier.physics.values import Bound
from dossier.words import decimal_mark, later, say

READINGS = {
    "differential pressure": later("differential pressure reading"),
    "pressure": later("pressure reading"),
    "volume rate": later("volume rate reading"),
    "mass": later("mass reading"),
    "length": later("length reading"),
}
"""What the instrument that read a result contributes."""
NAMELESS = later("a row without a specimen")
BOUNDS: dict[str, Bound] = {"": "", ">": "larger than", "<": "smaller than"}


def column_of(record: Record, name: str) -> int | None:
    """Return the position of a measured quantity in a record's table, or None."""
    table = record.table
    if isinstance(table, MeasurementTable) and name in table.names:
        return table.names.index(name)
    return None


def measured(column: str, declared: Quantity, bench: Bench, side: Side, at: Conditions) -> Estimate:
    """Return the mean of what a column of the measurement records holds [working unit]."""

    def has(record: Record) -> bool:
        return column_of(record, column) is not None

    what = say("a {column}", column=say(column))
    records = usable_records(bench, side, "measurement", has, what)
    measurands = [each for each in READ_BY[column] if each not in EXACT]
    try:
        readings = [each for r in records for each in _readings(bench, r, column, measurands)]
    except UnitError as error:
        raise NotDemonstrated(str(error), tuple(r.id for r in records)) from None
    accounted(bench, side, readings, lambda each: each.specimens if has(each) else ())
    found = estimate_of(bench, readings, tuple(_notes(bench, side, readings)))
    return zero_failure(bench, found, declared)


def _readings(
    bench: Bench, record: Record, column: str, measurands: Sequence[str]
) -> Iterator[Reading]:
    table, position = record.table, column_of(record, column)
    assert isinstance(table, MeasurementTable)
    assert position is not None
    rows = zip(record.specimens, table.values[position], table.bounds[position], strict=True)
    for specimen, value, sign in rows:
        if not np.isfinite(value):
            who = say("specimen {name}", name=specimen) if specimen else say(NAMELESS)
            words = later("record {record}: {who} has no {column}; the cell is empty")
            reason = say(words, record=record.id, who=who, column=say(column))
            raise NotDemonstrated(reason, (record.id,))
        reading = Reading(record=record, specimen=specimen, value=float(value), bound=BOUNDS[sign])
        if measurands:
            effect = read_with(bench, record, READINGS[measurands[0]], measurands, float(value))
            reading = replace(reading, effects=(effect,))
        yield reading


def _notes(bench: Bench, side: Side, readings: Sequence[Reading]) -> Iterator[str]:
    planned = expected(bench.case, side, {each.record.id for each in readings})
    tested = list(dict.fromkeys(reading.specimen for reading in readings))
    if planned and not planned & set(tested):
        words = later("tested on specimens of their own, {names}, not on those that the plan names")
        yield say(words, names=", ".join(tested))
    if any(r.value == 0 and not r.bound and r.effects and r.u == 0 for r in readings):
        words = later(
            "a result of zero carries no relative uncertainty: what lies below the smallest value "
            "that can be measured is better written as a bound, < x"
        )
        yield say(words)


WORDS = {"yes": True, "no": False, "true": True, "false": False}
"""Words of a statement that are understood; true and false as a workbook's own yes and no."""

_NUMBER = re.compile(r"[+-]?(?:\d+(?:[.]\d*)?|[.]\d+)(?:[eE][+-]?\d+)?")


@dataclass(frozen=True, slots=True)
class Inspected:
    """One row of an inspection record."""

    record: Record
    characteristic: str
    specimen: str
    found: str
    """The cell as the inspector wrote it."""
    lower: float
    """Limit as drawn [its own unit]; NaN where there is none."""
    upper: float
    unit: str

    @property
    def word(self) -> bool | None:
        """Whether it was found so; None where the cell says neither yes nor no."""
        return WORDS.get(self.found.lower())


def rows_of(record: Record) -> Iterator[Inspected]:
    """Yield the rows of an inspection record."""
    table = record.table
    if not isinstance(table, InspectionTable):
        return
    columns = (table.characteristic, record.specimens, table.found, table.lower, table.upper)
    for name, who, found, lower, upper, unit in zip(*columns, table.unit, strict=True):
        yield Inspected(record, name, who, found, float(lower), float(upper), unit)


def inspected(bench: Bench, side: Side, characteristic: str) -> tuple[Inspected, ...]:
    """Return the rows of one characteristic, one for each planned specimen."""

    def rows(record: Record) -> list[Inspected]:
        wanted = lowered(characteristic)
        return [row for row in rows_of(record) if lowered(row.characteristic) == wanted]

    what = say("the characteristic {name!r}", name=characteristic)
    records = usable_records(bench, side, "inspection", lambda record: bool(rows(record)), what)
    found = tuple(row for record in records for row in rows(record))

    accounted(bench, side, found, lambda e: [r.specimen for r in rows(e)], others_allowed=False)
    return found


def number_found(row: Inspected) -> float:
    """Return what was found as a length [mm].

    Raises ValueError with record, specimen and cell where it is no number or has no unit.
    """
    place = place_of(row)
    if not _NUMBER.fullmatch(row.found):
        words = later("{place}: {found!r} is not a number with a decimal point")
        raise ValueError(say(words, place=place, found=row.found))
    try:
        factor, _ = affine(row.unit, "length")  # a length has no zero of its own
    except UnitError:
        words = later("{place}: {unit!r} is not a unit of length; write it like mm")
        raise ValueError(say(words, place=place, unit=row.unit)) from None
    value = float(row.found) * factor
    if not math.isfinite(value):
        words = later("{place}: {found!r} is not a finite number")
        raise ValueError(say(words, place=place, found=row.found))
    return value


def place_of(row: Inspected) -> str:
    """Return where a row stands, in words."""
    words, name = later("record {record}, {characteristic} of specimen {specimen}"), row.record.id
    return say(words, record=name, characteristic=row.characteristic, specimen=row.specimen)


def outside_drawing(row: Inspected) -> str:
    """Return how a found number lies outside the limits of its own row, or an empty string."""
    if not _NUMBER.fullmatch(row.found):
        return ""
    value = float(row.found)
    below, above = value < row.lower, value > row.upper
    if not (below or above):
        return ""
    words = later(
        "{characteristic} of specimen {specimen}: {found}\u00a0{unit} is below "
        "{limit:g}\u00a0{unit} as drawn (record {record})"
    )
    if above:
        words = later(
            "{characteristic} of specimen {specimen}: {found}\u00a0{unit} is above "
            "{limit:g}\u00a0{unit} as drawn (record {record})"
        )
    found = row.found.replace(".", decimal_mark())
    what = {"characteristic": row.characteristic, "found": found, "unit": row.unit}
    limit, record = row.lower if below else row.upper, row.record.id
    return say(words, specimen=row.specimen, limit=limit, record=record, **what)
