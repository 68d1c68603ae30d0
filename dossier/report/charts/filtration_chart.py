"""Charts of filtration: efficiency against size, ratio against time, loading."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from dossier.physics.values import Floats
from dossier.report.charts.panel import Panel, Series, tick
from dossier.report.charts.style import LIMIT, line_style, side_color
from dossier.words import later, say

DASHES = (
    (later("solid"), "-"),
    (later("dashed"), "--"),
    (later("dotted"), ":"),
    (later("dash-dotted"), "-."),
)
"""How specimens of one filter are told apart, in words and as a line style."""
DIGITS = ((1,), (1, 3), (1, 2, 5), (1, 1.5, 2, 3, 5, 7), (1, 1.2, 1.5, 2, 2.5, 3, 4, 5, 7))
"""Leading digits of tick labels, coarse to fine: the first set that gives three ticks is taken."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SpecimenLine:
    """Results of one specimen along an axis, in printed units."""

    side: str
    x: Floats
    y: Floats


@dataclass(frozen=True, slots=True, kw_only=True)
class LimitMark:
    """A limit of one requirement at one place on the horizontal axis."""

    x: float
    y: float
    label: str
    is_minimum: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class RatioPanel:
    """Filtration ratio of each reporting tenth at one size."""

    title: str
    specimens: tuple[str, ...]
    ratio: tuple[Floats, ...]
    """One array (10,) for each specimen; where `bound`, the ratio is larger than this."""
    bound: tuple[NDArray[np.bool_], ...]


Lines = Sequence[SpecimenLine]


def draw_efficiency(panel: Panel, lines: Lines, limits: Sequence[LimitMark]) -> None:
    """Draw a line with raw points for each specimen, and a mark for each limit.

    Sizes in um(c), efficiencies in percent, drawn as the share that passes on a logarithmic scale:
    halving what passes is the same step anywhere on it.
    """
    panel.x.words, panel.y.words = say("particle size / µm(c)"), say("efficiency / %")
    panel.y.log = True
    for line in lines:
        panel.line(line.x, passing(line.y), width=0.7, **line_style(line.side))
    name_sides(panel, [line.side for line in lines], panel.lines)
    for limit in limits:
        _limit(panel, limit)
    _percent_ticks(panel)
    sizes = sorted({float(x) for line in lines for x in line.x})
    panel.x.ticks = [(size, tick(size)) for size in sizes]


def passing(efficiency: Any) -> Any:
    """Return the share that passes [%] of an efficiency [%], not below a hundred-thousandth."""
    return np.maximum(100.0 - np.asarray(efficiency), 1e-5)


def _percent_ticks(panel: Panel) -> None:
    """Label the scale of what passes by the efficiency, at least three times."""
    low, high = sorted(panel.y.ends())
    low, high = low / 1.25, high * 1.25
    exact = [m * 10.0**e for e in range(-5, 4) for m in (1, 2, 5)]
    ticks = [share for share in exact if low <= share <= high and share < 100.0]
    if len(ticks) > 6:
        ticks = [share for share in ticks if f"{share:e}"[0] in "15"]
    panel.y.low, panel.y.high = high, low
    panel.y.ticks = [(share, tick(100.0 - share, ".7g")) for share in ticks]


def _limit(panel: Panel, limit: LimitMark) -> None:
    """Draw a bar at the limit with a triangle to the allowed side, and its name."""
    sign = 1 if limit.is_minimum else -1
    level = float(passing(limit.y))
    panel.line([limit.x - 0.6, limit.x + 0.6], [level, level], color=LIMIT, width=1.8)
    panel.line([limit.x], [level], color=LIMIT, style="", marker="^" if sign > 0 else "v", size=4)
    panel.label(limit.label, limit.x, level, dy=-9.0 * sign, align="center")


def name_sides(panel: Panel, sides: Sequence[str], lines: Sequence[Series]) -> None:
    """Write the name of each filter once, beside its lines."""
    for side in dict.fromkeys(sides):
        panel.name(say(side), [line for own, line in zip(sides, lines, strict=True) if own == side])


def draw_ratio(panel: Panel, shown: RatioPanel) -> None:
    """Draw one small panel: the ratio of each tenth of the test, on a logarithmic scale.

    A tenth without any particle counted downstream is an open triangle at the largest ratio
    that is certain.  Specimens follow `DASHES` in their order.
    """
    tenths = np.arange(10, 101, 10)
    color = side_color("candidate")
    panel.y.log, panel.title = True, shown.title
    for index, (ratio, bound) in enumerate(zip(shown.ratio, shown.bound, strict=True)):
        style = DASHES[index % len(DASHES)][1]
        panel.line(tenths, ratio, color=color, style=style, width=0.9)
        panel.line(tenths[~bound], ratio[~bound], color=color, style="", marker="o", size=2.6)
        if bound.any():
            look = {"color": color, "style": "", "marker": "^", "fill": "#fff"}
            panel.line(tenths[bound], ratio[bound], size=5, **look)
    _decades(panel, shown)
    panel.x.low, panel.x.high = 0.0, 104.0
    panel.x.ticks = [(share, tick(share)) for share in (0, 50, 100)]


def _decades(panel: Panel, shown: RatioPanel) -> None:
    """Set readable ticks on a logarithmic axis that may span less than a decade."""
    values = np.concatenate(shown.ratio)
    low, high = float(np.nanmin(values)) / 1.3, float(np.nanmax(values)) * 1.3
    ticks: list[float] = []
    for digits in DIGITS:
        if len(ticks) < 3:
            steps = [m * 10.0**e for e in range(-1, 9) for m in digits]
            ticks = [t for t in steps if low <= t <= high]
    panel.y.low, panel.y.high = low, high
    panel.y.ticks = [(t, tick(t, "g" if t < 1e5 else ".0e")) for t in ticks]


def draw_loading(panel: Panel, runs: Lines, terminals: Sequence[tuple[str, float]]) -> None:
    """Draw one line a run, and the terminal differential pressure across them.

    Mass in g, differential pressure of the element in kPa; `terminals` are label and value.
    """
    panel.x.words = say("injected contaminant / g")
    panel.y.words, panel.y.unit = say("differential pressure\nof the element / kPa"), "kPa"
    lines = []
    for run in runs:
        look = line_style(run.side)
        lines.append(panel.line(run.x, run.y, **{**look, "marker": "", "width": 1.0}))
        panel.line(run.x[-1:], run.y[-1:], beyond=True, **{**look, "style": ""})
    name_sides(panel, [run.side for run in runs], lines)
    for label, value in terminals:
        panel.across(value, style="--")
        panel.label(label, 0.0, value, dx=3.0, dy=3.0, level="bottom", of_width=True)
    top = max([float(run.y.max()) for run in runs] + [value for _, value in terminals])
    panel.y.low, panel.y.high, panel.x.low = 0.0, 1.3 * top, 0.0
