"""Scales of particles: sizes of older counter calibrations, and the code for contamination.

Sizes are carried to the scale of ISO 11171; the code for the level of contamination by solid
particles is that of ISO 4406.
"""

from bisect import bisect_left
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
