"""The chart of margins: every requirement's distance from its limit, on page one."""

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

from dossier.decision.finding import Finding
from dossier.report.blocks import Chart
from dossier.report.charts.margins_chart import Margin, draw_margins, goes_beyond, rows_that_fit
from dossier.report.charts.style import draw
from dossier.report.format import fixed
from dossier.report.pages.fixed_words import mark
from dossier.report.pages.page_one import shortened
from dossier.report.pages.places import MARGINS, same_as
from dossier.report.pages.results import (
    estimate_text,
    limit_text,
    limits_shown,
    margin_rank,
    what_of,
)
from dossier.words import say, say_count

if TYPE_CHECKING:
    from matplotlib.figure import Figure


def _ordered(findings: Sequence[Finding]) -> list[Finding]:
    """Return the findings that apply, each once, the closest first."""
    again = same_as(findings)
    decided = [
        f for f in findings if f.verdict.value != "not applicable" and f.demand.id not in again
    ]
    return sorted(decided, key=margin_rank)


def margins_caption(findings: Sequence[Finding], left_out: int = 0) -> str:
    """Return what the chart shows; `left_out` requirements had no room on it."""
    again = same_as(findings)
    same = "; ".join(
        say("{name} is the same as {first}", name=name, first=first)
        for name, first in again.items()
    )
    texts = [
        say(
            "Margin of each requirement with the 95 % interval of its result, in units of its own "
            "expanded uncertainty; a bar across the line leaves it open."
        )
    ]
    if any(goes_beyond(margin_of(finding)) for finding in _ordered(findings)):
        texts.append(say("An arrow points on to what is, or may be, further out."))
    stricter = [f.demand.id for f in findings if f.demand.basis != "mean"]
    if stricter:
        names = ", ".join(stricter)
        if len(stricter) > 12:
            names = say_count(len(stricter), "{number} requirement", "{number} requirements")
        texts.append(
            say(
                "The point is the mean; {names} are judged more strictly, on every specimen or on "
                "the population.",
                names=names,
            )
        )
    if same:
        texts.append(f"{same[0].upper()}{same[1:]}.")
    if left_out:
        texts.append(
            say_count(
                left_out,
                "{number} further requirement is in the table of requirements.",
                "{number} further requirements are in the table of requirements.",
            )
        )
    return " ".join(texts)


def margins_chart(findings: Sequence[Finding], style: str, height: float) -> Chart:
    """Return the chart of every requirement's margin, at most `height` [in] high.

    The closest come first; beyond what two columns can hold, the farthest are left out.
    """
    ordered = _ordered(findings)
    if not ordered:
        words = say("No requirement applies, so there is no margin.")
        return Chart(caption=say("Margins"), id=MARGINS, missing=words)
    columns, rows, tall = rows_that_fit(len(ordered), height)
    shown = ordered[: columns * rows]
    margins = [margin_of(finding) for finding in shown]

    def paint(figure: "Figure") -> None:
        axes = figure.subplots(1, columns, squeeze=False)[0]
        for place, ax in enumerate(axes):
            draw_margins(ax, margins[place * rows : (place + 1) * rows], rows, tall)

    return Chart(
        caption=margins_caption(findings, len(ordered) - len(shown)),
        id=MARGINS,
        uri=draw(paint, style, tall),
        alt=_alt(shown, margins),
    )


def _alt(findings: Sequence[Finding], margins: Sequence[Margin]) -> str:
    rows = "; ".join(
        f"{margin.label}: {_alt_margin(margin)}, {say(margin.verdict)}" for margin in margins
    )
    first = findings[0]
    result = (
        say("no result")
        if first.estimate is None
        else estimate_text(first.demand, first.estimate, first)
    )
    return say(
        "Chart of {number} requirements. Horizontal axis: margin to the limit in expanded "
        "uncertainties, from −30 to 30, zero is the limit, inside to the right. "
        "Closest: {closest}, result {result}, limit {limit}. {rows}.",
        number=len(margins),
        closest=first.demand.id,
        result=result,
        limit=limit_text(first),
        rows=rows,
    )


def _alt_margin(margin: Margin) -> str:
    if margin.middle is None:
        return say("no number")
    number = fixed(margin.middle, 1)
    return say("more than {number}", number=number) if margin.bound else number


def margin_of(finding: Finding) -> Margin:
    """Return the margin of a finding to the nearest of its limits, in expanded uncertainties."""
    demand = finding.demand
    kind = mark(finding.verdict.value).kind
    words = what_of(demand) if "characteristic" in demand.at else say(demand.quantity.title)
    label = f"{demand.id}  {shortened(words, 38)}"
    if demand.severity == "advisory":
        label = say("{label} (advisory)", label=label)
    seen = finding.estimate if demand.must_hold else None
    blank = Margin(
        label=label, verdict=finding.verdict.value, kind=kind, middle=None,
        result=estimate_text(demand, seen) if seen else "",
    )  # fmt: skip
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
    reference = finding.reference
    if finding.demand.not_worse is None or reference is None:
        return 0.0
    low, high = reference.interval()
    half = 0.5 * (high - low) * abs(finding.demand.of_reference[0])
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
