"""Candidate beside the filter now fitted: difference or quotient with its uncertainty."""

import math
from collections.abc import Mapping, Sequence

import numpy as np

from dossier.decision.finding import Finding
from dossier.evidence.estimate import Estimate
from dossier.evidence.uncertainty import coverage_factor, welch_satterthwaite
from dossier.report.blocks import Column, Table
from dossier.report.content_results import estimate_text, result_row
from dossier.report.format import fixed, with_interval, with_unit
from dossier.words import say

__all__ = ["comparison_table", "difference"]

Parts = Mapping[tuple[str, str], tuple[float, float]]


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
    half = _half_width(_parts(own, 1.0), _parts(other, 1.0))
    return value, value - half, value + half


def quotient(own: Estimate, other: Estimate) -> tuple[float, float, float]:
    """Return candidate over reference and its two-sided 95 % interval [-], by relative errors."""
    value = own.value / other.value
    half = _half_width(_parts(own, 1.0 / own.value), _parts(other, 1.0 / other.value))
    return value, value * math.exp(-half), value * math.exp(half)


def _parts(estimate: Estimate, scale: float) -> Parts:
    if not estimate.components:
        return {("", ""): (estimate.u * scale, estimate.dof)}
    return {(c.name, c.shared): (c.u * scale, c.dof) for c in estimate.components}


def _half_width(own: Parts, other: Parts) -> float:
    parts: list[tuple[float, float]] = []
    for key in sorted(own.keys() | other.keys()):
        if key in own and key in other and key[1]:
            parts.append((abs(own[key][0] - other[key][0]), own[key][1]))
        else:
            parts += [table[key] for table in (own, other) if key in table]
    u = math.sqrt(sum(each * each for each, _ in parts))
    if not 0 < u < math.inf:
        return u
    dof = welch_satterthwaite([each for each, _ in parts], [dof for _, dof in parts])
    return coverage_factor(0.95, dof) * u
