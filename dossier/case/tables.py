"""Tables as laboratories deliver them: CSV or a sheet of a workbook, header row with units."""

import csv
import io
import math
import re
import warnings
from collections.abc import Iterable, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from dossier.case.csv_rows import (
    LONGEST_LINE,
    CsvRows,
    LongLine,
    NotText,
    cells_of,
    separator_of,
    sort_rows,
)
from dossier.case.problems import CaseProblem
from dossier.case.workbook_bounds import BoundsError, check_workbook

__all__ = ["Column", "RawTable", "TableError", "read_csv", "read_sheet"]

MAX_FILE = 512 * 2**20
MAX_COLUMNS = 500
MAX_NAMED_CELLS = 5
SMALL = 2**16
"""Bytes of data rows up to which a table is read without the library for large ones."""

_NUMBER = re.compile(
    r"\s*([+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?|[+-]?inf(inity)?)?\s*", re.ASCII | re.IGNORECASE
)
_HEADER = re.compile(r"^\s*(?P<name>[^\[\]]*?)\s*(?:\[(?P<unit>[^\[\]]*)\])?\s*$")


class TableError(Exception):
    """The table cannot be read at all; carries one problem."""

    def __init__(self, place: str, what: str, hint: str) -> None:
        self.place, self.what, self.hint = place, what, hint
        super().__init__(what)


@dataclass(frozen=True, slots=True)
class Column:
    """One column of a table: its name and the unit in its square brackets."""

    name: str
    unit: str
    index: int


@dataclass(slots=True)
class RawTable:
    """Header, cells and remarks of one table, not yet interpreted."""

    file: str
    columns: tuple[Column, ...]
    cells: list[Any]
    """One array or list for each column: float arrays, or lists of text and numbers."""
    lines: NDArray[np.int64]
    """Row number of each data row in the file or sheet."""
    remarks: tuple[tuple[int, str], ...]
    sheet: bool = False
    problems: list[CaseProblem] = field(default_factory=list)

    @property
    def rows(self) -> int:
        """Number of data rows."""
        return len(self.lines)

    def place(self, row: int, column: Column) -> str:
        """Return where a cell is, in the words of its kind of file."""
        if self.sheet:
            return f"cell {_letters(column.index)}{self.lines[row]}"
        return f"row {self.lines[row]}, column {column.name!r}"

    def complain(self, place: str, what: str, hint: str) -> None:
        """Record one problem of this table."""
        self.problems.append(CaseProblem(self.file, place, what, hint))

    def find(self, name: str) -> Column | None:
        """Return the column of that name, or None."""
        wanted = _plain(name)
        return next((c for c in self.columns if _plain(c.name) == wanted), None)

    def numbers(self, column: Column) -> NDArray[np.float64]:
        """Return a column as floats, NaN where a cell is empty; other text is a problem."""
        cells = self.cells[column.index]
        if isinstance(cells, np.ndarray) and cells.dtype.kind in "fiu":
            values = np.asarray(cells, dtype=float)
        else:
            values = self._parse(cells, column)
        bad = np.flatnonzero(np.isinf(values))
        self._name_cells(bad, column, "is not a finite number", "leave the cell empty if no value")
        if len(bad):
            values = values.copy()
            values[bad] = np.nan
        return values

    def texts(self, column: Column) -> list[str]:
        """Return a column as stripped text, empty where a cell is empty."""
        return [_text(cell) for cell in self.cells[column.index]]

    def _parse(self, cells: Sequence[Any], column: Column) -> NDArray[np.float64]:
        values = np.full(len(cells), np.nan)
        bad = []
        for row, cell in enumerate(cells):
            text = _text(cell)
            if not text:
                continue
            try:
                number = float(text) if not isinstance(cell, bool) else math.nan
            except ValueError:
                number = math.nan
            if math.isnan(number):
                bad.append(row)
            values[row] = number
        self._name_cells(
            bad,
            column,
            "is not a number",
            "write a plain number with a decimal point (or a decimal comma in a file separated "
            "by semicolons), no thousands separator; leave the cell empty if nothing was measured",
        )
        return values

    def _name_cells(self, rows: Iterable[Any], column: Column, what: str, hint: str) -> None:
        rows = list(rows)
        for row in rows[:MAX_NAMED_CELLS]:
            shown = _text(self.cells[column.index][row])[:40]
            self.complain(self.place(int(row), column), f"{shown!r} {what}", hint)
        if len(rows) > MAX_NAMED_CELLS:
            self.complain(
                f"column {column.name!r}",
                f"and {len(rows) - MAX_NAMED_CELLS} more such cells",
                hint,
            )


def _text(cell: Any) -> str:
    if cell is None:
        return ""
    if isinstance(cell, (float, np.floating)) and math.isnan(cell):
        return ""
    return str(cell).strip()


def _plain(name: str) -> str:
    return " ".join(name.lower().split())


def _letters(index: int) -> str:
    letters = ""
    index += 1
    while index:
        index, rest = divmod(index - 1, 26)
        letters = chr(65 + rest) + letters
    return letters


def _header(cells: Sequence[str], row: int, renamed: dict[str, str]) -> tuple[Column, ...]:
    if len(cells) > MAX_COLUMNS:
        raise TableError(
            f"row {row}", f"{len(cells)} columns", f"a record has at most {MAX_COLUMNS} columns"
        )
    columns, seen = [], set()
    for index, cell in enumerate(cells):
        text = renamed.get(cell.strip(), cell).strip()
        match = _HEADER.match(text)
        if match is None or (not match["name"] and text):
            raise TableError(
                f"row {row}", f"column name {cell.strip()!r} is not understood", "write name [unit]"
            )
        name = " ".join(match["name"].split())
        if name and _plain(name) in seen:
            raise TableError(f"row {row}", f"column {name!r} occurs twice", "keep one of them")
        seen.add(_plain(name))
        columns.append(Column(name, (match["unit"] or "").strip(), index))
    return tuple(columns)


def read_csv(file: str, content: bytes, renamed: dict[str, str] | None = None) -> RawTable:
    """Return the table in `content`, a CSV file in UTF-8 separated by comma, semicolon or tab.

    Lines that start with ``#`` are the laboratory's remarks.  `renamed` maps the laboratory's own
    column names to those of the case format.  Raises TableError when no table can be made of it.
    """
    if len(content) > MAX_FILE:
        raise TableError("", "larger than 512 MiB", "split the record or thin its rows")
    try:
        rows = sort_rows(content)
    except NotText as error:
        raise TableError(
            f"row {error.row}", "not UTF-8 text", "save the file again as CSV in UTF-8"
        ) from None
    except LongLine as error:
        what = f"a line longer than {LONGEST_LINE} bytes"
        raise TableError(
            f"row {error.row}", what, "one line a row; this is no such table"
        ) from None
    if b"\x00" in content:
        raise TableError("", "holds NUL bytes", "this is not a CSV file; export it again")
    if rows.header is None:
        raise TableError("", "the file is empty", "a record starts with a header row: name [unit]")
    separator = separator_of(rows.header)
    columns = _header(cells_of(rows.header, separator), rows.header_row, renamed or {})
    if not rows.pieces:
        raise TableError("", "no data rows", "the rows of measured values follow the header")
    _refuse_ragged(rows, len(columns))
    decimal = _decimal(rows, separator)
    cells = _parsed(rows, separator, decimal, len(columns))
    return RawTable(file, columns, cells, rows.lines, tuple(rows.remarks))


def _refuse_ragged(rows: CsvRows, width: int) -> None:
    if rows.ragged:
        number, found = rows.ragged[0]
        raise TableError(
            f"row {number}",
            f"{found} cells where the header has {width} ({len(rows.ragged)} such rows)",
            "give every row one cell for each column, empty where nothing was measured",
        )


def _decimal(rows: CsvRows, separator: str) -> str:
    """Return the decimal mark; both marks in one file are refused."""
    if separator != ";" or rows.first_with(b",") is None:
        return "."
    pointed = rows.first_with(b".")
    if pointed is not None and re.search(r"\d\.\d", pointed[1]):
        raise TableError(
            f"row {pointed[0]}",
            "decimal point and decimal comma in one file",
            "use one decimal mark throughout and no thousands separator",
        )
    return ","


def _parsed(rows: CsvRows, separator: str, decimal: str, width: int) -> list[Any]:
    """Return the columns: all as numbers at once where they look like it, else each by itself."""
    text = b"".join(rows.pieces)
    if len(text) <= SMALL:
        return _parsed_here(text, rows, separator, decimal, width)
    import pandas as pd

    options: dict[str, Any] = {
        "sep": separator,
        "header": None,
        "names": list(range(width)),
        "index_col": False,
        "skip_blank_lines": False,
        "decimal": decimal,
        "skipinitialspace": True,
    }
    frame = None
    if rows.plain:
        with suppress(ValueError):
            frame = pd.read_csv(io.BytesIO(text), dtype="float64", **options)
    if frame is None:
        frame = _mixed(text, options)
    if len(frame) != len(rows.lines):
        raise _unclosed()
    return [_column(frame[index]) for index in range(width)]


def _parsed_here(text: bytes, rows: CsvRows, separator: str, decimal: str, width: int) -> list[Any]:
    """Return the columns of a small table: a library would take longer to load than to read."""
    try:
        cells = _cells(text, separator, strict=True)
    except csv.Error as error:
        if "end of data" in str(error):
            raise _unclosed() from None
        cells = _cells(text, separator, strict=False)
    if len(cells) != len(rows.lines) or any(len(row) != width for row in cells):
        raise _unclosed()
    return [_numbers_or_words(list(column), decimal) for column in zip(*cells, strict=True)]


def _cells(text: bytes, separator: str, *, strict: bool) -> list[list[str]]:
    lines = io.StringIO(text.decode(), newline="")
    return list(csv.reader(lines, delimiter=separator, skipinitialspace=True, strict=strict))


def _numbers_or_words(cells: list[str], decimal: str) -> Any:
    """Return a column as floats, NaN where empty, if every cell is a number, else as it is."""
    texts = cells if decimal == "." else [cell.replace(",", ".") for cell in cells]
    if decimal == "," and any("." in cell for cell in cells):
        return cells
    if not all(_NUMBER.fullmatch(text) for text in texts):
        return cells
    return np.array([float(text) if text.strip() else math.nan for text in texts])


def _mixed(text: bytes, options: dict[str, Any]) -> Any:
    """Return the frame of a table that holds words, or numbers that are none."""
    import pandas as pd

    with warnings.catch_warnings():
        warnings.simplefilter("ignore", pd.errors.DtypeWarning)  # such cells are named later
        try:
            return pd.read_csv(io.BytesIO(text), keep_default_na=False, na_values=[""], **options)
        except pd.errors.ParserError:
            raise _unclosed() from None


def _unclosed() -> TableError:
    return TableError(
        "", "a quotation mark is not closed", "export the table again, one line a row"
    )


def _column(series: Any) -> Any:
    if series.dtype.kind in "fiu":
        return series.to_numpy(dtype=float)
    return ["" if cell is None or cell != cell else cell for cell in series.tolist()]


def read_sheet(
    file: str, content: bytes, sheet: str, renamed: dict[str, str] | None = None
) -> RawTable:
    """Return the table on one sheet of an XLSX workbook; formulas count by their stored value.

    Raises TableError for a workbook that is too large when unpacked, broken, or lacks the sheet.
    """
    from python_calamine import CalamineWorkbook

    _check_archive(content)
    try:
        book = CalamineWorkbook.from_filelike(io.BytesIO(content))
        names = book.sheet_names
    except Exception as error:  # noqa: BLE001  any failure means the same to the user
        raise TableError(
            "", f"not a readable workbook ({error})", "save it again as XLSX"
        ) from None
    if sheet not in names:
        raise TableError(
            f"sheet {sheet!r}", "no such sheet", f"the workbook has {', '.join(names[:20])}"
        )
    try:
        rows = book.get_sheet_by_name(sheet).to_python(skip_empty_area=False)
    except Exception as error:  # noqa: BLE001  a damaged sheet fails in any way
        words = " ".join(str(error).split())[:120]
        raise TableError(
            f"sheet {sheet[:60]!r}", f"cannot be read ({words})", "save it again as XLSX"
        ) from None
    return _sheet_table(file, rows, renamed or {})


def _check_archive(content: bytes) -> None:
    try:
        check_workbook(content)
    except BoundsError as error:
        raise TableError("", error.what, error.hint) from None


def _sheet_table(file: str, rows: list[list[Any]], renamed: dict[str, str]) -> RawTable:
    remarks, kept = [], []
    for number, row in enumerate(rows, 1):
        first = next((_text(c) for c in row if _text(c)), "")
        if first.startswith("#"):
            words = " ".join(_text(c) for c in row if _text(c))
            remarks.append((number, words[1:].strip()))
        elif first:
            kept.append((number, row))
    if len(kept) < 2:
        raise TableError("", "no data rows on the sheet", "header row name [unit], then the values")
    header_row, header = kept[0]
    texts = [_text(c) for c in header]
    while texts and not texts[-1]:
        texts.pop()
    columns = _header(texts, header_row, renamed)
    body = [row for _, row in kept[1:]]
    for number, row in kept[1:]:
        if any(_text(c) for c in row[len(columns) :]):
            raise TableError(
                f"row {number}", "a cell without a column name above it", "name or empty it"
            )
    cells = [[row[c.index] if c.index < len(row) else "" for row in body] for c in columns]
    lines = np.array([number for number, _ in kept[1:]], dtype=np.int64)
    return RawTable(file, columns, cells, lines, tuple(remarks), sheet=True)
