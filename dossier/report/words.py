"""The fixed words of the dossier: what a decision is called, signed and unsigned."""

from collections.abc import Mapping
from dataclasses import dataclass

from dossier.report.blocks import Kind, Mark
from dossier.report.signing import SignOff

__all__ = ["KINDS", "PATHS", "VERDICT_KIND", "Answer", "answer_of", "mark", "stamp_of"]

KINDS: Mapping[str, str] = {
    "multipass": "multi-pass run",
    "pressure_drop": "flow sweep",
    "bypass_valve": "bypass valve sweep",
    "measurement": "measurement",
    "inspection": "inspection",
}
"""Kinds of record, as printed."""
PATHS: Mapping[str, str] = {"full_flow": "full-flow path", "fine": "fine path"}
"""Paths of a circuit, as printed."""

VERDICT_KIND: Mapping[str, Kind] = {
    "pass": "pass",
    "conditional pass": "partly",
    "conditional fail": "partly",
    "fail": "fail",
    "not demonstrated": "open",
    "not applicable": "none",
}


@dataclass(frozen=True, slots=True)
class Answer:
    """The answer on page one."""

    word: str
    kind: Kind
    text: str
    """One sentence that says what the word means for the reader."""
    stamp: str
    """DRAFT and why; empty when the dossier is signed."""


_SIGNED: Mapping[str, tuple[str, Kind, str]] = {
    "approved": (
        "Approved",
        "pass",
        "The filter may be fitted in this application, within the scope stated below.",
    ),
    "approved with conditions": (
        "Approved with conditions",
        "partly",
        "The filter may be fitted in this application only while every condition below is kept.",
    ),
    "not approved": (
        "Not approved",
        "fail",
        "The filter may not be fitted in this application on the evidence in this dossier.",
    ),
    "undecided": (
        "Undecided",
        "open",
        "The evidence does not answer the question. The filter may not be fitted on the strength "
        "of this dossier.",
    ),
}

_DRAFT: Mapping[str, tuple[str, Kind, str]] = {
    "approved": (
        "Would qualify",
        "pass",
        "Every mandatory requirement passes. This is a finding of the calculation, not leave to "
        "fit the filter: it has not been signed.",
    ),
    "approved with conditions": (
        "Would qualify with conditions",
        "partly",
        "Every mandatory requirement passes or is covered as the conditions below say. This is a "
        "finding of the calculation, not leave to fit the filter: it has not been signed.",
    ),
    "not approved": (
        "Would not qualify",
        "fail",
        "At least one mandatory requirement fails. The filter may not be fitted on this evidence.",
    ),
    "undecided": (
        "Undecided",
        "open",
        "The evidence does not answer the question. The filter may not be fitted on the strength "
        "of this dossier.",
    ),
}


def mark(verdict: str) -> Mark:
    """Return a verdict with its form; a word that is not known is set as not demonstrated."""
    return Mark(verdict, VERDICT_KIND.get(verdict, "open"))


def stamp_of(signoff: SignOff) -> str:
    """Return the DRAFT stamp with its reason, or nothing when every sign-off is there and holds."""
    if signoff.complete:
        return ""
    if any(not each.holds for each in signoff.signed):
        return "DRAFT, sign-off no longer holds"
    held = len(signoff.roles) - len(signoff.missing)
    if held:
        return f"DRAFT, {held} of {len(signoff.roles)} signed"
    return "DRAFT, not signed"


def answer_of(decision: str, signoff: SignOff) -> Answer:
    """Return the answer in words; without complete sign-off it never reads as an approval."""
    stamp = stamp_of(signoff)
    table = _DRAFT if stamp else _SIGNED
    word, kind, text = table.get(decision, table["undecided"])
    return Answer(word=word, kind=kind, text=text, stamp=stamp)
