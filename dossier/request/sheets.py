"""Blank sheets for laboratories, as CSV and as one workbook; they read back as records."""

import csv
import io
from collections.abc import Sequence
from datetime import datetime
from typing import Any

from dossier.request.plan import Sheet

__all__ = ["CHOICES", "csv_sheet", "workbook"]

CHOICES = {
    "part": ("assembly", "housing"),
    "direction": ("rising", "falling"),
}
"""Columns with two words, and the words."""
ROWS = 2000
"""Rows of a sheet that offer the words of such a column."""


def csv_sheet(sheet: Sheet) -> bytes:
    """Return the sheet as CSV in UTF-8: the header, and the rows that are filled in already."""
    text = io.StringIO(newline="")
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(column.header for column in sheet.columns)
    writer.writerows(sheet.rows)
    return text.getvalue().encode("utf-8")


def workbook(sheets: Sequence[Sheet], issued: datetime) -> bytes:
    """Return an XLSX workbook with one sheet a record, named after it; `issued` is its date."""
    from openpyxl import Workbook

    book = Workbook()
    book.remove(book.active)
    book.properties.creator = "dossier"
    book.properties.created = book.properties.modified = issued
    for sheet in sheets:
        _fill(book.create_sheet(sheet.id[:31]), sheet)
    content = io.BytesIO()
    book.save(content)
    return content.getvalue()


def _fill(page: Any, sheet: Sheet) -> None:
    from openpyxl.styles import Font
    from openpyxl.utils import get_column_letter
    from openpyxl.worksheet.datavalidation import DataValidation

    for index, column in enumerate(sheet.columns, 1):
        cell = page.cell(1, index, column.header)
        cell.font = Font(bold=True)
        letter = get_column_letter(index)
        page.column_dimensions[letter].width = max(12, len(column.header) + 2)
        words = CHOICES.get(column.name)
        if words:
            offered = DataValidation(type="list", formula1=f'"{",".join(words)}"')
            page.add_data_validation(offered)
            offered.add(f"{letter}2:{letter}{ROWS}")
    for row, cells in enumerate(sheet.rows, 2):
        for index, text in enumerate(cells, 1):
            if text:
                cell = page.cell(row, index)
                cell.value = _number(text)
                if isinstance(cell.value, str):
                    cell.data_type = "s"  # a name that begins like a formula stays a name
    page.freeze_panes = "A2"


def _number(text: str) -> float | str:
    try:
        return float(text)
    except ValueError:
        return text
