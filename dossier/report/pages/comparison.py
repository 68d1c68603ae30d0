"""Candidate beside the filter now fitted: difference or quotient with its uncertainty."""

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

from dossier.decision.comparison import ends_of
from dossier.decision.finding import Assessment, Finding
from dossier.evidence.requirement import Demand
from dossier.evidence.statistics.estimate import Estimate
from dossier.report.blocks import Chart, Column, Table
from dossier.report.charts.panel import Figure
from dossier.report.charts.style import HEIGHT, draw, width_of
from dossier.report.charts.trade_chart import NUMERALS, Reach, TradePoint, draw_trade
from dossier.report.format import (
    NUMBER,
    PLUS_MINUS,
    SPACE,
    decimals_of,
    joined,
    of_difference,
    read,
    rounded,
    telling_half,
    unit_text,
    with_interval,
)
from dossier.report.pages.fixed_words import within
from dossier.report.pages.results import estimate_text, what_of
from dossier.report.running import retold
from dossier.report.scales import scales
from dossier.words import later, say


def comparison_table(assessment: Assessment) -> Table:
    """Return every quantity that is known of both filters, side by side."""
    findings = assessment.findings
    rigs = {record.entry.laboratory for record in assessment.bench.case.records}
    chosen: dict[tuple[str, str], Finding] = {}
    for finding in findings:
        key = (finding.demand.quantity.name, finding.demand.at_text)
        if key not in chosen or finding.demand.not_worse is not None:  # its U has the laboratories
            chosen[key] = finding
    rows = [row for finding in chosen.values() for row in _row(finding)]
    return Table(
        caption=say("The filter now fitted, and what the candidate differs by"),
        columns=(
            Column(say("Quantity"), 34),
            Column(say("Candidate ± U"), 18, "right"),
            Column(say("Reference ± U"), 17, "right"),
            Column(say("Difference ± U"), 21, "right"),
            Column(say("Better is"), 10),
        ),
        rows=tuple(rows),
        note=say(
            "Means of all specimens. Difference: candidate less reference; in “times”, the "
            "quotient. An error that both share through the same instrument is counted once, "
            "against itself. U: 95 % interval."
        )
        + (f" {say(APART)}" if len(rigs) > 1 else ""),
        empty=say("No quantity is known of both filters."),
    )


APART = later(
    "Of filters that different laboratories tested, what these differ by is in U only where a "
    "requirement compares the filters."
)


def _side(finding: Finding) -> str:
    better = finding.demand.quantity.better
    return say("neither side") if better == "neither" else say(better)


def _row(finding: Finding) -> Iterator[tuple[str, ...]]:
    """Yield the row of a quantity that is known of both filters."""
    demand, own, other = finding.demand, finding.estimate, finding.reference
    if own is not None and other is not None:
        if _why_none(demand, own, other) or own.scale == "reciprocal":
            beside = [estimate_text(finding, each) for each in (own, other)]
            cells = (*beside, difference_text(demand, own, other))
        else:
            cells = _together(demand, own, other)
        yield what_of(demand), *cells, _side(finding)


def _beside(demand: Demand, own: Estimate, other: Estimate) -> tuple[str, str, str]:
    """Return both results and what they differ by, as printed in the unit of the requirement.

    All have the same decimals, so that the third is the first less the second as they stand.
    """
    sides = [_shown(demand, each) for each in (own, other)]
    _, *ends = (end / demand.spread_factor for end in ends_of(own, other))
    apart = sides[0][0] - sides[1][0]
    least = max(decimals_of(side[0], telling_half(*side)) for side in sides)
    narrow = telling_half(apart, *sorted(ends))
    least = max(least, decimals_of(0.0, narrow))
    first, second = (float(rounded(side[0], least)) for side in sides)
    moved = first - second - apart
    low, high = sorted(end + moved for end in ends)
    texts = [with_interval(*side, least=least) for side in sides]
    return texts[0], texts[1], with_interval(first - second, low, high, least=least)


def _why_none(demand: Demand, own: Estimate, other: Estimate) -> str:
    """Return why two results have no difference; empty where they have."""
    if demand.quantity.dimension == "statement":
        return "–"
    if own.bound or other.bound:
        return say("one result is only a bound")
    if not (math.isfinite(own.value) and math.isfinite(other.value)):
        return say("not a finite number")
    return ""


def difference_text(demand: Demand, own: Estimate, other: Estimate) -> str:
    """Return the difference of two filters with its uncertainty in the requirement's unit."""
    if why := _why_none(demand, own, other):
        return why
    if own.scale == "reciprocal":
        return say("{number} times", number=with_interval(*ends_of(own, other)))
    return _together(demand, own, other)[2]


def _together(demand: Demand, own: Estimate, other: Estimate) -> tuple[str, str, str]:
    """Return both results and their difference with each unit that they are printed in."""
    units = [replace(demand, unit=each.unit) for each in scales(demand.unit)]
    first, second, apart = zip(*(_beside(each, own, other) for each in units), strict=True)
    results = [
        joined([(t, u.unit) for t, u in zip(texts, units, strict=True)])
        for texts in (first, second)
    ]
    signed = [_signed(text) for text in apart]
    # A difference of two shares is in percentage points: percent of a percentage misleads.
    if demand.unit == "%":
        number = f"({signed[0]})" if PLUS_MINUS in signed[0] else signed[0]
        difference = say("{number} % points", number=number).replace(" ", SPACE)
    else:
        moved = [(t, of_difference(u.unit)) for t, u in zip(signed, units, strict=True)]
        difference = joined(moved)
    return results[0], results[1], difference


def _signed(text: str) -> str:
    """Return a printed difference with its sign."""
    number = NUMBER.match(text)
    return f"+{text}" if number and read(number[0]) > 0.0 else text


@dataclass(frozen=True, slots=True, kw_only=True)
class ComparisonPage:
    """Candidate and reference side by side."""

    sentence: str
    table: Table
    trade: Chart | None
    """None where no requirement compares the filters."""


def comparison_page(assessment: Assessment, style: str) -> ComparisonPage:
    """Return the section on the filter now fitted."""
    compared = any(each.demand.not_worse is not None for each in assessment.findings)
    return ComparisonPage(
        sentence=retold(assessment.comparison),
        table=comparison_table(assessment),
        trade=trade(
            {
                "candidate": {f.demand.id: f.estimate for f in assessment.findings},
                "reference": {f.demand.id: f.reference for f in assessment.findings},
            },
            assessment.findings, style,
        ) if compared else None,
    )  # fmt: skip


Results = Mapping[str, Estimate | None]
"""Result of one filter for each requirement, by its id."""
PANELS = (("retained_capacity", "efficiency"), ("retained_capacity", "clean_pressure_drop"))
CAPTION = later(
    "Where candidate and reference stand between what they hold, catch and cost in pressure, with "
    "95 % intervals. Lines are limits; in grey both are kept, guard bands aside. More of one "
    "usually costs another."
)


def trade(
    sides: Mapping[str, Results], findings: Sequence[Finding], style: str, caption: str = CAPTION
) -> Chart:
    """Return where the filters stand by their results, with the limits of `findings`."""
    pairs = ((_first(findings, x), _first(findings, y)) for x, y in PANELS)
    panels = [(x, y) for x, y in pairs if x is not None and y is not None]
    if not panels:
        return Chart(
            caption=say(caption),
            missing=say(
                "No chart of the trade: it needs a requirement on retained capacity and one on "
                "efficiency or clean pressure drop, with results."
            ),
        )
    drawn = [([*_points(sides, x, y)], _reach(findings, x), _reach(findings, y)) for x, y in panels]

    several = set(sides) <= set(NUMERALS)

    def paint(figure: Figure) -> None:
        for ax, (points, x, y) in zip(figure.row(len(drawn)), drawn, strict=True):
            draw_trade(ax, points, x, y)

    half = len(drawn) == 1 and not several
    uri = draw(paint, style, 2.1 if several else HEIGHT, width_of(half))
    return Chart(caption=say(caption), uri=uri, alt=_alt(drawn), half=half)


def _first(findings: Sequence[Finding], name: str) -> Finding | None:
    """Return the first finding of a quantity with a result, fixed limits before others."""
    own = [f for f in findings if f.demand.quantity.name == name and f.estimate is not None]
    first = next((f for f in own if f.demand.not_worse is None), own[0] if own else None)
    same = [f for f in own if first is not None and f.demand.at == first.demand.at]
    return next((f for f in same if f.demand.not_worse is not None), first)  # as in the table


def _points(sides: Mapping[str, Results], x: Finding, y: Finding) -> Iterator[TradePoint]:
    for side, results in sides.items():
        pair = [results.get(each.demand.id) for each in (x, y)]
        if pair[0] is None or pair[1] is None:
            continue
        horizontal, vertical = _shown(x.demand, pair[0]), _shown(y.demand, pair[1])
        ends = {"x_ends": horizontal[1:], "y_ends": vertical[1:]}
        yield TradePoint(side=side, x=horizontal[0], y=vertical[0], **ends)


def _shown(demand: Demand, estimate: Estimate) -> tuple[float, float, float]:
    """Return value and interval as printed; what is only a bound is open on one side."""
    open_ended = {
        "larger than": (estimate.value, math.inf),
        "smaller than": (-math.inf, estimate.value),
    }
    ends = open_ended.get(estimate.bound) or estimate.interval()
    low, high = (demand.shown(end) for end in ends)
    return demand.shown(estimate.value), min(low, high), max(low, high)


def _reach(findings: Sequence[Finding], chosen: Finding) -> Reach:
    """Return the strictest limits of all requirements on the chosen quantity and conditions."""
    same = [
        f
        for f in findings
        if f.demand.quantity.name == chosen.demand.quantity.name and f.demand.at == chosen.demand.at
    ]
    lower = [chosen.demand.shown(f.lower) for f in same if f.lower is not None]
    upper = [chosen.demand.shown(f.upper) for f in same if f.upper is not None]
    demand = chosen.demand
    what = within(say(demand.quantity.title))
    if demand.at_text:
        what = say("{quantity} at {conditions}", quantity=what, conditions=retold(demand.at_text))
    return Reach(
        label=f"{what}{SPACE}/{SPACE}{unit_text(demand.unit)}",
        lower=max(lower, default=-math.inf),
        upper=min(upper, default=math.inf),
    )


def _alt(drawn: Sequence[tuple[list[TradePoint], Reach, Reach]]) -> str:
    texts = []
    for points, x, y in drawn:
        stands = [
            say("{side} at {x} and {y}", side=say(p.side), x=with_interval(p.x, *p.x_ends),
                y=with_interval(p.y, *p.y_ends))
            for p in points
        ]  # fmt: skip
        limits = ", ".join((*_ends(x), *_ends(y))) or say("none")
        chart = say(
            "Chart of {y} against {x}: {points}.", y=y.label, x=x.label, points="; ".join(stands)
        )
        texts += [chart, say("Limits: {limits}.", limits=limits)]
    return " ".join(texts)


def _ends(reach: Reach) -> Iterator[str]:
    if reach.lower > -math.inf:
        yield say("{axis} at least {end:.4g}", axis=reach.label, end=reach.lower)
    if reach.upper < math.inf:
        yield say("{axis} at most {end:.4g}", axis=reach.label, end=reach.upper)
