"""Sign-off bound to content: what is signed, by whom, and whether it still holds."""

import hashlib
import re
import unicodedata
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from functools import partial
from typing import Any

from dossier.case.agreed import SIGNOFF_FILE, SignOffEntry
from dossier.case.case import Case
from dossier.case.problems import CaseError, refusal
from dossier.case.seen import names_somebody, plain
from dossier.case.toml_text import problems_in, toml_text
from dossier.decision.conditions import APPROVES, expired, over
from dossier.decision.finding import Assessment
from dossier.decision.rules import Decision
from dossier.report.signing import MEANINGS, ROLES, Signed, SignOff, role_text
from dossier.words import say, speaking

LEFT_OUT = ("schema", "versions", "signed", "standing", "signoff", "expired")
"""Parts of decision.json that a sign-off is not bound to.

The last four are the sign-off itself and what time makes of it.  Versions are left out on purpose:
people sign what was asked, what was found and what was decided, not the edition of a library.  A
newer version that gives the same numbers leaves a sign-off standing; one that moves a number voids
it, since the findings carry ten significant digits.
"""
SAID: Mapping[str, tuple[str, ...]] = {
    "cautions": ("title", "text"),
    "checks": ("limit", "found", "standard"),
    "components": ("source",),
    "conditions": ("text",),
    "findings": ("text", "at", "source", "reason", "notes"),
}
"""Part of decision.json -> what of it is said in the language of the case.

A sign-off is bound to numbers, verdicts, outcomes and inputs, not to the sentences that say them:
the same case in another language, or with a sentence put better, is what was signed.
"""

ZONES = timedelta(1)
"""Elsewhere it may be tomorrow: so far ahead of the day here what others made may be dated."""
_HEAD = (
    "# Written by 'dossier sign'. Each entry is bound by its digest to the inputs and findings it\n"
    "# was given for: a change of either voids it visibly. A name or a meaning that is changed\n"
    "# in this file is caught by the seals alone.\n"
)


def content_digest(document: Mapping[str, Any], *, folder: bool = False) -> str:
    """Return the SHA-256 that sign-offs are bound to, in hexadecimal.

    `document` is the content of decision.json: digests of all inputs, requirements, findings,
    checks, decision, conditions and date of issue; `LEFT_OUT` and `SAID` say what is not bound, and
    of a file under `stated` what it states is, not its bytes.  Files of the case are bound by their
    names within its folder, others by all of theirs; with `folder` all are, as once was the rule.
    Hashed is its canonical form after RFC 8785.
    """
    import rfc8785

    bound = {key: _unsaid(value, key) for key, value in document.items() if key not in LEFT_OUT}
    if stated := bound.pop("stated", None):
        bound["inputs"] = bound["inputs"] | stated
        home = next(iter(stated)).removesuffix("case.toml")
        bound |= {} if folder else _within(home, bound["inputs"], bound["records"])
    return hashlib.sha256(rfc8785.dumps(bound)).hexdigest()


def _within(home: str, inputs: Mapping[str, str], records: Sequence[Any]) -> dict[str, Any]:
    """Return inputs and records without the name of the case's folder, those of it apart."""
    own = {name for name in inputs if name.startswith(home)}
    files = (re.sub(f"^{re.escape(home)}", "./", row["file"]) for row in records)
    return {
        "inputs": {name: inputs[name] for name in inputs if name not in own},
        "own": {name.removeprefix(home): inputs[name] for name in own},
        "records": [row | {"file": file} for row, file in zip(records, files, strict=True)],
    }


def _unsaid(value: Any, part: str) -> Any:
    """Return a part of decision.json without its sentences."""
    if isinstance(value, Mapping):
        said = SAID.get(part, ())
        return {key: _unsaid(each, key) for key, each in value.items() if key not in said}
    if isinstance(value, list | tuple):
        return [_unsaid(each, part) for each in value]
    return value


def required_roles(case: Case, assessment: Assessment) -> tuple[str, ...]:
    """Return the roles that must sign, in order: the case's, else the usual three."""
    rules = case.qualification.signoff
    return needed_roles(rules.roles if rules else ROLES, assessment.decision.value)


def needed_roles(asked: Sequence[str], decision: str) -> tuple[str, ...]:
    """Return the roles that must sign where a case asks for some, in order.

    A decision that rests on a condition needs the approver, whatever the case asks for.
    """
    conditional = decision == Decision.APPROVED_WITH_CONDITIONS.value
    return (*asked, *(["approved"] if conditional and "approved" not in asked else []))


def last_test(case: Case) -> date:
    """Return the day on which the last test of the case ended."""
    return max(entry.finished or entry.tested for entry in case.qualification.record)


def last_told(case: Case) -> date:
    """Return the last day that a case tells of: of a test, an agreement, or what is asked."""
    said = case.qualification
    agreed = [*(each.agreed for each in said.deviation), *(e.agreed for e in said.concession)]
    return max([last_test(case), *agreed, *(part.application.issued for part in case.each)])


def sign_off_state(
    case: Case, assessment: Assessment, document: Mapping[str, Any], today: date | None = None
) -> SignOff:
    """Return who has signed this case, whether each sign-off holds for `document`, what is over.

    Without `today`, as on the day of issue.
    """
    days = days_of(case, assessment, date.fromisoformat(document["case"]["issued"]), today)
    with speaking(case.qualification.language):
        roles = required_roles(case, assessment)
        return state_of(case.signed, roles, document, days, assessment.valid_until)


def state_of(
    entries: Sequence[SignOffEntry],
    roles: Sequence[str],
    document: Mapping[str, Any],
    days: "Days",
    end: date | None,
) -> SignOff:
    """Return sign-offs judged for a document and the roles it needs; `end` is its last day.

    Those that were given when the name of the folder was bound too hold as they did.
    """
    digest, given = content_digest(document), {each.digest for each in entries}
    if given and digest not in given:
        before = content_digest(document, folder=True)
        digest = before if before in given else digest
    signed = judge_sign_offs(entries, roles, digest, days)
    ended = over(document["decision"], end, days.today)
    return SignOff(signed=signed, roles=tuple(roles), digest=digest, until=days.until, ended=ended)


@dataclass(frozen=True, slots=True)
class Days:
    """The days between which a sign-off may be given."""

    tested: date
    """Day on which the last test ended, or the last was agreed of what is signed."""
    until: date | None = None
    """Last day on which the approval holds; None where it has none, or nothing is approved."""
    today: date | None = None
    """Day on which it is judged; None where the clock does not count."""
    issued: date | None = None
    """Day of issue of what is signed."""
    ahead: timedelta = timedelta()
    """How far ahead of `today` either may lie."""

    def to_come(self, day: date | None) -> bool:
        """Return whether a day has not come."""
        return day is not None and self.today is not None and day > self.today + self.ahead


def days_of(case: Case, assessment: Assessment, issued: date, today: date | None = None) -> Days:
    """Return the days between which a sign-off of a case may be given."""
    until = assessment.valid_until if assessment.decision in APPROVES else None
    return Days(last_told(case), until, today, issued)


def judge_sign_offs(
    entries: Sequence[SignOffEntry], roles: Sequence[str], digest: str, days: Days
) -> tuple[Signed, ...]:
    """Return each sign-off with whether it holds for content of `digest`, and why not if not.

    A sign-off holds when it is bound to this content, its role is asked for, all earlier roles
    hold, it is not dated before them or outside of `days`, and the approver is not the preparer.
    """
    by_role = {entry.role: entry for entry in entries}
    found: list[Signed] = []
    for role in [r for r in dict.fromkeys((*roles, *by_role)) if r in by_role]:
        entry, held = by_role[role], [each for each in found if each.holds]
        note, cure = _objection(entry, held, roles, digest, days)
        found.append(Signed(**vars(entry), holds=not note, note=note, cure=cure))
    return tuple(found)


ANOTHER = "another person has to sign, by the whole name"
_refused = partial(refusal, SIGNOFF_FILE)


def _objection(
    entry: SignOffEntry, held: Sequence[Signed], roles: Sequence[str], digest: str, days: Days
) -> tuple[str, str]:
    """Return why a sign-off does not hold, empty when it does, and what cures it."""
    if entry.role not in roles:
        return say("this case asks for no sign-off {role!r}", role=role_text(entry.role)), ANOTHER
    if not names_somebody(entry.name):
        return say("its name names nobody"), "name the person who signs"
    if entry.digest != digest:
        return say("inputs or findings have changed since it was given"), ANOTHER
    before = roles[: roles.index(entry.role)]
    absent = [role for role in before if role not in {each.role for each in held}]
    if absent:
        words = say("no sign-off {role!r} stands before it", role=role_text(absent[0]))
        return words, f"sign in this order: {', '.join(roles)}"
    if entry.date < max([days.tested, *(each.date for each in held)]):
        words = say("it is dated before a test, an agreement or a sign-off that precedes it")
        return words, "give a later --date"
    if days.to_come(entry.date):
        return say("it is dated on a day that has not come"), "give an earlier --date"
    if days.to_come(days.issued):
        words = say("it is for an issue on {day}, a day that has not come", day=days.issued)
        return words, "give an earlier day of issue"
    if days.until is not None and entry.date > days.until:
        words = say("it is dated after {until}, when the approval ended", until=days.until)
        return words, "agree on a new end in case.toml, and decide again"
    first = "prepared" if "prepared" in roles else roles[0]
    last = "approved" if "approved" in roles else roles[-1]
    preparer = next((each for each in held if each.role == first), None)
    if preparer and entry.role == last and same_person(preparer.name, entry.name):
        return say("its name may be that of the preparer"), ANOTHER
    return "", ""


def same_person(one: str, other: str) -> bool:
    """Return whether two names are, or may be, those of one person.

    All words of one are then words of the other: a title, a further name or a remark tells nobody
    apart, and an initial is any word that begins with it.  Looked away from are case, the order of
    the words and what stands between them, marks on letters, and letters that look like others
    (UTS 39), before and after case is taken away: "I" looks like "l", "i" does not.
    """
    quick = [_words(each.casefold().translate(_ALIKE)) for each in (one, other)]
    if one.isascii() and other.isascii() and not _may_be_one(*quick):
        return False
    seen = [(_looks(plain(each)), plain(_looks(each))) for each in (one, other)]
    return any(_may_be_one(*map(_words, pair)) for pair in zip(*seen, strict=True))


_ALIKE = str.maketrans({"i": "l", "1": "l", "|": "l", "0": "o", "m": "rn"})
"""Plain letters that look like others: what the whole table, which is long, has of them."""
_TWO_WAYS = (r"\(.*?\)", ""), (r"(?<=[aou])e|(?<=a)a", "")
"""What a name may be written with or without: a remark, and the second letter of an umlaut."""


def _words(name: str) -> list[str]:
    """Return the words of a name; what follows a comma is left out where a whole name precedes."""
    bare = "".join(c for c in unicodedata.normalize("NFKD", name) if not unicodedata.combining(c))
    for pattern, new in _TWO_WAYS:
        bare = re.sub(pattern, new, bare.translate({0xF8: "o", 0xE6: "a", 0x142: "l"})) or bare
    before, after = (re.findall(r"[^\W_]+", part) for part in bare.partition(",")[::2])
    return before if len(before) > 1 else before + after


def _may_be_one(one: list[str], other: list[str]) -> bool:
    short, long = sorted((one, other), key=len)
    if "".join(short) == "".join(long):
        return True
    return all(any(_stands_for(word, each) for each in long) for word in short)


def _stands_for(one: str, other: str) -> bool:
    initial = min(len(one), len(other)) == 1 and one[0] == other[0] and one[0].isalpha()
    return one == other or initial


def same_name(one: str, other: str) -> bool:
    """Return whether two names are the same to the letter: what only looks alike is another.

    Apart from case, full stops and hidden marks, marks such as an apostrophe may differ in form.
    """
    first, second = (plain(_looks(each, marks=True), as_written=True) for each in (one, other))
    return first == second


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
    """Return how the dossier stands: as its decision reads once signed off, "draft" before."""
    return reads(decision, signoff) if signoff.complete else "draft"


def reads(decision: str, signoff: SignOff) -> str:
    """Return a decision as it reads on the day of `signoff`: what approves may be over."""
    return expired(decision) if signoff.ended and decision in APPROVES else decision


def add_sign_off(
    case: Case, signoff: SignOff, entry: SignOffEntry, days: Days
) -> tuple[SignOffEntry, ...]:
    """Return the sign-offs of the case with `entry` added, in the order of the roles.

    `signoff` is the present state for the same content.  An entry of the same role is replaced
    if it no longer holds.  Raises CaseError where the new one would not hold: unknown role, out
    of order, dated outside of `days`, approver and preparer the same person, or already signed;
    and where the approval is over.
    """
    if days.until is not None and days.today is not None and days.today > days.until:
        what = f"cannot be signed: the approval ended on {days.until.isoformat()}"
        raise _refused(entry.role, what, "agree on a new end in case.toml, and decide again")
    if entry.role not in signoff.roles:
        raise _refused(entry.role, "is no role of this case", f"roles: {', '.join(signoff.roles)}")
    names = {each.role: each.name for each in signoff.signed if each.holds}
    if who := names.get(entry.role):
        raise _refused(entry.role, f"is signed by {who!r} and holds", "nothing is left to sign")
    others = [each for each in case.signed if each.role != entry.role]
    judged = judge_sign_offs([*others, entry], signoff.roles, signoff.digest, days)
    mine = next(each for each in judged if each.role == entry.role)
    if not mine.holds:
        raise _refused(entry.role, f"cannot be signed: {mine.note}", mine.cure)
    order = [*signoff.roles, *(each.role for each in others)]
    return tuple(sorted([*others, entry], key=lambda each: order.index(each.role)))


def signed_entry(given: Mapping[str, object], digest: str) -> SignOffEntry:
    """Return a sign-off bound to `digest` from role, name, date and optionally meaning.

    The usual meaning of a role is said in the language spoken now.
    Raises CaseError where one of them is missing or not well formed.
    """
    from pydantic import ValidationError

    role = str(given.get("role", ""))
    meaning = given.get("meaning") or say(MEANINGS.get(role, ""))
    if not meaning:
        meant = f"did you mean {role.lower()!r}?" if role.lower() in MEANINGS else ""
        cure = meant or "say what this signature means: --meaning"
        raise _refused(role, "has no usual meaning", cure)
    values = {**given, "meaning": meaning, "digest": digest}
    try:
        return SignOffEntry.model_validate(values)
    except ValidationError as error:
        raise CaseError(problems_in(SIGNOFF_FILE, error, SignOffEntry, values)) from None


def signoff_toml(entries: Iterable[SignOffEntry]) -> bytes:
    """Return signoff.toml: one table a sign-off."""
    return (_HEAD + toml_text({"signed": [entry.model_dump() for entry in entries]})).encode()
