"""Candidate beside the filter now fitted: difference or quotient with its uncertainty."""

import math
from collections.abc import Sequence

import numpy as np

from dossier.decision.finding import Finding
from dossier.decision.probability import keyed, less_common
from dossier.evidence.statistics.estimate import Estimate
from dossier.evidence.statistics.uncertainty import half_width
from dossier.report.blocks import Column, Table
from dossier.report.format import fixed, with_interval, with_unit
from dossier.report.pages.results import estimate_text, result_row
from dossier.words import say


def comparison_table(findings: Sequence[Finding], threshold: float) -> Table:
    """Return every quantity that is known of both filters, side by side."""
    rows = []
    seen: set[tuple[str, str]] = set()
    for finding in findings:
        row = result_row(finding, threshold)
        key = (finding.demand.quantity.name, finding.demand.at_text)
        if finding.estimate is None or finding.reference is None or key in seen:
            continue
        seen.add(key)
        rows.append(
            (
                row.what,
                row.result,
                estimate_text(finding.demand, finding.reference),
                difference_text(finding),
                _side(finding),
            )
        )
    return Table(
        caption=say("Candidate and reference side by side"),
        columns=(
            Column(say("Quantity"), 32),
            Column(say("Candidate ± U"), 19, "right"),
            Column(say("Reference ± U"), 19, "right"),
            Column(say("Difference ± U"), 19, "right"),
            Column(say("Better is"), 11),
        ),
        rows=tuple(rows),
        note=say(
            "Difference: candidate less reference; for a filtration ratio, the quotient. An error "
            "that both share through the same instrument is counted once, against itself. "
            "U: 95 % interval."
        ),
        empty=say("No quantity is known of both filters."),
    )


def _side(finding: Finding) -> str:
    better = finding.demand.quantity.better
    return say("neither side") if better == "neither" else say(better)


def difference_text(finding: Finding) -> str:
    """Return the difference of both filters with its uncertainty in the requirement's unit."""
    demand, own, other = finding.demand, finding.estimate, finding.reference
    if own is None or other is None or demand.quantity.dimension == "statement":
        return "–"
    if own.bound or other.bound:
        return say("one result is only a bound")
    if not (math.isfinite(own.value) and math.isfinite(other.value)):
        return say("not a finite number")
    if own.scale == "reciprocal":
        value, low, high = quotient(own, other)
        return say("{number} times", number=with_interval(value, low, high))
    value, low, high = (end / demand.spread_factor for end in difference(own, other))
    text = with_interval(value, min(low, high), max(low, high))
    plus = "+" if value > 0 and not text.startswith(fixed(-1.0, 0)[0]) else ""
    # A difference of two shares is in percentage points: percent of a percentage misleads.
    if demand.unit == "%":
        return say("{number} percentage points", number=f"{plus}{text}")
    unit = "K" if demand.unit == "degC" else demand.unit
    shown = with_unit(text, unit)
    return f"({plus}{shown[1:]}" if shown.startswith("(") else f"{plus}{shown}"


def difference(own: Estimate, other: Estimate) -> tuple[float, float, float]:
    """Return candidate less reference and its two-sided 95 % interval [unit of the estimates].

    Components of the same name and shared key are one error common to both and subtract, all
    others add in squares (JCGM 100:2008, 5.2).  Monte Carlo draws are subtracted draw by draw.
    """
    value = own.value - other.value
    if own.samples is not None and other.samples is not None:
        draws = own.samples[: len(other.samples)] - other.samples[: len(own.samples)]
        low, high = np.nanquantile(draws, [0.025, 0.975], method="nearest")
        return value, float(low), float(high)
    half = half_width(less_common(keyed(own, 1.0), keyed(other, 1.0)))
    return value, value - half, value + half


def quotient(own: Estimate, other: Estimate) -> tuple[float, float, float]:
    """Return candidate over reference and its two-sided 95 % interval [-], by relative errors."""
    value = own.value / other.value
    half = half_width(less_common(keyed(own, 1.0 / own.value), keyed(other, 1.0 / other.value)))
    return value, value * math.exp(-half), value * math.exp(half)
