"""The fixed words of the dossier: what a decision is called, signed and unsigned."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from dossier.case.case import Case
from dossier.decision.conditions import APPROVES
from dossier.decision.finding import Assessment
from dossier.decision.rules import Decision
from dossier.report.blocks import Kind, Line, Mark
from dossier.report.format import speak
from dossier.report.running import retold
from dossier.report.signing import SignOff
from dossier.words import language, later, other_language, say
from dossier.words.catalogue import ENGLISH

KINDS: Mapping[str, str] = {
    "multipass": later("multi-pass run"),
    "pressure_drop": later("flow sweep"),
    "bypass_valve": later("bypass valve sweep"),
    "measurement": later("measurement"),
    "inspection": later("inspection"),
}
"""Kinds of record, as said on the page."""
PATHS: Mapping[str, str] = {"full_flow": later("full-flow path"), "fine": later("fine path")}
"""Paths of a circuit, as said on the page."""

RULE_KINDS: Mapping[str, str] = {
    "simple_acceptance": later("simple acceptance"),
    "guard_band": later("guard band"),
    "graded": later("graded words"),
}
"""Kinds of decision rule, as said on the page."""

VERDICT_KIND: Mapping[str, Kind] = {
    later("pass"): "pass",
    later("conditional pass"): "partly",
    later("conditional fail"): "partly",
    later("fail"): "fail",
    later("not demonstrated"): "open",
    later("not applicable"): "none",
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
        later("Approved"),
        "pass",
        later("The filter may be fitted in this application."),
    ),
    "approved with conditions": (
        later("Approved with conditions"),
        "partly",
        later(
            "The filter may be fitted in this application only while every condition below holds."
        ),
    ),
    "not approved": (
        later("Not approved"),
        "fail",
        later("The filter may not be fitted in this application on the evidence in this dossier."),
    ),
    "undecided": (
        later("Undecided"),
        "open",
        later(
            "The evidence does not answer the question. The filter may not be fitted on the "
            "strength of this dossier."
        ),
    ),
}

_DRAFT: Mapping[str, tuple[str, Kind, str]] = {
    "approved": (
        later("Would qualify"),
        "pass",
        later(
            "Every mandatory requirement passes. This is a finding of the calculation, not leave "
            "to fit the filter: it has not been signed."
        ),
    ),
    "approved with conditions": (
        later("Would qualify with conditions"),
        "partly",
        later(
            "Every mandatory requirement passes or is covered as the conditions below say. This "
            "is a finding of the calculation, not leave to fit the filter: it has not been signed."
        ),
    ),
    "not approved": (
        later("Would not qualify"),
        "fail",
        later(
            "At least one mandatory requirement fails. The filter may not be fitted on this "
            "evidence."
        ),
    ),
    "undecided": (
        later("Undecided"),
        "open",
        later(
            "The evidence does not answer the question. The filter may not be fitted on the "
            "strength of this dossier."
        ),
    ),
}

_ENDED: Mapping[str, str] = {
    "approved": later("Expired: was approved"),
    "approved with conditions": later("Expired: was approved with conditions"),
}
_OVER = later("Expired")
_GONE = later(
    "What this rests on ended on {until}. The filter may not be fitted on the strength of this "
    "dossier any more."
)
_WAS = later("Expired: was approved with conditions until {until}, when a concession ended.")


def mark(verdict: str) -> Mark:
    """Return a verdict with its form; a word that is not known is set as not demonstrated."""
    return Mark(say(verdict), VERDICT_KIND.get(verdict, "open"))


def stamp_of(signoff: SignOff) -> str:
    """Return the DRAFT stamp with its reason, or nothing when every sign-off is there and holds."""
    if signoff.complete:
        return ""
    if any(not each.holds for each in signoff.signed):
        return say("DRAFT, sign-off no longer holds")
    held = len(signoff.roles) - len(signoff.missing)
    if held:
        return say("DRAFT, {held} of {roles} signed", held=held, roles=len(signoff.roles))
    return say("DRAFT, not signed")


_OF_ALL: Mapping[str, str] = {
    "approved": later("The filter may be fitted in every application below."),
    "approved with conditions": later(
        "The filter may be fitted in the applications below only while every condition holds."
    ),
    "not approved": later(
        "The filter may not be fitted in any of the applications on the strength of this dossier."
    ),
}
"""What the decision on several applications means."""
_PROVISO = later(
    "Only within its scope (see Scope) and within the OEM's and local rules (see Cautions)."
)


def answer_of(decision: str, signoff: SignOff, *, several: bool = False) -> Answer:
    """Return the answer in words; without complete sign-off it never reads as an approval."""
    stamp = stamp_of(signoff)
    table = _DRAFT if stamp else _SIGNED
    word, kind, text = table.get(decision, table["undecided"])
    text = _OF_ALL.get(decision, text) if several and not stamp else text
    if signoff.ended and decision in _ENDED:
        word, kind, text = _OVER if stamp else _ENDED[decision], "fail", _GONE
    elif signoff.ended:
        return Answer(say(word), kind, f"{say(_WAS, until=signoff.ended)} {say(text)}", stamp)
    leave = not (stamp or signoff.ended) and decision in APPROVES
    told = [say(text, until=signoff.ended), *([say(_PROVISO)] if leave else [])]
    return Answer(word=say(word), kind=kind, text=" ".join(told), stamp=stamp)


def within(title: str) -> str:
    """Return a said title as it stands inside a sentence: English writes it small there."""
    return title[:1].lower() + title[1:] if language() == ENGLISH else title


TONGUES: Mapping[str, str] = {ENGLISH: later("English"), "de": later("German")}
"""Languages, as said on the page."""


def conditions_said(assessment: Assessment) -> tuple[str, ...]:
    """Return the conditions of an approval, what the machines keep first; else there are none."""
    if assessment.decision is not Decision.APPROVED_WITH_CONDITIONS:
        return ()
    kept = [retold(each.text) for each in assessment.conditions if each.kind == "concession"]
    others = [retold(each.text) for each in assessment.conditions if each.kind != "concession"]
    return (*kept, *(say("For the approver: {text}", text=text) for text in others))


def as_given(texts: Iterable[str]) -> str:
    """Return that texts stand as somebody gave them, in another language than the page's."""
    others = sorted({other_language(text) for text in texts} - {""})
    named = ", ".join(say(TONGUES[other]) for other in others)
    return say("Texts as given, in {language}.", language=named) if named else ""


def given_texts(case: Case) -> tuple[str, ...]:
    """Return what people wrote of concessions, deviations and what is carried, as printed."""
    said = case.qualification
    texts = [text for each in said.deviation for text in (each.text, each.cause)]
    texts += [each.reason for each in said.carried]
    return tuple(speak(text) for text in (*texts, *(e.text for e in said.concession)) if text)


def apart(text: str, shown: str, given: Sequence[str]) -> tuple[str | Line, ...]:
    """Return the first part of a text that is `shown`, with what was given in another language."""
    for own in given:
        start, other = text.find(own), other_language(own)
        if 0 <= start < len(shown) and other:
            stop = start + len(own)
            return shown[:start], Line((shown[start:stop],), lang=other), shown[stop:]
    return (shown,)
