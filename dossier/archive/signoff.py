"""Sign-off bound to content: what is signed, by whom, and whether it still holds."""

import hashlib
import json
import unicodedata
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

from dossier.case.case import Case
from dossier.case.explain import explain
from dossier.case.problems import CaseError, CaseProblem
from dossier.case.signoff_file import SIGNOFF_FILE, SignOffEntry
from dossier.decision.finding import Assessment
from dossier.report.signing import MEANINGS, ROLES, Signed, SignOff, role_text
from dossier.words import say, speaking

__all__ = [
    "LEFT_OUT",
    "add_sign_off",
    "content_digest",
    "judge",
    "last_test",
    "required_roles",
    "same_name",
    "same_person",
    "sign_off_state",
    "signed_entry",
    "signoff_toml",
    "standing",
]

LEFT_OUT = ("schema", "versions", "signed", "standing", "signoff")
"""Parts of decision.json that a sign-off is not bound to.

The last three are the sign-off itself.  Versions are left out on purpose: people sign what was
asked, what was found and what was decided, not the edition of a library.  A newer version that
gives the same numbers leaves a sign-off standing; one that moves a number voids it, since the
findings carry ten significant digits.
"""

_HEAD = (
    "# Written by 'dossier sign'. Each entry is bound by its digest to the inputs and findings it\n"
    "# was given for: a change of either voids it visibly. A name or a meaning that is changed\n"
    "# in this file is caught by the seals alone.\n"
)


def content_digest(document: Mapping[str, Any]) -> str:
    """Return the SHA-256 that sign-offs are bound to, in hexadecimal.

    `document` is the content of decision.json: digests of all inputs, requirements, findings,
    checks, decision, conditions and date of issue; `LEFT_OUT` says what is not bound.  Hashed is
    its canonical form after RFC 8785.
    """
    import rfc8785

    bound = {key: value for key, value in document.items() if key not in LEFT_OUT}
    return hashlib.sha256(rfc8785.dumps(bound)).hexdigest()


def required_roles(case: Case, assessment: Assessment) -> tuple[str, ...]:
    """Return the roles that must sign, in order: the case's, else the usual three.

    A decision that rests on a concession needs the approver, whatever the case asks for.
    """
    rules = case.qualification.signoff
    roles = rules.roles if rules else ROLES
    conceded = any(finding.concession for finding in assessment.findings)
    return (*roles, "approved") if conceded and "approved" not in roles else roles


def last_test(case: Case) -> date:
    """Return the day on which the last test of the case ended."""
    return max(entry.finished or entry.tested for entry in case.qualification.record)


def sign_off_state(case: Case, assessment: Assessment, document: Mapping[str, Any]) -> SignOff:
    """Return who has signed this case and whether each sign-off holds for `document`."""
    roles = required_roles(case, assessment)
    digest = content_digest(document)
    with speaking(case.qualification.language):
        signed = judge(case.signed, roles, digest, last_test(case))
    return SignOff(signed=signed, roles=roles, digest=digest)


def judge(
    entries: Sequence[SignOffEntry], roles: Sequence[str], digest: str, tested: date
) -> tuple[Signed, ...]:
    """Return each sign-off with whether it holds for content of `digest`, and why not if not.

    A sign-off holds when it is bound to this content, its role is asked for, all earlier roles
    hold, it is not dated before them or before the last test, and the approver is not the
    preparer.
    """
    judged = _judged(entries, roles, digest, tested)
    return tuple(_signed(entry, "" if why is None else why.note) for entry, why in judged)


@dataclass(frozen=True, slots=True)
class _Objection:
    """Why a sign-off does not hold, in words, and what cures it."""

    note: str
    cure: str = "another person has to sign"


def _judged(
    entries: Sequence[SignOffEntry], roles: Sequence[str], digest: str, tested: date
) -> Iterator[tuple[SignOffEntry, _Objection | None]]:
    by_role = {entry.role: entry for entry in entries}
    held: list[SignOffEntry] = []
    for role in (*roles, *(r for r in by_role if r not in roles)):
        if role not in by_role:
            continue
        entry = by_role[role]
        why = _objection(entry, held, roles, digest, tested)
        if why is None:
            held.append(entry)
        yield entry, why


def _signed(entry: SignOffEntry, note: str) -> Signed:
    return Signed(
        role=entry.role, name=entry.name, meaning=entry.meaning, date=entry.date,
        holds=not note, note=note, digest=entry.digest,
    )  # fmt: skip


def _objection(
    entry: SignOffEntry,
    held: Sequence[SignOffEntry],
    roles: Sequence[str],
    digest: str,
    tested: date,
) -> _Objection | None:
    """Return why a sign-off does not hold; None when it does."""
    if entry.role not in roles:
        words = say("this case asks for no sign-off {role!r}", role=role_text(entry.role))
        return _Objection(words)
    if entry.digest != digest:
        return _Objection(say("inputs or findings have changed since it was given"))
    before = roles[: roles.index(entry.role)]
    absent = [role for role in before if role not in {each.role for each in held}]
    if absent:
        words = say("no sign-off {role!r} stands before it", role=role_text(absent[0]))
        return _Objection(words, f"sign in this order: {', '.join(roles)}")
    if entry.date < max([tested, *(each.date for each in held)]):
        words = say("it is dated before the last test or before a sign-off that precedes it")
        return _Objection(words, "give a later --date")
    preparer = next((each for each in held if each.role == _preparer(roles)), None)
    if preparer and entry.role == _approver(roles) and same_person(preparer.name, entry.name):
        return _Objection(say("the approver is the preparer"))
    return None


def _preparer(roles: Sequence[str]) -> str:
    return "prepared" if "prepared" in roles else roles[0]


def _approver(roles: Sequence[str]) -> str:
    return "approved" if "approved" in roles else roles[-1]


def same_person(one: str, other: str) -> bool:
    """Return whether two names are, or only look, the same.

    Looked away from are case, spacing, full stops, hidden marks and letters that look like others
    (UTS 39), before and after case is taken away: "I" looks like "l", "i" does not.
    """
    if _looks(_plain(one)) == _looks(_plain(other)):
        return True
    return _plain(_looks(one)) == _plain(_looks(other))


def same_name(one: str, other: str) -> bool:
    """Return whether two names are the same to the letter: what only looks alike is another.

    Apart from what `same_person` looks away from, marks such as an apostrophe may differ in form.
    """
    return _plain(_looks(one, marks=True)) == _plain(_looks(other, marks=True))


def _plain(name: str) -> str:
    shown = (c for c in unicodedata.normalize("NFKC", name) if unicodedata.category(c) != "Cf")
    return " ".join("".join(shown).casefold().replace(".", " ").split())


def _looks(name: str, *, marks: bool = False) -> str:
    """Return a name with its characters, or its `marks` alone, as the usual ones they look like."""
    from confusable_homoglyphs.confusables import confusables_data

    def usual(letter: str) -> str:
        alike = [each["c"] for each in confusables_data.get(letter, ())]
        if len(alike) != 1 or (marks and letter.isalnum()):  # else the usual one of several
            return letter
        back = confusables_data.get(alike[0], ())
        return min(letter, alike[0]) if len(back) == 1 and len(alike[0]) == 1 else str(alike[0])

    return "".join(map(usual, unicodedata.normalize("NFKD", name)))


def standing(decision: str, signoff: SignOff) -> str:
    """Return how the dossier stands: its decision once signed off in full, else "draft"."""
    return decision if signoff.complete else "draft"


def add_sign_off(case: Case, signoff: SignOff, entry: SignOffEntry) -> tuple[SignOffEntry, ...]:
    """Return the sign-offs of the case with `entry` added, in the order of the roles.

    `signoff` is the present state for the same content.  An entry of the same role is replaced
    if it no longer holds.  Raises CaseError where the new one would not hold: unknown role, out
    of order, dated too early, approver and preparer the same person, or already signed.
    """
    if entry.role not in signoff.roles:
        raise _refused(entry.role, "is no role of this case", f"roles: {', '.join(signoff.roles)}")
    standing_ones = {each.role: each for each in signoff.signed if each.holds}
    if entry.role in standing_ones:
        who = standing_ones[entry.role].name
        raise _refused(entry.role, f"is signed by {who!r} and holds", "nothing is left to sign")
    others = [each for each in case.signed if each.role != entry.role]
    judged = _judged([*others, entry], signoff.roles, signoff.digest, last_test(case))
    why = next(why for each, why in judged if each.role == entry.role)
    if why is not None:
        raise _refused(entry.role, f"cannot be signed: {why.note}", why.cure)
    return tuple(sorted([*others, entry], key=lambda each: _place(each.role, signoff.roles)))


def signed_entry(given: Mapping[str, object], digest: str) -> SignOffEntry:
    """Return a sign-off bound to `digest` from role, name, date and optionally meaning.

    The usual meaning of a role is said in the language spoken now.
    Raises CaseError where one of them is missing or not well formed.
    """
    from pydantic import ValidationError

    role = str(given.get("role", ""))
    meaning = given.get("meaning") or say(MEANINGS.get(role, ""))
    if not meaning:
        cure = "say what this signature means: --meaning"
        if role.lower() in MEANINGS:
            cure = f"did you mean {role.lower()!r}?"
        raise _refused(role, "has no usual meaning", cure)
    values = {**given, "meaning": meaning, "digest": digest}
    try:
        return SignOffEntry.model_validate(values)
    except ValidationError as error:
        faults = explain(SIGNOFF_FILE, error, SignOffEntry, values)
        raise CaseError(faults) from None


def _place(role: str, roles: Sequence[str]) -> int:
    return roles.index(role) if role in roles else len(roles)


def _refused(role: str, what: str, hint: str) -> CaseError:
    return CaseError([CaseProblem(SIGNOFF_FILE, role, what, hint)])


def signoff_toml(entries: Iterable[SignOffEntry]) -> bytes:
    """Return signoff.toml: one table a sign-off."""
    parts = [_HEAD]
    for entry in entries:
        texts = ("role", entry.role), ("name", entry.name), ("meaning", entry.meaning)
        lines = [f"{key} = {json.dumps(value, ensure_ascii=False)}" for key, value in texts]
        lines += [f"date = {entry.date.isoformat()}", f'digest = "{entry.digest}"']
        parts.append("\n[[signed]]\n" + "\n".join(lines) + "\n")
    return "".join(parts).encode()
