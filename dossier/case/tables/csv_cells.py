"""The cells of a CSV file as floats or text, and the decimal mark that they share."""

import csv
import io
from collections.abc import Iterator
from typing import Any

from dossier.case.tables.column_names import WORDS, plain
from dossier.case.tables.csv_rows import CsvRows, Piece, lines_of_cells
from dossier.case.tables.numerals import MARKS, Shown, cleaned, proves_decimal, shown, vanishing
from dossier.case.tables.raw_table import Seen, TableError, decimal_mark

SMALL = 2**16
"""Bytes of data rows up to which a table is read without the library for large ones."""

Texts = list[list[str]]
"""The cells of some rows, one list for each column."""


def parsed(rows: CsvRows, declared: str) -> tuple[Any, str]:
    """Return the cells by column, and the decimal mark of the file.

    Cells are one array of floats (columns, rows), or a list of text for each column.  `declared`
    is the mark that the case states, '' where it states none.  Raises TableError where the file
    does not show which mark is the decimal mark, or shows both as such.
    """
    worded = any(plain(column.name) in WORDS for column in rows.columns)
    large = rows.size > SMALL and not worded
    even = large and all(_one_style(each, rows.separator) for each in rows.pieces)
    texts = None if even else _texts(rows)
    decimal = declared or _decimal(rows, texts)
    floats = _floats(rows, decimal) if texts is None else None
    return (texts or _texts(rows) if floats is None else floats), decimal


def _one_style(piece: Piece, separator: str) -> bool:
    """Return whether a piece holds plain numbers with at most one kind of mark."""
    if separator == "," or not piece.plain:
        return piece.plain
    text = bytes(piece.text)
    return b"," not in text or b"." not in text


def _texts(rows: CsvRows) -> Texts:
    """Return all cells by column; a row must not reach over several lines."""
    columns: Texts = [[] for _ in rows.columns]
    for piece in rows.pieces:
        cells = _lines(bytes(piece.text), rows.separator)
        if len(cells) != len(piece.lines) or any(len(row) != len(columns) for row in cells):
            raise _unclosed()
        for column, part in zip(columns, zip(*cells, strict=True), strict=True):
            column.extend(part)
    return columns


def _lines(text: bytes, separator: str) -> list[list[str]]:
    try:
        return lines_of_cells(text, separator, strict=True)
    except csv.Error as error:
        if "end of data" in str(error):
            raise _unclosed() from None
    try:
        return lines_of_cells(text, separator, strict=False)
    except csv.Error as error:
        raise TableError("", str(error), "export the table again") from None


def _unclosed() -> TableError:
    return TableError(
        "", "a quotation mark is not closed", "export the table again, one line a row"
    )


def _decimal(rows: CsvRows, texts: Texts | None) -> str:
    """Return the decimal mark; '.' where no cell has a mark at all."""
    ends = rows.separator == ","  # then an unquoted comma ends the cell
    if ends and all(each.plain for each in rows.pieces):
        return "."
    return decimal_mark(_seen(rows) if texts is None else _seen_in(rows, texts), comma_ends=ends)


def _seen(rows: CsvRows) -> Iterator[Seen]:
    """Yield what pieces of plain numbers show of each mark, without taking their cells apart."""
    for piece in rows.pieces:
        text = bytes(piece.text)
        for mark in MARKS:
            at = proves_decimal(text, mark)
            found = Shown(decimal=mark) if at >= 0 else Shown(doubtful=mark)
            at = at if at >= 0 else text.find(mark.encode())
            if at >= 0:
                before = text.count(b"\n", 0, at)
                yield f"row {piece.lines[before]}", found


def _seen_in(rows: CsvRows, texts: Texts) -> Iterator[Seen]:
    lines = rows.lines
    for column, cells in zip(rows.columns, texts, strict=True):
        for row, cell in enumerate(cells) if plain(column.name) not in WORDS else ():
            if ("." in cell or "," in cell) and (seen := shown(cleaned(cell.lstrip(" <>≤≥")))):
                yield f"row {lines[row]}, column {column.name!r}", seen


def _floats(rows: CsvRows, decimal: str) -> Any:
    """Return the numbers of a large table (columns, rows); None where a cell is none."""
    import pandas as pd

    text = b"".join(each.text for each in rows.pieces)
    if vanishing(text):
        return None
    try:
        frame = pd.read_csv(
            io.BytesIO(text), dtype="float64", sep=rows.separator, header=None,
            names=list(range(len(rows.columns))), index_col=False, skip_blank_lines=False,
            skipinitialspace=b" " in text, decimal=decimal, keep_default_na=False, na_values=[""],
            low_memory=False,
        )  # fmt: skip
    except ValueError:
        return None
    if len(frame) != len(rows.lines):
        raise _unclosed()
    return frame.to_numpy().T
