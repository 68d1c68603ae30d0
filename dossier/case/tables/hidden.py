"""Control characters in a record's words: they could steer the terminal that prints them."""

import re

from dossier.case.tables.raw_table import RawTable

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
