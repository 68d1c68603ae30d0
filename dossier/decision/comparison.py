"""What the candidate gains and gives up against the filter now fitted, and by how much."""

import math
from dataclasses import dataclass

import numpy as np

from dossier.decision.finding import Finding, Findings
from dossier.decision.probability import keyed, less_common
from dossier.evidence.statistics.estimate import Estimate
from dossier.evidence.statistics.uncertainty import half_width
from dossier.words import later, say


def gains_and_losses(findings: Findings) -> str:
    """Return a plain sentence on efficiency, capacity and clean pressure drop, or an empty string.

    A difference that the tests cannot tell is said to be none.
    """
    gains, losses, level = [], [], []
    for name, words in WORDS.items():
        found = side_by_side(findings, name)
        if found is None:
            continue
        at = found.finding.demand.at_text
        text = say(words[found.change > 0], share=100 * abs(found.change), at=at)
        if not found.differs:
            level.append(say(SAME[name]))
        elif found.better:
            gains.append(text)
        else:
            losses.append(text)
    return _sentence(gains, losses, level)


WORDS = {
    "efficiency": (
        later("lets {share:.0f} % less through at {at}"),
        later("lets {share:.0f} % more through at {at}"),
    ),
    "retained_capacity": (
        later("holds {share:.0f} % less contaminant"),
        later("holds {share:.0f} % more contaminant"),
    ),
    "clean_pressure_drop": (
        later("has {share:.0f} % less clean pressure drop at {at}"),
        later("has {share:.0f} % more clean pressure drop at {at}"),
    ),
}
"""What is said of a quantity where the candidate's is smaller, and where it is larger."""
SAME = {
    "efficiency": later("efficiency"),
    "retained_capacity": later("capacity"),
    "clean_pressure_drop": later("clean pressure drop"),
}


@dataclass(frozen=True, slots=True)
class Compared:
    """A quantity of the candidate beside that of the filter now fitted."""

    finding: Finding
    change: float
    """Relative change from the filter now fitted; for an efficiency, of what passes [-]."""
    differs: bool
    """Whether the tests tell the two apart, as `told_apart`."""

    @property
    def better(self) -> bool:
        """Whether the change is one for the better, told apart or not."""
        quantity = self.finding.demand.quantity
        rises = quantity.better == "higher" and quantity.share_of != "penetration"
        return (self.change > 0) == rises


def side_by_side(findings: Findings, name: str) -> Compared | None:
    """Return the first pair of results of a quantity; None where there is none on either side."""
    for finding in findings:
        own, other = finding.estimate, finding.reference
        if finding.demand.quantity.name == name and own is not None and other is not None:
            return Compared(finding, *_relative(name, own, other))
    return None


def _relative(name: str, own: Estimate, other: Estimate) -> tuple[float, bool]:
    """Return the relative change [-], efficiencies by what passes, and whether it can be told."""
    mine, theirs = (
        (1.0 - own.value, 1.0 - other.value) if name == "efficiency" else (own.value, other.value)
    )
    if not (mine > 0 and theirs > 0) or own.bound or other.bound:
        return 0.0, False
    return mine / theirs - 1.0, told_apart(own, other)


def ends_of(own: Estimate, other: Estimate) -> tuple[float, float, float]:
    """Return by what two results are set against each other, and its two-sided 95 % interval.

    A difference [unit of the estimates], or the quotient [-] of those of a reciprocal scale.
    """
    return (quotient if own.scale == "reciprocal" else difference)(own, other)


def told_apart(own: Estimate, other: Estimate) -> bool:
    """Return whether the 95 % interval holds no value at which both filters are the same."""
    _, low, high = ends_of(own, other)
    same = 1.0 if own.scale == "reciprocal" else 0.0
    return low > same or high < same


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


def _sentence(gains: list[str], losses: list[str], level: list[str]) -> str:
    told = (
        (later("gains: it {things}"), gains),
        (later("gives up: it {things}"), losses),
        (later("shows no difference in {things} that the tests can tell"), level),
    )
    parts = "; ".join(say(words, things=_list(each)) for words, each in told if each)
    words = later("Against the filter now fitted the candidate {parts}.")
    return say(words, parts=parts) if parts else ""


def _list(words: list[str]) -> str:
    if len(words) == 1:
        return words[0]
    return say("{listed} and {last}", listed=", ".join(words[:-1]), last=words[-1])
