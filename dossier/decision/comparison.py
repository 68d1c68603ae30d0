"""What the candidate gains and what it gives up against the filter now fitted, in one sentence."""

import math
from collections.abc import Sequence

from dossier.decision.finding import Finding
from dossier.evidence.estimate import Estimate
from dossier.words import later, say

__all__ = ["gains_and_losses"]


def gains_and_losses(findings: Sequence[Finding]) -> str:
    """Return a plain sentence on efficiency, capacity and clean pressure drop, or an empty string.

    A difference smaller than its own expanded uncertainty (k = 2, common instrument errors counted
    on both sides) is said to be none that the tests show.
    """
    gains, losses, level = [], [], []
    for name, words in WORDS.items():
        pair = _pair(findings, name)
        if pair is None:
            continue
        finding, own, other = pair
        change, u = _relative(name, own, other)
        better = finding.demand.quantity.better == "higher"
        if name == "efficiency":
            better = False  # judged by what passes: less is better
        text = say(words[change > 0], share=100 * abs(change), at=finding.demand.at_text)
        if abs(change) <= 2.0 * u:
            level.append(say(SAME[name]))
        elif (change > 0) == better:
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


def _pair(findings: Sequence[Finding], name: str) -> tuple[Finding, Estimate, Estimate] | None:
    for finding in findings:
        own, other = finding.estimate, finding.reference
        if finding.demand.quantity.name == name and own is not None and other is not None:
            return finding, own, other
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
    if not (gains or losses or level):
        return ""
    parts = []
    if gains:
        parts.append(say("gains: it {things}", things=_list(gains)))
    if losses:
        parts.append(say("gives up: it {things}", things=_list(losses)))
    if level:
        parts.append(
            say("shows no difference in {things} that the tests can tell", things=_list(level))
        )
    return say("Against the filter now fitted the candidate {parts}.", parts="; ".join(parts))


def _list(words: list[str]) -> str:
    if len(words) == 1:
        return words[0]
    return say("{listed} and {last}", listed=", ".join(words[:-1]), last=words[-1])
