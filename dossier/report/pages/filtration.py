"""Efficiency as formatted text and charts, a panel or a chart for each path of the circuit."""

from collections.abc import Callable, Iterator, Mapping, Sequence
from collections.abc import Set as AbstractSet
from functools import partial
from itertools import cycle
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from dossier.decision.finding import Assessment, Finding
from dossier.evidence.records.reduced import MultipassResult, PressureDropResult
from dossier.report.blocks import Cell, Chart, Column, Table
from dossier.report.charts.filtration_chart import (
    DASHES,
    LimitMark,
    RatioPanel,
    SpecimenLine,
    draw_efficiency,
    draw_ratio,
)
from dossier.report.charts.panel import Figure, Panel
from dossier.report.charts.style import HEIGHT, draw, width_of
from dossier.report.format import beyond, bound_text, fixed, significant
from dossier.report.pages.fixed_words import PATHS
from dossier.report.pages.places import TENTHS, chart_of, findings_of
from dossier.report.pages.results import limit_text
from dossier.report.running import retold
from dossier.system.grouped import grouped
from dossier.words import later, say, say_count

NONE_COUNTED = later(
    "An open triangle is a tenth in which nothing was counted downstream: the ratio is larger "
    "than that with 95 % confidence."
)
Run = TypeVar("Run", MultipassResult, PressureDropResult)
Own = TypeVar("Own")
"""What is drawn of one path."""
NEAR = 1e-6
"""Two sizes nearer than this are one [-]."""
NONE_SEEN = 2.995732273553991
"""One-sided upper 95 % limit of the expected count when none was seen, -ln 0.05 (Garwood 1936)."""


def why_no_runs(assessment: Assessment) -> str:
    """Return the sentence that stands where a chart of multi-pass runs would."""
    reasons = [f"{record}: {why}" for record, why in assessment.bench.unreduced.items()]
    if reasons:
        return say(
            "Not demonstrated. No multi-pass record could be reduced. {reasons}.",
            reasons="; ".join(reasons),
        )
    return say("Not demonstrated. The case has no multi-pass record that could be drawn.")


def efficiency_charts(assessment: Assessment, style: str) -> Iterator[Chart]:
    """Yield efficiency against size; where a requirement asks for it, over the test: one a path."""
    findings = findings_of(assessment.findings, "efficiency")
    asked = {float(f.demand.at.get("size", 0.0)) for f in findings if chart_of(f) == TENTHS}
    yield _against_size(assessment, findings, style)
    if asked:
        yield from _against_time(assessment.bench.multipass, asked, style, why_no_runs(assessment))


def in_order(runs: Sequence[Run]) -> list[Run]:
    """Return runs, the full-flow path before the fine one, the candidate before the reference."""
    return sorted(
        runs, key=lambda run: (run.path != "full_flow", run.side != "candidate", run.specimen)
    )


def sentence_start(path: str) -> str:
    """Return the name of a path as a sentence begins with it."""
    words = say(PATHS[path])
    return words[0].upper() + words[1:]


def side_brief(side: str) -> str:
    """Return which filter is meant, for a narrow column."""
    if side == "candidate":
        return say("candidate", context="column")
    return say("reference", context="column")


def by_path(runs: Sequence[Run]) -> dict[str, list[Run]]:
    """Return the runs of each path, which are never drawn or listed together."""
    return grouped((run.path, run) for run in in_order(runs))


def chart_by_path(
    paths: Mapping[str, Own], drawn: Callable[[Panel, str, Own], None], style: str, **words: str
) -> Chart:
    """Return a chart in which each path is `drawn` in a panel of its own; `words` are its own."""

    def paint(figure: Figure) -> None:
        for panel, (path, own) in zip(figure.row(len(paths)), paths.items(), strict=True):
            drawn(panel, path, own)
            panel.title = say(PATHS[path]) if len(paths) > 1 else ""

    half = len(paths) == 1
    return Chart(uri=draw(paint, style, HEIGHT, width_of(half)), half=half, **words)


def _against_size(assessment: Assessment, findings: Sequence[Finding], style: str) -> Chart:
    caption = say("Efficiency over the test against particle size, each specimen as measured.")
    if len({run.side for run in assessment.bench.multipass}) > 1:
        sides = say(
            "In all charts: candidate solid, with filled points; reference dashed, with open "
            "points and an edge to its band."
        )
        caption = f"{caption} {sides}"
    paths = by_path(assessment.bench.multipass)
    if not paths:
        return Chart(caption=caption, id="chart-size", missing=why_no_runs(assessment))
    panels = {path: [_line(run) for run in runs] for path, runs in paths.items()}
    limits = _efficiency_limits(findings)
    if limits:
        marks = say("Black marks are the limits that requirements set.")
        caption = f"{caption} {marks}"

    def drawn(panel: Panel, path: str, lines: Sequence[SpecimenLine]) -> None:
        # Requirements on efficiency are on the way to the machine, the full-flow path.
        draw_efficiency(panel, lines, limits if path == "full_flow" or len(panels) == 1 else [])

    alt = " ".join(_efficiency_alt(path, lines) for path, lines in panels.items())
    alt = say("{charts} Limits: {limits}.", charts=alt, limits=limits_alt(findings, "efficiency"))
    return chart_by_path(panels, drawn, style, caption=caption, id="chart-size", alt=alt)


def _line(run: MultipassResult) -> SpecimenLine:
    return SpecimenLine(side=run.side, x=run.sizes, y=100.0 * (1.0 - 1.0 / run.ratio))


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


def limits_alt(findings: Sequence[Finding], quantity: str) -> str:
    """Return the limits of a quantity in words, each with what became of it."""
    texts = [
        say(
            "{requirement}: {limit} at {conditions}, {verdict}", requirement=f.demand.id,
            limit=limit_text(f), conditions=retold(f.demand.at_text), verdict=say(f.verdict.value),
        )
        for f in findings
        if f.demand.quantity.name == quantity
    ]  # fmt: skip
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


def _against_time(
    every: Sequence[MultipassResult], asked: AbstractSet[float], style: str, missing: str
) -> Iterator[Chart]:
    """Yield a chart a path of the ratio over the test, with a panel for each of the asked sizes."""
    caption = say(
        "Filtration ratio of the candidate over the test at the sizes that a requirement asks "
        "for, one line a specimen."
    )
    paths = by_path([run for run in every if run.side == "candidate"])
    if not paths:
        yield Chart(caption=caption, id=TENTHS, missing=missing)
    for place, (path, runs) in enumerate(paths.items()):
        panels = _panels(runs, asked)
        lines = zip(panels[0].specimens, cycle(DASHES), strict=False)
        words = ", ".join(f"{name} {say(dash[0])}" for name, dash in lines)
        half = len(panels) <= 4
        columns = min(2 if half else 4, len(panels))
        height = max(HEIGHT, 0.35 + 0.85 * -(-len(panels) // columns))
        which = f"{sentence_start(path)}. " if len({run.path for run in every}) > 1 else ""
        shown = caption if place == 0 else say("The same for this path.")
        if any(none.any() for panel in panels for none in panel.bound):
            shown = f"{shown} {say(NONE_COUNTED)}"
        paint = partial(_draw_panels, panels=panels, columns=columns)
        yield Chart(
            caption=which + say("{shown} Lines: specimens {lines}.", shown=shown, lines=words),
            id=TENTHS if place == 0 else "",
            uri=draw(paint, style, height, width_of(half)),
            alt=f"{sentence_start(path)}. {_ratio_alt(panels)}",
            half=half,
        )


def _panels(
    runs: Sequence[MultipassResult], asked: AbstractSet[float], most: int = 8
) -> list[RatioPanel]:
    """Return a panel for each asked size that was counted; for the two beside one that was not."""
    sizes = np.array(sorted({float(size) for run in runs for size in run.sizes}))
    shown: set[float] = set()
    for size in asked:
        near = np.abs(np.log(sizes / size)) if size > 0 else np.zeros(len(sizes))
        shown |= set(sizes[near < NEAR]) or set(sizes[np.argsort(near)[:2]])
    panels = []
    for size in sorted(shown)[:most]:
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


def _draw_panels(figure: Figure, *, panels: Sequence[RatioPanel], columns: int) -> None:
    for start in range(0, len(panels), columns):
        shown = panels[start : start + columns]
        row = figure.row(len(shown))
        for ax, panel in zip(row, shown, strict=True):
            draw_ratio(ax, panel)
            ax.x.words = say("share of the test time / %")
        row[0].y.words = say("filtration ratio")


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


NAMED = 9
"""Width of the column that names filter and path: seven sizes have room beside it [%]."""


def sizes_table(runs: Sequence[MultipassResult]) -> Table:
    """Return what the specimens of each filter caught at each size, from the least to the most."""
    sizes = sorted({float(size) for run in runs for size in run.sizes})
    several = len({run.path for run in runs}) > 1
    groups: dict[tuple[str, ...], list[MultipassResult]] = {}
    for run in in_order(runs):
        path = (say(PATHS[run.path]),) if several else ()
        groups.setdefault((side_brief(run.side), *path), []).append(run)
    rows: list[tuple[Cell, ...]] = [
        (of, *((_span(own, s, _efficiency), _span(own, s, _ratio)) for s in sizes))
        for of, own in groups.items()
    ]
    width = (100 - NAMED) // max(len(sizes), 1)
    return Table(
        caption=say(
            "Efficiency in % and, under it, filtration ratio over the test, least to most of the "
            "specimens"
        ),
        columns=(
            Column("", NAMED),
            *(Column(f"{significant(size)} µm(c)", width, "right") for size in sizes),
        ),
        rows=tuple(rows),
        empty=say("No multi-pass record could be reduced."),
    )


def _span(runs: Sequence[MultipassResult], size: float, shown: Callable[[float, str], str]) -> str:
    """Return what the runs say at a size: the least and the most, once where they print alike."""
    found = []
    for run in runs:
        for k in np.flatnonzero(run.sizes == size):
            bound = "larger than" if run.zero_downstream[k] else ""
            found.append((float(run.ratio[k]), bound))
    if not found:
        return say("not counted")
    ends = dict.fromkeys(shown(*end) for end in (min(found), max(found)))
    texts = list(ends)
    return texts[0] if len(texts) == 1 else say("{low} to {high}", low=texts[0], high=texts[1])


def _efficiency(ratio: float, bound: str) -> str:
    share = 1.0 - 1.0 / ratio
    if bound:
        return bound_text(beyond(100.0 * share, bound), bound)
    return fixed(100.0 * share, 1 if share < 0.99 else 2 if share < 0.999 else 3)


def _ratio(ratio: float, bound: str) -> str:
    return bound_text(significant(ratio, 3, keep=True), bound)
