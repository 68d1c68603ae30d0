"""One requirement on a line of its own, in its own unit: limits, specimens, what decides."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from dossier.report.assets import data_uri, svg_sheet
from dossier.report.blocks import Kind
from dossier.report.charts.panel import widened
from dossier.report.charts.style import CANDIDATE

WIDE, HIGH = 120.0, 19.0
"""Size of the picture [pt]."""
MIDDLE = HIGH / 2
EDGE = 6.0
"""Left free at either end [pt]."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Strip:
    """What is drawn, all in one unit."""

    limits: Sequence[float]
    lower: float | None
    """Acceptance limits: it passes between them."""
    upper: float | None
    specimens: Sequence[float]
    deciding: float
    ends: tuple[float, float] | None
    """95 % interval of the result."""
    kind: Kind
    bound: int = 0
    """+1 where the deciding number is a bound that the true one lies above, -1 below [-]."""
    alt: str
    """What it shows, in words."""

    @property
    def uri(self) -> str:
        """The picture as an address that holds it."""
        return data_uri(drawn_strip(self))


def drawn_strip(strip: Strip) -> bytes:
    """Return the picture as SVG: few marks, no text; the numbers stand beside it in the row."""
    limits = [end for end in (strip.lower, strip.upper) if end is not None]
    accepted = list(filter(math.isfinite, limits))
    ends = list(filter(math.isfinite, strip.ends or ()))
    every = [*strip.limits, *accepted, *strip.specimens, strip.deciding, *ends]
    low, high = widened(every, 0.06)

    def x(value: float) -> float:
        return EDGE + (WIDE - 2 * EDGE) * (value - low) / (high - low)

    left = x(strip.lower) if strip.lower in accepted else 0.0
    right = x(strip.upper) if strip.upper in accepted else WIDE
    marks = [] if accepted != limits or right <= left else [_box(left, right - left)]
    marks.append(_line(0.0, MIDDLE, WIDE, MIDDLE, "#b0b0b0", 0.5))
    marks += [_line(x(end), 1.0, x(end), HIGH - 1.0, "#000", 0.7, "1.6 1.2") for end in accepted]
    marks += [_line(x(end), 0.0, x(end), HIGH, "#000", 1.6) for end in strip.limits]
    if len(ends) == 2:
        marks.append(_line(x(ends[0]), MIDDLE, x(ends[1]), MIDDLE, "#404040", 1.4))
    marks += [_ring(x(value), MIDDLE) for value in strip.specimens]
    marks.append(_point(x(strip.deciding), MIDDLE, strip.kind, strip.bound))
    return svg_sheet(WIDE, HIGH, "".join(marks))


def _box(left: float, wide: float) -> str:
    return f'<rect x="{left:.2f}" y="3" width="{wide:.2f}" height="{HIGH - 6:g}" fill="#e4e4e4"/>'


def _line(
    x1: float, y1: float, x2: float, y2: float, color: str, wide: float, dashes: str = ""
) -> str:
    dashed = f' stroke-dasharray="{dashes}"' if dashes else ""
    return (
        f'<path d="M{x1:.2f} {y1:.2f}L{x2:.2f} {y2:.2f}" stroke="{color}" '
        f'stroke-width="{wide:g}"{dashed}/>'
    )


def _ring(x: float, y: float) -> str:
    return (
        f'<circle cx="{x:.2f}" cy="{y:.2f}" r="2.1" fill="#fff" stroke="#404040" '
        'stroke-width="0.7"/>'
    )


def _point(x: float, y: float, kind: Kind, bound: int) -> str:
    """Return the deciding number: a diamond that passes, a cross that fails, an arrow for a bound.

    Told apart by shape as well as by colour.
    """
    if kind == "fail":
        return (
            f'<path d="M{x - 3.2:.2f} {y - 3.2:.2f}l6.4 6.4m0 -6.4l-6.4 6.4" '
            f'stroke="#000" stroke-width="1.8" fill="none"/>'
        )
    fill = CANDIDATE if kind == "pass" else "#fff"
    color = CANDIDATE if kind == "pass" else "#000"
    if bound:
        tip = 5.0 * bound
        outline = f"M{x:.2f} {y - 3.6:.2f}v7.2l{tip:g} -3.6z"
    else:
        outline = f"M{x:.2f} {y - 4.0:.2f}l4 4l-4 4l-4 -4z"
    return f'<path d="{outline}" fill="{fill}" stroke="{color}" stroke-width="0.9"/>'
