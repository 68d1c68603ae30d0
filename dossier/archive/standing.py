"""How a dossier reads: what it decides counts only with the sign-offs that its case asks for."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any

from dossier.archive.dossier_file import DossierFile
from dossier.report.signing import ROLES, SignOff

__all__ = [
    "DRAFT", "NOT_INTACT", "SIGNED_OFF", "Standing", "end_of", "read_as", "sign_offs",
    "standing_of",
]  # fmt: skip

SIGNED_OFF, DRAFT, NOT_INTACT = "signed off", "draft", "not intact"
ZONES = timedelta(1)
"""Elsewhere it may be tomorrow: so far ahead of the day here a sign-off may be dated."""


@dataclass(frozen=True, slots=True)
class Standing:
    """Whether a decision stands, and why not."""

    word: str
    """One of SIGNED_OFF, DRAFT, NOT_INTACT."""
    remark: str = ""


def read_as(decision: str, standing: str) -> str:
    """Return the decision in words that cannot be taken for more than it is.

    Only a dossier signed off in full and intact reads as its decision.
    """
    return decision if standing == SIGNED_OFF else f"{standing}: would be {decision}"


def standing_of(dossier: DossierFile) -> Standing:
    """Return whether the decision of `dossier` stands, from what is attached to it alone.

    The claims of decision.json are not enough: the decision must follow from its findings, and
    each sign-off is judged again, against the digest of the attached decision, its role, order
    and dates.  The day it is, digital signatures and the numbers are looked at elsewhere.
    """
    faults = [*dossier.faults, *_contradictions(dossier)]
    if faults:
        more = f" (and {len(faults) - 1} more)" if len(faults) > 1 else ""
        return Standing(NOT_INTACT, faults[0] + more)
    decision = dossier.decision
    if decision.signed is not True:
        return Standing(DRAFT)
    try:
        objection = _objection(dossier)
    except (ValueError, KeyError, TypeError, AttributeError, RecursionError):
        objection = "the sign-offs cannot be read"
    return Standing(DRAFT, f"says it is signed off, but {objection}") if objection else _SIGNED


_SIGNED = Standing(SIGNED_OFF)


def _contradictions(dossier: DossierFile) -> Iterator[str]:
    """Yield where decision.json contradicts itself, or what it was made from."""
    from dossier.decision.rules import Verdict, overall
    from dossier.decision.term import APPROVES

    decision = dossier.decision
    rows = [
        (Verdict(f.verdict), f.severity == "mandatory", bool(f.concession))
        for f in decision.findings
    ]
    follows = overall(rows, conditional=bool(decision.conditions)).value
    if follows != decision.decision:
        yield f"its findings give {follows!r}, not {decision.decision!r}"
    yield from _unasked(dossier)
    for each in decision.findings:
        if each.passes_beyond(decision.decision_rule):
            yield f"{each.requirement}: passes, though its own numbers do not"
    try:
        end = end_of(dossier)
    except (ValueError, TypeError, AttributeError, RecursionError):
        yield "its concessions cannot be read"
        return
    stated = dossier.document.get("valid_until", _UNSTATED)
    if decision.decision in APPROVES and stated not in (
        _UNSTATED,
        end.isoformat() if end else None,
    ):
        yield "it states another end than its concessions and its review give"


_UNSTATED = object()


def _unasked(dossier: DossierFile) -> Iterator[str]:
    """Yield where the findings are not those of the attached requirements."""
    if dossier.application is None:
        return
    asked = [
        (each.get("id"), each.get("severity"))
        for each in dossier.application.get("requirement", ())
        if isinstance(each, dict)
    ]
    given = [(each.requirement, each.severity) for each in dossier.decision.findings]
    if sorted(map(str, asked)) != sorted(map(str, given)):
        yield "its findings are not those of the requirements in its application.toml"


def end_of(dossier: DossierFile) -> date | None:
    """Return the last day on which the decision holds as an approval; None where none is set.

    Raises ValueError, TypeError or AttributeError where the concessions cannot be read.
    """
    from dossier.case.model import Concession
    from dossier.decision.term import valid_until

    decision = dossier.decision
    granted = [
        Concession.model_validate(each) for each in (dossier.case or {}).get("concession", ())
    ]
    covered = {
        (each.requirement, each.concession)
        for each in decision.findings
        if each.severity == "mandatory" and each.concession
    }
    case = decision.case
    return valid_until(decision.decision, covered, granted, case.review_due, case.issued)


def _objection(dossier: DossierFile) -> str:
    """Return why the sign-offs do not carry the decision; empty when they do."""
    if dossier.case is None:
        return "its case file cannot be read"
    state = sign_offs(dossier)
    if state.complete:
        return ""
    void = next((each for each in state.signed if not each.holds), None)
    return f"{void.role}: {void.note}" if void else f"nobody has signed as {state.missing[0]}"


def sign_offs(dossier: DossierFile, today: date | None = None) -> SignOff:
    """Return the sign-offs as the attached files carry them, judged again; on a day, if given.

    Raises ValueError, KeyError, TypeError or AttributeError where they cannot be read.
    """
    from dossier.archive.signoff import Days, content_digest, judge
    from dossier.case.signoff_file import SIGNOFF_FILE, SignOffFile
    from dossier.case.toml_text import parse_toml
    from dossier.decision.term import over

    content = dossier.files.get(f"{dossier.case_name}/{SIGNOFF_FILE}")
    entries = SignOffFile.model_validate(parse_toml(content)).signed if content else ()
    raw, end = dossier.case or {}, end_of(dossier)
    roles, digest = _roles(raw, dossier), content_digest(dossier.document)
    days = Days(_last_test(raw), end, today + ZONES if today else None)
    ended = over(dossier.decision.decision, end, today)
    signed = judge(entries, roles, digest, days)
    return SignOff(signed=signed, roles=roles, digest=digest, ended=ended)


def _roles(case: Mapping[str, Any], dossier: DossierFile) -> tuple[str, ...]:
    """Return the roles that must sign for what the dossier decides."""
    from dossier.archive.signoff import needed_roles
    from dossier.case.signoff_file import SignOffRules

    roles = SignOffRules.model_validate(case["signoff"]).roles if "signoff" in case else ROLES
    return needed_roles(roles, dossier.decision.decision)


def _last_test(case: Mapping[str, Any]) -> date:
    days = [entry.get("finished") or entry["tested"] for entry in case["record"]]
    plain = [day for day in days if type(day) is date]
    if len(plain) != len(days):
        raise ValueError("a record without its date")
    return max(plain)
