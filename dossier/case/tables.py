"""Tables as laboratories deliver them: CSV or a sheet of a workbook, header row with units."""

import io
import math
import re
import zipfile
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from dossier.case.problems import CaseProblem

__all__ = ["Column", "RawTable", "TableError", "read_csv", "read_sheet"]

MAX_FILE = 512 * 2**20
MAX_UNPACKED = 256 * 2**20
MAX_COLUMNS = 500
MAX_NAMED_CELLS = 5

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
            values = cells.astype(float)
        else:
            values = self._parse(cells, column)
        bad = np.flatnonzero(np.isinf(values))
        self._name_cells(bad, column, "is not a finite number", "leave the cell empty if no value")
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
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = content[: error.start].count(b"\n") + 1
        raise TableError(
            f"row {line}", "not UTF-8 text", "save the file again as CSV in UTF-8"
        ) from None
    if "\x00" in text:
        raise TableError("", "holds NUL bytes", "this is not a CSV file; export it again")
    remarks, header_row, header, body, lines = _split_lines(text)
    separator = max("\t;,", key=header.count)
    columns = _header(_cells(header, separator), header_row, renamed or {})
    if not body:
        raise TableError("", "no data rows", "the rows of measured values follow the header")
    cells = _fast_cells(body, separator, len(columns), lines)
    return RawTable(file, columns, cells, lines, remarks)


def _split_lines(
    text: str,
) -> tuple[tuple[tuple[int, str], ...], int, str, list[str], NDArray[np.int64]]:
    rows = text.splitlines()
    remarks = tuple((i, r.lstrip()[1:].strip()) for i, r in enumerate(rows, 1) if _is_remark(r))
    data = [i for i, r in enumerate(rows, 1) if r.strip() and not _is_remark(r)]
    if not data:
        raise TableError("", "the file is empty", "a record starts with a header row: name [unit]")
    header_row, *rest = data
    body = [rows[i - 1] for i in rest]
    return remarks, header_row, rows[header_row - 1], body, np.array(rest, dtype=np.int64)


def _is_remark(row: str) -> bool:
    return row.lstrip(' "')[:1] == "#"


def _cells(line: str, separator: str) -> list[str]:
    import csv

    return next(csv.reader([line], delimiter=separator))


def _fast_cells(body: list[str], separator: str, width: int, lines: NDArray[np.int64]) -> list[Any]:
    """Let the CSV parser read all cells at once; ragged rows are refused by their number."""
    import pandas as pd

    decimal = "," if separator == ";" and any("," in line for line in body) else "."
    text = "\n".join(body)
    quoted = '"' in text
    wanted = width - 1
    if not quoted:
        ragged = [n for n, line in enumerate(body) if line.count(separator) != wanted]
    else:
        ragged = [n for n, line in enumerate(body) if len(_cells(line, separator)) != width]
    if ragged:
        row = ragged[0]
        found = len(_cells(body[row], separator))
        raise TableError(
            f"row {lines[row]}",
            f"{found} cells where the header has {width} ({len(ragged)} such rows)",
            "give every row one cell for each column, empty where nothing was measured",
        )
    if decimal == "," and any("." in line for line in body):
        row = next(n for n, line in enumerate(body) if "." in line)
        if re.search(r"\d\.\d", body[row]):
            raise TableError(
                f"row {lines[row]}",
                "decimal point and decimal comma in one file",
                "use one decimal mark throughout and no thousands separator",
            )
    frame = pd.read_csv(
        io.StringIO(text),
        sep=separator,
        header=None,
        names=list(range(width)),
        index_col=False,
        keep_default_na=False,
        na_values=[""],
        skip_blank_lines=False,
        decimal=decimal,
        skipinitialspace=True,
    )
    return [_column(frame[index]) for index in range(width)]


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
    rows = book.get_sheet_by_name(sheet).to_python(skip_empty_area=False)
    return _sheet_table(file, rows, renamed or {})


def _check_archive(content: bytes) -> None:
    try:
        with zipfile.ZipFile(io.BytesIO(content)) as archive:
            unpacked = sum(entry.file_size for entry in archive.infolist())
    except zipfile.BadZipFile:
        raise TableError("", "not an XLSX workbook", "save it again as XLSX") from None
    if unpacked > MAX_UNPACKED:
        raise TableError("", f"unpacks to {unpacked // 2**20} MiB", "at most 256 MiB are read")


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
