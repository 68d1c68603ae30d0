"""The table of requirements: each with limit, result, probability, verdict and where to look."""

from collections import Counter
from collections.abc import Sequence

from dossier.decision.finding import Assessment, Finding
from dossier.report.blocks import Cell, Column, Line, Link, Section, Table
from dossier.report.pages.places import CHECKS, Places, same_as
from dossier.report.pages.results import ResultRow, result_row
from dossier.words import say

LONG = 20
"""Names of documents longer than this are given a letter, if several requirements cite them."""


def requirements_table(
    assessment: Assessment, threshold: float, places: Places, sections: dict[str, Section]
) -> Table:
    """Return every requirement once, in the order they were written in."""
    letters = _letters([finding.demand.source for finding in assessment.findings])
    again = same_as(assessment.findings)
    rows: list[tuple[Cell, ...]] = []
    for finding in assessment.findings:
        row = result_row(finding, threshold)
        same = again.get(row.id)
        severity = finding.demand.severity
        advisory = (Line((say(severity),), small=True),) if severity == "advisory" else ()
        source = _source(finding.demand.source, row.source, letters)
        rows.append(
            (
                (row.id, *advisory) if advisory else row.id,
                _asked(finding, row),
                row.limit,
                row.result if same is None else say("same as {requirement}", requirement=same),
                row.probability if same is None else "–",
                row.verdict,
                (source, _see(finding, places, sections)),
            )
        )
    return Table(
        caption=say("Every requirement with its limit, result, probability and verdict"),
        columns=(
            Column(say("Id"), 7),
            Column(say("Requirement; quantity and conditions"), 30),
            Column(say("Limit"), 13, "right"),
            Column(say("Result ± U"), 15, "right"),
            Column(say("Probability"), 10, "right"),
            Column(say("Verdict"), 12),
            Column(say("Source; see"), 13),
        ),
        rows=tuple(rows),
        anchors=tuple(places.requirements[f.demand.id] for f in assessment.findings),
        note=" ".join(f"{letter}: {name}." for name, letter in letters.items())
        + " "
        + say(
            "U: 95 % interval of the result. Probability: that the requirement is met, given the "
            "measurement. Judged on the mean of the filter type and mandatory unless marked "
            "otherwise. A result with “>” or “<” is a bound. Verdicts are taken on unrounded "
            "numbers."
        ),
    )


def _asked(finding: Finding, row: ResultRow) -> Cell:
    what = row.what
    if finding.demand.basis != "mean":
        what = f"{what}; {row.basis}"
    return (row.text, Line((what,), small=True))


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


def _see(finding: Finding, places: Places, sections: dict[str, Section]) -> Line:
    """Return links to each specimen's result, the chart, the records and the checks."""
    section = sections.get(finding.demand.quantity.section)
    parts: list[str | Link] = []
    if section is not None:
        parts += [Link(_in(section), places.results[finding.demand.id]), ", "]
    parts += [Link(say("chart"), places.chart(finding)), ", "]
    used = finding.estimate.sources if finding.estimate else ()
    first = next((places.records[r] for r in used if r in places.records), "")
    if first:
        parts += [Link(say("records"), first), ", "]
    return Line((*parts, Link(say("checks"), CHECKS)), small=True)


def _in(section: Section) -> str:
    return say("section {label}", label=section.label)


def _conceded(text: str) -> str:
    return say("Concession: {text}", text=text)


def reasons_table(assessment: Assessment, threshold: float, places: Places) -> Table:
    """Return why each requirement that is not a plain pass is none, in full."""
    again = same_as(assessment.findings)
    rows: list[tuple[Cell, ...]] = []
    for finding in assessment.findings:
        row = result_row(finding, threshold)
        if row.verdict.kind == "pass":
            continue
        reason = row.reason
        if row.id in again:
            reason = say("same as {requirement}", requirement=again[row.id])
        conceded = (_conceded(row.concession),) if row.concession else ()
        rows.append((places.asked([row.id]), row.verdict, (reason, *conceded)))
    return Table(
        caption=say("Why a requirement is not a plain pass, in full"),
        columns=(Column(say("Id"), 13), Column(say("Verdict"), 17), Column(say("Reason"), 70)),
        rows=tuple(rows),
        id="reasons",
        empty=say("Every requirement passes."),
    )
