"""Where both filters stand between what they hold, catch and cost in pressure."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from textwrap import fill
from typing import TYPE_CHECKING, Any

from dossier.report.charts.style import CANDIDATE, LIMIT, REFERENCE, SHADE, end_label
from dossier.words import say

if TYPE_CHECKING:
    from matplotlib.axes import Axes

LONGEST_LABEL = 26
"""Letters of an axis label in one line: more would run off the side of the chart."""


LETTERS = "ABCD"
"""What several candidates are called."""
LOOKS = {
    "candidate": (CANDIDATE, "o", True), "reference": (REFERENCE, "s", False),
    "A": (CANDIDATE, "o", True), "B": (REFERENCE, "s", False),
    "C": ("#009E73", "^", True), "D": ("#000000", "D", False),
}  # fmt: skip
"""Colour, marker and whether it is filled: each tells the sides apart by itself."""


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
    lower: float | None
    upper: float | None


def draw_trade(ax: "Axes", points: Sequence[TradePoint], x: Reach, y: Reach) -> list[Any]:
    """Return the artists: filters as crosses of their intervals over the allowed region."""
    artists: list[Any] = []
    _frame(ax, points, x, y)
    for point in points:
        color, marker, filled = LOOKS[point.side]
        artists.append(
            ax.errorbar(
                [point.x], [point.y],
                xerr=[[point.x - point.x_ends[0]], [point.x_ends[1] - point.x]],
                yerr=[[point.y - point.y_ends[0]], [point.y_ends[1] - point.y]],
                color=color, marker=marker, markerfacecolor=color if filled else "white",
                capsize=2, linewidth=1.2, label=point.side,
            )
        )  # fmt: skip
        if point.side in LETTERS:
            continue  # a legend names several candidates: their labels might collide
        right, top = _beyond(ax, point)
        artists.append(
            end_label(
                ax, point.x, point.y, say(point.side), color,
                xytext=(-7 if right else 7, -9 if top else 9), ha="right" if right else "left",
                bbox={"facecolor": "white", "edgecolor": "none", "pad": 0.6, "alpha": 0.85},
            )
        )  # fmt: skip
    artists.append(_allowed(ax, points, x, y))
    for reach, line in ((x, ax.axvline), (y, ax.axhline)):
        for end in (reach.lower, reach.upper):
            if end is not None:
                artists.append(line(end, color=LIMIT, linewidth=1.0, linestyle="-"))
    ax.set_xlabel(fill(x.label, LONGEST_LABEL))
    ax.set_ylabel(fill(y.label, LONGEST_LABEL))
    return artists


def _beyond(ax: "Axes", point: TradePoint) -> tuple[bool, bool]:
    """Return whether a point stands so far right, and so high, that its label must not."""
    (left, right), (bottom, top) = ax.get_xlim(), ax.get_ylim()
    return point.x > left + 0.65 * (right - left), point.y > bottom + 0.85 * (top - bottom)


def _frame(ax: "Axes", points: Sequence[TradePoint], x: Reach, y: Reach) -> None:
    """Show every interval and every limit with some room around them."""
    spans = (
        (x, [end for p in points for end in p.x_ends], ax.set_xlim),
        (y, [end for p in points for end in p.y_ends], ax.set_ylim),
    )
    for reach, ends, set_limits in spans:
        everything = ends + [e for e in (reach.lower, reach.upper) if e is not None]
        room = 0.12 * (max(everything) - min(everything)) or 0.1 * abs(max(everything)) or 1.0
        set_limits(min(everything) - room, max(everything) + room)


def _allowed(ax: "Axes", points: Sequence[TradePoint], x: Reach, y: Reach) -> Any:
    """Shade the region that the requirements on both axes allow; name it where no point is."""
    from matplotlib.patches import Rectangle

    left, right = ax.get_xlim()
    bottom, top = ax.get_ylim()
    x0 = left if x.lower is None else x.lower
    x1 = right if x.upper is None else x.upper
    y0 = bottom if y.lower is None else y.lower
    y1 = top if y.upper is None else y.upper
    patch = Rectangle((x0, y0), x1 - x0, y1 - y0, facecolor=SHADE, edgecolor="none", zorder=0)
    ax.add_patch(patch)

    def lonely(corner: tuple[float, float]) -> float:
        gaps = [
            math.hypot((corner[0] - p.x) / (right - left), (corner[1] - p.y) / (top - bottom))
            for p in points
        ]
        return min(gaps, default=0.0)

    corner = max([(x1, y1), (x1, y0), (x0, y0), (x0, y1)], key=lonely)
    east, north = corner[0] == x1, corner[1] == y1
    ax.annotate(
        say("allowed"), corner, xytext=(-4 if east else 4, -4 if north else 4),
        textcoords="offset points", ha="right" if east else "left",
        va="top" if north else "bottom", fontsize=8,
    )  # fmt: skip
    return patch
