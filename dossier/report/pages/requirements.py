"""The table of requirements: each with limit, result, probability, verdict and where to look."""

from collections import Counter
from collections.abc import Sequence

from dossier.decision.finding import Assessment, Finding
from dossier.evidence.requirement import Demand
from dossier.report.blocks import Cell, Column, Line, Link, Table, as_written
from dossier.report.format import si_decides, speak
from dossier.report.pages.fixed_words import as_given, mark
from dossier.report.pages.places import Places, alike, same_as
from dossier.report.pages.results import (
    basis_of,
    limit_text,
    probability_of,
    result_text,
    specimens_text,
    what_of,
)
from dossier.report.running import retold
from dossier.words import say

LONG = 20
"""Names of documents longer than this are given a letter, if several requirements cite them."""


def requirements_table(assessment: Assessment, places: Places) -> Table:
    """Return every requirement once, in the order they were written in, with every specimen."""
    letters = _letters([finding.demand.source for finding in assessment.findings])
    again = same_as(assessment.findings)
    seen = {ids: ids[0] for ids, _ in alike(assessment.findings)}
    first = {each: own for ids, own in seen.items() for each in ids}
    rows: list[tuple[Cell, ...]] = []
    for finding in assessment.findings:
        demand = finding.demand
        advisory = (Line((say("advisory"),), small=True),) if demand.severity == "advisory" else ()
        source = _source(demand.source, speak(demand.source), letters)
        result: Cell = (result_text(finding), *filter(None, [probability_of(finding)]))
        if demand.id in again:
            result = say("same as {requirement}", requirement=again[demand.id])
        specimens = _specimens(finding)
        if first[demand.id] != demand.id:
            specimens = say("as requirement {requirement}", requirement=first[demand.id])
        rows.append(
            (
                (demand.id, mark(finding.verdict.value), *advisory),
                (as_written(speak(demand.text)), _asked(demand), _see(finding, source, places)),
                limit_text(finding),
                result,
                specimens,
            )
        )
    return Table(
        caption=say("Every requirement with its limit, result, probability and verdict"),
        columns=(
            Column(say("Id, verdict"), 12),
            Column(say("Requirement; quantity and conditions; source, figure, records"), 40),
            Column(say("Limit"), 12, "right"),
            Column(say("Result ± U, probability"), 16, "right"),
            Column(say("Each specimen: candidate, reference"), 20, "right"),
        ),
        rows=tuple(rows),
        anchors=tuple(places.requirements[f.demand.id] for f in assessment.findings),
        note=" ".join(f"{letter}: {name}." for name, letter in letters.items())
        + f" {as_given(f.demand.text for f in assessment.findings)} "
        + say(
            "U: 95 % interval of the result; of a specimen, twice the standard uncertainty of the "
            "least certain. Probability: that the requirement is met, given the measurement. "
            "Judged on the mean of the filter type and mandatory unless marked otherwise. A result "
            "with “>” or “<” is a bound. Verdicts are taken on unrounded numbers."
        )
        + si_decides(),
    )


def _specimens(finding: Finding) -> Cell:
    sides = (finding.estimate, finding.reference)
    return tuple(specimens_text(finding.demand, each) for each in sides if each is not None) or "–"


def _asked(demand: Demand) -> Line:
    basis = [basis_of(demand)] if demand.basis != "mean" else []
    return Line(("; ".join([what_of(demand), *basis]),), small=True)


def _letters(sources: Sequence[str]) -> dict[str, str]:
    """Return a letter for each long name of a document that several requirements cite."""
    cited = Counter(_split(source)[0] for source in sources)
    names = [name for name, count in cited.items() if count > 1 and len(name) > LONG]
    return {name: chr(ord("A") + place) for place, name in enumerate(names[:26])}


def _split(source: str) -> tuple[str, str]:
    document, _, clause = source.rpartition(", ")
    return (document, clause) if document else (source, "")


def _source(source: str, spoken: str, letters: dict[str, str]) -> str:
    document, clause = _split(source)
    if document not in letters:
        return spoken
    return f"{letters[document]}, {clause}" if clause else letters[document]


def _see(finding: Finding, source: str, places: Places) -> Line:
    """Return where the requirement comes from, with links to the chart and to the records."""
    used = [*(finding.estimate.sources if finding.estimate else ())]
    used += finding.reference.sources if finding.reference else ()
    chart = places.chart(finding)
    parts: list[str | Link] = [source]
    parts += [", ", Link(say("figure"), chart)] if chart else []
    records = places.listed(used).parts
    return Line((*parts, *((", ", *records) if records else ())), small=True)


def reasons_table(assessment: Assessment, places: Places) -> Table:
    """Return why each requirement that is not a plain pass is none, in full."""
    again = same_as(assessment.findings)
    rows: list[tuple[Cell, ...]] = []
    for finding in assessment.findings:
        name, verdict = finding.demand.id, mark(finding.verdict.value)
        if verdict.kind == "pass":
            continue
        told = [retold(finding.reason)]
        if name in again:
            told = [say("same as {requirement}", requirement=again[name])]
        if finding.concession and finding.concession.text:
            told.append(say("Concession: {text}", text=speak(finding.concession.text)))
        rows.append((places.asked([name]), verdict, tuple(told)))
    return Table(
        caption=say("Why a requirement is not a plain pass, in full"),
        columns=(Column(say("Id"), 13), Column(say("Verdict"), 17), Column(say("Reason"), 70)),
        rows=tuple(rows),
        id="reasons",
        empty=say("Every requirement passes."),
    )
