"""Test dust ISO 12103-1 A3: particles in a mass of it, and its share by volume below a size.

The count spectrum turns a mass rate into particle rates.  Never the other way round: spheres of
the counted sizes hold about twice the mass that made them, since grains are flat.
"""

import math
import re
from bisect import bisect_right
from collections.abc import Sequence

from dossier.words import later, say

Row = tuple[float, float, float]

_COUNTS: tuple[Row, ...] = (
    (1, 348000, 426000), (2, 86900, 106000), (3, 36000, 44000), (4, 19600, 23900),
    (5, 12000, 14700), (6, 7690, 9420), (7, 5050, 6190), (8, 3380, 4160), (10, 1630, 2030),
    (12, 888, 1110), (14, 536, 681), (20, 155, 211), (25, 56, 86), (30, 21, 40),
)  # fmt: skip
"""Size [um(c)], lowest and highest acceptable cumulative count [1/mL] at 10 mg/L."""

_FINER: tuple[Row, ...] = (
    (1, 1, 2), (2, 4.0, 5.5), (3, 7.5, 9.5), (4, 10.5, 13.0), (5, 15, 19), (7, 28, 33),
    (10, 40, 45), (20, 65, 69), (40, 84, 88), (80, 99, 100), (120, 100, 100),
)  # fmt: skip
"""Size [um, not um(c)], lowest and highest volume share finer [%]."""

_TO_PER_KG = 1e8
"""(1/mL) at 10 mg/L = 1e6/m3 at 0.01 kg/m3 = 1e8 a kilogram."""


_DESIGNATION = re.compile(
    r"(?:[A-Z/]+[ -])*[A-Z/]*12103(?: ?- ?1)?(?: ?: ?\d{4})? ?[-,;(]? ?(?:GRADE )?A ?([1-4])\)?"
    r"(?: ?[,;(]? ?(ULTRAFINE|FINE|MEDIUM|COARSE)(?: TEST)?(?: DUST)?\)?)?"
)
_WORDS = {"A1": "ULTRAFINE", "A2": "FINE", "A3": "MEDIUM", "A4": "COARSE"}


def grade(designation: str) -> str:
    """Return the grade, "A1" to "A4", that a designation of ISO 12103-1 dust names; else "".

    Blanks, commas, case, the year and the prefix of a national adoption make no difference; words
    that name another grade than the letter do.  Words of the grades: ISO 12103-1 (from memory).
    """
    found = _DESIGNATION.fullmatch(" ".join(designation.upper().split()))
    if found is None:
        return ""
    letter = f"A{found[1]}"
    return letter if found[2] in {None, _WORDS[letter]} else ""


def interpolated(table: Sequence[tuple[float, float]], size: float) -> float:
    """Return the particles of `size` [um(c)] and larger in a mass of another dust [1/kg].

    `table` holds sizes [um(c)], which rise, with counts [1/kg]; a straight line between them in
    both logarithms.  Raises ValueError for a size outside it.
    """
    if size in dict(table):
        return dict(table)[size]
    below, above, weight = _bracket(tuple((x, n, n) for x, n in table), size, "um(c)")
    return float(below[1] * (above[1] / below[1]) ** weight)


def counts_per_mass(size: float) -> float:
    """Return the particles of `size` [um(c)] and larger in a mass of A3 dust [1/kg].

    Midpoints of the counts accepted in rig validation at 10 mg/L (ISO 16889:2008, from memory;
    half-width about 10 %, more at large sizes); a straight line between sizes in both logarithms.
    Not for computing a mass from counts.  Raises ValueError outside 1 to 30 um(c).
    """
    below, above, weight = _bracket(_COUNTS, size, "um(c)")
    low, high = math.log(_middle(below)), math.log(_middle(above))
    return _TO_PER_KG * math.exp(low + weight * (high - low))


def counts_per_mass_limits(size: float) -> tuple[float, float]:
    """Return lowest and highest accepted particles of `size` [um(c)] and larger [1/kg].

    Source, interpolation and errors as `counts_per_mass`.
    """
    below, above, weight = _bracket(_COUNTS, size, "um(c)")
    low, high = (below[k] * (above[k] / below[k]) ** weight for k in (1, 2))
    return _TO_PER_KG * low, _TO_PER_KG * high


def volume_finer(size: float) -> float:
    """Return the volume share [-] of A3 dust finer than `size` [um].

    Midpoints of ISO 12103-1:1997, table of particle size distribution (from memory), linear
    against the logarithm of size.  One density makes it the mass share too.  The sizes are those
    of that standard's instrument, not um(c).  Raises ValueError outside 1 to 120 um.
    """
    below, above, weight = _bracket(_FINER, size, "um")
    return (_middle(below) + weight * (_middle(above) - _middle(below))) / 100


def _middle(row: Row) -> float:
    return (row[1] + row[2]) / 2


def _bracket(table: tuple[Row, ...], size: float, unit: str) -> tuple[Row, Row, float]:
    """Return the rows around `size` and its place between them on a logarithmic scale [-]."""
    first, last = table[0][0], table[-1][0]
    if not first <= size <= last:
        words = later("size {size} {unit} is outside the table, {first} to {last} {unit}")
        raise ValueError(say(words, size=size, unit=unit, first=first, last=last))
    row = min(bisect_right([each[0] for each in table], size), len(table) - 1)
    below, above = table[row - 1], table[row]
    return below, above, math.log(size / below[0]) / math.log(above[0] / below[0])
