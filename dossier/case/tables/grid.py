"""The cells of a sheet or a CSV file, a range of them, and the head of a table among them."""

import re
from collections.abc import Iterable, Sequence
from contextlib import suppress
from dataclasses import dataclass
from datetime import date, time, timedelta
from typing import Any

from dossier.case.problems import suggested
from dossier.case.tables.raw_table import (
    Note,
    RawColumn,
    TableError,
    filled,
    index_of,
    lettered,
    turned_cells,
)
from dossier.case.tables.whole_book import MAX_CELLS
from dossier.case.tables.written import (
    CLOCKS,
    MEASURED,
    PAIRS,
    WORDS,
    ClockError,
    cleaned,
    is_clock,
    is_known,
    lowered,
    moment,
    number,
)
from dossier.case.units import DIMENSIONS, as_known, is_unit

MAX_COLUMNS = 500
MAX_HEAD = 50
"""Rows in which the column names are looked for."""

HEADER = re.compile(r"^\s*(?P<name>[^\[\]]*?)\s*(?:\[(?P<unit>[^\[\]]*)\])?\s*$")
LONGEST_NAME = 200
"""Characters of a column's name in which a unit is looked for."""
_BEHIND = re.compile(r"(?P<name>.*?)[\s,]*[\[(](?P<unit>[^\[\]()]*(?:\([^()]*\))?[^\[\]()]*)[\])]")
"""A name with its unit behind it, as laboratories write it: "dp (psid)", "Q [gpm]"."""
_NO_UNITS = frozenset({"characteristic", "found", "unit"})
"""Columns of a record that has a unit in each row."""


@dataclass(frozen=True, slots=True)
class Head:
    """What stands above the values of a table."""

    columns: tuple[RawColumn, ...]
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


def refuse_muted(number_: int, cells: Sequence[Any], width: int) -> None:
    """Raise TableError where a remark among the rows of a table holds readings of that row."""
    if 2 * _values([filled(cell).strip('#" ') for cell in cells]) > width:
        hint = "take the mark away; leave empty what was not measured, and say in words why"
        raise TableError(f"row {number_}", "is a row of readings behind a #", hint)


def columns_of(
    cells: Sequence[str], row: int, renamed: dict[str, str], *, sheet: bool = False
) -> tuple[RawColumn, ...]:
    """Return the columns that a row of names declares; TableError where a name is no name."""
    if len(cells) > MAX_COLUMNS:
        hint = f"a record has at most {MAX_COLUMNS} columns"
        raise TableError(f"row {row}", f"{len(cells)} columns", hint)
    columns, seen, written = [], set(), [cell.strip() for cell in cells]
    _refuse_absent(renamed.keys() - set(written), written, row)
    for index, cell in enumerate(written):
        text = renamed.get(cell, cell).strip()
        match = HEADER.match(text)
        place = f"cell {lettered(index)}{row}" if sheet else f"row {row}"
        mapped = match if text != cell else None
        if mapped and (what := contradicts(cell, split_name(cell)[1], *mapped.groups(""))):
            raise TableError(place, what, SAYS)
        if match is None or (not match["name"] and text):
            raise TableError(place, f"column name {cell!r} is not understood", "write name [unit]")
        name = " ".join(match["name"].split())
        if name and lowered(name) in seen:
            raise TableError(place, f"column {name!r} occurs twice", "keep one of them")
        seen.add(lowered(name))
        columns.append(RawColumn(name, (match["unit"] or "").strip(), index))
    return tuple(columns)


def _refuse_absent(names: Iterable[str], written: Sequence[str], row: int) -> None:
    for name in names:
        hint = suggested(name, filter(None, written), "columns")
        raise TableError(f"row {row}", f"no column {name!r}, which its record names", hint)


SAYS = "correct the mapping: the file says what was measured"


def contradicts(written: str, given: str, name: str, unit: str) -> str:
    """Return how what a column says of itself differs from what it is to be read as, if it does.

    A name of counts says side and size, that of a result what was measured; `given` is its unit.
    """
    (said, sizes), (meant, wanted) = map(_side_and_sizes, (split_name(written)[0], name))
    if said and (said != meant or (sizes and min(wanted, default=0.0) not in sizes)):
        return f"{written!r} cannot be read as {name!r}"
    if given and unit and is_other_unit(given, unit):
        return f"{written!r} has the unit {given!r}, and is to be read in {unit!r}"
    return ""


def _side_and_sizes(name: str) -> tuple[str, set[float]]:
    """Return which counts, or which result, a name says by itself, and of which sizes."""
    text = lowered(name)
    if text in MEASURED or not text.startswith(("upstream ", "downstream ")):
        return (text if text in MEASURED else ""), set()
    sized = re.search("[uµμ]m", text) is not None
    numbers = re.findall(r"[0-9]+(?:[.,][0-9]+)?", text) if sized else []
    return text.split()[0], {float(each.replace(",", ".")) for each in numbers}


def is_other_unit(given: str, unit: str) -> bool:
    """Return whether two units differ, however they are spelled.

    A clock's times are no unit, and neither is a word such as "corrected"; "psia" is one.
    """
    meant = (given, given[:-1], given.split()[0])
    other = not given.isdecimal() and any(map(is_unit, meant))
    return other and not (same_unit(given, unit) or unit in CLOCKS)


def same_unit(one: str, other: str) -> bool:
    """Return whether two units are one, however they are spelled."""
    same = any(as_known(one, each) == as_known(other, each) for each in DIMENSIONS)
    return same or one.replace(" ", "") == other.replace(" ", "")


def split_name(text: str) -> tuple[str, str]:
    """Return name and unit of a column, the unit in brackets or parentheses behind the name."""
    if len(text) > LONGEST_NAME:
        return text, ""
    match = HEADER.match(text)
    if match is None or match["unit"] is None:
        behind = _BEHIND.fullmatch(text.strip().rstrip("*†‡ "))
        # um(c) is a size: its parenthesis is no unit
        match = behind if behind and not behind["name"].endswith(("um", "µm", "μm")) else match
    if match is None:
        return text, ""
    return " ".join(match["name"].split()), (match["unit"] or "").strip()


def with_units(
    columns: tuple[RawColumn, ...], cells: Sequence[str], row: int
) -> tuple[RawColumn, ...] | None:
    """Return the columns with the units that stand in the row below, None if it holds no units.

    Raises TableError where a column has another unit beside its name.
    """
    if len(cells) > len(columns) or any(lowered(c.name) in _NO_UNITS for c in columns):
        return None
    below = [(column, cell) for column, cell in zip(columns, cells, strict=False) if cell.strip()]
    if any(not c.name or lowered(c.name) in WORDS or is_value(cell) for c, cell in below):
        return None
    known = {column.index: _unit(cell) for column, cell in below}
    if not known or None in known.values():
        return None
    found = [known.get(column.index) or "" for column in columns]
    made = []
    for column, unit in zip(columns, found, strict=True):
        if column.unit and unit not in {"", column.unit}:
            what = f"column {column.name!r} has the units {column.unit!r} and {unit!r}"
            raise TableError(f"row {row}", what, "keep one of them")
        made.append(RawColumn(column.name, column.unit or unit, column.index))
    return tuple(made)


def _unit(cell: str) -> str | None:
    """Return the unit that a cell holds, without brackets, or None."""
    text = cell.strip()
    if text[:1] + text[-1:] in {"[]", "()"}:
        text = text[1:-1].strip()
    if not text or is_value(text):
        return None
    return text if text.lower() in CLOCKS or text == "%" or is_unit(text) else None


def refuse_nameless(columns: Sequence[RawColumn], cells: Sequence[Any], lines: Any) -> None:
    """Raise TableError where a cell is filled whose column has no name."""
    for column in columns:
        if column.name:
            continue
        for row, cell in enumerate(cells[column.index]):
            if filled(cell):
                place = f"cell {lettered(column.index)}{lines[row]}"
                what = "is filled, but its column has no name"
                raise TableError(place, what, "name the column or empty it")


Row = tuple[int, list[Any]]
"""Row number and all cells of the row."""
Merged = Sequence[tuple[tuple[int, int], tuple[int, int]]]
"""First and last (row, column) of each group of merged cells, counted from 0."""

_RANGE = re.compile(r"([A-Z]+)([1-9][0-9]*)(?::([A-Z]+)([0-9]*))?")


@dataclass(frozen=True, slots=True)
class Grid:
    """All cells of a sheet or a CSV file, as they are stored."""

    file: str
    rows: list[Row]
    merged: Merged = ()
    turned: bool = False
    """Whether its rows are the columns of the file, for tables whose time runs to the right."""

    def turn(self) -> "Grid":
        """Return the grid with rows and columns exchanged; places are told by `turned_place`."""
        width = max((len(row) for _, row in self.rows), default=0)
        height = max((n for n, _ in self.rows), default=0)
        if width * height > MAX_CELLS:
            what, hint = f"spans more than {MAX_CELLS} cells", "cut it, or hand it in by columns"
            raise TableError("", what, hint)
        known = dict(self.rows)
        lines = [known.get(n, []) for n in range(1, height + 1)]
        rows = [(k + 1, [at(line, k) for line in lines]) for k in range(width)]
        merged = tuple(((b, a), (d, c)) for (a, b), (c, d) in self.merged)
        return Grid(self.file, rows, merged, turned=not self.turned)

    def window(self, cells: str) -> tuple[list[Row], int, int]:
        """Return the rows of a range, and its first column and the one behind its last."""
        if not cells:
            return self.rows, 0, max((len(row) for _, row in self.rows), default=0)
        match = _RANGE.fullmatch(cells)
        if match is None:
            raise TableError(cells, "is no range of cells", "write it like B4:H90, B4:H or B4")
        if self.turned:
            if match[3] and not match[4]:
                hint = "name its last row too: it is transposed"
                raise TableError(cells, "is open at its lower end", hint)
            match = _RANGE.fullmatch(turned_cells(cells)) or match
        first, last = int(match[2]), int(match[4] or 10**9)
        width = max((len(row) for _, row in self.rows), default=0)
        left = index_of(match[1])
        right = min(index_of(match[3]) + 1, width) if match[3] else width
        if not (first <= last and left < right):
            raise TableError(cells, "is no range of cells", "give its upper left corner first")
        return [(n, row) for n, row in self.rows if first <= n <= last], left, right


def names_of(head: Sequence[Row], left: int, right: int, merged: Merged = ()) -> list[str]:
    """Return the name of each column; of two rows, that of its group and its own, joined."""
    texts = [[" ".join(filled(at(row, k)).split()) for k in range(left, right)] for _, row in head]
    if len(texts) == 1:
        return texts[0]
    groups = list(texts[0])
    row = head[0][0] - 1
    spans = [(a[1], b[1]) for a, b in merged if a[0] <= row <= b[0] and b[1] > a[1]]
    for k in range(1, right - left):
        here = any(a < k + left <= b for a, b in spans) if spans else bool(texts[1][k])
        if not groups[k] and here:
            groups[k] = groups[k - 1]
    return [
        " ".join(dict.fromkeys(filter(None, pair))) for pair in zip(groups, texts[1], strict=True)
    ]


def at(row: Sequence[Any], index: int) -> Any:
    """Return a cell of a row, which may end before it."""
    return row[index] if index < len(row) else ""


_PAGE = re.compile(r"\b(page|seite|sheet|blatt)\b", re.I)


def without_repeats(
    rows: Sequence[Row], head: Sequence[Row], above: Sequence[Row], left: int, right: int
) -> tuple[list[Row], list[int]]:
    """Return the rows below the names without the names that each further page begins with.

    With them go the titles before them, where these stand `above` the first names too or number
    the pages.  The second result are the rows that are left out.
    """
    names = [_texts(row, left, right) for _, row in head]
    titles = {" ".join(filter(None, _texts(row, left, right))) for _, row in above}
    seen = [_texts(row, left, right) for _, row in rows]
    out: set[int] = set()
    for first in range(len(rows)):
        if seen[first : first + len(names)] != names:
            continue
        out.update(range(first, first + len(names)))
        for k in range(first - 1, -1, -1):
            words = " ".join(filter(None, seen[k]))
            if not words or not (words in titles or _PAGE.search(words)):
                break
            out.add(k)
    kept = [row for k, row in enumerate(rows) if k not in out]
    return kept, [rows[k][0] for k in sorted(out)]


def _texts(row: Sequence[Any], left: int, right: int) -> list[str]:
    return [filled(at(row, k)) for k in range(left, right)]


def is_reading(cell: Any) -> bool:
    """Return whether a cell holds a number, a time or a day rather than words."""
    if isinstance(cell, (date, time, timedelta)) or is_clock(cell):
        return True
    text = filled(cell)
    if ":" in text:
        with suppress(ClockError):
            return bool(moment(text))
    return is_value(text.lstrip("<>≤≥ "))


def is_note(cells: Sequence[Any]) -> bool:
    """Return whether some cells hold words in one of them, and nothing else."""
    given = [cell for cell in cells if filled(cell)]
    return len(given) == 1 and not is_reading(given[0])


def bare_of(cell: Any, unit: str) -> str:
    """Return the number of a cell that ends with the unit of its column, else ''."""
    text = filled(cell)
    bare = text.removesuffix(unit).rstrip() if unit else text
    return bare if bare != text and is_value(bare) else ""
