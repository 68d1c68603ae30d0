"""Times written as a clock shows them: h:mm, h:mm:ss, m:ss, or a spreadsheet's own times."""

import re
from contextlib import suppress
from datetime import date, datetime, time, timedelta
from typing import Any

CLOCK = "clock"
"""The form of times of day, which are counted from the stated start of the test."""
CLOCKS: dict[str, str] = {
    "h:mm": "h:mm",
    "hh:mm": "h:mm",
    "h:mm:ss": "h:mm:ss",
    "hh:mm:ss": "h:mm:ss",
    "m:ss": "m:ss",
    "mm:ss": "m:ss",
    CLOCK: CLOCK,
}
"""What may stand in the square brackets of a time column, and what it means."""

_PARTS = re.compile(r"([0-9]{1,5}):([0-5][0-9])(?::([0-5][0-9]))?([.,][0-9]+)?")


class ClockError(ValueError):
    """A cell that is no time of the stated form; carries what to do."""

    def __init__(self, what: str, hint: str) -> None:
        self.what, self.hint = what, hint
        super().__init__(what)


def is_clock(cell: Any) -> bool:
    """Return whether a cell holds a time of day or a duration, as text or as a spreadsheet's."""
    if isinstance(cell, (time, timedelta)):
        return True
    return isinstance(cell, str) and _PARTS.fullmatch(cell.strip()) is not None


def clock_hint(name: str) -> str:
    """Return how a column of that name says which clock times it holds."""
    return (
        f"say what it is in the column name: {name} [h:mm], {name} [h:mm:ss] or {name} [m:ss]; "
        "5:30 typed into a spreadsheet is stored as 5 h 30 min"
    )


def seconds(cell: Any, form: str) -> float:
    """Return the time of a cell [s], of a column written in `form` (a value of `CLOCKS`).

    Raises ClockError where the cell is no such time, or could be read in two ways.
    """
    if isinstance(cell, (time, timedelta)):
        if form == "m:ss":
            raise ClockError(
                "is a spreadsheet's time, which holds hours and minutes",
                "enter it as text m:ss, or write [h:mm:ss] if 5:30 means 5 h 30 min",
            )
        return _of_the_day(cell) if isinstance(cell, time) else cell.total_seconds()
    if isinstance(cell, date):
        raise ClockError(
            "is a date, or a time of more than 24 h in a cell that does not show it",
            "give the time since the start of the test, in cells of the format [h]:mm:ss",
        )
    match = _PARTS.fullmatch(cell.strip()) if isinstance(cell, str) else None
    if match is None:
        raise ClockError(f"is not a time written {form}", f"write {form}, or give [min] or [s]")
    return _written(match, form)


def moment(cell: Any) -> tuple[int | None, float]:
    """Return the day of a clock time, as its ordinal, None where none is given, and its second.

    Takes a spreadsheet's times and days, and text as ISO 8601 writes them: ``09:14:05``,
    ``2026-02-11 09:14:05``.  Raises ClockError for anything else.
    """
    if isinstance(cell, str):
        with suppress(ValueError):
            text = cell.strip().replace(",", ".")
            cell = time.fromisoformat(text) if len(text) < 17 else datetime.fromisoformat(text)
    if isinstance(cell, datetime):
        return cell.toordinal(), _of_the_day(cell.time())
    if isinstance(cell, timedelta) and cell.days == 0:
        return None, cell.total_seconds()
    if isinstance(cell, time):
        return None, _of_the_day(cell)
    raise ClockError("is no clock time", "write 09:14:05 or 2026-02-11 09:14:05")


def _of_the_day(cell: time) -> float:
    return cell.hour * 3600 + cell.minute * 60 + cell.second + cell.microsecond / 1e6


def _written(match: re.Match[str], form: str) -> float:
    first, second = int(match[1]), int(match[2])
    fraction = float((match[4] or ".0").replace(",", "."))
    if match[3] is not None:
        return first * 3600 + second * 60 + int(match[3]) + fraction
    if form == "h:mm:ss" or (form == "h:mm" and match[4]):
        raise ClockError("may be h:mm or m:ss", "write it as h:mm:ss")
    return first * 60 + second + fraction if form == "m:ss" else first * 3600 + second * 60
