"""Flow sweeps as measured and as fitted: a chart with a panel for each path, and a table."""

from collections.abc import Iterator, Sequence

import numpy as np

from dossier.evidence.records.reduced import PressureDropResult
from dossier.report.blocks import Chart
from dossier.report.charts.panel import Figure
from dossier.report.charts.pressure_chart import Sweep, draw_sweeps
from dossier.report.charts.style import HEIGHT, draw, width_of
from dossier.report.format import significant
from dossier.report.pages.fixed_words import PATHS
from dossier.words import say, say_count


def _in_order(sweeps: Sequence[PressureDropResult]) -> list[PressureDropResult]:
    return sorted(sweeps, key=lambda s: (s.path != "full_flow", s.side != "candidate", s.specimen))


def sweeps_chart(sweeps: Sequence[PressureDropResult], style: str) -> Chart:
    """Return every sweep as measured, in the test oil, each path in a panel of its own."""
    caption = say(
        "Flow sweeps as measured in the test oil, whole assembly: points as read, lines as fitted."
    )
    panels: dict[str, list[Sweep]] = {}
    for sweep in _in_order(sweeps):
        panels.setdefault(sweep.path, []).extend(_by_viscosity(sweep))
    if not panels:
        return Chart(caption=caption, missing=say("No flow sweep could be reduced."))

    def paint(figure: Figure) -> None:
        axes = figure.row(len(panels))
        for ax, (path, own) in zip(axes, panels.items(), strict=True):
            draw_sweeps(ax, own)
            if len(panels) > 1:
                ax.title = say(PATHS[path])

    alt = " ".join(_alt(path, own) for path, own in panels.items())
    half = len(panels) == 1
    uri = draw(paint, style, HEIGHT, width_of(half))
    return Chart(caption=caption, uri=uri, alt=alt, half=half)


def _by_viscosity(sweep: PressureDropResult) -> Iterator[Sweep]:
    """Yield the rows of the assembly in the thin and in the thick oil, in order of flow."""
    nu = sweep.viscosity / sweep.density
    between = float(np.sqrt(nu.min() * nu.max()))
    fit = sweep.assembly
    fitted = fit.a * sweep.viscosity * sweep.flow + fit.b * sweep.density * sweep.flow**2
    for half in (nu <= between, nu > between):
        rows = np.flatnonzero(half & ~sweep.housing_rows)
        rows = rows[np.argsort(sweep.flow[rows], kind="stable")]
        if len(rows):
            yield Sweep(
                side=sweep.side, flow=sweep.flow[rows] * 6e4,
                pressure=sweep.pressure_drop[rows] / 1e3, fitted=fitted[rows] / 1e3,
                viscosity=float(nu[rows].mean()) * 1e6,
            )  # fmt: skip


def _alt(path: str, sweeps: Sequence[Sweep]) -> str:
    flows = np.concatenate([sweep.flow for sweep in sweeps])
    drops = np.concatenate([sweep.pressure for sweep in sweeps])
    return say_count(
        len(sweeps),
        "Chart of differential pressure, {least} kPa to {most} kPa, against flow, {slow} L/min to "
        "{fast} L/min, both logarithmic, {path}, {number} sweep at one viscosity.",
        "Chart of differential pressure, {least} kPa to {most} kPa, against flow, {slow} L/min to "
        "{fast} L/min, both logarithmic, {path}, {number} sweeps at one viscosity each.",
        least=significant(float(drops.min()), 3),
        most=significant(float(drops.max()), 3),
        slow=significant(float(flows.min()), 3),
        fast=significant(float(flows.max()), 3),
        path=say(PATHS[path]),
    )
