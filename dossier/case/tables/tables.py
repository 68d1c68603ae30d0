"""Tables as laboratories deliver them: header row with units, then the values, or as declared."""

import io
import re
from collections.abc import Callable, Iterable, Sequence
from functools import partial
from pathlib import PurePath
from typing import Any

import numpy as np

from dossier.case.model import Layout
from dossier.case.problems import control_in
from dossier.case.tables.csv_rows import csv_grid, read_csv
from dossier.case.tables.grid import (
    MAX_HEAD,
    Grid,
    Row,
    at,
    head_of,
    is_value,
    refuse_muted,
    refuse_nameless,
    same_unit,
)
from dossier.case.tables.layout import refuse_outside, tabled
from dossier.case.tables.raw_table import (
    VANISHES,
    Note,
    RawTable,
    TableError,
    filled,
    lettered,
    turned_cells,
    turned_place,
)
from dossier.case.tables.sheet_marks import Cell, SheetMarks, sheet_marks
from dossier.case.tables.whole_book import check_workbook
from dossier.case.tables.written import WORDS, lowered
from dossier.system.grouped import grouped

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
        raw = cut(csv_grid(file, content))
    if cut is None:
        _refuse_turned(raw)
    return raw


def _refuse_turned(raw: RawTable) -> None:
    """Raise TableError where numbers stand for names of columns."""
    numbers = [column for column in raw.columns if is_value(column.name)]
    if len(numbers) > 1:
        what = f"{numbers[0].name!r} and others are names of columns: does time run to the right?"
        hint = "'dossier take' reads it so: transposed = true in a [[layout]]"
        raise TableError(raw.named_at(numbers[0]), what, hint)


def is_workbook(path: str) -> bool:
    """Return whether a file is a workbook, not a CSV file; TableError for any other kind."""
    suffix = PurePath(path).suffix.lower()
    if suffix not in {".xlsx", ".xlsm", ".csv", ".txt", ".tsv"}:
        hint = "save it as XLSX, or hand in CSV"
        raise TableError("", f"files of kind {suffix!r} are not read", hint)
    return suffix in {".xlsx", ".xlsm"}


HINT = "leave it out: text is letters, signs and spaces"


def refuse_control_characters(raw: RawTable) -> None:
    """Record a problem on `raw` for the first control character of each column and remark."""
    for row, text in raw.remarks:
        _refuse(raw, f"row {row}", text)
    for column in raw.columns:
        _refuse(raw, "header", column.name)
        cells = raw.cells[column.index] if column.index < len(raw.cells) else ()
        if not isinstance(cells, list):
            continue
        texts = [(row, cell) for row, cell in enumerate(cells) if isinstance(cell, str)]
        if control_in("\n".join(cell for _, cell in texts)):
            any(_refuse(raw, raw.place(row, column), cell) for row, cell in texts)


def _refuse(raw: RawTable, place: str, text: str) -> bool:
    if what := control_in(text):
        raw.complain(place, what, HINT)
    return bool(what)


MAX_NAMED = 5
PLAINLY = "take the conditional format away, or let it keep to colours that can be read"
_HIDDEN = 'where it is part of the record say so in its [[layout]]: hidden = "read"; else show it'

Cut = Callable[[Grid], RawTable]


def sheet_names(content: bytes) -> list[str]:
    """Return the names of the sheets that a reader of the workbook sees, in their order."""
    from python_calamine import CalamineWorkbook, SheetVisibleEnum

    check_workbook(content)
    try:
        found = CalamineWorkbook.from_filelike(io.BytesIO(content)).sheets_metadata
    except Exception:  # noqa: BLE001  what is wrong with it is said where it is read
        return []
    return [each.name for each in found if each.visible == SheetVisibleEnum.Visible]


def read_sheet(
    file: str,
    content: bytes,
    sheet: str,
    renamed: dict[str, str] | None = None,
    decimal: str = "",
    cut: Cut | None = None,
) -> RawTable:
    """Return the table on one sheet of an XLSX workbook; formulas count by their stored value.

    Titles above the names are kept as remarks.  `cut` says how to cut the table out of a sheet
    that is not in the case format.  `decimal` is the decimal mark of numbers that are
    stored as text, where the case states it.  Raises TableError for a workbook that is too large
    when unpacked, broken or lacks the sheet, and for hidden or merged cells among the values.
    """
    grid, marks = sheet_grid(file, content, sheet)
    _show_percent(grid, marks)
    table = cut(grid) if cut else _table_of(file, grid.rows, renamed or {})
    merged = grid.merged
    if table.turned:
        marks, merged = marks.turn(), grid.turn().merged
    _refuse_unseen(table, marks, merged)
    _keep_notes(table, marks)
    if _read_from(table, marks.cells["formula"]):
        table.notes = (*table.notes, Note.FORMULAS)
    return table if cut else table.settle(decimal)


def sheet_grid(file: str, content: bytes, sheet: str) -> tuple[Grid, SheetMarks]:
    """Return all cells of a sheet, and what it says besides; raises TableError as `read_sheet`."""
    from python_calamine import CalamineWorkbook

    check_workbook(content)
    marks = sheet_marks(content, sheet)
    try:
        read = CalamineWorkbook.from_filelike(io.BytesIO(content)).get_sheet_by_name(sheet)
        rows = read.to_python(skip_empty_area=False)
        merged = tuple(
            ((min(a, c), min(b, d)), (max(a, c), max(b, d)))
            for (a, b), (c, d) in read.merged_cell_ranges or ()
        )
    except Exception as error:  # noqa: BLE001  any failure means the same to the user
        what = f"not a readable workbook ({' '.join(str(error).split())[:120]})"
        raise TableError("", what, "save it again as XLSX") from None
    return Grid(file, list(enumerate(rows, 1)), merged), marks


def _show_percent(grid: Grid, marks: SheetMarks) -> None:
    """Turn numbers that the sheet shows as a percentage into what a reader of it sees."""
    for row, column in marks.cells["percent"]:
        cells = grid.rows[row - 1][1] if row <= len(grid.rows) else []
        if column < len(cells) and isinstance(cells[column], float):
            cells[column] = f"{float(f'{100 * cells[column]:.15g}')!r} %"


def _table_of(file: str, rows: list[Row], renamed: dict[str, str]) -> RawTable:
    """Return the table of a sheet in the case format."""
    remarks, kept = _sorted(rows)
    if len(kept) < 2:
        raise TableError("", "no data rows on the sheet", "header row name [unit], then the values")
    head = head_of([(n, _texts(row)) for n, row in kept[: MAX_HEAD + 1]], renamed, sheet=True)
    columns, body = head.columns, kept[head.rows :]
    if not body:
        raise TableError("", "no data rows on the sheet", "the rows of values follow the header")
    refuse_outside(body, len(columns))
    for number in (n for n, _ in remarks if n > head.row):
        refuse_muted(number, rows[number - 1][1], len(columns))
    cells = [[at(row, c.index) for _, row in body] for c in columns]
    lines = np.array([n for n, _ in body], dtype=np.int64)
    refuse_nameless(columns, cells, lines)
    said = tuple(sorted([*remarks, *head.titles], key=lambda remark: remark[0]))
    return RawTable(file, columns, cells, lines, said, sheet=True, notes=head.notes, head=head.row)


def _texts(row: Sequence[Any]) -> list[str]:
    """Return the texts of a row up to its last filled cell."""
    texts = [filled(cell) for cell in row]
    while texts and not texts[-1]:
        texts.pop()
    return texts


def _sorted(rows: list[Row]) -> tuple[list[tuple[int, str]], list[Row]]:
    """Return the remarks, and the rows that hold something else."""
    remarks, kept = [], []
    for number, row in rows:
        first = next((filled(c) for c in row if filled(c)), "")
        if first.startswith("#"):
            words = " ".join(filled(c) for c in row if filled(c))
            remarks.append((number, words[1:].strip()))
        elif first:
            kept.append((number, row))
    return remarks, kept


def _refuse_unseen(table: RawTable, marks: SheetMarks, merged: Iterable[Any]) -> None:
    """Complain of cells whose value is not what a reader of the sheet sees."""
    rows = {table.head, *table.lines.tolist()}
    unseen = [f"row {number}" for number in sorted(rows & marks.hidden_rows)[:MAX_NAMED]]
    unseen += [f"column {lettered(c.index)}" for c in table.columns if marks.hides(c.index)]
    for place in () if table.hidden else unseen:
        table.complain(place, "is hidden", _HIDDEN)
    _name(table, marks.cells["vanishing"], *VANISHES)
    _name(table, marks.cells["error"], "holds an error value", "correct the formula, or empty it")
    _refuse_beside(table, marks, rows)
    words = {c.index for c in table.columns if lowered(c.name) in WORDS}
    faint = [each for each in marks.cells["faint"] if each[0] in rows - {table.head}]
    what = "is raised, struck out in part, or white on white"
    hint = "write the number plainly, 10^3 as 1000"
    _name(table, [each for each in faint if each[1] not in words], what, hint)
    _name(table, marks.cells["struck"], "is struck out", "take the line away, or empty the cell")
    hint = "open and save the workbook in a spreadsheet program, or enter the value itself"
    _name(table, marks.cells["unvalued"], "holds a formula without a stored value", hint)
    width, end = len(table.columns), max(rows) + 1
    for (top, left), (bottom, right) in merged:
        within = [n for n in range(top + 1, min(bottom + 2, end)) if n in rows]
        if left < width and (len(within) > 1 or (within and right > left)):
            place = f"cells {lettered(left)}{top + 1}:{lettered(right)}{bottom + 1}"
            table.complain(place, "are merged", "unmerge them and fill each cell")


def _refuse_beside(table: RawTable, marks: SheetMarks, rows: Iterable[int]) -> None:
    """Complain of cells that show another unit, scale or word than their columns say, or may."""
    columns = (*(column for _, column in table.read_as), *table.columns)
    units = {column.index: column.unit for column in columns}
    told = ((words, cell) for cell, words in marks.beside.items())
    odd = ((words, cell) for words, cell in told if not same_unit(words, units.get(cell[1], "")))
    for words, each in grouped(odd).items():
        what = f"is shown otherwise than it is, by its number format: {words!r}"
        _name(table, each, what, "format it as a plain number, in the unit of its column")
    for top, left, bottom, right in marks.changing:
        if units.keys() & {*range(left, right + 1)} and any(top <= row <= bottom for row in rows):
            place = f"cells {lettered(left)}{top}:{lettered(right)}{bottom}"
            table.complain(place, "are shown otherwise, or not at all, under a condition", PLAINLY)


def _keep_notes(table: RawTable, marks: SheetMarks) -> None:
    """Make remarks of the notes at cells of the table: only who opens the workbook sees them."""
    rows, said = {table.head, *table.lines.tolist()}, []
    for (row, column), words in marks.notes.items():
        if row in rows and words:
            said.append((row, words))
            cell = f"{lettered(column)}{row}"
            table.remark_cells[row, words] = turned_cells(cell) if table.turned else cell
    table.remarks = tuple(sorted([*table.remarks, *said]))


def _name(table: RawTable, cells: list[Cell], what: str, hint: str) -> None:
    found = _read_from(table, cells)
    for row, column in found[:MAX_NAMED]:
        table.complain(f"cell {lettered(column)}{row}", what, hint)
    if len(found) > MAX_NAMED:
        table.complain("", f"and {len(found) - MAX_NAMED} more such cells", hint)


def _read_from(table: RawTable, cells: Iterable[Cell]) -> list[Cell]:
    """Return those of the cells that a table is read from, its names included."""
    read = {column.index for column in (*table.columns, *(c for _, c in table.read_as))}
    return [(row, column) for row, column in cells if row >= table.head and column in read]
