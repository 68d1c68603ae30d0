"""Record tables as rows of text cells, and back, for CSV and for XLSX alike."""

import io
import re
from functools import lru_cache

from openpyxl import Workbook, load_workbook

NUMBER = re.compile(r"[<>]? ?-?[0-9][0-9.,]*(e-?[0-9]+)?")


def number(cell):
    return NUMBER.fullmatch(str(cell)) is not None


def sheets(name, content):
    if name.endswith(".csv"):
        return [""]
    return (
        load_workbook(io.BytesIO(content), read_only=True).sheetnames
        if name.endswith(".xlsx")
        else []
    )


def rows(name, content, sheet):
    """Return the header and the data rows, remarks left out."""
    if sheet:
        found = [list(row) for row in _cells(content)[sheet]]
        return [row for row in found if any(row) and not row[0].startswith("#")]
    lines = [line for line in content.decode().splitlines() if line and not line.startswith("#")]
    mark = _separator(lines[0])
    return [line.split(mark) for line in lines]


@lru_cache(maxsize=4)
def _cells(content):
    """Return the rows of text of every sheet of a workbook."""
    return {
        page.title: [["" if c is None else str(c) for c in row] for row in page.values]
        for page in load_workbook(io.BytesIO(content))
    }


def _separator(header):
    return ";" if ";" in header else ","


def with_rows(name, content, sheet, new):
    """Return the file with other rows in one table; remarks come first."""
    if not sheet:
        lines = content.decode().splitlines()
        remarks = [line for line in lines if line.startswith("#")]
        mark = _separator(next(line for line in lines if line and not line.startswith("#")))
        return "\n".join([*remarks, *(mark.join(map(str, row)) for row in new), ""]).encode(
            "utf-8", "replace"
        )
    book = load_workbook(io.BytesIO(content))
    page = book[sheet]
    page.delete_rows(1, page.max_row)
    for row in new:
        page.append([_cell(c) for c in row])
    return _saved(book)


def _cell(text):
    if text == "":
        return None
    clean = "".join(c for c in str(text) if c >= " ")
    return (
        float(text)
        if re.fullmatch(r"-?[0-9.]{1,20}", str(text)) and str(text).count(".") < 2
        else clean
    )


def _saved(book: Workbook) -> bytes:
    out = io.BytesIO()
    book.save(out)
    return out.getvalue()


def without_sheet(content, sheet, how):
    book = load_workbook(io.BytesIO(content))
    if how == "renamed" or len(book.sheetnames) == 1:
        book[sheet].title = "Sheet <b>"
    elif how == "gone":
        del book[sheet]
    else:
        book[sheet].sheet_state = "hidden"
    return _saved(book)
