"""Sizes of older counter calibrations, carried to the scale of ISO 11171."""

from dataclasses import dataclass
from itertools import pairwise

from dossier.words import say

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


@dataclass(frozen=True, slots=True, kw_only=True)
class ConvertedSize:
    """A size on the present scale, and how it got there."""

    size: float
    """Size [um(c)]."""
    sentence: str
    """The conversion in words, to be printed."""


def convert(size: float, calibration: str) -> ConvertedSize:
    """Return `size` [um of `calibration`, "ISO 4402" or "um(b)"] in um(c).

    Raises ValueError for another calibration, or a size outside the published range.
    """
    if calibration == "ISO 4402":
        return from_iso_4402(size)
    if calibration == "um(b)":
        return from_um_b(size)
    raise ValueError(f"no conversion to um(c) is published for calibration {calibration!r}")


def from_iso_4402(size: float) -> ConvertedSize:
    """Return a `size` [um] of a counter calibrated with ACFTD by ISO 4402 in um(c).

    Linear between the published pairs (ISO/TR 16386, from memory).  Raises ValueError outside
    1 to 100 um: the table is not extrapolated.
    """
    _inside(size, _ISO_4402[0][0], _ISO_4402[-1][0], "um (ISO 4402)")
    (x0, y0), (x1, y1) = next(pair for pair in pairwise(_ISO_4402) if size <= pair[1][0])
    new = y0 + (y1 - y0) * (size - x0) / (x1 - x0)
    return ConvertedSize(
        size=new,
        sentence=say(
            "{size:g} µm by ISO 4402 (ACFTD) is taken as {new:.4g} µm(c): linear between the "
            "pairs of the published table (ISO/TR 16386, from memory). Only the size is "
            "converted, not the counts and ratios, which the change of dust and method moved too.",
            size=size, new=new,
        ),
    )  # fmt: skip


def from_um_b(size: float) -> ConvertedSize:
    """Return a `size` [um(b)] in um(c): d(c) = 0.898 d(b) (ISO 11171:2016, from memory).

    Raises ValueError outside 1.11 to 33.41 um(b), which are 1 to 30 um(c).
    """
    _inside(size, *_UM_B_RANGE, "um(b)")
    new = _UM_B * size
    return ConvertedSize(
        size=new,
        sentence=say(
            "{size:g} µm(b) is {new:.4g} µm(c): d(c) = {factor} d(b) (ISO 11171:2016, from "
            "memory).",
            size=size, new=new, factor=_UM_B,
        ),
    )  # fmt: skip


def _inside(size: float, low: float, high: float, unit: str) -> None:
    if not low <= size <= high:
        raise ValueError(
            f"size {size} {unit} is outside the published range, {low} to {high} {unit}; "
            "it is not extrapolated"
        )
