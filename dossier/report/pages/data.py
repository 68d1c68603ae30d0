"""Annex of data: the reporting tenths behind the efficiencies that requirements ask for."""

from collections.abc import Sequence

import numpy as np

from dossier.decision.finding import Assessment, Finding
from dossier.evidence.records.reduced import MultipassResult
from dossier.report.blocks import Cell, Column, Table
from dossier.report.format import bound_text, significant
from dossier.report.pages.filtration import bound_ratio, by_path, column_of
from dossier.report.pages.fixed_words import PATHS
from dossier.report.pages.sections import findings_of
from dossier.words import say, say_count

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
