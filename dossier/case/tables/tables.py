"""Tables as laboratories deliver them: header row with units, then the values, or as declared."""

import csv
import io
import re
from functools import partial
from pathlib import PurePath

from dossier.case.model import Layout
from dossier.case.tables.csv_rows import CsvRows, as_utf8, parsed, sort_rows
from dossier.case.tables.grid import Grid
from dossier.case.tables.layout import tabled
from dossier.case.tables.raw_table import Note, RawTable, TableError, turned_place
from dossier.case.tables.sheet_marks import MAX_CELLS
from dossier.case.tables.sheets import read_sheet, sheet_names, with_decimal
from dossier.case.tables.table_head import is_value, refuse_nameless

MAX_FILE = 512 * 2**20
MAX_GRID = 64 * 2**20
"""Bytes of a CSV file that is cut by a layout: its cells are held one by one."""
_CELLS = re.compile(r"(?:(?P<sheet>.*)!)?(?P<range>[A-Z]+[0-9]+(?::[A-Z]+[0-9]*)?)")


def read_table(
    file: str, content: bytes, *, renamed: dict[str, str] | None = None, decimal: str = "",
    layout: Layout | None = None, where: dict[str, str] | None = None,
) -> RawTable:  # fmt: skip
    """Return the table that `file` names: a CSV file, or "book.xlsx#sheet".

    "book.xlsx#sheet!B4:H90" and "log.csv#B4:H90" name a range of cells.  A `layout` says how to
    read what is not in the case format, `where` which of its rows.  Raises TableError where there
    is no table.
    """
    try:
        return _table(file, content, renamed, decimal, layout, where)
    except TableError as error:
        if layout and layout.transposed:
            error.place = turned_place(error.place)
        raise


def _table(
    file: str, content: bytes, renamed: dict[str, str] | None, decimal: str,
    layout: Layout | None, where: dict[str, str] | None,
) -> RawTable:  # fmt: skip
    path, _, place = file.partition("#")
    book = is_workbook(path)
    found = _CELLS.fullmatch(place)
    cells = found["range"] if found and ("!" in place) == book else ""
    if cells:
        layout = (layout or Layout(id="cells")).model_copy(update={"range": cells})
        place = (found and found["sheet"]) or ""
    cut = partial(tabled, layout=layout, where=where or {}) if layout else None
    decimal = layout.decimal if layout else decimal
    if book and not place:
        names = ", ".join(map(repr, sheet_names(content)[:20]))
        raise TableError("", "no sheet named", f"write '{path}#SHEET'; it has {names or 'none'}")
    if book:
        raw = read_sheet(file, content, place, renamed, decimal, cut)
    elif cut is None:
        raw = read_csv(file, content, renamed, decimal)
    else:
        raw = with_decimal(cut(csv_grid(file, content)), decimal)
    numbers = [] if cut else [column for column in raw.columns if is_value(column.name)]
    if len(numbers) > 1:
        what = f"{numbers[0].name!r} and others are names of columns: does time run to the right?"
        hint = "'dossier take' reads it so: transposed = true in a [[layout]]"
        raise TableError(raw.named_at(numbers[0]), what, hint)
    return raw


def is_workbook(path: str) -> bool:
    """Return whether a file is a workbook, not a CSV file; TableError for any other kind."""
    suffix = PurePath(path).suffix.lower()
    if suffix not in {".xlsx", ".xlsm", ".csv", ".txt", ".tsv"}:
        hint = "save it as XLSX, or hand in CSV"
        raise TableError("", f"files of kind {suffix!r} are not read", hint)
    return suffix in {".xlsx", ".xlsm"}


def csv_grid(file: str, content: bytes) -> Grid:
    """Return all cells of a CSV file as text; raises TableError for what is none, or too large."""
    if len(content) > MAX_GRID:
        what, hint = f"larger than {MAX_GRID // 2**20} MiB", "hand it in as in the case format"
        raise TableError("", what, hint)
    text = as_utf8(content)[0].decode()
    separator = _separator(text[: 2**20].splitlines())
    rows: list[tuple[int, list[str]]] = []
    size = 0
    lines = csv.reader(io.StringIO(text, newline=""), delimiter=separator, skipinitialspace=True)
    try:
        for row in lines:
            rows.append((lines.line_num, row))
            size += len(row)
            if size > MAX_CELLS:
                hint = "hand it in as in the case format, which has no such bound"
                raise TableError(f"row {lines.line_num}", f"more than {MAX_CELLS} cells", hint)
    except csv.Error as error:
        raise TableError(f"row {lines.line_num}", str(error), "export the table again") from None
    return Grid(file, rows)


def _separator(lines: list[str]) -> str:
    """Return the separator of most lines: a tab, else a semicolon, else a comma."""
    filled = [line for line in lines if line.strip()]
    often = (mark for mark in "\t;" if 2 * sum(mark in line for line in filled) >= len(filled) > 0)
    return next(often, ",")


def read_csv(
    file: str, content: bytes, renamed: dict[str, str] | None = None, decimal: str = ""
) -> RawTable:
    """Return the table in `content`, a CSV file separated by comma, semicolon or tab.

    Lines that start with ``#`` are the laboratory's remarks, and so are titles above the names.
    `renamed` maps the laboratory's own column names to those of the case format; `decimal` is the
    decimal mark where the case states it.  Raises TableError when no table can be made of it.
    """
    if len(content) > MAX_FILE:
        raise TableError("", "larger than 512 MiB", "split the record or thin its rows")
    text, notes = as_utf8(content)
    rows = sort_rows(text, renamed)
    if rows.header is None:
        raise TableError("", "the file is empty", "a record starts with a header row: name [unit]")
    if not rows.pieces:
        raise TableError("", "no data rows", "the rows of measured values follow the header")
    _refuse_ragged(rows)
    cells, mark = parsed(rows, decimal)
    lines = rows.lines
    refuse_nameless(rows.columns, cells, lines)
    return RawTable(
        file, rows.columns, cells, lines, tuple(rows.remarks), decimal=mark,
        declared=bool(decimal), notes=(*notes, *_notes(rows)),
    )  # fmt: skip


def _notes(rows: CsvRows) -> tuple[Note, ...]:
    said = {Note.TITLES: rows.titles > 0, Note.UNITS: rows.units_below}
    return tuple(note for note, holds in said.items() if holds)


def _refuse_ragged(rows: CsvRows) -> None:
    if rows.ragged:
        width = len(rows.columns)
        number, found = rows.ragged[0]
        what = f"{found} cells where the header has {width} ({len(rows.ragged)} such rows)"
        hint = "give every row one cell for each column, empty where nothing was measured"
        raise TableError(f"row {number}", what, hint)


_CONTROL = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f]")
HINT = "leave it out: text is letters, signs and spaces"


def refuse_control_characters(raw: RawTable) -> None:
    """Record a problem on `raw` for the first control character of each column and remark."""
    for row, text in raw.remarks:
        _refuse(raw, f"row {row}", text)
    for column in raw.columns:
        _refuse(raw, "header", column.name)
        cells = raw.cells[column.index] if column.index < len(raw.cells) else ()
        if isinstance(cells, list):
            for row, cell in enumerate(cells):
                if isinstance(cell, str) and _refuse(raw, raw.place(row, column), cell):
                    break


def _refuse(raw: RawTable, place: str, text: str) -> bool:
    found = _CONTROL.search(text)
    if found:
        raw.complain(place, f"holds the control character U+{ord(found.group()):04X}", HINT)
    return bool(found)
