"""How a dossier reads: what it decides counts only with the sign-offs that its case asks for."""

from collections.abc import Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from datetime import date
from typing import TYPE_CHECKING, Any

from dossier.case.agreed import (
    SIGNOFF_FILE,
    Carried,
    SignOffEntry,
    SignOffFile,
    SignOffRules,
)
from dossier.case.attached import NotADossierError
from dossier.case.model import Concession
from dossier.case.toml_text import parse_toml
from dossier.case.whole import tables
from dossier.decision.conditions import APPROVES, covering, expired, over, valid_until
from dossier.evidence.requirement import LIFE
from dossier.record.dossier_file import DossierFile
from dossier.record.signoff import ZONES, Days, needed_roles, same_name, state_of
from dossier.report.signing import ROLES, SignOff, field_name

if TYPE_CHECKING:
    from dossier.record.seals import Seal
    from dossier.record.trust import Trust

SIGNED_OFF, DRAFT, NOT_INTACT = "signed off", "draft", "not intact"
EXPIRED, NOT_PROVEN, RECALLED = "expired", "not proven", "recalled"
"""What a dossier that is signed off and intact may be on a day, and for who asks."""
STANDINGS = (SIGNED_OFF, EXPIRED, RECALLED, DRAFT, NOT_INTACT, NOT_PROVEN)


@dataclass(frozen=True, slots=True)
class Standing:
    """Whether a decision stands, and why not."""

    word: str
    """One of SIGNED_OFF, DRAFT, NOT_INTACT."""
    remark: str = ""
    signed_on: date | None = None
    """Day of the last sign-off, or of issue where that is later."""
    until: date | None = None
    """Last day on which it holds as an approval."""


@dataclass(frozen=True, slots=True)
class Sealed:
    """What the seals of a dossier say of it."""

    faults: tuple[str, ...] = ()
    """Where they do not hold, or are not those of the people who signed off."""
    unproven: str = ""
    """Why those who are trusted do not vouch for all of it; empty where nobody was named."""
    seals: tuple["Seal", ...] = ()

    @property
    def test(self) -> bool:
        """Return whether test identities sealed it."""
        return any(each.test for each in self.seals)


def reading_of(decision: str, standing: str) -> str:
    """Return the decision in words that cannot be taken for more than it is.

    Only a dossier signed off in full, intact and not over reads as its decision.
    """
    if standing == EXPIRED:
        return expired(decision)
    if standing == RECALLED:
        return f"recalled: was {decision}"
    return decision if standing == SIGNED_OFF else f"{standing}: would be {decision}"


def as_of(standing: Standing, today: date | None) -> Standing:
    """Return how a dossier stands on a day: sign-offs may lie ahead of it, approvals behind."""
    if today is None or standing.word != SIGNED_OFF:
        return standing
    if Days(date.min, today=today, ahead=ZONES).to_come(standing.signed_on):
        remark = f"signed off, or issued, on {standing.signed_on}, a day that has not come"
        return replace(standing, word=DRAFT, remark=remark)
    return replace(standing, word=EXPIRED) if over(APPROVES[0], standing.until, today) else standing


def standing_of(dossier: DossierFile, sealed: Sealed | None = None) -> Standing:
    """Return whether the decision of `dossier` stands, from its own bytes alone.

    `sealed` is what `seals_of` returned for it, where that is known already.

    The claims of decision.json are not enough: the decision must follow from its findings, its
    seals must hold, and each sign-off is judged again, against the digest of the attached
    decision, its role, order and dates.  The day it is is left to the reader; the numbers are the
    business of verification.
    """
    sealed = sealed or seals_of(dossier)
    if faults := [*dossier.faults, *sealed.faults, *_contradictions(dossier)]:
        more = f" (and {len(faults) - 1} more)" if len(faults) > 1 else ""
        return Standing(NOT_INTACT, faults[0] + more)
    decision = dossier.decision
    claims = (None, decision.decision, expired(decision.decision))  # that it stands, or did
    if decision.signed is not True or decision.standing not in claims:
        return Standing(DRAFT)
    state = sign_offs(dossier)
    objection = _objection(dossier, state) if state else "the sign-offs cannot be read"
    if state is None or objection:
        return Standing(DRAFT, f"says it is signed off, but {objection}")
    note = "sealed by test identities, which prove nothing" if sealed.test else ""
    days = [dossier.issued, *(each.date for each in state.signed)]
    return Standing(SIGNED_OFF, note, max(days), state.until)


def seals_of(dossier: DossierFile, trust: "Trust | None" = None) -> Sealed:
    """Return what the seals of a dossier say: their mathematics, and whose they are.

    Where `trust` names anybody, all roles must be sealed by them.
    """
    asked = trust is not None and trust.given
    unsealed = Sealed(unproven="no digital signature" if asked else "")
    if dossier.pdf is None:
        return unsealed
    from dossier.record.seals import read_seals

    try:
        seals = read_seals(dossier.pdf, trust)
        if not seals:
            return unsealed
    except NotADossierError as error:
        return Sealed((f"its seals cannot be read: {error}",))
    state = sign_offs(dossier)
    if state is None:
        return Sealed(("its sign-offs cannot be read",))
    faults = [f"{each.field}: {each.problem}" for each in seals if not each.sound]
    faults += mismatches(seals, state)
    unproven = _unproven(seals, state) if asked else ""
    return Sealed(tuple(faults), unproven, seals)


def _unproven(seals: Sequence["Seal"], state: SignOff) -> str:
    """Return the first seal that nobody who is trusted vouches for, or that lacks."""
    for each in seals:
        if not each.trusted:
            return f"{each.field}: the certificate of {each.signer!r} {each.distrust}"
    given = {each.field for each in seals}
    lacking = [role for role in state.roles if field_name(role) not in given]
    return f"nobody has sealed it as {lacking[0]}" if lacking else ""


def _contradictions(dossier: DossierFile) -> Iterator[str]:
    """Yield where decision.json contradicts itself, or what it was made from."""
    from dossier.decision.rules import Verdict, worst_of

    decision, asked = dossier.decision, list(dossier.decision.by_application)
    rows = {
        mark: [(Verdict(f.verdict), f.severity == "mandatory", bool(f.concession)) for f in own]
        for mark, _, own in asked
    }
    follows = worst_of(rows, conditional=bool(decision.conditions)).value
    if sum(map(len, rows.values())) != len(decision.findings):
        yield "a finding is of none of its applications, or of two"
    if follows != decision.decision:
        yield f"its findings give {follows!r}, not {decision.decision!r}"
    yield from _unasked(dossier)
    for _, rule, own in asked:
        for each in own:
            if each.passes_beyond(rule):
                yield f"{each.requirement}: passes, though its own numbers do not"
    yield from _not_given(dossier)
    told = dossier.document.get("signoff")
    with suppress(ValueError):  # where they cannot be read they do not hold
        attached = _signers([vars(each) for each in _entries(dossier)])
        if isinstance(told, dict) and _signers(told.get("signed")) != attached:
            yield "its decision.json tells of other sign-offs than are attached"


def _signers(given: Any) -> list[tuple[str, ...]]:
    """Return role, name and day of each sign-off, in some order; those that can be read."""
    rows = [each for each in given if isinstance(each, dict)] if isinstance(given, list) else []
    return sorted(tuple(str(row.get(key)) for key in ("role", "name", "date")) for row in rows)


def _entries(dossier: DossierFile) -> tuple[SignOffEntry, ...]:
    """Return the sign-offs that are attached; ValueError where they cannot be read."""
    content = dossier.files.get(f"{dossier.case_name}/{SIGNOFF_FILE}")
    return SignOffFile.model_validate(parse_toml(content)).signed if content else ()


def _not_given(dossier: DossierFile) -> Iterator[str]:
    """Yield which concessions, and which end, are not those of the attached case."""
    decision = dossier.decision
    try:
        (covered, granted), end = _conceded(dossier), end_of(dossier)
    except (ValueError, TypeError, AttributeError, RecursionError):
        yield "its concessions cannot be read"
        return
    given = {(each.requirement, each.text) for each in covering(covered, granted, dossier.issued)}
    for requirement, _ in sorted(covered - given):
        yield f"{requirement}: is covered by a concession that its case.toml does not give"
    last = end.isoformat() if end else None
    if decision.decision in APPROVES and dossier.document.get("valid_until", last) != last:
        yield "it states another end than its concessions and its review give"


def _unasked(dossier: DossierFile) -> Iterator[str]:
    """Yield where the findings are not those of the attached requirements."""
    if dossier.application is None:
        return
    asked = [row for mark, each in dossier.applied.items() for row in _requirements(mark, each)]
    given = [(each.requirement, each.severity) for each in dossier.decision.findings]
    if sorted(map(str, asked)) != sorted(map(str, given)):
        yield "its findings are not those of the requirements in its application.toml"


def _requirements(mark: str, application: Mapping[str, Any]) -> Iterator[tuple[str, Any]]:
    """Yield id and severity of what an application asks, under its mark."""
    for each in tables(application, "requirement"):
        yield f"{mark} {each.get('id')}".lstrip(), each.get("severity")
    duty = application.get("duty")
    if isinstance(duty, dict) and duty.get("life_factor") is not None:
        yield f"{mark} {LIFE}".lstrip(), "mandatory"


def end_of(dossier: DossierFile) -> date | None:
    """Return the last day on which the decision holds as an approval; None where none is set.

    Raises ValueError, TypeError or AttributeError where what it rests on cannot be read.
    """
    covered, granted = _conceded(dossier)
    decision = dossier.decision
    ends: list[Concession | Carried] = [*covering(covered, granted, dossier.issued)]
    ends += [Carried.model_validate(e) for e in (dossier.case or {}).get("carried", ())]
    return valid_until(decision.decision, ends, decision.case.review_due)


def _conceded(dossier: DossierFile) -> tuple[set[tuple[str, str]], list[Concession]]:
    """Return what concessions cover by decision.json, and the concessions of the case."""
    granted = (dossier.case or {}).get("concession", ())
    covered = {
        (each.requirement, each.concession)
        for each in dossier.decision.findings
        if each.severity == "mandatory" and each.concession
    }
    return covered, [Concession.model_validate(each) for each in granted]


def _objection(dossier: DossierFile, state: SignOff) -> str:
    """Return why the sign-offs do not carry the decision; empty when they do."""
    if state.complete:
        return ""
    if f"{dossier.case_name}/signoff.toml" not in dossier.files:
        return "no sign-offs are attached"
    void = next((each for each in state.signed if not each.holds), None)
    return f"{void.role}: {void.note}" if void else f"nobody has signed as {state.missing[0]}"


def sign_offs(dossier: DossierFile, today: date | None = None) -> SignOff | None:
    """Return the sign-offs as the attached files carry them, judged again; on a day, if given.

    None where they cannot be read.
    """
    try:
        return _sign_offs(dossier, today)
    except (ValueError, KeyError, TypeError, AttributeError, RecursionError):
        return None


def _sign_offs(dossier: DossierFile, today: date | None) -> SignOff:
    raw, end = dossier.case or {}, end_of(dossier)
    asked = SignOffRules.model_validate(raw["signoff"]).roles if "signoff" in raw else ROLES
    roles = needed_roles(asked, dossier.decision.decision)
    days = Days(_last_told(dossier, raw), end, today, dossier.issued, ZONES)
    return state_of(_entries(dossier), roles, dossier.document, days, end)


def _last_told(dossier: DossierFile, case: Mapping[str, Any]) -> date:
    """Return what `signoff.last_told` does."""
    days = [entry.get("finished") or entry["tested"] for entry in case["record"]]
    agreed = (*tables(case, "deviation"), *tables(case, "concession"))
    days += [entry["agreed"] for entry in agreed]
    days += [asked["issued"] for asked in dossier.applied.values() if "issued" in (asked or {})]
    plain = [day for day in days if type(day) is date]
    if len(plain) != len(days):
        raise ValueError("a record without its date")
    return max(plain)


def mismatches(seals: Sequence["Seal"], signoff: SignOff) -> Iterator[str]:
    """Yield where seals are not those of the people who signed off, in their order."""
    given = {field_name(each.role): each for each in signoff.signed}
    order = [field_name(role) for role in signoff.roles]
    for seal in seals:
        if seal.sound and seal.field not in given:
            yield f"{seal.field}: sealed without a sign-off for it"
        elif seal.sound:
            signed = given[seal.field]
            if not same_name(seal.signer, signed.name):
                yield f"{seal.field}: sealed by {seal.signer!r}, signed off by {signed.name!r}"
            if seal.meaning != signed.meaning:
                yield f"{seal.field}: sealed for another meaning than was signed off"
    places = [order.index(seal.field) for seal in seals if seal.field in order]
    if places != list(range(len(places))):
        yield "the seals were not made in the order of the roles"
    times = [seal.claimed for seal in seals if seal.claimed]
    if times != sorted(times):
        yield "the times that the seals state are not in the order of sealing"
    keys = [seal.key for seal in seals if seal.key]
    if len(set(keys)) != len(keys):
        yield "one key has sealed in more than one role"
    yield from _out_of_days(seals, signoff)


def _out_of_days(seals: Sequence["Seal"], signoff: SignOff) -> Iterator[str]:
    """Yield which seals say that they were made before all had signed off, or after the end."""
    last = max((each.date for each in signoff.signed), default=date.min)
    end = signoff.until or date.max - ZONES
    for seal in seals:
        day = date.fromisoformat(seal.claimed[:10]) if seal.claimed else last
        if day + ZONES < last:
            yield f"{seal.field}: says that it was made on {day}, before the sign-off of {last}"
        if day > end + ZONES:
            yield f"{seal.field}: says that it was made on {day}; the approval ended on {end}"
