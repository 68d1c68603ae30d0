"""Numbers as people and spreadsheets write them: decimal comma or point, grouped thousands.

``1,234`` is 1234 to one reader and 1.234 to another, a factor of 1000.  Such a cell is read only
where something else settles it: as a decimal where the same mark is a decimal mark elsewhere in
the table, as thousands where the same column shows its mark as one (``1,234.5``, ``1,234,567``).
"""

import math
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray

from dossier.case.units import vanishes

MARKS = ".,"
PAIRS = ((".", ","), (",", "."))
"""Each mark as the decimal mark, with the other one."""
_GAPS = " \u00a0\u2009\u202f'\u2019"
_PLAIN = b"0123456789+-eE\n"
_MINUTE = re.compile(rb"[eE]-0*[0-9]{3}|[0-9]{290}")
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
    return _MINUTE.search(piece) is not None


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


def shown(text: str) -> Shown | None:
    """Return what a cell shows of decimal mark and thousands, None where it shows nothing."""
    point, comma = text.count("."), text.count(",")
    if not point and not comma:
        return None
    if _DOUBTFUL.fullmatch(text):
        return Shown(doubtful="." if point else ",")
    for mark, other in PAIRS:
        if number(text, mark) is not None and mark in text:
            return Shown(decimal=mark)
        if other in text and number(text, mark, other) is not None:
            return Shown(decimal=mark, thousands=other)
    return None


def groups_thousands(texts: Iterable[str], decimal: str) -> bool:
    """Return whether the mark that is not `decimal` groups thousands for certain in a column."""
    seen = (shown(text) for text in texts)
    return any(each is not None and each.thousands not in {"", decimal} for each in seen)


@cache
def _proof(mark: str) -> re.Pattern[bytes]:
    sign = re.escape(mark)
    return re.compile(
        rf"(?<![0-9{sign}])(?![1-9][0-9]{{0,2}}{sign}[0-9]{{3}}(?![0-9eE{sign}]))"
        rf"[0-9]*{sign}[0-9]*(?![0-9{sign}])".encode()
    )


def proves_decimal(piece: bytes, mark: str) -> int:
    """Return where in a piece of plain cells one shows `mark` as decimal mark, -1 if none does."""
    if mark.encode() not in piece:
        return -1
    match = _proof(mark).search(piece)
    return -1 if match is None else match.start()


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
