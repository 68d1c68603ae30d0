"""Where both filters stand between what they hold, catch and cost in pressure."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from textwrap import fill
from typing import Any

from dossier.report.charts.panel import Panel, widened
from dossier.report.charts.style import SHADE, line_style
from dossier.words import say

LONGEST_LABEL = 26
"""Letters of an axis label in one line: more would run off the side of the chart."""


NUMERALS = "I", "II", "III", "IV"
"""What several candidates are called: requirements and specimens have letters."""
LOOKS: Mapping[str, Mapping[str, Any]] = {
    "candidate": line_style("candidate"), "reference": line_style("reference"),
    "I": line_style("candidate"), "II": line_style("reference"),
    "III": {"color": "#009E73", "marker": "^"},
    "IV": {"color": "#000000", "marker": "v", "fill": "#fff"},
}  # fmt: skip
"""Colour, marker and whether it is filled: each tells the filters apart by itself."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TradePoint:
    """Where one filter stands: value and 95 % interval on both axes, in printed units."""

    side: str
    x: float
    x_ends: tuple[float, float]
    y: float
    y_ends: tuple[float, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class Reach:
    """One axis: its label, and the range that the requirements allow."""

    label: str
    lower: float
    """-inf where they set no such limit."""
    upper: float
    """inf where they set no such limit."""


def draw_trade(panel: Panel, points: Sequence[TradePoint], x: Reach, y: Reach) -> None:
    """Draw filters as crosses of their intervals over the allowed region."""
    _frame(panel, points, x, y)
    _allowed(panel, points, x, y)
    for reach, line in ((x, panel.upright), (y, panel.across)):
        for end in (reach.lower, reach.upper):
            if math.isfinite(end):
                line(end)
    for point in points:
        look = LOOKS[point.side]
        color = look["color"]
        panel.line(point.x_ends, [point.y, point.y], color=color)
        panel.line([point.x, point.x], point.y_ends, color=color)
        panel.line([point.x], [point.y], **{**look, "style": ""})
        # Where a point stands far right, or high, its label must not.
        dx = -7.0 if float(panel.x.share(point.x)) > 0.65 else 7.0
        dy = -9.0 if float(panel.y.share(point.y)) > 0.85 else 9.0
        panel.label(say(point.side), point.x, point.y, color=color, dx=dx, dy=dy)
    panel.x.words = fill(x.label, LONGEST_LABEL)
    panel.y.words = fill(y.label, LONGEST_LABEL)


def _frame(panel: Panel, points: Sequence[TradePoint], x: Reach, y: Reach) -> None:
    """Show every interval and every limit with some room around them."""
    spans = (
        (x, [end for p in points for end in (p.x, *p.x_ends)], panel.x),
        (y, [end for p in points for end in (p.y, *p.y_ends)], panel.y),
    )
    for reach, ends, axis in spans:
        everything = [e for e in (*ends, reach.lower, reach.upper) if math.isfinite(e)]
        axis.low, axis.high = widened(everything, 0.12)


def _allowed(panel: Panel, points: Sequence[TradePoint], x: Reach, y: Reach) -> None:
    """Shade the region that the requirements on both axes allow; name it where no point is."""
    panel.area([x.lower, x.upper], [y.lower] * 2, [y.upper] * 2, SHADE)

    def inside(corner: tuple[float, float]) -> tuple[float, float]:
        across, up = panel.x.share(corner[0]), panel.y.share(corner[1])
        return min(max(float(across), 0.0), 1.0), min(max(float(up), 0.0), 1.0)

    def lonely(corner: tuple[float, float]) -> float:
        places = [(float(panel.x.share(p.x)), float(panel.y.share(p.y))) for p in points]
        return min((math.dist(inside(corner), place) for place in places), default=0.0)

    right, left = [(x.upper, y.upper), (x.upper, y.lower)], [(x.lower, y.lower), (x.lower, y.upper)]
    corner = max(right + left, key=lonely)
    dx, dy, level = -4.0 if corner[0] == x.upper else 4.0, 4.0, "bottom"
    if corner[1] == y.upper:
        dy, level = -4.0, "top"
    shares = {"of_width": True, "of_height": True}
    panel.label(say("allowed"), *inside(corner), dx=dx, dy=dy, level=level, **shares)
