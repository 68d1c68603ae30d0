"""How a dossier reads: what it decides counts only with the sign-offs that its case asks for."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from typing import Any

from dossier.archive.dossier_file import DossierFile

__all__ = ["DRAFT", "NOT_INTACT", "SIGNED_OFF", "Standing", "read_as", "standing_of"]

SIGNED_OFF, DRAFT, NOT_INTACT = "signed off", "draft", "not intact"


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

    The claim of decision.json is not enough: each sign-off is judged again, against the digest of
    the attached decision, its role, order and dates.  Digital signatures and the numbers
    themselves are the business of verification.
    """
    if dossier.faults:
        more = f" (and {len(dossier.faults) - 1} more)" if len(dossier.faults) > 1 else ""
        return Standing(NOT_INTACT, dossier.faults[0] + more)
    decision = dossier.decision
    if decision.signed is not True or decision.standing not in (None, decision.decision):
        return Standing(DRAFT)
    try:
        objection = _objection(dossier)
    except (ValueError, KeyError, TypeError, AttributeError, RecursionError):
        objection = "the sign-offs cannot be read"
    return Standing(DRAFT, f"says it is signed off, but {objection}") if objection else _SIGNED


_SIGNED = Standing(SIGNED_OFF)


def _objection(dossier: DossierFile) -> str:
    """Return why the sign-offs do not carry the decision; empty when they do."""
    from dossier.archive.signoff import content_digest, judge
    from dossier.case.signoff_file import SIGNOFF_FILE, SignOffFile
    from dossier.case.toml_text import parse_toml
    from dossier.report.signing import SignOff

    content = dossier.files.get(f"{dossier.case_name}/{SIGNOFF_FILE}")
    if content is None or dossier.case is None:
        return "no sign-offs are attached" if content is None else "its case file cannot be read"
    entries = SignOffFile.model_validate(parse_toml(content)).signed
    roles = _roles(dossier.case, dossier)
    digest = content_digest(dossier.document)
    signed = judge(entries, roles, digest, _last_test(dossier.case))
    state = SignOff(signed=signed, roles=roles, digest=digest)
    if state.complete:
        return ""
    void = next((each for each in state.signed if not each.holds), None)
    return f"{void.role}: {void.note}" if void else f"nobody has signed as {state.missing[0]}"


def _roles(case: Mapping[str, Any], dossier: DossierFile) -> tuple[str, ...]:
    """Return the roles that must sign for what the dossier decides."""
    from dossier.archive.signoff import needed_roles
    from dossier.case.signoff_file import SignOffRules
    from dossier.report.signing import ROLES

    roles = SignOffRules.model_validate(case["signoff"]).roles if "signoff" in case else ROLES
    return needed_roles(roles, dossier.decision.decision)


def _last_test(case: Mapping[str, Any]) -> date:
    days = [entry.get("finished") or entry["tested"] for entry in case["record"]]
    plain = [day for day in days if type(day) is date]
    if len(plain) != len(days):
        raise ValueError("a record without its date")
    return max(plain)
