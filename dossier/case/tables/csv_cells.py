"""The cells of a CSV file as floats or text, and the decimal mark that they share."""

import csv
import io
import os
from collections.abc import Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from dossier.case.tables.column_names import WORDS, plain
from dossier.case.tables.csv_rows import CsvRows, Piece, lines_of_cells
from dossier.case.tables.numerals import MARKS, cleaned, floats_of, proves_decimal, shown, vanishing
from dossier.case.tables.raw_table import TableError, doubt

SMALL = 2**16
"""Bytes of data rows up to which a table is read without the library for large ones."""
BLOCK = 2**20
"""Bytes that the library for large tables is given at once."""

Floats = NDArray[np.float64]
Texts = list[list[str]]
"""The cells of some rows, one list for each column."""


def parsed(rows: CsvRows, declared: str) -> tuple[Any, str]:
    """Return the cells by column, and the decimal mark of the file.

    Cells are one array of floats (columns, rows), or an array or list of text for each column.
    `declared` is the mark that the case states, '' where it states none.  Raises TableError where
    the file does not show which mark is the decimal mark, or shows both as such.
    """
    worded = any(plain(column.name) in WORDS for column in rows.columns)
    fast = rows.size > SMALL and not worded
    parts = [
        each if fast and _one_style(each, rows.separator) else _texts(each, rows)
        for each in rows.pieces
    ]
    decimal = declared or _decimal(rows, parts)
    if fast:
        return _columns(rows, parts, decimal), decimal
    texts = [part for part in parts if not isinstance(part, Piece)]
    return [[cell for part in texts for cell in part[index]] for index in _range(rows)], decimal


def _range(rows: CsvRows) -> range:
    return range(len(rows.columns))


def _one_style(piece: Piece, separator: str) -> bool:
    """Return whether a piece holds plain numbers with at most one kind of mark."""
    if separator == "," or not piece.plain:
        return piece.plain
    text = bytes(piece.text)
    return b"," not in text or b"." not in text


def _texts(piece: Piece, rows: CsvRows) -> Texts:
    """Return the cells of a piece by column; a row must not reach over several lines."""
    text = bytes(piece.text)
    try:
        cells = lines_of_cells(text, rows.separator, strict=True)
    except csv.Error as error:
        if "end of data" in str(error):
            raise _unclosed() from None
        cells = _leniently(text, rows.separator)
    width = len(rows.columns)
    if len(cells) != len(piece.lines) or any(len(row) != width for row in cells):
        raise _unclosed()
    return [list(column) for column in zip(*cells, strict=True)]


def _leniently(text: bytes, separator: str) -> list[list[str]]:
    try:
        return lines_of_cells(text, separator, strict=False)
    except csv.Error as error:
        raise TableError("", str(error), "export the table again") from None


def _unclosed() -> TableError:
    return TableError(
        "", "a quotation mark is not closed", "export the table again, one line a row"
    )


@dataclass(slots=True)
class _Evidence:
    """Where a file shows each mark as decimal mark, and where it leaves it open."""

    proven: dict[str, str] = field(default_factory=dict)
    doubtful: dict[str, str] = field(default_factory=dict)

    def add(self, text: str, place: str) -> None:
        seen = shown(text)
        if seen is not None and seen.decimal:
            self.proven.setdefault(seen.decimal, place)
        elif seen is not None:
            self.doubtful.setdefault(seen.doubtful, place)


def _decimal(rows: CsvRows, parts: Sequence[Piece | Texts]) -> str:
    """Return the decimal mark; '.' where no cell has a mark at all."""
    if rows.separator == "," and all(each.plain for each in rows.pieces):
        return "."  # a comma ends the cell
    found = _Evidence()
    for piece, part in zip(rows.pieces, parts, strict=True):
        if isinstance(part, Piece):
            _plain_evidence(found, part)
        else:
            _text_evidence(found, part, piece, rows)
    if len(found.proven) == 2:
        raise TableError(
            found.proven["."],
            f"decimal point, but decimal comma in {found.proven[',']}: both in one file",
            "use one decimal mark throughout",
        )
    for mark in found.proven or ():
        return mark
    if rows.separator == ",":
        found.doubtful.pop(".", None)
    for place in found.doubtful.values():
        raise TableError(place, f"the number {doubt()[0]}", doubt()[1])
    return "."


def _plain_evidence(found: _Evidence, piece: Piece) -> None:
    for mark in MARKS:
        if mark in found.proven:
            continue
        text = bytes(piece.text)
        at = proves_decimal(text, mark)
        if at >= 0:
            found.proven[mark] = _row(piece, text, at)
        elif mark not in found.doubtful and (at := text.find(mark.encode())) >= 0:
            found.doubtful[mark] = _row(piece, text, at)


def _row(piece: Piece, text: bytes, at: int) -> str:
    before = text.count(b"\n", 0, at)
    return f"row {piece.lines[before]}"


def _text_evidence(found: _Evidence, texts: Texts, piece: Piece, rows: CsvRows) -> None:
    for column, cells in zip(rows.columns, texts, strict=True):
        if plain(column.name) in WORDS:
            continue
        joined = "".join(cells)
        marks = [mark for mark in MARKS if mark in joined and mark not in found.proven]
        for row, cell in enumerate(cells) if marks else ():
            if any(mark in cell for mark in marks):
                place = f"row {piece.lines[row]}, column {column.name!r}"
                found.add(cleaned(cell.lstrip(" <>≤≥")), place)


def _columns(rows: CsvRows, parts: Sequence[Piece | Texts], decimal: str) -> Any:
    """Return the columns of a large table, as one array where no cell holds other text."""
    values = np.empty((len(rows.columns), sum(len(each.lines) for each in rows.pieces)))
    odd: dict[int, list[Any]] = {}
    for start, texts in _filled(rows, parts, decimal, values):
        for index, cells in enumerate(texts):
            floats = floats_of(cells, decimal)
            if floats is None:
                odd.setdefault(index, []).append((start, cells))
            else:
                values[index, start : start + len(cells)] = floats
    if not odd:
        return values
    columns: list[Any] = list(values)
    for index, found in odd.items():
        columns[index] = values[index].tolist()
        for start, cells in found:
            columns[index][start : start + len(cells)] = cells
    return columns


def _filled(
    rows: CsvRows, parts: Sequence[Piece | Texts], decimal: str, values: Floats
) -> Iterator[tuple[int, Texts]]:
    """Write all plain pieces into `values`; yield the cells of others with their first row."""
    blocks = list(_blocks(parts))
    with ThreadPoolExecutor(min(4, os.cpu_count() or 1)) as pool:
        jobs = [
            pool.submit(_read, pieces, rows, decimal, values[:, start:end])
            for start, end, pieces in blocks
        ]
        done = [job.result() for job in jobs]
    for (start, _, pieces), read in zip(blocks, done, strict=True):
        for piece in () if read else pieces:
            yield start, _texts(piece, rows)
            start += len(piece.lines)
    start = 0
    for piece, part in zip(rows.pieces, parts, strict=True):
        if not isinstance(part, Piece):
            yield start, part
        start += len(piece.lines)


def _blocks(parts: Sequence[Piece | Texts]) -> Iterator[tuple[int, int, list[Piece]]]:
    """Yield plain pieces that follow each other, with their first row and the row after them."""
    start, row, held = 0, 0, list[Piece]()
    for part in parts:
        if not isinstance(part, Piece) or sum(len(each.text) for each in held) > BLOCK:
            if held:
                yield start, row, held
            start, held = row, []
        if isinstance(part, Piece):
            held.append(part)
            row += len(part.lines)
        else:
            row += len(part[0])
            start = row
    if held:
        yield start, row, held


def _read(pieces: list[Piece], rows: CsvRows, decimal: str, values: Floats) -> bool:
    """Write the numbers of some pieces into `values`; False where a cell is no number."""
    import pandas as pd

    text = b"".join(each.text for each in pieces)
    if vanishing(text):
        return False
    try:
        frame = pd.read_csv(
            io.BytesIO(text),
            dtype="float64", sep=rows.separator, header=None, names=list(_range(rows)),
            index_col=False, skip_blank_lines=False, skipinitialspace=b" " in text, decimal=decimal,
            keep_default_na=False, na_values=[""], low_memory=False,
        )  # fmt: skip
    except ValueError:
        return False
    if len(frame) != values.shape[1]:
        raise _unclosed()
    for index in _range(rows):
        values[index] = frame[index].to_numpy()
    return True
