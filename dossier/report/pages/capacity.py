"""Capacity and life as formatted text and a chart."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from dossier.decision.finding import Assessment, Finding
from dossier.evidence.records.reduced import MultipassResult
from dossier.report.blocks import Cell, Chart, Column, Table
from dossier.report.charts.filtration_chart import Loading, draw_loading
from dossier.report.charts.style import draw
from dossier.report.format import bound_text, quantity_text, significant
from dossier.report.pages.filtration import (
    bound_ratio,
    by_path,
    column_of,
    in_order,
    sentence_start,
    why_no_runs,
)
from dossier.report.pages.fixed_words import PATHS
from dossier.report.pages.places import findings_of, places_of
from dossier.report.pages.results import results_table
from dossier.words import say, say_count

if TYPE_CHECKING:
    from matplotlib.figure import Figure


@dataclass(frozen=True, slots=True, kw_only=True)
class CapacityPage:
    """What the filter holds."""

    results: Table
    loading: Chart
    runs: Table


def capacity_page(assessment: Assessment, style: str) -> CapacityPage:
    """Return the section on capacity and life."""
    findings = findings_of(assessment.findings, "capacity")
    return CapacityPage(
        results=results_table(
            say("Each specimen's result that requirements on capacity and life ask for"), findings,
            places_of(assessment), say("No requirement asks for a capacity or a service life."),
        ),
        loading=_loading(assessment, style),
        runs=_runs(assessment.bench.multipass),
    )  # fmt: skip


def _loading(assessment: Assessment, style: str) -> Chart:
    caption = say(
        "Differential pressure of the element (assembly less housing) against injected "
        "contaminant, as read; the last point is the interpolated terminal differential pressure; "
        "candidate solid, reference dashed."
    )
    paths = by_path(assessment.bench.multipass)
    if not paths:
        return Chart(caption=caption, id="chart-loading", missing=why_no_runs(assessment))

    def paint(figure: "Figure") -> None:
        axes = figure.subplots(1, len(paths), squeeze=False)[0]
        for ax, (path, runs) in zip(axes, paths, strict=True):
            marks = [
                (say("terminal {pressure}", pressure=quantity_text(p, "kPa")), p)
                for p in _terminals(runs)
            ]
            draw_loading(ax, [_curve(run) for run in runs], marks)
            if len(paths) > 1:
                ax.set_title(say(PATHS[path]))

    alt = " ".join(f"{sentence_start(path)}. {_loading_alt(runs)}" for path, runs in paths)
    return Chart(caption=caption, id="chart-loading", uri=draw(paint, style, 2.1), alt=alt)


def _curve(run: MultipassResult) -> Loading:
    return Loading(
        side=run.side,
        specimen=run.specimen,
        mass=np.append(run.mass, run.injected) * 1e3,
        pressure=np.append(run.pressure_drop - run.housing, run.terminal) / 1e3,
    )


def _terminals(runs: Sequence[MultipassResult]) -> list[float]:
    return sorted({round(run.terminal / 1e3, 3) for run in runs})


def _loading_alt(runs: Sequence[MultipassResult]) -> str:
    ends = "; ".join(
        f"{say(run.side)} {run.specimen} {quantity_text(run.injected * 1e3, 'g', 3)}"
        for run in runs
    )
    limits = ", ".join(quantity_text(value, "kPa") for value in _terminals(runs))
    return say(
        "Chart of differential pressure of the element in kPa against injected contaminant in g. "
        "Terminal differential pressure {limits}, reached after: {ends}.",
        limits=limits,
        ends=ends,
    )


def _runs(runs: Sequence[MultipassResult]) -> Table:
    rows: list[tuple[Cell, ...]] = []
    ordered = in_order(runs)
    several = len({run.path for run in ordered}) > 1
    for run in ordered:
        held = run.balance
        retained = (
            quantity_text(held.retained * 1e3, "g", keep=True) if held else run.missing_balance
        )
        rows.append(
            (
                run.record,
                f"{say(run.side)} {run.specimen}{', ' + say(PATHS[run.path]) if several else ''}",
                quantity_text(run.flow * 6e4, "L/min"),
                quantity_text(run.base_level * 1e3, "mg/L", 3, keep=True),
                quantity_text(run.end_time / 60.0, "min", 3, keep=True),
                quantity_text(run.injected * 1e3, "g", keep=True),
                retained,
                quantity_text(run.terminal / 1e3, "kPa"),
            )
        )
    return Table(
        caption=say("Multi-pass runs: duration, contaminant injected and retained"),
        columns=(
            Column(say("Record"), 10),
            Column(say("Specimen"), 25),
            Column(say("Flow"), 10, "right"),
            Column(say("Base level"), 11, "right"),
            Column(say("Duration"), 10, "right"),
            Column(say("Injected"), 11, "right"),
            Column(say("Retained"), 12, "right"),
            Column(say("Terminal Δp"), 11, "right"),
        ),
        rows=tuple(rows),
        empty=say("No multi-pass record could be reduced."),
    )


MOST_TABLES, MOST_RUNS = 4, 8
"""How many tables of tenths are printed, and of how many runs each; all records are attached."""


def data_tables(assessment: Assessment) -> tuple[Table, ...]:
    """Return the filtration ratio of each tenth at the sizes asked for, a table a size.

    Of the full-flow path, where there is one: requirements on efficiency are about it.
    """
    tables = [
        _tenths(path, size, [run for run in runs if size in run.sizes])
        for path, runs in by_path(assessment.bench.multipass)[:1]
        for size in _sizes(findings_of(assessment.findings, "efficiency"), runs)
    ]
    return tuple(tables[:MOST_TABLES])


def _sizes(findings: Sequence[Finding], runs: Sequence[MultipassResult]) -> list[float]:
    """Return the counted sizes that requirements on efficiency name."""
    counted = {float(size) for run in runs for size in run.sizes}
    asked = {float(f.demand.at["size"]) for f in findings if "size" in f.demand.at}
    return sorted(counted & asked)


def _tenths(path: str, size: float, runs: Sequence[MultipassResult]) -> Table:
    shown = runs[:MOST_RUNS]
    width = 84 // max(len(shown), 1)
    columns = [Column(say("Test time"), 16)]
    columns += [Column(column_of(run), width, "right") for run in shown]
    rows: list[tuple[Cell, ...]] = []
    for tenth in range(10):
        cells = [_tenth(run, tenth, int(np.flatnonzero(run.sizes == size)[0])) for run in shown]
        share = say("{start} % to {end} %", start=10 * tenth, end=10 * tenth + 10)
        rows.append((share, *cells))
    left = len(runs) - len(shown)
    return Table(
        caption=say(
            "Filtration ratio of each reporting tenth, {size} µm(c), {path}",
            size=significant(size),
            path=say(PATHS[path]),
        ),
        columns=tuple(columns),
        rows=tuple(rows),
        note=""
        if left <= 0
        else say_count(
            left,
            "{number} further run follows from the attached records.",
            "{number} further runs follow from the attached records.",
        ),
    )


def _tenth(run: MultipassResult, tenth: int, k: int) -> str:
    down = float(run.down[tenth, k])
    if not down > 0:
        return bound_text(significant(bound_ratio(run, tenth, k), 3, keep=True), "larger than")
    return significant(float(run.up[tenth, k]) / down, 3, keep=True)


def attachments_note() -> str:
    """Return where the data are that the annex does not print."""
    return say(
        "The raw data are attached to this PDF, each file byte for byte, under the names in "
        "the list of test records. Printed here are the reporting tenths at the sizes that "
        "requirements name; the charts show those of every counted size."
    )
