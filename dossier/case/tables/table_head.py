"""The head of a table: titles above the names, the names themselves, units in the row below."""

import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from dossier.case.tables.column_names import WORDS, is_known, plain
from dossier.case.tables.numerals import CLOCKS, PAIRS, cleaned, number
from dossier.case.tables.raw_table import Column, Note, TableError, filled, letters
from dossier.case.units import is_unit

MAX_COLUMNS = 500
MAX_HEAD = 50
"""Rows in which the column names are looked for."""

HEADER = re.compile(r"^\s*(?P<name>[^\[\]]*?)\s*(?:\[(?P<unit>[^\[\]]*)\])?\s*$")
_NO_UNITS = frozenset({"characteristic", "found", "unit"})
"""Columns of a record that has a unit in each row."""


@dataclass(frozen=True, slots=True)
class Head:
    """What stands above the values of a table."""

    columns: tuple[Column, ...]
    row: int
    """Row number of the names."""
    rows: int
    """How many rows it takes up, titles and units with it."""
    titles: tuple[tuple[int, str], ...]
    """Row number and words of each title above the names."""
    units: bool
    """Whether a row of units stands below the names."""

    @property
    def notes(self) -> tuple[Note, ...]:
        """How it is written otherwise than the case format asks."""
        said = {Note.TITLES: bool(self.titles), Note.UNITS: self.units}
        return tuple(note for note, holds in said.items() if holds)


def head_of(
    rows: Sequence[tuple[int, Sequence[str]]], renamed: dict[str, str], *, sheet: bool = False
) -> Head:
    """Return the head of a table by its first rows, of which the values may be among them.

    `rows` and `renamed` are those of `find_names`.  Raises TableError where it makes no sense.
    """
    at = find_names(rows, renamed)
    titles = [(n, " ".join(filter(None, map(str.strip, cells)))) for n, cells in rows[:at]]
    number, names = rows[at]
    columns = columns_of(names, number, renamed, sheet=sheet)
    below = rows[at + 1] if len(rows) > at + 1 else None
    found = with_units(columns, below[1], below[0]) if below else None
    return Head(found or columns, number, at + 1 + bool(found), tuple(titles), bool(found))


def find_names(rows: Sequence[tuple[int, Sequence[str]]], renamed: dict[str, str]) -> int:
    """Return which of the first rows holds the column names; those above it are titles.

    `rows` are row numbers with their cells, remarks and empty rows left out; `renamed` maps the
    laboratory's own names.  It is the first row with two names of the case format or of the
    mapping; failing that the first with two filled cells below rows of one.  Raises TableError
    where measured values stand above it.
    """
    rows = rows[:MAX_HEAD]
    for index, (_, cells) in enumerate(rows):
        names = [renamed.get(cell.strip(), cell) for cell in cells if cell.strip()]
        if sum(_is_name(name) for name in names) >= 2:
            _refuse_values(rows[:index])
            return index
    for index, (_, cells) in enumerate(rows):
        if _values(cells):
            break
        if sum(bool(cell.strip()) for cell in cells) >= 2:
            return index
    return 0


def _is_name(cell: str) -> bool:
    match = HEADER.match(cell)
    return match is not None and is_known(match["name"])


def _values(cells: Sequence[str]) -> int:
    return sum(is_value(cell) for cell in cells)


def is_value(cell: str) -> bool:
    """Return whether a cell holds a number, by either decimal mark."""
    text = cleaned(cell)
    return any(number(text, mark, other) is not None for mark, other in PAIRS)


def _refuse_values(rows: Sequence[tuple[int, Sequence[str]]]) -> None:
    for number_, cells in rows:
        if _values(cells) >= 2:
            hint = "start the row with # if it is a remark, or put the names above the values"
            raise TableError(f"row {number_}", "values stand above the row of column names", hint)


def columns_of(
    cells: Sequence[str], row: int, renamed: dict[str, str], *, sheet: bool = False
) -> tuple[Column, ...]:
    """Return the columns that a row of names declares; TableError where a name is no name."""
    if len(cells) > MAX_COLUMNS:
        hint = f"a record has at most {MAX_COLUMNS} columns"
        raise TableError(f"row {row}", f"{len(cells)} columns", hint)
    columns, seen = [], set()
    for index, cell in enumerate(cells):
        text = renamed.get(cell.strip(), cell).strip()
        match = HEADER.match(text)
        place = f"cell {letters(index)}{row}" if sheet else f"row {row}"
        if match is None or (not match["name"] and text):
            what = f"column name {cell.strip()!r} is not understood"
            raise TableError(place, what, "write name [unit]")
        name = " ".join(match["name"].split())
        if name and plain(name) in seen:
            raise TableError(place, f"column {name!r} occurs twice", "keep one of them")
        seen.add(plain(name))
        columns.append(Column(name, (match["unit"] or "").strip(), index))
    return tuple(columns)


def with_units(
    columns: tuple[Column, ...], cells: Sequence[str], row: int
) -> tuple[Column, ...] | None:
    """Return the columns with the units that stand in the row below, None if it holds no units.

    Raises TableError where a column has another unit beside its name.
    """
    if len(cells) > len(columns) or any(plain(c.name) in _NO_UNITS for c in columns):
        return None
    below = [(column, cell) for column, cell in zip(columns, cells, strict=False) if cell.strip()]
    if any(not c.name or plain(c.name) in WORDS or is_value(cell) for c, cell in below):
        return None
    known = {column.index: _unit(cell) for column, cell in below}
    if not known or None in known.values():
        return None
    found = [known.get(column.index) or "" for column in columns]
    for column, unit in zip(columns, found, strict=True):
        if column.unit and unit not in {"", column.unit}:
            what = f"column {column.name!r} has the units {column.unit!r} and {unit!r}"
            raise TableError(f"row {row}", what, "keep one of them")
    return tuple(
        Column(column.name, column.unit or unit, column.index)
        for column, unit in zip(columns, found, strict=True)
    )


def _unit(cell: str) -> str | None:
    """Return the unit that a cell holds, without brackets, or None."""
    text = cell.strip()
    if text[:1] + text[-1:] in {"[]", "()"}:
        text = text[1:-1].strip()
    if not text or is_value(text):
        return None
    return text if text.lower() in CLOCKS or text == "%" or is_unit(text) else None


def refuse_nameless(columns: Sequence[Column], cells: Sequence[Any], lines: Any) -> None:
    """Raise TableError where a cell is filled whose column has no name."""
    for column in columns:
        if column.name:
            continue
        for row, cell in enumerate(cells[column.index]):
            if filled(cell):
                place = f"cell {letters(column.index)}{lines[row]}"
                what = "is filled, but its column has no name"
                raise TableError(place, what, "name the column or empty it")
