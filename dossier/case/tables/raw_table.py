"""A table not yet interpreted: its columns, its cells, and what is wrong in them."""

import math
import re
import sys
from collections.abc import Callable, Collection, Iterable, Iterator
from dataclasses import dataclass, field
from datetime import date
from enum import StrEnum
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from dossier.case.problems import CaseProblem, PartError
from dossier.case.tables.written import (
    CLOCK,
    CLOCKS,
    MARKS,
    WORDS,
    ClockError,
    Shown,
    cleaned,
    clock_hint,
    floats_of,
    groups_thousands,
    is_clock,
    lowered,
    moment,
    number,
    seconds,
    shows,
)
from dossier.case.units import vanishes

T = TypeVar("T")
MAX_NAMED_CELLS = 5
HALF_DAY = 43200.0

VANISHES = (
    "is too small to be a measured value: it would be read as zero",
    "check its exponent; write 0 for zero, and leave the cell empty if nothing was measured",
)
_REAL = re.compile(r"[+-]?(?:[0-9]+(?:[.][0-9]*)?|[.][0-9]+)(?:[eE][+-]?[0-9]+)?")
_NO_NUMBER = (
    "is not a number",
    "write a plain number, with one decimal mark throughout; leave the cell empty if nothing was "
    "measured",
)
_DATE = (
    "is a date, not a number",
    "a spreadsheet makes dates of values such as 1.2 or 3/4: enter the value again as a number",
)


class TableError(PartError):
    """The table cannot be read at all."""


class Note(StrEnum):
    """How a file was read, where it is not written as the case format asks."""

    UTF16 = "UTF-16"
    LATIN = "Latin-1"
    TITLES = "titles above the names"
    UNITS = "units below the names"
    FORMULAS = "formulas"


@dataclass(frozen=True, slots=True)
class RawColumn:
    """One column of a table: its name and the unit in its square brackets."""

    name: str
    unit: str
    index: int


@dataclass(slots=True)
class RawTable:
    """Header, cells and remarks of one table, not yet interpreted."""

    file: str
    columns: tuple[RawColumn, ...]
    cells: Any
    """Floats (columns, rows), or for each column an array of floats or a list of other cells."""
    lines: NDArray[np.int64]
    """Row number of each data row in the file or sheet."""
    remarks: tuple[tuple[int, str], ...]
    sheet: bool = False
    decimal: str = "."
    """The decimal mark of cells that are text."""
    declared: bool = False
    """True where the case says which mark that is."""
    notes: tuple[Note, ...] = ()
    """How the file was read, where it is not written as the case format asks."""
    head: int = 0
    """Row of the names, where it is known."""
    start: str = ""
    """Clock time at which the test began, for clock times."""
    cells_read: str = ""
    """The cells that hold names and values, where a layout says so."""
    read_as: tuple[tuple[str, RawColumn], ...] = ()
    """Names as the laboratory wrote them, and what they are read as."""
    others: frozenset[str] = frozenset()
    """What stands in the columns of `where` in the rows that were not taken."""
    remark_cells: dict[tuple[int, str], str] = field(default_factory=dict)
    """The cell of each remark that a layout found."""
    dilution: str = ""
    """Whether counts are those of the fluid ("undone") or of a diluted sample ("as counted")."""
    sample: dict[str, float] = field(default_factory=dict)
    """For each side what a count of a sample is multiplied by to be one of the fluid [1/mL]."""
    hidden: bool = False
    """Whether hidden rows and columns may be read."""
    turned: bool = False
    """Whether rows and columns are exchanged, so that a row is a column of the file."""
    problems: list[CaseProblem] = field(default_factory=list)

    @property
    def rows(self) -> int:
        """Number of data rows."""
        return len(self.lines)

    def place(self, row: int, column: RawColumn) -> str:
        """Return where a cell is, in the words of its kind of file."""
        if self.sheet:
            return f"cell {lettered(column.index)}{self.lines[row]}"
        return f"row {self.lines[row]}, column {column.name!r}"

    def named_at(self, column: RawColumn) -> str:
        """Return where the name of a column is."""
        cell = f"cell {lettered(column.index)}{self.head}"
        return cell if self.head else f"column {column.name!r}"

    def complain(self, place: str, what: str, hint: str) -> None:
        """Record one problem of this table."""
        place = turned_place(place) if self.turned else place
        self.problems.append(CaseProblem(self.file, place, what, hint))

    def find(self, name: str) -> RawColumn | None:
        """Return the column of that name, or None."""
        wanted = lowered(name)
        return next((c for c in self.columns if lowered(c.name) == wanted), None)

    def numbers(self, column: RawColumn) -> NDArray[np.float64]:
        """Return a column as floats, NaN where a cell is empty; other text is a problem."""
        cells = self.cells[column.index]
        known = isinstance(cells, np.ndarray)
        values = np.asarray(cells, dtype=float) if known else self._parse(cells, column)
        bad = np.flatnonzero(np.isinf(values))
        self._name_cells(bad, column, "is not a finite number", "leave the cell empty if no value")
        if len(bad):
            values = values.copy()
            values[bad] = np.nan
        return values

    def settle(self, decimal: str, *, comma_ends: bool = False) -> "RawTable":
        """Return the table with the decimal mark of its text, as stated or as its cells show it.

        It is '.' where no cell has one.  Where a comma ends the cells, a point that may group
        thousands is a decimal point.  Raises TableError where both marks are shown as such, or
        none for certain.
        """
        self.declared, self.decimal = bool(decimal), decimal or "."
        proven: dict[str, str] = {}
        doubtful = ""
        for row, column, seen in () if decimal else self._shown(proven):
            if seen.decimal in proven or (comma_ends and seen.doubtful == "."):
                continue
            if seen.decimal:
                proven[seen.decimal] = self.place(row, column)
            else:
                doubtful = doubtful or self.place(row, column)
        if len(proven) == 2:
            where = "as text on one sheet" if self.sheet else "in one file"
            what = f"decimal point, but decimal comma in {proven[',']}: both {where}"
            or_store = ", or store the cells as numbers" if self.sheet else ""
            raise TableError(proven["."], what, f"use one decimal mark throughout{or_store}")
        if doubtful and not proven:
            what, hint = doubt()
            told = f"the number {'stored as text ' if self.sheet else ''}{what}"
            raise TableError(doubtful, told, hint)
        self.decimal = next(iter(proven), self.decimal)
        return self

    def _shown(self, proven: Collection[str]) -> Iterator[tuple[int, RawColumn, Shown]]:
        """Yield row and column of each number that shows something of decimal marks, and what.

        Columns in which all marks are `proven` by those before them have no more to show.
        """
        for column in self.columns:
            cells = self.cells[column.index] if lowered(column.name) not in WORDS else ()
            texts = [(row, cell) for row, cell in enumerate(cells) if isinstance(cell, str)]
            open_marks = [mark for mark in ".," if mark not in proven]
            if proven and not any(mark in cell for _, cell in texts for mark in open_marks):
                continue
            for row, cell in texts:
                if "." in cell or "," in cell:
                    seen = shows(cleaned(cell.lstrip(" <>≤≥")))
                    if seen is not None:
                        yield row, column, seen

    def texts(self, column: RawColumn) -> list[str]:
        """Return a column as stripped text, empty where a cell is empty."""
        return [filled(cell) for cell in self.cells[column.index]]

    def results(self, column: RawColumn) -> list[str]:
        """Return a column as text, numbers with a decimal point and without thousands."""
        texts = self.texts(column)
        thousands = self._thousands(texts)
        return [self._pointed(text, thousands) for text in texts]

    def clock(self, column: RawColumn) -> NDArray[np.float64]:
        """Return a column of clock times [s], NaN where a cell is empty.

        The unit of the column is a key of `CLOCKS`.  Times of [clock] are counted from `start`.
        Any other first time that is longer than every step between rows is a time of day, not a
        time since the start, and is a problem.
        """
        form = CLOCKS[column.unit.lower()]
        if form == CLOCK:
            return self._since_start(column)
        values = np.full(self.rows, np.nan)
        for row, value in self._times(column, lambda cell: seconds(cell, form)):
            values[row] = value
        known = np.flatnonzero(~np.isnan(values))
        if len(known) > 1 and not values[known[0]] <= np.diff(values[known]).max():
            what = "does not start near zero: it looks like a time of day"
            self._name_cells(known[:1], column, what, "give the time since the start of the test")
        return values

    def _since_start(self, column: RawColumn) -> NDArray[np.float64]:
        """Return a column of times of day, with or without their day, as time since the start."""
        values = np.full(self.rows, np.nan)
        try:
            day, start = moment(self.start)
        except ClockError:
            hint = 'say in its layout when the test began: start = "09:14:00"'
            self.complain(self.named_at(column), "holds clock times, and no start is stated", hint)
            return values
        before = 0.0
        for row, (other, value) in self._times(column, moment):
            if other is not None and day is None:
                hint = 'state its day in the layout too: start = "2026-02-11 09:14:00"'
                self._name_cells([row], column, "has a day, and the start of the test none", hint)
                return values
            days = other - day if other is not None and day is not None else 0
            if other is None and value - start < before - HALF_DAY:
                days = int((before + start - value + HALF_DAY) // (2 * HALF_DAY))  # past midnight
            values[row] = before = value - start + days * 2 * HALF_DAY
        return values

    def _times(self, column: RawColumn, read: Callable[[Any], T]) -> Iterator[tuple[int, T]]:
        """Yield each row and its time; a cell that is none is a problem."""
        for row, cell in enumerate(self.cells[column.index]):
            try:
                if filled(cell):
                    yield row, read(cell)
            except ClockError as error:
                self._name_cells([row], column, error.what, error.hint)

    def _thousands(self, texts: Iterable[str]) -> str:
        """Return the mark that may group thousands in a column, '' where none may."""
        other = MARKS.replace(self.decimal, "")
        texts = (cleaned(text.lstrip("<>≤≥")) for text in texts)
        return other if self.declared or groups_thousands(texts, self.decimal) else ""

    def _pointed(self, text: str, thousands: str) -> str:
        sign = text[:1] if text[:1] in {"<", ">", "≤", "≥"} else ""
        body = cleaned(text[len(sign) :])
        value = number(body, self.decimal, thousands)
        if value is None or (text.endswith(body) and floats_of([body], ".") is not None):
            return text
        return f"{sign}{value!r}"

    def _parse(self, cells: list[Any], column: RawColumn) -> NDArray[np.float64]:
        if all(type(cell) is str for cell in cells):
            floats = floats_of(cells, self.decimal)
            if floats is not None:
                return floats
        thousands = self._thousands(cell for cell in cells if isinstance(cell, str))
        values = np.full(len(cells), np.nan)
        bad: dict[tuple[str, str], list[int]] = {}
        for row, cell in enumerate(cells):
            real = isinstance(cell, (float, int)) and not isinstance(cell, bool)
            if real and not _tiny(cell, self.decimal):
                values[row] = cell
                continue
            text = filled(cell)
            if not text:
                continue
            value = number(cleaned(text), self.decimal, thousands) if type(cell) is str else None
            if value is None:
                bad.setdefault(self._reason(cell, column), []).append(row)
            else:
                values[row] = value
        for (what, hint), rows in bad.items():
            self._name_cells(rows, column, what, hint)
        return values

    def _reason(self, cell: Any, column: RawColumn) -> tuple[str, str]:
        """Return what is wrong with a cell that is no number, and what to do."""
        if _tiny(cell, self.decimal):
            return VANISHES
        if is_clock(cell):
            return "is a clock time, not a number", clock_hint(column.name)
        if isinstance(cell, date):
            return _DATE
        found = shows(cleaned(str(cell)))
        if found is not None and found.doubtful:
            return doubt(self.decimal)
        return _NO_NUMBER

    def _name_cells(self, rows: Iterable[Any], column: RawColumn, what: str, hint: str) -> None:
        rows = list(rows)
        for row in rows[:MAX_NAMED_CELLS]:
            text = filled(self.cells[column.index][row])[:40]
            self.complain(self.place(int(row), column), f"{text!r} {what}", hint)
        if len(rows) > MAX_NAMED_CELLS:
            what = f"and {len(rows) - MAX_NAMED_CELLS} more such cells"
            self.complain(f"column {column.name!r}", what, hint)


def _tiny(cell: Any, decimal: str) -> bool:
    """Return whether a cell is a number too small to be held."""
    if isinstance(cell, float):
        return 0 < abs(cell) < sys.float_info.min
    text = cleaned(str(cell)).replace(decimal, ".")
    return bool(_REAL.fullmatch(text)) and vanishes(text)


def doubt(decimal: str = "") -> tuple[str, str]:
    """Return what is wrong with a number whose mark may be decimal or not, and what to do."""
    first = f"the decimal mark elsewhere is {decimal!r}; " if decimal else ""
    return (
        "may be a decimal or grouped thousands, a factor of 1000",
        f'{first}say which in this [[record]] of case.toml: decimal = "." or decimal = ","',
    )


def filled(cell: Any) -> str:
    """Return a cell as stripped text, '' where it is empty; whole numbers without a point."""
    if cell is None or (isinstance(cell, (float, np.floating)) and math.isnan(cell)):
        return ""
    whole = isinstance(cell, float) and cell.is_integer() and abs(cell) < 1e15
    return str(int(cell)) if whole else str(cell).strip()


def lettered(index: int) -> str:
    """Return the letters that a spreadsheet gives the column of that index, counted from 0."""
    name = ""
    index += 1
    while index:
        index, rest = divmod(index - 1, 26)
        name = chr(65 + rest) + name
    return name


def index_of(name: str) -> int:
    """Return the index, counted from 0, of the column that a spreadsheet calls `name`."""
    index = 0
    for letter in name:
        index = 26 * index + ord(letter) - 64
    return index - 1


_CELL = re.compile(r"([A-Z]+)([0-9]+)")
_LINE = re.compile(r"\b(rows?|column) ([A-Z]{1,3}|[0-9]+)\b")


def turned_cells(cells: str) -> str:
    """Return cells with row and column exchanged: "B4:H9" as "D2:I8"."""
    return _CELL.sub(lambda m: f"{lettered(int(m[2]) - 1)}{index_of(m[1]) + 1}", cells)


def turned_place(place: str) -> str:
    """Return a place of a table whose rows and columns are exchanged, as it is in the file."""
    if not re.match(r"(cells?|rows?|column) ", place):
        return place
    return _LINE.sub(_turned_line, turned_cells(place))


def _turned_line(match: re.Match[str]) -> str:
    if match[2].isdecimal():
        return f"column {lettered(int(match[2]) - 1)}"
    return f"row {index_of(match[2]) + 1}" if match[1] == "column" else match[0]


def by_place(index: int, turned: bool) -> str:
    """Return how a layout names a column by its place."""
    return f"row {index + 1}" if turned else f"column {lettered(index)}"
