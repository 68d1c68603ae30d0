"""What the candidate gains and what it gives up against the filter now fitted, in one sentence."""

import math
from collections.abc import Sequence

from dossier.decision.finding import Finding
from dossier.evidence.estimate import Estimate

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
        text = words.format(share=f"{100 * abs(change):.0f} %", at=finding.demand.at_text)
        if abs(change) <= 2.0 * u:
            level.append(SAME[name])
        elif (change > 0) == better:
            gains.append(text.replace("MORE", "more" if change > 0 else "less"))
        else:
            losses.append(text.replace("MORE", "more" if change > 0 else "less"))
    return _sentence(gains, losses, level)


WORDS = {
    "efficiency": "lets {share} MORE through at {at}",
    "retained_capacity": "holds {share} MORE contaminant",
    "clean_pressure_drop": "has {share} MORE clean pressure drop at {at}",
}
SAME = {
    "efficiency": "efficiency",
    "retained_capacity": "capacity",
    "clean_pressure_drop": "clean pressure drop",
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
        parts.append(f"gains: it {_list(gains)}")
    if losses:
        parts.append(f"gives up: it {_list(losses)}")
    if level:
        parts.append(f"shows no difference in {_list(level)} that the tests can tell")
    return f"Against the filter now fitted the candidate {'; '.join(parts)}."


def _list(words: list[str]) -> str:
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} and {words[-1]}"
