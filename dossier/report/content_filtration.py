"""Efficiency, capacity and life as formatted text and charts."""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import cycle
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from dossier.decision.finding import Assessment, Finding
from dossier.evidence.reduced import MultipassResult
from dossier.report.blocks import Cell, Chart, Column, Table
from dossier.report.chart_filtration import (
    DASHES,
    LimitMark,
    Loading,
    RatioPanel,
    SpecimenLine,
    draw_efficiency,
    draw_loading,
    draw_ratio,
)
from dossier.report.chart_style import draw
from dossier.report.content_results import limit_text, results_table
from dossier.report.format import bound_text, fixed, percent, quantity_text, significant
from dossier.report.sections import findings_of

if TYPE_CHECKING:
    from matplotlib.figure import Figure

__all__ = [
    "CapacityPage",
    "EfficiencyPage",
    "bound_ratio",
    "capacity_page",
    "efficiency_page",
    "why_no_runs",
]

NONE_SEEN = 2.995732273553991
"""One-sided upper 95 % limit of the expected count when none was seen, -ln 0.05 (Garwood 1936)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class EfficiencyPage:
    """What the filter catches."""

    results: Table
    against_size: Chart
    against_time: Chart
    sizes: Table


@dataclass(frozen=True, slots=True, kw_only=True)
class CapacityPage:
    """What the filter holds."""

    results: Table
    loading: Chart
    runs: Table


def why_no_runs(assessment: Assessment) -> str:
    """Return the sentence that stands where a chart of multi-pass runs would."""
    reasons = [f"{record}: {why}" for record, why in assessment.bench.unreduced.items()]
    if reasons:
        return f"Not demonstrated. No multi-pass record could be reduced. {'; '.join(reasons)}."
    return "Not demonstrated. The case has no multi-pass record that could be drawn."


def efficiency_page(assessment: Assessment, threshold: float, style: str) -> EfficiencyPage:
    """Return the section on efficiency."""
    findings = findings_of(assessment.findings, "efficiency")
    runs = assessment.bench.multipass
    return EfficiencyPage(
        results=results_table(
            "Results on filtration that requirements ask for", findings, threshold,
            "No requirement asks for an efficiency or a filtration ratio.",
        ),
        against_size=_against_size(assessment, findings, style),
        against_time=_against_time(assessment, style),
        sizes=_sizes(runs),
    )  # fmt: skip


def _in_order(runs: Sequence[MultipassResult]) -> list[MultipassResult]:
    return sorted(runs, key=lambda run: (run.side != "candidate", run.path, run.specimen))


def _against_size(assessment: Assessment, findings: Sequence[Finding], style: str) -> Chart:
    caption = (
        "Efficiency against particle size: each specimen as measured, overall over the test; "
        "candidate solid with filled points, reference dashed with open points; black marks are "
        "the limits that requirements set."
    )
    runs = _in_order(assessment.bench.multipass)
    if not runs:
        return Chart(caption=caption, missing=why_no_runs(assessment))
    lines = [
        SpecimenLine(
            side=run.side, specimen=run.specimen, x=run.sizes, y=100.0 * (1.0 - 1.0 / run.ratio)
        )
        for run in runs
    ]
    limits = _efficiency_limits(findings)
    uri = draw(lambda figure: draw_efficiency(figure.subplots(), lines, limits), style, 2.7)
    return Chart(caption=caption, uri=uri, alt=_efficiency_alt(lines, findings))


def _efficiency_limits(findings: Sequence[Finding]) -> list[LimitMark]:
    marks = []
    for finding in findings:
        size = finding.demand.at.get("size")
        for end, is_minimum in ((finding.lower, True), (finding.upper, False)):
            if finding.demand.quantity.name != "efficiency" or end is None or size is None:
                continue
            marks.append(
                LimitMark(
                    x=float(size), y=100.0 * end, label=finding.demand.id, is_minimum=is_minimum
                )
            )
    return marks


def _efficiency_alt(lines: Sequence[SpecimenLine], findings: Sequence[Finding]) -> str:
    x = np.concatenate([line.x for line in lines])
    y = np.concatenate([line.y for line in lines])
    limits = "; ".join(
        f"{f.demand.id}: {limit_text(f)} at {f.demand.at_text}, {f.verdict.value}"
        for f in findings
        if f.demand.quantity.name == "efficiency"
    )
    return (
        f"Chart of efficiency in percent, {fixed(float(y.min()), 1)} to "
        f"{fixed(float(y.max()), 1)}, against particle size, {significant(float(x.min()))} µm(c) "
        f"to {significant(float(x.max()))} µm(c), for {len(lines)} specimens. "
        f"Limits: {limits or 'none'}."
    )


def bound_ratio(run: MultipassResult, tenth: int, k: int) -> float:
    """Return the ratio [-] exceeded with 95 % confidence in a tenth with no count downstream.

    Upstream mean over the upper limit of the downstream concentration, -ln 0.05 particles over
    the volume counted (Garwood 1936).
    """
    volume = float(run.readings[tenth, k]) * run.counted_down
    return float(run.up[tenth, k]) * volume / NONE_SEEN


def _tenths(run: MultipassResult, k: int) -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
    none = ~(run.down[:, k] > 0)
    ratio = np.array(
        [
            bound_ratio(run, j, k) if none[j] else run.up[j, k] / run.down[j, k]
            for j in range(len(none))
        ]
    )
    return ratio, none


def _against_time(assessment: Assessment, style: str) -> Chart:
    caption = (
        "Filtration ratio of the candidate over the test, one panel a size, one line a specimen. "
        "An open triangle is a tenth in which nothing was counted downstream: the ratio is larger "
        "than that with 95 % confidence."
    )
    runs = [run for run in _in_order(assessment.bench.multipass) if run.side == "candidate"]
    if not runs:
        return Chart(caption=caption, missing=why_no_runs(assessment))
    panels = _panels(runs)
    lines = zip(panels[0].specimens, cycle(DASHES), strict=False)
    caption += f" Lines: {', '.join(f'{name} {dash[0]}' for name, dash in lines)}."
    columns = min(4, len(panels))
    height = 0.35 + 1.35 * -(-len(panels) // columns)
    return Chart(
        caption=caption,
        uri=draw(lambda figure: _draw_panels(figure, panels, columns), style, height),
        alt=_ratio_alt(panels),
    )


def _panels(runs: Sequence[MultipassResult], most: int = 8) -> list[RatioPanel]:
    sizes = sorted({float(size) for run in runs for size in run.sizes})
    panels = []
    for size in sizes[:most]:
        own = [run for run in runs if size in run.sizes]
        tenths = [_tenths(run, int(np.flatnonzero(run.sizes == size)[0])) for run in own]
        panels.append(
            RatioPanel(
                title=f"{significant(size)} µm(c)",
                specimens=tuple(run.specimen or run.record for run in own),
                ratio=tuple(ratio for ratio, _ in tenths),
                bound=tuple(none for _, none in tenths),
            )
        )
    return panels


def _draw_panels(figure: "Figure", panels: Sequence[RatioPanel], columns: int) -> None:
    rows = -(-len(panels) // columns)
    grid = figure.subplots(rows, columns, squeeze=False)
    for index, ax in enumerate(grid.flat):
        if index >= len(panels):
            ax.set_axis_off()
            continue
        draw_ratio(ax, panels[index])
    figure.supxlabel("share of the test time / %", fontsize=8)
    figure.supylabel("filtration ratio", fontsize=8)


def _ratio_alt(panels: Sequence[RatioPanel]) -> str:
    spans = "; ".join(
        f"{panel.title}: {significant(float(min(r.min() for r in panel.ratio)), 3)} to "
        f"{significant(float(max(r.max() for r in panel.ratio)), 3)}"
        for panel in panels
    )
    return (
        f"{len(panels)} small charts of filtration ratio, logarithmic axis, against test time in "
        f"tenths, 0 % to 100 %, for specimens {', '.join(panels[0].specimens)}. Ranges: {spans}."
    )


def _sizes(runs: Sequence[MultipassResult]) -> Table:
    ordered = _in_order(runs)[:10]
    sizes = sorted({float(size) for run in ordered for size in run.sizes})
    width = 88 // max(len(ordered), 1)
    columns = [Column("Size / µm(c)", 12)]
    columns += [Column(f"{run.side} {run.specimen}", width, "right") for run in ordered]
    rows: list[tuple[Cell, ...]] = [
        (significant(size), *(_both(run, size) for run in ordered)) for size in sizes
    ]
    left = len(runs) - len(ordered)
    more = f" {left} further runs are in the attached records." if left > 0 else ""
    return Table(
        caption="Overall efficiency and filtration ratio of each specimen at each counted size",
        columns=tuple(columns),
        rows=tuple(rows),
        note=f"Upper figure: efficiency; lower figure: filtration ratio β.{more}",
        empty="No multi-pass record could be reduced.",
    )


def _both(run: MultipassResult, size: float) -> Cell:
    place = np.flatnonzero(run.sizes == size)
    if not len(place):
        return "not counted"
    k = int(place[0])
    ratio = float(run.ratio[k])
    bound = "larger than" if run.zero_downstream[k] else ""
    share = 1.0 - 1.0 / ratio
    decimals = 1 if share < 0.99 else 2 if share < 0.999 else 3
    return (
        bound_text(percent(share, decimals), bound),
        f"β {bound_text(significant(ratio, 3, keep=True), bound)}",
    )


def capacity_page(assessment: Assessment, threshold: float, style: str) -> CapacityPage:
    """Return the section on capacity and life."""
    findings = findings_of(assessment.findings, "capacity")
    return CapacityPage(
        results=results_table(
            "Results on capacity and life that requirements ask for", findings, threshold,
            "No requirement asks for a capacity or a service life.",
        ),
        loading=_loading(assessment, style),
        runs=_runs(assessment.bench.multipass),
    )  # fmt: skip


def _loading(assessment: Assessment, style: str) -> Chart:
    caption = (
        "Differential pressure of the element (assembly less housing) against injected "
        "contaminant, as read; the last point is the interpolated terminal differential pressure; "
        "candidate solid, reference dashed."
    )
    runs = _in_order(assessment.bench.multipass)
    if not runs:
        return Chart(caption=caption, missing=why_no_runs(assessment))
    loadings = [
        Loading(
            side=run.side, specimen=run.specimen,
            mass=np.append(run.mass, run.injected) * 1e3,
            pressure=np.append(run.pressure_drop - run.housing, run.terminal) / 1e3,
        )
        for run in runs
    ]  # fmt: skip
    terminals = sorted({round(run.terminal / 1e3, 3) for run in runs})
    marks = [(f"terminal {quantity_text(value, 'kPa')}", value) for value in terminals]
    uri = draw(lambda figure: draw_loading(figure.subplots(), loadings, marks), style, 2.7)
    return Chart(caption=caption, uri=uri, alt=_loading_alt(runs, terminals))


def _loading_alt(runs: Sequence[MultipassResult], terminals: Sequence[float]) -> str:
    ends = "; ".join(
        f"{run.side} {run.specimen} {quantity_text(run.injected * 1e3, 'g', 3)}" for run in runs
    )
    limits = ", ".join(quantity_text(value, "kPa") for value in terminals)
    return (
        "Chart of differential pressure of the element in kPa against injected contaminant in g. "
        f"Terminal differential pressure {limits}, reached after: {ends}."
    )


def _runs(runs: Sequence[MultipassResult]) -> Table:
    rows: list[tuple[Cell, ...]] = []
    for run in _in_order(runs):
        held = run.balance
        retained = (
            quantity_text(held.retained * 1e3, "g", keep=True) if held else run.missing_balance
        )
        rows.append(
            (
                run.record,
                f"{run.side} {run.specimen}",
                quantity_text(run.flow * 6e4, "L/min"),
                quantity_text(run.base_level * 1e3, "mg/L", 3, keep=True),
                quantity_text(run.end_time / 60.0, "min", 3, keep=True),
                quantity_text(run.injected * 1e3, "g", keep=True),
                retained,
                quantity_text(run.terminal / 1e3, "kPa"),
            )
        )
    return Table(
        caption="Multi-pass runs: duration, contaminant injected and retained",
        columns=(
            Column("Record", 12),
            Column("Specimen", 15),
            Column("Flow", 11, "right"),
            Column("Base level", 12, "right"),
            Column("Duration", 11, "right"),
            Column("Injected", 12, "right"),
            Column("Retained", 14, "right"),
            Column("Terminal Δp", 13, "right"),
        ),
        rows=tuple(rows),
        empty="No multi-pass record could be reduced.",
    )
