"""The tables of requirements: in full, why one is no plain pass, and what decides on page one."""

from collections import Counter
from collections.abc import Iterator, Sequence

from dossier.case.case import Case
from dossier.decision.finding import Assessment, Finding
from dossier.decision.rules import Verdict
from dossier.decision.together import binding, nearness
from dossier.evidence.requirement import Demand
from dossier.report.blocks import Cell, Column, Line, Link, Table, as_written
from dossier.report.format import si_decides, speak
from dossier.report.pages.fixed_words import as_given, mark
from dossier.report.pages.places import Places, alike, same_as
from dossier.report.pages.results import (
    accepted_text,
    basis_of,
    deciding_text,
    limit_brief,
    limit_text,
    probability_of,
    result_lines,
    specimens_text,
    strip_of,
    what_of,
)
from dossier.report.pages.ruler import shortened
from dossier.report.running import retold
from dossier.report.scales import instead
from dossier.system.grouped import grouped
from dossier.words import later, say, say_count

LONG = 20
"""Names of documents longer than this are given a letter, if several requirements cite them."""


def requirements_table(assessment: Assessment, places: Places) -> Table:
    """Return every requirement once, in the order they were written in, with every specimen."""
    letters = _letters([finding.demand.source for finding in assessment.findings])
    again = same_as(assessment.findings)
    seen = {ids: ids[0] for ids, _ in alike(assessment.findings)}
    first = {each: own for ids, own in seen.items() for each in ids}
    beside = any(finding.reference for finding in assessment.findings)
    each = say("Each specimen: candidate, reference") if beside else say("Each specimen")
    rows: list[tuple[Cell, ...]] = []
    for finding in assessment.findings:
        demand = finding.demand
        advisory = (Line((say("advisory"),), small=True),) if demand.severity == "advisory" else ()
        source = _source(demand.source, speak(demand.source), letters)
        result: Cell = (*result_lines(finding), *_probable(finding))
        details: tuple[Line, ...] = _asked(demand), _see(finding, source, places)
        if demand.id in again:
            result = say("same as {requirement}", requirement=again[demand.id])
            details = (Line((source,), small=True),)
        specimens = _specimens(finding)
        if first[demand.id] != demand.id:
            specimens = say("as requirement {requirement}", requirement=first[demand.id])
        rows.append(
            (
                (demand.id, mark(finding.verdict.value), *advisory),
                (as_written(speak(demand.text)), *details),
                limit_text(finding),
                result,
                specimens,
            )
        )
    return Table(
        caption=say("Every requirement with its limit, result, probability and verdict"),
        columns=(
            Column(say("Id, verdict"), 12),
            Column(say("Requirement; quantity and conditions; source, figure, records"), 39),
            Column(say("Limit"), 12, "right"),
            Column(say("Result, probability"), 17, "right"),
            Column(each, 20, "right"),
        ),
        rows=tuple(rows),
        anchors=tuple(places.requirements[f.demand.id] for f in assessment.findings),
        note=" ".join(f"{letter}: {name}." for name, letter in letters.items())
        + f" {as_given(f.demand.text for f in assessment.findings)} "
        + say(
            "Result: what decides, a mean with its 95 % interval unless another is named. U of a "
            "specimen: twice the standard uncertainty of the least certain. Probability: that the "
            "requirement is met, given the measurement. Judged on the mean of the filter type and "
            "mandatory unless marked otherwise. “>” or “<”: a bound. Verdicts are taken on "
            "unrounded numbers."
        )
        + si_decides()
        + (f" {say(WRITTEN)}" if instead() else ""),
    )


WRITTEN = later("The texts of the requirements stand as written.")


def _probable(finding: Finding) -> Iterator[str]:
    """Yield how probably it is met; what only outlasted a test says nothing of other specimens."""
    told, found = probability_of(finding), finding.deciding
    if told and found is not None and found.specimen and found.bound:
        yield say("{probability}, of these specimens", probability=told)
    elif told:
        yield told


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


def tally(findings: Sequence[Finding]) -> str:
    """Return how many findings ended in which verdict, the mandatory ones first."""
    parts = []
    for severity in ("mandatory", "advisory"):
        own = [f.verdict.value for f in findings if f.demand.severity == severity]
        if own:
            counts = Counter(own).most_common()
            words = ", ".join(f"{count}\u00a0{say(name)}" for name, count in counts)
            parts.append(_counted(severity, len(own), words))
    return " ".join(parts)


def _counted(severity: str, number: int, verdicts: str) -> str:
    if severity == "mandatory":
        return say_count(
            number,
            "{number} mandatory requirement: {verdicts}.",
            "{number} mandatory requirements: {verdicts}.",
            verdicts=verdicts,
        )
    return say_count(
        number,
        "{number} advisory requirement: {verdicts}.",
        "{number} advisory requirements: {verdicts}.",
        verdicts=verdicts,
    )


Row = tuple[tuple[Finding, ...], tuple[Cell, ...]]
"""A row of the table of page one, with the findings that it shows."""


def closest_rows(case: Case, findings: Sequence[Finding], places: Places) -> list[Row]:
    """Return the rows of what applies: no plain pass first, then mandatory, by certainty.

    Of several applications each question has a row, and whatever else is no plain pass its own.
    """
    if case.parts:
        rows: list[Row] = []
        for nearest, group in binding(findings):
            also = [f for f in group if f is not nearest and f.verdict is not Verdict.PASS]
            rows += [((f,), _row(f, places)) for f in also]
            rows.append(((nearest,), _row(nearest, places, _marks(group))))
        return sorted(rows, key=_order)
    again = same_as(findings)
    applying = (f for f in findings if f.verdict is not Verdict.NOT_APPLICABLE)
    asked = grouped((again.get(f.demand.id, f.demand.id), f) for f in applying)
    same = [((f, *more), _row(f, places, also=more)) for f, *more in asked.values()]
    return sorted(same, key=_order)


def _order(row: Row) -> tuple[object, ...]:
    return row[0][0].verdict is Verdict.PASS, *nearness(row[0][0])


def _marks(findings: Sequence[Finding]) -> list[str]:
    return list(dict.fromkeys(f.demand.mark for f in findings))


def listed(marks: Sequence[str]) -> str:
    """Return marks of applications, of many the first."""
    more = [say_count(len(marks) - 3, "{number} more", "{number} more")] if len(marks) > 4 else []
    return ", ".join([*(marks[:3] if more else marks), *more])


def _row(
    finding: Finding, places: Places, among: Sequence[str] = (), also: Sequence[Finding] = ()
) -> tuple[Cell, ...]:
    """Return the row of a finding, and of those that ask the same by another name as `also`.

    It is the nearest to its limit `among` applications, where there are several.
    """
    advisory = (say("advisory"),) if finding.demand.severity == "advisory" else ()
    nearest = say("only {mark} asks", mark=finding.demand.mark)
    if len(among) > 1:
        nearest = say("nearest of {marks}", marks=listed(among))
    what = (
        shortened(what_of(finding.demand), 100),
        *advisory,
        *([Line((nearest,), small=True)] if among else []),
    )
    return (
        (places.asked([f.demand.id for f in (finding, *also)]), mark(finding.verdict.value)),
        what,
        (limit_brief(finding), *filter(None, [accepted_text(finding)])),
        deciding_text(finding),
        strip_of(finding) or "",
    )


def rest(findings: Sequence[Finding], rows: Sequence[Row]) -> str:
    """Return how many findings the rows do not show, and which."""
    shown = {finding.demand.id for row in rows for finding in row[0]}
    left = [finding for finding in findings if finding.demand.id not in shown]
    return say("Not in this table: {tally}", tally=tally(left)) if left else ""


SORTED = later(
    "The results that decide: those with no plain pass first, mandatory before advisory, then by "
    "certainty"
)
NEAREST = later(
    "A quantity that several applications ask for has one row, of the one whose own rule leaves "
    "it least to spare (nearest), and one for each that does not pass."
)


def closest_table(rows: Sequence[Row], rest: str, *, several: bool) -> Table:
    """Return the table of page one; `rest` tells what it does not show."""
    return Table(
        caption=say(SORTED),
        columns=(
            Column(say("Requirement"), 13),
            Column(say("Quantity"), 25),
            Column(say("Limit; accepted"), 20, "right"),
            Column(say("What decides; distance"), 23, "right"),
            Column(say("On a line of its own"), 19),
        ),
        rows=tuple(cells for _, cells in rows),
        note=" ".join(
            [
                say(
                    "Line: limit; dashed: what is accepted, by the guard band as found (grey), to "
                    "which the distance is; ring: a specimen; diamond: what decides, hollow where "
                    "it passes conditionally, a cross where it fails, an arrow where it is a "
                    "bound; bar: 95 % interval."
                ),
                *([say(NEAREST)] if several else []),
                *([rest] if rest else []),
            ]
        )
        + si_decides(),
        empty=say("No requirement applies."),
    )
