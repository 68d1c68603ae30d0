"""Chart of flow sweeps as measured, with the curve fitted to each."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from dossier.report.charts.style import end_label, line_style, side_color, tick
from dossier.words import say

if TYPE_CHECKING:
    from matplotlib.axes import Axes

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Sweep:
    """One specimen's sweep at one viscosity, in printed units and in order of flow."""

    side: str
    flow: Floats
    """(n,) [L/min]."""
    pressure: Floats
    """As read (n,) [kPa]."""
    fitted: Floats
    """Of the fitted curve at the same flow and oil (n,) [kPa]."""
    viscosity: float
    """Mean kinematic viscosity of the oil [mm2/s]."""


def draw_sweeps(ax: "Axes", sweeps: Sequence[Sweep]) -> list[Any]:
    """Return the artists: raw points and fitted lines, both axes logarithmic."""
    artists: list[Any] = []
    for sweep in sweeps:
        look = line_style(sweep.side)
        artists += ax.plot(sweep.flow, sweep.fitted, **{**look, "marker": "", "linewidth": 0.7})
        artists += ax.plot(sweep.flow, sweep.pressure, **{**look, "linestyle": "", "markersize": 3})
    ax.set_xscale("log")
    ax.set_yscale("log")
    ax.set_ylim(bottom=0.45 * min(float(sweep.fitted.min()) for sweep in sweeps))
    artists += _labels(ax, sweeps)
    _plain_ticks(ax)
    ax.set_xlabel(say("flow / (L/min)"))
    ax.set_ylabel(say("differential pressure / kPa"))
    return artists


def _labels(ax: "Axes", sweeps: Sequence[Sweep]) -> list[Any]:
    """Return the viscosity under each bundle of curves, and each side beside the upper one."""
    artists = []
    bundles: dict[float, list[Sweep]] = {}
    for sweep in sweeps:
        bundles.setdefault(float(f"{sweep.viscosity:.1g}"), []).append(sweep)
    for bundle in bundles.values():
        nu = float(np.mean([sweep.viscosity for sweep in bundle]))
        lowest = min(bundle, key=lambda sweep: float(sweep.fitted[0]))
        x, y = float(lowest.flow[0]), float(lowest.fitted[0])
        artists.append(end_label(ax, x, y, f"{tick(nu, '.3g')} mm²/s", "black", xytext=(9, -7)))
    top = max(bundles.values(), key=lambda bundle: bundle[0].viscosity)
    for side, offset, align in (("candidate", (-6, 5), "right"), ("reference", (7, -5), "left")):
        own = [sweep for sweep in top if sweep.side == side]
        if own:
            middle = len(own[0].flow) // 2
            artists.append(
                end_label(
                    ax, float(own[0].flow[middle]), float(own[0].fitted[middle]), say(side),
                    side_color(side), xytext=offset, ha=align,
                )
            )  # fmt: skip
    return artists


def _plain_ticks(ax: "Axes") -> None:
    """Label axes at 1, 2 and 5 of each decade: few enough to read, enough for a short span."""
    steps = [m * 10.0**e for e in range(-4, 6) for m in (1, 2, 5)]
    for limits, set_ticks in ((ax.get_xlim(), ax.set_xticks), (ax.get_ylim(), ax.set_yticks)):
        inside = [step for step in steps if limits[0] <= step <= limits[1]]
        set_ticks(inside, [tick(step) for step in inside])
    ax.minorticks_off()
