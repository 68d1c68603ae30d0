"""Flow sweeps as measured and as fitted: a chart with a panel for each path, and a table."""

from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING

import numpy as np

from dossier.case.units import from_si
from dossier.evidence.records.reduced import PressureDropResult
from dossier.physics.pressure_drop import PressureDropFit
from dossier.report.blocks import Chart, Column, Table
from dossier.report.charts.pressure_chart import Sweep, draw_sweeps
from dossier.report.charts.style import draw
from dossier.report.format import fixed, quantity_text, significant
from dossier.report.pages.fixed_words import PATHS
from dossier.words import decimal_mark, say, say_count

if TYPE_CHECKING:
    from matplotlib.figure import Figure


def _in_order(sweeps: Sequence[PressureDropResult]) -> list[PressureDropResult]:
    return sorted(sweeps, key=lambda s: (s.path != "full_flow", s.side != "candidate", s.specimen))


def sweeps_chart(sweeps: Sequence[PressureDropResult], style: str) -> Chart:
    """Return every sweep as measured, in the test oil, each path in a panel of its own."""
    caption = say(
        "Flow sweeps as measured in the test oil, whole assembly: points as read, lines as fitted; "
        "candidate solid with filled points, reference dashed with open points."
    )
    panels: dict[str, list[Sweep]] = {}
    for sweep in _in_order(sweeps):
        panels.setdefault(sweep.path, []).extend(_by_viscosity(sweep))
    if not panels:
        return Chart(caption=caption, missing=say("No flow sweep could be reduced."))

    def paint(figure: "Figure") -> None:
        axes = figure.subplots(1, len(panels), squeeze=False)[0]
        for ax, (path, own) in zip(axes, panels.items(), strict=True):
            draw_sweeps(ax, own)
            if len(panels) > 1:
                ax.set_title(say(PATHS[path]))

    alt = " ".join(_alt(path, own) for path, own in panels.items())
    return Chart(caption=caption, uri=draw(paint, style, 1.6), alt=alt)


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


def fits_table(sweeps: Sequence[PressureDropResult]) -> Table:
    """Return the coefficients fitted to each sweep, the full-flow path first."""
    rows = []
    ordered = _in_order(sweeps)
    several = len({sweep.path for sweep in ordered}) > 1
    for sweep in ordered:
        nu = sweep.viscosity / sweep.density * 1e6
        top = from_si(float(sweep.flow.max()), "L/min", "flow")
        rows.append(
            (
                sweep.record,
                _specimen(sweep, several),
                _coefficient(sweep.assembly, 0),
                _coefficient(sweep.assembly, 1),
                "–" if sweep.housing is None else _coefficient(sweep.housing, 1),
                say("to {flow}", flow=quantity_text(top, "L/min", 3)),
                _tested(float(nu.min()), float(nu.max())),
            )
        )
    return Table(
        caption=say("Fitted flow sweeps, Δp = a·µ·Q + b·ρ·Q²"),
        columns=(
            Column(say("Record"), 10),
            Column(say("Specimen"), 21),
            Column("a / (1/m³)", 11, "right"),
            Column("b / (1/m⁴)", 11, "right"),
            Column(say("b of the housing / (1/m⁴)"), 15, "right"),
            Column(say("Flow tested"), 14, "right"),
            Column(say("Viscosity tested"), 18, "right"),
        ),
        rows=tuple(rows),
        note=say("In brackets: a coefficient that the sweep does not resolve from zero."),
        empty=say("No flow sweep could be reduced."),
    )


def _specimen(sweep: PressureDropResult, several: bool) -> str:
    """Return side and specimen, with the path where there are several."""
    path = f", {say(PATHS[sweep.path])}" if several else ""
    return f"{say(sweep.side)} {sweep.specimen}{path}"


def _tested(low: float, high: float) -> str:
    """Return the tested viscosities [mm2/s]; one where both ends are printed alike."""
    ends = [significant(end, 3) for end in (low, high)]
    alike = ends[0] == ends[1]
    text = ends[0] if alike else say("{low} to {high}", low=ends[0], high=ends[1])
    return f"{text}\u00a0mm²/s"


def _coefficient(fit: PressureDropFit, index: int) -> str:
    text = _scientific((fit.a, fit.b)[index])
    return text if fit.resolved[index] else f"({text})"


SUPERSCRIPT = str.maketrans("0123456789-", "⁰¹²³⁴⁵⁶⁷⁸⁹⁻")


def _scientific(value: float) -> str:
    """Return a number as 1.23·10⁴."""
    if value == 0 or not np.isfinite(value):
        return fixed(value, 0)
    mantissa, _, exponent = f"{value:.2e}".partition("e")
    mantissa = mantissa.replace("-", chr(0x2212)).replace(".", decimal_mark())
    return f"{mantissa}·10{str(int(exponent)).translate(SUPERSCRIPT)}"
