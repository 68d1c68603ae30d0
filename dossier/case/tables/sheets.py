"""Tables on a sheet of a workbook: values as stored, and nothing that a reader cannot see."""

import io
from collections.abc import Callable, Iterable, Sequence
from typing import Any

import numpy as np

from dossier.case.tables.grid import Grid, Row, at
from dossier.case.tables.layout import refuse_outside
from dossier.case.tables.raw_table import VANISHES, RawTable, TableError, filled, letters
from dossier.case.tables.sheet_marks import SheetMarks, check_workbook, sheet_marks
from dossier.case.tables.table_head import MAX_HEAD, head_of, refuse_nameless

MAX_NAMED = 5
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


def _short(error: Exception) -> str:
    return " ".join(str(error).split())[:120]


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
    table = cut(grid) if cut else _table(file, grid.rows, renamed or {})
    merged = grid.merged
    if table.turned:
        marks, merged = marks.turn(), grid.turn().merged
    _refuse_unseen(table, marks, merged)
    return table.settle(decimal)


def sheet_grid(file: str, content: bytes, sheet: str) -> tuple[Grid, SheetMarks]:
    """Return all cells of a sheet, and what it says besides; raises TableError as `read_sheet`."""
    from python_calamine import CalamineWorkbook

    check_workbook(content)
    marks = sheet_marks(content, sheet)
    try:
        read = CalamineWorkbook.from_filelike(io.BytesIO(content)).get_sheet_by_name(sheet)
        rows = read.to_python(skip_empty_area=False)
        merged = tuple(read.merged_cell_ranges or ())
    except Exception as error:  # noqa: BLE001  any failure means the same to the user
        what = f"not a readable workbook ({_short(error)})"
        raise TableError("", what, "save it again as XLSX") from None
    return Grid(file, list(enumerate(rows, 1)), merged), marks


def _show_percent(grid: Grid, marks: SheetMarks) -> None:
    """Turn numbers that the sheet shows as a percentage into what a reader of it sees."""
    for row, column in marks.percent:
        cells = grid.rows[row - 1][1] if row <= len(grid.rows) else []
        if column < len(cells) and isinstance(cells[column], float):
            cells[column] = f"{float(f'{100 * cells[column]:.15g}')!r} %"


def _table(file: str, rows: list[Row], renamed: dict[str, str]) -> RawTable:
    """Return the table of a sheet in the case format."""
    remarks, kept = _sorted(rows)
    if len(kept) < 2:
        raise TableError("", "no data rows on the sheet", "header row name [unit], then the values")
    head = head_of([(n, _texts(row)) for n, row in kept[: MAX_HEAD + 1]], renamed, sheet=True)
    columns, body = head.columns, kept[head.rows :]
    if not body:
        raise TableError("", "no data rows on the sheet", "the rows of values follow the header")
    refuse_outside(body, len(columns))
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
    head = table.head
    rows = {head, *table.lines.tolist()}
    unseen = [f"row {number}" for number in sorted(rows & marks.hidden_rows)[:MAX_NAMED]]
    unseen += [f"column {letters(c.index)}" for c in table.columns if marks.hides(c.index)]
    for place in () if table.hidden else unseen:
        table.complain(place, "is hidden", _HIDDEN)
    _name(table, head, marks.vanishing, *VANISHES)
    _name(table, head, marks.errors, "holds an error value", "correct the formula, or empty it")
    _name(
        table, head, marks.unvalued, "holds a formula without a stored value",
        "open and save the workbook in a spreadsheet program, or enter the value itself",
    )  # fmt: skip
    width = len(table.columns)
    for (top, left), (bottom, right) in merged:
        span = range(top + 1, bottom + 2) if bottom - top < 2**21 else ()
        within = [n for n in span if n in rows]
        if left < width and (len(within) > 1 or (within and right > left)):
            table.complain(
                f"cells {letters(left)}{top + 1}:{letters(right)}{bottom + 1}", "are merged",
                "unmerge them and fill each cell",
            )  # fmt: skip


def _name(table: RawTable, head: int, cells: list[tuple[int, int]], what: str, hint: str) -> None:
    read = {column.index for column in table.columns}
    found = [(row, column) for row, column in cells if row >= head and column in read]
    for row, column in found[:MAX_NAMED]:
        table.complain(f"cell {letters(column)}{row}", what, hint)
    if len(found) > MAX_NAMED:
        table.complain("", f"and {len(found) - MAX_NAMED} more such cells", hint)
