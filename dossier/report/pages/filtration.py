"""Efficiency as formatted text and charts, a panel or a chart for each path of the circuit."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import partial
from itertools import cycle
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from dossier.decision.finding import Assessment, Finding
from dossier.evidence.records.reduced import MultipassResult
from dossier.report.blocks import Cell, Chart, Column, Table
from dossier.report.charts.filtration_chart import (
    DASHES,
    LimitMark,
    RatioPanel,
    SpecimenLine,
    draw_efficiency,
    draw_ratio,
)
from dossier.report.charts.style import draw
from dossier.report.format import (
    beyond,
    bound_text,
    fixed,
    percent,
    significant,
    with_unit,
)
from dossier.report.pages.fixed_words import PATHS
from dossier.report.pages.places import findings_of
from dossier.report.pages.results import limit_text
from dossier.words import say, say_count

if TYPE_CHECKING:
    from matplotlib.figure import Figure

MOST_RUNS = 8
"""Runs of a path whose sizes are printed side by side; the others are attached."""
NONE_SEEN = 2.995732273553991
"""One-sided upper 95 % limit of the expected count when none was seen, -ln 0.05 (Garwood 1936)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class EfficiencyPage:
    """What the filter catches."""

    against_size: Chart
    against_time: tuple[Chart, ...]
    """One a path."""
    sizes: tuple[Table, ...]
    """One a path."""


def why_no_runs(assessment: Assessment) -> str:
    """Return the sentence that stands where a chart of multi-pass runs would."""
    reasons = [f"{record}: {why}" for record, why in assessment.bench.unreduced.items()]
    if reasons:
        return say(
            "Not demonstrated. No multi-pass record could be reduced. {reasons}.",
            reasons="; ".join(reasons),
        )
    return say("Not demonstrated. The case has no multi-pass record that could be drawn.")


def efficiency_page(assessment: Assessment, style: str) -> EfficiencyPage:
    """Return the section on efficiency."""
    findings = findings_of(assessment.findings, "efficiency")
    runs = assessment.bench.multipass
    return EfficiencyPage(
        against_size=_against_size(assessment, findings, style),
        against_time=tuple(_against_time(assessment, style)),
        sizes=tuple(_sizes(path, own) for path, own in by_path(runs)),
    )  # fmt: skip


def in_order(runs: Sequence[MultipassResult]) -> list[MultipassResult]:
    """Return runs, the full-flow path before the fine one, the candidate before the reference."""
    return sorted(
        runs, key=lambda run: (run.path != "full_flow", run.side != "candidate", run.specimen)
    )


def sentence_start(path: str) -> str:
    """Return the name of a path as a sentence begins with it."""
    words = say(PATHS[path])
    return words[0].upper() + words[1:]


def column_of(run: MultipassResult) -> str:
    """Return the head of a narrow column with the results of a run."""
    return f"{side_brief(run.side)} {run.specimen}"


def side_brief(side: str) -> str:
    """Return which filter is meant, for a narrow column."""
    if side == "candidate":
        return say("candidate", context="column")
    return say("reference", context="column")


def by_path(runs: Sequence[MultipassResult]) -> list[tuple[str, list[MultipassResult]]]:
    """Return the runs of each path, which are never drawn or listed together."""
    ordered = in_order(runs)
    paths = dict.fromkeys(run.path for run in ordered)
    return [(path, [run for run in ordered if run.path == path]) for path in paths]


def _against_size(assessment: Assessment, findings: Sequence[Finding], style: str) -> Chart:
    caption = say(
        "Efficiency against particle size: each specimen as measured, overall over the test; "
        "candidate solid with filled points, reference dashed with open points; black marks are "
        "the limits that requirements set."
    )
    paths = by_path(assessment.bench.multipass)
    if not paths:
        return Chart(caption=caption, id="chart-size", missing=why_no_runs(assessment))
    panels = [(path, [_line(run) for run in runs]) for path, runs in paths]
    limits = _efficiency_limits(findings)

    def paint(figure: "Figure") -> None:
        axes = figure.subplots(1, len(panels), squeeze=False)[0]
        for ax, (path, lines) in zip(axes, panels, strict=True):
            # Requirements on efficiency are on the way to the machine, the full-flow path.
            draw_efficiency(ax, lines, limits if path == "full_flow" or len(panels) == 1 else [])
            if len(panels) > 1:
                ax.set_title(say(PATHS[path]))

    alt = " ".join(_efficiency_alt(path, lines) for path, lines in panels)
    return Chart(
        caption=caption, id="chart-size", uri=draw(paint, style, 1.6),
        alt=say("{charts} Limits: {limits}.", charts=alt, limits=_limits_alt(findings)),
    )  # fmt: skip


def _line(run: MultipassResult) -> SpecimenLine:
    return SpecimenLine(
        side=run.side, specimen=run.specimen, x=run.sizes, y=100.0 * (1.0 - 1.0 / run.ratio)
    )


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


def _limits_alt(findings: Sequence[Finding]) -> str:
    texts = [
        say(
            "{requirement}: {limit} at {at}, {verdict}",
            requirement=f.demand.id,
            limit=limit_text(f),
            at=f.demand.at_text,
            verdict=say(f.verdict.value),
        )
        for f in findings
        if f.demand.quantity.name == "efficiency"
    ]
    return "; ".join(texts) or say("none")


def _efficiency_alt(path: str, lines: Sequence[SpecimenLine]) -> str:
    x = np.concatenate([line.x for line in lines])
    y = np.concatenate([line.y for line in lines])
    return say_count(
        len(lines),
        "Chart of efficiency in percent, {lowest} to {highest}, against particle size, "
        "{smallest} µm(c) to {largest} µm(c), for {number} specimens, {path}.",
        "Chart of efficiency in percent, {lowest} to {highest}, against particle size, "
        "{smallest} µm(c) to {largest} µm(c), for {number} specimens, {path}.",
        lowest=fixed(float(y.min()), 1),
        highest=fixed(float(y.max()), 1),
        smallest=significant(float(x.min())),
        largest=significant(float(x.max())),
        path=say(PATHS[path]),
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


def _against_time(assessment: Assessment, style: str) -> Iterator[Chart]:
    caption = say(
        "Filtration ratio of the candidate over the test, one panel a size, one line a specimen. "
        "An open triangle is a tenth in which nothing was counted downstream: the ratio is larger "
        "than that with 95 % confidence."
    )
    own = [run for run in assessment.bench.multipass if run.side == "candidate"]
    paths = by_path(own)
    if not paths:
        yield Chart(caption=caption, id="chart-tenths", missing=why_no_runs(assessment))
    for place, (path, runs) in enumerate(paths):
        panels = _panels(runs)
        lines = zip(panels[0].specimens, cycle(DASHES), strict=False)
        words = ", ".join(f"{name} {say(dash[0])}" for name, dash in lines)
        columns = min(4, len(panels))
        height = 0.35 + 0.85 * -(-len(panels) // columns)
        which = f"{sentence_start(path)}. " if len(paths) > 1 else ""
        shown = caption if place == 0 else say("The same for this path.")
        yield Chart(
            caption=which + say("{shown} Lines: {lines}.", shown=shown, lines=words),
            id="chart-tenths" if place == 0 else "",
            uri=draw(partial(_draw_panels, panels=panels, columns=columns), style, height),
            alt=f"{sentence_start(path)}. {_ratio_alt(panels)}",
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


def _draw_panels(figure: "Figure", *, panels: Sequence[RatioPanel], columns: int) -> None:
    rows = -(-len(panels) // columns)
    grid = figure.subplots(rows, columns, squeeze=False)
    for index, ax in enumerate(grid.flat):
        if index >= len(panels):
            ax.set_axis_off()
            continue
        draw_ratio(ax, panels[index])
    figure.supxlabel(say("share of the test time / %"), fontsize=8)
    figure.supylabel(say("filtration ratio"), fontsize=8)


def _ratio_alt(panels: Sequence[RatioPanel]) -> str:
    spans = "; ".join(
        say(
            "{size}: {lowest} to {highest}",
            size=panel.title,
            lowest=significant(float(min(r.min() for r in panel.ratio)), 3),
            highest=significant(float(max(r.max() for r in panel.ratio)), 3),
        )
        for panel in panels
    )
    return say(
        "{number} small charts of filtration ratio, logarithmic axis, against test time in tenths, "
        "0 % to 100 %, for specimens {specimens}. Ranges: {ranges}.",
        number=len(panels),
        specimens=", ".join(panels[0].specimens),
        ranges=spans,
    )


def _sizes(path: str, runs: Sequence[MultipassResult]) -> Table:
    ordered = runs[:MOST_RUNS]
    sizes = sorted({float(size) for run in ordered for size in run.sizes})
    width = 90 // max(len(ordered), 1)
    columns = [Column(say("Size / µm(c)"), 10)]
    columns += [Column(column_of(run), width, "right") for run in ordered]
    rows: list[tuple[Cell, ...]] = [
        (significant(size), *(_both(run, size) for run in ordered)) for size in sizes
    ]
    left = len(runs) - len(ordered)
    more = (
        ""
        if left <= 0
        else say_count(
            left,
            "{number} further run is in the attached records.",
            "{number} further runs are in the attached records.",
        )
    )
    return Table(
        caption=say(
            "Overall efficiency and filtration ratio β of each specimen at each counted size, "
            "{path}",
            path=say(PATHS[path]),
        ),
        columns=tuple(columns),
        rows=tuple(rows),
        note=more,
    )


def _both(run: MultipassResult, size: float) -> Cell:
    place = np.flatnonzero(run.sizes == size)
    if not len(place):
        return say("not counted")
    k = int(place[0])
    ratio = float(run.ratio[k])
    bound = "larger than" if run.zero_downstream[k] else ""
    share = 1.0 - 1.0 / ratio
    decimals = 1 if share < 0.99 else 2 if share < 0.999 else 3
    if bound:
        efficiency = bound_text(with_unit(beyond(100.0 * share, bound), "%"), bound)
    else:
        efficiency = percent(share, decimals)
    return f"{efficiency}; β\u00a0{bound_text(significant(ratio, 3, keep=True), bound)}"
