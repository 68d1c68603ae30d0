"""Capacity and life as formatted text and a chart."""

from collections.abc import Sequence
from functools import partial

import numpy as np

from dossier.decision.finding import Assessment
from dossier.evidence.records.reduced import MultipassResult
from dossier.report.blocks import Chart, Column, Table, table_of
from dossier.report.charts.filtration_chart import SpecimenLine, draw_loading
from dossier.report.charts.panel import Panel
from dossier.report.format import quantity_text
from dossier.report.pages.filtration import (
    by_path,
    chart_by_path,
    in_order,
    sentence_start,
    side_brief,
    why_no_runs,
)
from dossier.report.pages.fixed_words import PATHS
from dossier.report.pages.places import named
from dossier.system.grouped import grouped
from dossier.words import say


def loading_chart(assessment: Assessment, style: str) -> Chart:
    """Return the differential pressure of every run against what was injected, path by path."""
    caption = say(
        "Differential pressure of the element (assembly less housing) against injected "
        "contaminant, as read; the last point is the interpolated terminal differential pressure."
    )
    paths = by_path(assessment.bench.multipass)
    if not paths:
        return Chart(caption=caption, id="chart-loading", missing=why_no_runs(assessment))

    def drawn(panel: Panel, path: str, runs: Sequence[MultipassResult]) -> None:
        marks = [
            (say("terminal {pressure}", pressure=quantity_text(p, "kPa")), p)
            for p in _terminals(runs)
        ]
        draw_loading(panel, [_curve(run) for run in runs], marks)

    alt = " ".join(f"{sentence_start(path)}. {_loading_alt(runs)}" for path, runs in paths.items())
    return chart_by_path(paths, drawn, style, caption=caption, id="chart-loading", alt=alt)


def _curve(run: MultipassResult) -> SpecimenLine:
    mass = np.append(run.mass, run.injected) * 1e3
    pressure = np.append(run.pressure_drop - run.housing, run.terminal) / 1e3
    return SpecimenLine(side=run.side, x=mass, y=pressure)


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


def runs_table(runs: Sequence[MultipassResult]) -> Table:
    """Return how long each run took, what was injected and what the element held of it."""
    ordered, several = in_order(runs), len({run.path for run in runs}) > 1
    at = grouped((_run_at(run), run.record) for run in ordered)

    def name(run: MultipassResult) -> str:
        specimen = f"{side_brief(run.side)} {run.specimen}"
        return f"{specimen}, {say(PATHS[run.path])}" if several else specimen

    return table_of(
        say("Multi-pass runs: contaminant injected and retained"),
        ordered,
        (Column(say("Specimen"), 24), name),
        (Column(say("Base level"), 19, "right"), lambda r: _kept(r.base_level * 1e3, "mg/L", 3)),
        (Column(say("Duration"), 18, "right"), lambda r: _kept(r.end_time / 60.0, "min", 3)),
        (Column(say("Injected"), 19, "right"), lambda r: _kept(r.injected * 1e3, "g")),
        (
            Column(say("Retained"), 20, "right"),
            lambda r: _kept(r.balance.retained * 1e3, "g") if r.balance else r.missing_balance,
        ),
        note="; ".join(f"{named(records)} {words}" for words, records in at.items()) + ".",
        empty=say("No multi-pass record could be reduced."),
    )


_kept = partial(quantity_text, keep=True)


def _run_at(run: MultipassResult) -> str:
    flow, end = quantity_text(run.flow * 6e4, "L/min"), quantity_text(run.terminal / 1e3, "kPa")
    return say("at {flow} to {pressure}", flow=flow, pressure=end)
