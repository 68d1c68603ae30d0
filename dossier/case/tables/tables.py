"""Tables as laboratories deliver them: header row with units, then the values, or as declared."""

import re
from functools import partial
from pathlib import PurePath

from dossier.case.model import Layout
from dossier.case.tables.csv_rows import csv_grid, read_csv
from dossier.case.tables.layout import tabled
from dossier.case.tables.raw_table import RawTable, TableError, turned_place
from dossier.case.tables.sheets import read_sheet, sheet_names
from dossier.case.tables.table_head import is_value

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
        raw = cut(csv_grid(file, content)).settle(decimal)
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
