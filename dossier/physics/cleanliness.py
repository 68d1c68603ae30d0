"""The code for the level of contamination by solid particles, ISO 4406."""

from bisect import bisect_left

from dossier.words import say

FEW = 20
"""Fewer raw counts than this make a scale number a lower bound (ISO 4406, from memory)."""
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


def code(
    c4: float, c6: float, c14: float, few: tuple[bool, bool, bool] = (False, False, False)
) -> str:
    """Return the code of concentrations [1/mL] of 4, 6 and 14 um(c) and larger, such as 20/18/15.

    `few` marks the sizes with fewer than `FEW` raw counts: their number gets the prefix ">=";
    above the scale the number reads ">28" (ISO 4406:2021, 4, from memory).  The default suits
    concentrations that were calculated, not counted.
    Raises ValueError for a negative or non-finite value, or where a larger size has more.
    """
    numbers = [code_number(each) for each in (c4, c6, c14)]
    if not c4 >= c6 >= c14:
        raise ValueError(
            f"cumulative counts must fall with size, not {c4}, {c6}, {c14} 1/mL at 4, 6, 14 um(c)"
        )
    return "/".join(_written(number, lone) for number, lone in zip(numbers, few, strict=True))


def _written(number: int, few: bool) -> str:
    if number == OVER:
        return ">28"
    return f">={number}" if few else str(number)
