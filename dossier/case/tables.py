"""Tables as laboratories deliver them in CSV files: header row with units, then the values."""

from dossier.case.csv_cells import parsed
from dossier.case.csv_rows import CsvRows, sort_rows
from dossier.case.csv_text import as_utf8
from dossier.case.raw_table import Column, Note, RawTable, TableError
from dossier.case.sheets import read_sheet, sheet_names
from dossier.case.table_head import refuse_nameless

__all__ = ["Column", "RawTable", "TableError", "read_csv", "read_sheet", "sheet_names"]

MAX_FILE = 512 * 2**20


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
        raise TableError(
            f"row {number}",
            f"{found} cells where the header has {width} ({len(rows.ragged)} such rows)",
            "give every row one cell for each column, empty where nothing was measured",
        )
