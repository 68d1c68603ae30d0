"""What the candidate gains and what it gives up against the filter now fitted, in one sentence."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from dossier.decision.finding import Finding
from dossier.evidence.statistics.estimate import Estimate
from dossier.words import later, say


def gains_and_losses(findings: Sequence[Finding]) -> str:
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
    u: float
    """Its standard uncertainty, common instrument errors counted on both sides [-]."""

    @property
    def differs(self) -> bool:
        """Whether the tests tell the two apart: by more than the expanded uncertainty (k = 2)."""
        return abs(self.change) > 2.0 * self.u

    @property
    def better(self) -> bool:
        """Whether the change is one for the better, told apart or not."""
        quantity = self.finding.demand.quantity
        rises = quantity.better == "higher" and quantity.share_of != "penetration"
        return (self.change > 0) == rises


def side_by_side(findings: Sequence[Finding], name: str) -> Compared | None:
    """Return the first pair of results of a quantity; None where there is none on either side."""
    for finding in findings:
        own, other = finding.estimate, finding.reference
        if finding.demand.quantity.name == name and own is not None and other is not None:
            return Compared(finding, *_relative(name, own, other))
    return None


def _relative(name: str, own: Estimate, other: Estimate) -> tuple[float, float]:
    """Return the relative change and its standard uncertainty [-]; efficiencies by what passes."""
    mine, theirs = (
        (1.0 - own.value, 1.0 - other.value) if name == "efficiency" else (own.value, other.value)
    )
    if not (mine > 0 and theirs > 0):
        return 0.0, math.inf
    ratio = mine / theirs
    return ratio - 1.0, ratio * math.hypot(own.u / mine, other.u / theirs)


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
