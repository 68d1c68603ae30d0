"""Particles: sizes of older calibrations, the code for contamination, and what test dust holds.

Sizes are carried to the scale of ISO 11171; the code for the level of contamination by solid
particles is that of ISO 4406; the dust is ISO 12103-1 A3.  Its count spectrum turns a mass rate
into particle rates.  Never the other way round: spheres of the counted sizes hold about twice the
mass that made them, since grains are flat.
"""

import math
import re
from bisect import bisect_left, bisect_right
from collections.abc import Sequence
from itertools import pairwise

from dossier.words import later, say

_ISO_4402: tuple[tuple[float, float], ...] = (
    (1, 4.2), (2, 4.6), (2.7, 5.0), (3, 5.1), (4.3, 6.0), (5, 6.4), (7, 7.7), (10, 9.8),
    (12, 11.3), (15, 13.6), (15.5, 14.0), (20, 17.5), (25, 21.2), (30, 24.9), (40, 31.7),
    (50, 38.2), (100, 70.0),
)  # fmt: skip
"""ISO 4402 [um] and ISO 11171 [um(c)].  The row below 1 um is left out: sources differ on it."""

_UM_B = 0.898
"""um(c) in one um(b)."""
_UM_B_RANGE = (1.11, 33.41)
"""The 1 to 30 um(c) of the reference material, written in um(b)."""


def on_present_scale(size: float, calibration: str) -> tuple[float, str]:
    """Return `size` [um of `calibration`, "ISO 4402" or "um(b)"] in um(c), and how in words.

    Of a counter calibrated with ACFTD by ISO 4402 linear between the published pairs (ISO/TR 16386,
    from memory); d(c) = 0.898 d(b) (ISO 11171:2016, from memory).  Raises ValueError outside 1 to
    100 um and 1.11 to 33.41 um(b): neither is extrapolated.
    """
    if calibration == "um(b)":
        _inside(size, *_UM_B_RANGE, "um(b)")
        new = _UM_B * size
        words = later(
            "{size:g} µm(b) is {new:.4g} µm(c): d(c) = {factor} d(b) (ISO 11171:2016, from memory)."
        )
        return new, say(words, size=size, new=new, factor=_UM_B)
    _inside(size, _ISO_4402[0][0], _ISO_4402[-1][0], "um (ISO 4402)")
    (x0, y0), (x1, y1) = next(pair for pair in pairwise(_ISO_4402) if size <= pair[1][0])
    new = y0 + (y1 - y0) * (size - x0) / (x1 - x0)
    words = later(
        "{size:g} µm by ISO 4402 (ACFTD) is taken as {new:.4g} µm(c): linear between the "
        "pairs of the published table (ISO/TR 16386, from memory). Only the size is "
        "converted, not the counts and ratios, which the change of dust and method moved too."
    )
    return new, say(words, size=size, new=new)


def _inside(size: float, low: float, high: float, unit: str) -> None:
    if not low <= size <= high:
        raise ValueError(
            f"size {size} {unit} is outside the published range, {low} to {high} {unit}; "
            "it is not extrapolated"
        )


OVER = 29
"""Stands for the scale's last row, above number 28."""

_UPPER = (
    0.01, 0.02, 0.04, 0.08, 0.16, 0.32, 0.64, 1.3, 2.5, 5, 10, 20, 40, 80, 160, 320, 640, 1300,
    2500, 5e3, 1e4, 2e4, 4e4, 8e4, 1.6e5, 3.2e5, 6.4e5, 1.3e6, 2.5e6,
)  # fmt: skip
"""Upper limits of numbers 0 to 28 [1/mL]; rounded by the standard, so not powers of two."""


def code_number(concentration: float) -> int:
    """Return the scale number of a `concentration` [1/mL]; `OVER` above the last number, 28.

    A number holds from more than the limit before up to and including its own (ISO 4406:2021,
    table of scale numbers, from memory).  Raises ValueError for a negative or non-finite value.
    """
    if not 0 <= concentration < float("inf"):
        raise ValueError(f"concentration must be 0 or more and finite, not {concentration} 1/mL")
    return bisect_left(_UPPER, concentration)


def upper_limit(number: int) -> float:
    """Return the largest concentration [1/mL] of a scale `number` from 0 to 28 (ISO 4406).

    Raises ValueError outside the scale: number 29 has no upper limit.
    """
    if not 0 <= number < OVER:
        raise ValueError(say("scale number must lie between 0 and 28, not {number}", number=number))
    return float(_UPPER[number])


def code(c4: float, c6: float, c14: float) -> str:
    """Return the code of concentrations [1/mL] of 4, 6 and 14 um(c) and larger, such as 20/18/15.

    Of concentrations that were calculated, not counted; above the scale the number reads ">28" (ISO
    4406:2021, 4, from memory).
    Raises ValueError for a negative or non-finite value, or where a larger size has more.
    """
    numbers = [code_number(each) for each in (c4, c6, c14)]
    if not c4 >= c6 >= c14:
        raise ValueError(
            f"cumulative counts must fall with size, not {c4}, {c6}, {c14} 1/mL at 4, 6, 14 um(c)"
        )
    return "/".join(">28" if number == OVER else str(number) for number in numbers)


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
