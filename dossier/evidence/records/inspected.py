"""Characteristics found on inspection: one row a characteristic and specimen."""

import math
import re
from collections.abc import Iterator
from dataclasses import dataclass

from dossier.case.case import Record
from dossier.case.records import InspectionTable
from dossier.case.tables.column_names import lowered
from dossier.case.units import UnitError, affine
from dossier.evidence.bench import Bench
from dossier.evidence.records.readings import accounted
from dossier.evidence.records.usable import usable_records
from dossier.evidence.registry import Side
from dossier.words import later, say

WORDS = {"yes": True, "no": False, "true": True, "false": False}
"""Words of a statement that are understood; true and false as a workbook's own yes and no."""

_NUMBER = re.compile(r"[+-]?(?:\d+(?:[.]\d*)?|[.]\d+)(?:[eE][+-]?\d+)?")


@dataclass(frozen=True, slots=True, kw_only=True)
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
    columns = (table.characteristic, table.specimen, table.found, table.lower, table.upper)
    for name, specimen, found, lower, upper, unit in zip(*columns, table.unit, strict=True):
        yield Inspected(
            record=record, characteristic=name, specimen=specimen or record.entry.specimen or "",
            found=found, lower=float(lower), upper=float(upper), unit=unit,
        )  # fmt: skip


def inspected(bench: Bench, side: Side, characteristic: str) -> tuple[Inspected, ...]:
    """Return the rows of one characteristic, one for each planned specimen."""

    def rows(record: Record) -> list[Inspected]:
        wanted = lowered(characteristic)
        return [row for row in rows_of(record) if lowered(row.characteristic) == wanted]

    what = say("the characteristic {name!r}", name=characteristic)
    records = usable_records(bench, side, "inspection", lambda record: bool(rows(record)), what)
    found = [row for record in records for row in rows(record)]
    named = [(row.record.id, row.specimen) for row in found]
    accounted(
        bench, side, named, lambda each: (r.specimen for r in rows(each)), others_allowed=False
    )
    return tuple(found)


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
    return say(
        "record {record}, {characteristic} of specimen {specimen}",
        record=row.record.id, characteristic=row.characteristic, specimen=row.specimen,
    )  # fmt: skip


def outside_drawing(row: Inspected) -> str:
    """Return how a found number lies outside the limits of its own row, or an empty string."""
    if not _NUMBER.fullmatch(row.found):
        return ""
    value = float(row.found)
    below, above = value < row.lower, value > row.upper
    if not (below or above):
        return ""
    words = later(
        "{characteristic} of specimen {specimen}: {found} {unit} is below {limit:g} {unit} as "
        "drawn (record {record})"
    )
    if above:
        words = later(
            "{characteristic} of specimen {specimen}: {found} {unit} is above {limit:g} {unit} as "
            "drawn (record {record})"
        )
    return say(
        words, characteristic=row.characteristic, specimen=row.specimen, found=row.found,
        unit=row.unit, limit=row.lower if below else row.upper, record=row.record.id,
    )  # fmt: skip
