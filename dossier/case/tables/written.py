"""What laboratories write in a table: names of columns, numbers with either mark, clock times.

``1,234`` is 1234 to one reader and 1.234 to another, a factor of 1000.  Such a cell is read only
where something else settles it: as a decimal where the same mark is a decimal mark elsewhere in
the table, as thousands where the same column shows its mark as one (``1,234.5``, ``1,234,567``).
"""

import math
import re
from collections.abc import Iterable, Sequence
from contextlib import suppress
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from functools import cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from dossier.case.problems import PartError
from dossier.case.units import vanishes

MEASURED: dict[str, str] = {
    "collapse pressure": "pressure",
    "burst pressure": "pressure",
    "first bubble pressure": "pressure",
    "pulse cycles": "number",
    "vibration hours": "time",
    "anti-drain leakage": "volume rate",
    "initial cleanliness": "mass",
    "valve leakage": "volume rate",
}
"""Columns of a measurement record and their dimension."""

WORDS = frozenset({"specimen", "remark", "part", "direction", "characteristic", "unit"})
"""Columns whose cells are words, even where they look like numbers."""

_NUMBERS = frozenset(
    {"time", "differential pressure", "flow", "temperature", "found", "lower", "upper", *MEASURED}
)


def lowered(name: str) -> str:
    """Return a column name in lower case with single blanks, as names are compared."""
    return " ".join(name.lower().split())


def is_known(name: str) -> bool:
    """Return whether a column of that name belongs to some kind of record."""
    name = lowered(name)
    return name in _NUMBERS or name in WORDS or name.startswith(("upstream ", "downstream "))


METHODS = {
    ("multipass", "full_flow"): "ISO 4548-12:2017",
    ("multipass", "fine"): "ISO 16889:2022",
    ("pressure_drop", "full_flow"): "ISO 4548-1:1997",
    ("pressure_drop", "fine"): "ISO 3968:2017",
    ("bypass_valve", "full_flow"): "ISO 4548-2:1997",
}
"""Method of each kind of test and path, each among those that the quantities declare."""

STEMS = {
    "multipass": "MP",
    "pressure_drop": "PD",
    "bypass_valve": "BV",
    "measurement": "M",
    "inspection": "IN",
}
"""How the ids of the records of each kind begin."""


MARKS = ".,"
PAIRS = ((".", ","), (",", "."))
"""Each mark as the decimal mark, with the other one."""
_GAPS = " \u00a0\u2009\u202f'\u2019"
_PLAIN = b"0123456789+-eE\n"
_MINUTE = re.compile(rb"[eE]-0*[0-9]{3}")
_LONG = b"0" * 290
"""So many digits in a row may be the smallest number that is held, or less."""
_DIGITS = bytes(48 if 48 <= k <= 57 else 32 for k in range(256))
_STEP = 8
_DOUBTFUL = re.compile(r"[+-]?[1-9][0-9]{0,2}[.,][0-9]{3}")


@dataclass(frozen=True, slots=True)
class Shown:
    """What one cell shows of how its table writes numbers."""

    decimal: str = ""
    """The decimal mark, '' where the cell does not show it."""
    thousands: str = ""
    """Point or comma where it groups thousands for certain, else ''."""
    doubtful: str = ""
    """Point or comma where it may be either."""


_USUAL = re.compile("[+-]?[0-9]{1,99}([.,])[0-9]{1,99}")
_SHOWN = {mark: Shown(decimal=mark) for mark in ".,"}


def cleaned(text: str) -> str:
    """Return `text` without outer blanks and a leading apostrophe, with an ASCII minus sign."""
    text = text.strip().replace("\u2212", "-")
    return text[1:].lstrip() if text[:1] in {"'", "\u2019"} else text


@cache
def _pattern(decimal: str, thousands: str) -> re.Pattern[str]:
    mark, gaps = re.escape(decimal), f"[{_GAPS}{re.escape(thousands)}]"
    return re.compile(
        rf"[+-]?(?:(?:[0-9]+(?:{mark}[0-9]*)?|{mark}[0-9]+)(?:[eE][+-]?[0-9]+)?"
        rf"|[1-9][0-9]{{0,2}}(?P<gap>{gaps})[0-9]{{3}}(?:(?P=gap)[0-9]{{3}})*(?:{mark}[0-9]+)?)"
    )


def vanishing(piece: bytes) -> bool:
    """Return whether a piece of a table may hold a number that vanishes: looked for in no time."""
    if (b"e-" in piece or b"E-" in piece) and _MINUTE.search(piece):
        return True
    seen = piece[::_STEP].translate(_DIGITS)  # takes an eighth of the time of all of it
    return _LONG[::_STEP][1:] in seen and _LONG in piece.translate(_DIGITS)


def number(text: str, decimal: str, thousands: str = "") -> float | None:
    """Return the number that `text` is with this decimal mark, None where it is none or vanishes.

    Thousands may be grouped in threes by blanks or apostrophes, and by `thousands` where given.
    """
    match = _pattern(decimal, thousands).fullmatch(text)
    if match is None:
        return None
    gap = match["gap"]
    plain = (text.replace(gap, "") if gap else text).replace(decimal, ".")
    return None if vanishes(plain) else float(plain)


def shows(text: str) -> Shown | None:
    """Return what a cell shows of decimal mark and thousands, None where it shows nothing."""
    point, comma = text.count("."), text.count(",")
    if not point and not comma:
        return None
    if _DOUBTFUL.fullmatch(text):
        return Shown(doubtful="." if point else ",")
    if plain := _USUAL.fullmatch(text):  # nearly all cells: for them the rest takes too long
        return _SHOWN[plain[1]]
    for mark, other in PAIRS:
        if number(text, mark) is not None and mark in text:
            return Shown(decimal=mark)
        if other in text and number(text, mark, other) is not None:
            return Shown(decimal=mark, thousands=other)
    return None


def groups_thousands(texts: Iterable[str], decimal: str) -> bool:
    """Return whether the mark that is not `decimal` groups thousands for certain in a column."""
    seen = (shows(text) for text in texts)
    return any(each is not None and each.thousands not in {"", decimal} for each in seen)


@cache
def _proof(mark: str) -> re.Pattern[bytes]:
    sign = re.escape(mark)
    return re.compile(
        rf"(?<![0-9{sign}])(?![1-9][0-9]{{0,2}}{sign}[0-9]{{3}}(?![0-9eE{sign}]))"
        rf"[0-9]*{sign}[0-9]*(?![0-9{sign}])".encode()
    )


def proves_decimal(text: bytes, mark: str, start: int = 0) -> bool:
    """Return whether among plain cells, from `start` on, one shows `mark` as decimal mark."""
    return _proof(mark).search(text, start) is not None


def floats_of(cells: Sequence[str], decimal: str) -> NDArray[np.float64] | None:
    """Return cells as floats, NaN where empty, if all are plain numbers; else None."""
    joined = "\n".join(cells)
    if joined.count("\n") != len(cells) - 1 or not joined.isascii():
        return None
    packed = joined.encode()
    if packed.translate(None, _PLAIN + decimal.encode()) or vanishing(packed):
        return None
    if decimal == ",":
        cells = joined.replace(",", ".").split("\n")
    try:
        return np.array([float(cell) if cell else math.nan for cell in cells])
    except ValueError:
        return None


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


class ClockError(PartError):
    """A cell that is no time of the stated form; its place is said where it is read."""


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
            hint = "enter it as text m:ss, or write [h:mm:ss] if 5:30 means 5 h 30 min"
            raise ClockError("", "is a spreadsheet's time, which holds hours and minutes", hint)
        return _of_the_day(cell) if isinstance(cell, time) else cell.total_seconds()
    if isinstance(cell, date):
        what = "is a date, or a time of more than 24 h in a cell that does not show it"
        hint = "give the time since the start of the test, in cells of the format [h]:mm:ss"
        raise ClockError("", what, hint)
    match = _PARTS.fullmatch(cell.strip()) if isinstance(cell, str) else None
    if match is None:
        raise ClockError("", f"is not a time written {form}", f"write {form}, or give [min] or [s]")
    return _written(match, form)


def moment(cell: Any) -> tuple[int | None, float]:
    """Return the day of a clock time, as its ordinal, None where none is given, and its second.

    Takes a spreadsheet's times and days, and text as ISO 8601 writes them, ``09:14:05`` or
    ``2026-02-11 09:14:05``, with am and pm, or with a day such as ``11.02.2026``.  Raises
    ClockError for anything else: of ``02/11/2026`` nobody knows the month.
    """
    if isinstance(cell, str):
        cell = _from_text(cell.strip().replace(",", "."))
    if isinstance(cell, datetime):
        return cell.toordinal(), _of_the_day(cell.time())
    if isinstance(cell, timedelta) and cell.days == 0:
        return None, cell.total_seconds()
    if isinstance(cell, time):
        return None, _of_the_day(cell)
    raise ClockError("", "is no clock time", "write 09:14:05 or 2026-02-11 09:14:05")


_SPELLED = ("%d.%m.%Y %H:%M:%S", "%d.%m.%Y %H:%M:%S.%f", "%d.%m.%Y %H:%M", "%I:%M:%S %p",
            "%I:%M %p", "%Y-%m-%d %I:%M:%S %p", "%H:%M:%S")  # fmt: skip
"""Clock times beside those of ISO 8601; without a year it is one without a day."""


def _from_text(text: str) -> Any:
    """Return a clock time as such, else the text."""
    for read in (time.fromisoformat, datetime.fromisoformat):
        with suppress(ValueError):
            if ":" in text:
                return read(text)
    for form in _SPELLED if ":" in text and len(text) < 40 else ():
        with suppress(ValueError):
            found = datetime.strptime(text, form)  # noqa: DTZ007  laboratories' clocks
            return found if "%Y" in form else found.time()
    return text


def _of_the_day(cell: time) -> float:
    return cell.hour * 3600 + cell.minute * 60 + cell.second + cell.microsecond / 1e6


def _written(match: re.Match[str], form: str) -> float:
    first, second = int(match[1]), int(match[2])
    fraction = float((match[4] or ".0").replace(",", "."))
    if match[3] is not None:
        return first * 3600 + second * 60 + int(match[3]) + fraction
    if form == "h:mm:ss" or (form == "h:mm" and match[4]):
        raise ClockError("", "may be h:mm or m:ss", "write it as h:mm:ss")
    return first * 60 + second + fraction if form == "m:ss" else first * 3600 + second * 60


_FORMAT = re.compile(r'"([^"]*)"|\\(.)|\[\$([^\]-]*)[^\]]*\]|(\[[^\]]*\])|_.|\*(.)|([^_*\[\\])')
_UNSEEN = frozenset("0#?.,/Ee+-()@ '%:;")
"""Signs of a number format that are no words of their own."""


@cache
def shown_beside(code: str, kind: str) -> str:
    """Return what a number format shows beside a value above zero "+", below, zero, or a text "@".

    It is a word, or what is done to the number; empty for nothing, and for dates.  The parts of a
    format are those of ECMA-376-1, 18.8.31 (from memory).
    """
    parts: list[list[tuple[str, ...]]] = [[]]
    for found in _FORMAT.finditer(code.replace("General", "0")):
        if found[6] == ";":
            parts.append([])
        else:
            parts[-1].append(tuple(each or "" for each in found.groups()))
    if kind == "@":
        parts = [each for each in parts if any(p[5] == "@" for p in each)]
    elif not any(p[3][1:2] in {"<", ">", "="} for part in parts for p in part):
        at = {"+": 0, "-": 1, "0": 2}[kind]
        parts = [parts[at if at < len(parts) else 0]]
    return next(filter(None, (_shown(part, kind) for part in parts)), "")


def _shown(part: list[tuple[str, ...]], kind: str) -> str:
    plain = "".join(p[5] for p in part)
    if re.search("[ymdhs]", plain, re.I):
        return ""
    words = "".join(p[0] + p[1] + p[2] + p[4] + ("" if p[5] in _UNSEEN else p[5]) for p in part)
    words = words.strip(" ()'+" + "-" * (kind != "+"))
    if kind != "@" and not re.search("[0#?@]", plain):
        return "" if kind == "0" else words or "nothing at all"
    return words or ("a thousandth of it" if re.search("[0#?],+(?![0#?,])", plain) else "")
