"""Page one: the question, the answer, what decided it, and the chart of margins."""

import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

from dossier.case.case import Case
from dossier.case.model import Filter
from dossier.decision.finding import Assessment, Finding
from dossier.decision.probability import interval
from dossier.decision.rules import Decision
from dossier.report.blocks import Cell, Chart, Column, Fact, Table
from dossier.report.chart_margins import Margin, draw_margins, margins_height
from dossier.report.chart_style import draw
from dossier.report.content_results import (
    PASSES,
    estimate_text,
    limit_text,
    limits_shown,
    margin_rank,
    result_row,
)
from dossier.report.format import date_text, fixed, speak
from dossier.report.signing import SignOff
from dossier.report.words import Answer, answer_of, mark

__all__ = ["DecisionPage", "decision_page", "margins_chart"]

CLOSEST, MOST = 4, 7
"""How many findings page one shows: at least so many, at most so many that do not pass."""
MOST_ROWS = 16
"""How many requirements the chart of margins holds; the closest ones come first."""


@dataclass(frozen=True, slots=True, kw_only=True)
class DecisionPage:
    """Everything on page one."""

    question: str
    answer: Answer
    tally: str
    """How many requirements ended in which verdict."""
    concerns: tuple[str, ...]
    """Mandatory requirements that are not demonstrated, with the reason, one sentence each."""
    conditions: tuple[str, ...]
    closest: Table
    margins: Chart
    identity: tuple[Fact, ...]


def decision_page(
    case: Case, assessment: Assessment, signoff: SignOff, issued: date, style: str
) -> DecisionPage:
    """Return page one as formatted text."""
    answer = answer_of(assessment.decision.value, signoff)
    return DecisionPage(
        question=_question(case),
        answer=answer,
        tally=_tally(assessment.findings),
        concerns=_concerns(assessment.findings),
        conditions=_conditions(assessment),
        closest=_closest(case, assessment.findings),
        margins=margins_chart(assessment.findings, style),
        identity=_identity(case, issued),
    )


def _named(filter_: Filter) -> str:
    return f"{filter_.part_number} of {filter_.maker}" if filter_.maker else filter_.part_number


def _question(case: Case) -> str:
    candidate = _named(case.qualification.candidate)
    reference = case.qualification.reference
    instead = f" in place of {_named(reference)}" if reference else ""
    return f"May the filter {candidate} be fitted{instead} in: {case.application.title}?"


def _tally(findings: Sequence[Finding]) -> str:
    parts = []
    for severity in ("mandatory", "advisory"):
        own = [f.verdict.value for f in findings if f.demand.severity == severity]
        if own:
            counts = Counter(own)
            words = ", ".join(f"{number} {verdict}" for verdict, number in counts.most_common())
            parts.append(f"{len(own)} {severity} requirements: {words}.")
    return " ".join(parts)


def _concerns(findings: Sequence[Finding]) -> tuple[str, ...]:
    """Return a sentence for each reason why mandatory requirements are not answered."""
    reasons: dict[str, list[str]] = {}
    for f in findings:
        if f.demand.severity == "mandatory" and f.verdict.value == "not demonstrated":
            reasons.setdefault(speak(f.reason), []).append(f.demand.id)
    return tuple(f"{', '.join(ids)}: {reason}." for reason, ids in reasons.items())


def _conditions(assessment: Assessment) -> tuple[str, ...]:
    """Return the conditions of an approval; any other decision has none to keep."""
    if assessment.decision is not Decision.APPROVED_WITH_CONDITIONS:
        return ()
    return tuple(speak(text) for text in assessment.conditions)


def _closest(case: Case, findings: Sequence[Finding]) -> Table:
    threshold = case.application.decision_rule.confidence
    decided = [f for f in findings if f.verdict.value != "not applicable"]
    against = sum(margin_rank(f)[0] < PASSES for f in decided)
    rows: list[tuple[Cell, ...]] = []
    for finding in sorted(decided, key=margin_rank):
        row = result_row(finding, threshold)
        shown = (row.what, row.limit, row.result, row.probability, row.verdict)
        if shown not in [other[1:] for other in rows]:
            rows.append((row.id, *shown))
    return Table(
        caption="The results that decide: those that do not pass first, then the least certain",
        columns=(
            Column("Requirement", 12),
            Column("Quantity", 25),
            Column("Limit", 17),
            Column("Result ± U", 18),
            Column("Probability", 11, "right"),
            Column("Verdict", 17),
        ),
        rows=tuple(rows[: max(CLOSEST, min(MOST, against))]),
        note="U: 95 % interval. Probability: that the requirement is met, given the measurement.",
    )


def _identity(case: Case, issued: date) -> tuple[Fact, ...]:
    qualification, application = case.qualification, case.application
    laboratories = tuple(laboratory.name for laboratory in qualification.laboratory)
    facts = [
        Fact("Dossier", f"{qualification.number}, revision {qualification.revision}"),
        Fact("Issued", date_text(issued)),
        Fact("Application", f"{application.title}, revision {application.revision}"),
        Fact("Covers", application.equipment or "no equipment named"),
        Fact("Tests by", laboratories),
    ]
    if qualification.replaces:
        facts.append(Fact("Replaces", qualification.replaces))
    if qualification.review_due:
        facts.append(Fact("Review due", date_text(qualification.review_due)))
    return tuple(facts)


def margins_chart(findings: Sequence[Finding], style: str) -> Chart:
    """Return the chart of every requirement's margin, the closest ones where there are many."""
    decided = [f for f in findings if f.verdict.value != "not applicable"]
    ordered = sorted(decided, key=margin_rank)[:MOST_ROWS]
    if not ordered:
        return Chart(caption="Margins", missing="No requirement applies, so there is no margin.")
    margins = [margin_of(finding) for finding in ordered]
    left_out = len(decided) - len(ordered)
    more = f" {left_out} further requirements are in the table of requirements." if left_out else ""
    return Chart(
        caption="Margin of each requirement with the 95 % interval of its result, in units of "
        f"its own expanded uncertainty; a bar across the line leaves it open.{_stricter(ordered)}"
        f"{more}",
        uri=draw(
            lambda figure: draw_margins(figure.subplots(), margins),
            style,
            margins_height(len(margins)),
        ),
        alt=_alt(ordered, margins),
    )


def _stricter(findings: Sequence[Finding]) -> str:
    """Return the caution that a mean inside its limit may not be enough, where that applies."""
    ids = [f.demand.id for f in findings if f.demand.basis != "mean"]
    if not ids:
        return ""
    return (
        f" The point is the mean; {', '.join(ids)} are judged more strictly, on every specimen or "
        "on the population."
    )


def _alt(findings: Sequence[Finding], margins: Sequence[Margin]) -> str:
    rows = "; ".join(
        f"{margin.label}: {_alt_margin(margin)}, {margin.verdict}" for margin in margins
    )
    first = findings[0]
    result = (
        "no result"
        if first.estimate is None
        else estimate_text(first.demand, first.estimate, first)
    )
    return (
        f"Chart of {len(margins)} requirements. Horizontal axis: margin to the limit in expanded "
        "uncertainties, from −30 to 30, zero is the limit, inside to the right. "
        f"Closest: {first.demand.id}, result {result}, limit {limit_text(first)}. {rows}."
    )


def _alt_margin(margin: Margin) -> str:
    if margin.middle is None:
        return "no number"
    return f"{'more than ' if margin.bound else ''}{fixed(margin.middle, 1)}"


def margin_of(finding: Finding) -> Margin:
    """Return the margin of a finding to the nearest of its limits, in expanded uncertainties."""
    demand = finding.demand
    kind = mark(finding.verdict.value).kind
    advisory = " (advisory)" if demand.severity == "advisory" else ""
    label = f"{demand.id}  {_short(demand.quantity.title)}{advisory}"
    blank = Margin(label=label, verdict=finding.verdict.value, kind=kind, middle=None)
    estimate = finding.estimate
    limits = limits_shown(finding)
    if estimate is None or not limits or not math.isfinite(estimate.value):
        return blank
    value = demand.shown(estimate.value)
    low, high = _ends(finding, value)
    sides = [_distances(value, low, high, end, +1) for end in _shown(finding, finding.lower)]
    sides += [_distances(value, low, high, end, -1) for end in _shown(finding, finding.upper)]
    middle, worst, best = min(sides)
    return Margin(
        label=label, verdict=finding.verdict.value, kind=kind, middle=middle, low=worst,
        high=best, bound=bool(estimate.bound),
    )  # fmt: skip


def _short(title: str, most: int = 38) -> str:
    return title if len(title) <= most else title[: most - 1].rstrip() + "…"


def _shown(finding: Finding, end: float | None) -> list[float]:
    return [] if end is None else [finding.demand.shown(end)]


def _ends(finding: Finding, value: float) -> tuple[float, float]:
    if finding.interval is None:
        return value, value
    low, high = sorted(finding.demand.shown(end) for end in finding.interval)
    half = _limit_half_width(finding)
    return value - math.hypot(value - low, half), value + math.hypot(high - value, half)


def _limit_half_width(finding: Finding) -> float:
    """Return the half-width of a limit that the reference sets, in the printed unit; else zero.

    Taken as independent of the candidate's: on the chart the safe side.
    """
    reference, limit = finding.reference, finding.lower or finding.upper
    if finding.demand.not_worse is None or reference is None or not limit:
        return 0.0
    low, high = interval(reference)
    half = 0.5 * (high - low) * abs(limit / reference.value)
    return half / abs(finding.demand.spread_factor) if math.isfinite(half) else 0.0


def _distances(
    value: float, low: float, high: float, limit: float, sign: int
) -> tuple[float, float, float]:
    """Return margin of value, worst and best end over the half-width toward the limit [-].

    `sign` is +1 for a lower limit, -1 for an upper one.  A result without an interval is set on
    the scale of one hundredth of its limit.
    """
    inside = sign * (value - limit)
    toward = (value - low) if (sign > 0) == (inside >= 0) else (high - value)
    scale = toward if 0 < toward < math.inf else 0.01 * max(abs(limit), abs(value), 1e-300)
    worst, best = sorted((sign * (low - limit) / scale, sign * (high - limit) / scale))
    return inside / scale, worst, best
