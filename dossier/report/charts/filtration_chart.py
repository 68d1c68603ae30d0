"""Charts of filtration: efficiency against size, ratio against time, loading."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from dossier.report.charts.style import LIMIT, end_label, line_style, side_color, tick
from dossier.words import later, say

if TYPE_CHECKING:
    from matplotlib.axes import Axes

Floats = NDArray[np.float64]
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
    """Results of one specimen along an axis."""

    side: str
    specimen: str
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


@dataclass(frozen=True, slots=True, kw_only=True)
class Loading:
    """Differential pressure of the element against injected contaminant, one run."""

    side: str
    specimen: str
    mass: Floats
    """(n,) [g]."""
    pressure: Floats
    """(n,) [kPa]."""


def draw_efficiency(
    ax: "Axes", lines: Sequence[SpecimenLine], limits: Sequence[LimitMark]
) -> list[Any]:
    """Return the artists: a line with raw points for each specimen, a mark for each limit.

    Sizes in um(c), efficiencies in percent, drawn as the share that passes on a logarithmic scale:
    halving what passes is the same step anywhere on it.
    """
    artists: list[Any] = []
    for line in lines:
        look = line_style(line.side)
        artists += ax.plot(line.x, passing(line.y), linewidth=0.7, **look)
    for limit in limits:
        artists += _limit(ax, limit)
    artists += _side_labels(ax, lines)
    _percent_ticks(ax)
    sizes = sorted({float(x) for line in lines for x in line.x})
    ax.set_xticks(sizes, [tick(size) for size in sizes])
    ax.set_xlabel(say("particle size / µm(c)"))
    ax.set_ylabel(say("efficiency / %"))
    return artists


def passing(efficiency: Any) -> Any:
    """Return the share that passes [%] of an efficiency [%], not below a hundred-thousandth."""
    return np.maximum(100.0 - np.asarray(efficiency), 1e-5)


def _percent_ticks(ax: "Axes") -> None:
    """Label the scale of what passes by the efficiency, at least three times."""
    ax.set_yscale("log")
    low, high = sorted(ax.get_ylim())
    low, high = low / 1.25, high * 1.25
    exact = [m * 10.0**e for e in range(-5, 4) for m in (1, 2, 5)]
    ticks = [share for share in exact if low <= share <= high and share < 100.0]
    if len(ticks) > 6:
        ticks = [share for share in ticks if f"{share:e}"[0] in "15"]
    ax.set_ylim(high, low)
    ax.set_yticks(ticks, [tick(100.0 - share, ".7g") for share in ticks])
    ax.minorticks_off()


def _limit(ax: "Axes", limit: LimitMark) -> list[Any]:
    """Return a bar at the limit with a short stem to the allowed side, and its name."""
    sign = 1 if limit.is_minimum else -1
    level = float(passing(limit.y))
    bar = ax.errorbar(
        [limit.x], [level], xerr=[0.6], fmt="none", ecolor=LIMIT, elinewidth=1.8, zorder=5
    )
    stem = ax.plot(
        [limit.x], [level], marker="^" if limit.is_minimum else "v", color=LIMIT,
        markersize=4, linestyle="", zorder=5,
    )  # fmt: skip
    name = end_label(
        ax, limit.x, level, limit.label, LIMIT, xytext=(0, -9 * sign), ha="center",
        fontsize=8, zorder=5,
    )  # fmt: skip
    return [bar, *stem, name]


def _side_labels(ax: "Axes", lines: Sequence[SpecimenLine]) -> list[Any]:
    """Return one label a side, each pushed off the other where the curves differ most.

    Where that is close to the vertical axis, the upper one stands over the curve's far end.
    """
    artists = []
    sides = {line.side: line for line in lines}
    where = _apart(list(sides.values()))
    for line in sides.values():
        above = all(line.y[where] >= other.y[where] for other in sides.values())
        near = float(line.x[where]) < float(line.x[0]) + 0.2 * float(np.ptp(line.x))
        offset, align = ((-6, 6), "right") if above and not near else ((8, -8), "left")
        place = where
        if near and above:
            place, offset, align = len(line.x) - 2, (0, 8), "center"
        artists.append(
            end_label(
                ax, float(line.x[place]), float(passing(line.y[place])), say(line.side),
                side_color(line.side), xytext=offset, ha=align,
            )
        )  # fmt: skip
    return artists


def _apart(lines: Sequence[SpecimenLine]) -> int:
    shortest = min(len(line.x) for line in lines)
    values = np.log(np.array([passing(line.y[:shortest]) for line in lines]))
    if len(lines) < 2 or shortest < 3:
        return shortest // 2
    return 1 + int(np.argmax(np.ptp(values, axis=0)[1:-1]))


def draw_ratio(ax: "Axes", panel: RatioPanel) -> list[Any]:
    """Return the artists of one small panel: ratio of each tenth of the test, logarithmic.

    A tenth without any particle counted downstream is an open triangle at the largest ratio
    that is certain.  Specimens follow `DASHES` in their order.
    """
    tenths = np.arange(10, 101, 10)
    artists: list[Any] = []
    color = side_color("candidate")
    for index, (ratio, bound) in enumerate(zip(panel.ratio, panel.bound, strict=True)):
        style = DASHES[index % len(DASHES)][1]
        artists += ax.plot(tenths, ratio, color=color, linestyle=style, linewidth=0.9)
        artists += ax.plot(
            tenths[~bound], ratio[~bound], color=color, linestyle="", marker="o", markersize=2.6
        )
        artists += ax.plot(
            tenths[bound], ratio[bound], color=color, linestyle="", marker="^", markersize=5,
            markerfacecolor="white",
        )  # fmt: skip
    ax.set_yscale("log")
    _decades(ax, panel)
    ax.set_xlim(0, 104)
    ax.set_xticks([0, 50, 100])
    ax.set_title(panel.title, fontsize=8, pad=3)
    return artists


def _decades(ax: "Axes", panel: RatioPanel) -> None:
    """Set readable ticks on a logarithmic axis that may span less than a decade."""
    values = np.concatenate(panel.ratio)
    low, high = float(np.nanmin(values)) / 1.3, float(np.nanmax(values)) * 1.3
    ticks: list[float] = []
    for digits in DIGITS:
        if len(ticks) < 3:
            steps = [m * 10.0**e for e in range(-1, 9) for m in digits]
            ticks = [t for t in steps if low <= t <= high]
    ax.set_ylim(low, high)
    ax.set_yticks(ticks, [tick(t, "g" if t < 1e5 else ".0e") for t in ticks])
    ax.minorticks_off()


def draw_loading(
    ax: "Axes", runs: Sequence[Loading], terminals: Sequence[tuple[str, float]]
) -> list[Any]:
    """Return the artists: one line a run, the terminal differential pressure across them.

    Mass in g, differential pressure of the element in kPa; `terminals` are label and value.
    """
    artists: list[Any] = []
    for run in runs:
        look = line_style(run.side)
        look.update(marker="", linewidth=1.0)
        artists += ax.plot(run.mass, run.pressure, **look)
        end = line_style(run.side)
        end.update(linestyle="", markersize=4)
        artists += ax.plot(run.mass[-1:], run.pressure[-1:], clip_on=False, zorder=4, **end)
    for label, value in terminals:
        artists.append(ax.axhline(value, color=LIMIT, linewidth=1.0, linestyle=(0, (6, 2))))
        artists.append(
            end_label(ax, 0.0, value, label, LIMIT, xytext=(3, 3), fontsize=8, va="bottom")
        )
    artists += _run_labels(ax, runs)
    top = max([float(run.pressure.max()) for run in runs] + [value for _, value in terminals])
    ax.set_ylim(0.0, 1.3 * top)
    ax.set_xlim(left=0.0)
    ax.set_xlabel(say("injected contaminant / g"))
    ax.set_ylabel(say("differential pressure\nof the element / kPa"))
    return artists


def _run_labels(ax: "Axes", runs: Sequence[Loading]) -> list[Any]:
    """Return a label a side, outward of its curves: each specimen's end is in the table."""
    artists = []
    ends = {
        side: [r for r in runs if r.side == side] for side in dict.fromkeys(r.side for r in runs)
    }
    reach = {side: max(float(r.mass[-1]) for r in own) for side, own in ends.items()}
    for side, own in ends.items():
        first = reach[side] == min(reach.values())
        run = (min if first else max)(own, key=lambda r: float(r.mass[-1]))
        place = int(
            np.argmax(run.pressure >= (0.65 if first else 0.45) * float(run.pressure.max()))
        )
        artists.append(
            end_label(
                ax, float(run.mass[place]), float(run.pressure[place]), say(side), side_color(side),
                xytext=(-7, 3) if first else (7, -4), ha="right" if first else "left",
            )
        )  # fmt: skip
    return artists
