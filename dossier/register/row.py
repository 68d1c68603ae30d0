"""One dossier of a register as a flat row, and which of several dossiers is current."""

import hashlib
import json
import re
import unicodedata
from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, fields, replace
from datetime import date
from typing import Any

from dossier.record.dossier_file import DossierFile
from dossier.record.standing import (
    DRAFT,
    EXPIRED,
    NOT_INTACT,
    NOT_PROVEN,
    SIGNED_OFF,
    Sealed,
    Standing,
    as_of,
    read_as,
    standing_of,
)

KINDS = {
    "instrument": "Instruments",
    "certificate": "Certificates",
    "lot": "Lots",
    "specimen": "Specimens",
    "laboratory": "Laboratories",
    "standard": "Standards",
    "fluid": "Fluids",
    "requirement": "Requirements",
    "source": "Sources of requirements",
    "record": "Records",
    "filter": "",
    "equipment": "",
}
"""What can be asked for, with its heading below a dossier: the last two have their own columns.

`source` is the document that a requirement was taken from.
"""

BY_STEM = ("standard", "source", "certificate")
"""Kinds found by their beginning too: "ISO 4548-12" finds "ISO 4548-12:2017"."""


_DESIGNATION = re.compile(
    r"\b(?:ISO(?:/[A-Z]+)?|IEC|EN|DIN|ASTM|SAE|JCGM|ILAC)[ -][A-Z]{0,2}\d[\d.-]*(?::\d{4})?"
)
"""A standard as checks cite it, without clause and provenance."""


@dataclass(frozen=True, slots=True, order=True)
class Rest:
    """One thing that a decision rests on."""

    kind: str
    value: str
    requirements: tuple[str, ...]
    """Requirements whose findings use it; empty where it is listed but no finding uses it."""


def folded(text: str) -> str:
    """Return text for comparison: without case, forms of characters and runs of space."""
    return " ".join(unicodedata.normalize("NFKC", text).casefold().split())


def unread_inputs(dossier: DossierFile) -> str:
    """Return why it is not fully known what this decision rests on; empty when it is."""
    if dossier.case is None:
        return "its case.toml cannot be read"
    return "its application.toml cannot be read" if dossier.application is None else ""


def rests_on(dossier: DossierFile) -> tuple[Rest, ...]:
    """Return everything that the decision rests on, each with the requirements concerned.

    What is only listed (an instrument that no record used) is returned too: to look once too
    often does no harm.
    """
    users: dict[tuple[str, str], set[str]] = defaultdict(set)
    for kind, value, requirements in (*_of_case(dossier), *_of_decision(dossier)):
        if value.strip():
            users[kind, " ".join(value.split())] |= set(requirements)
    return tuple(sorted(Rest(*key, tuple(sorted(ids))) for key, ids in users.items()))


_Use = tuple[str, str, Iterable[str]]


def _of_decision(dossier: DossierFile) -> Iterator[_Use]:
    decision = dossier.decision
    everything = [finding.requirement for finding in decision.findings]
    for finding in decision.findings:
        yield "requirement", finding.requirement, [finding.requirement]
        yield "source", finding.source, [finding.requirement]
    yield "filter", decision.case.candidate, everything
    yield "filter", decision.case.reference or "", _with_reference(dossier)
    own = {mark: [f.requirement for f in found] for mark, _, found in decision.by_application}
    for asked in decision.applications:
        yield from (("equipment", each, own[asked.mark]) for each in asked.equipment)
    if not decision.applications:
        yield from (("equipment", each, everything) for each in decision.application.equipment)
    users = _users(dossier)
    for check in decision.checks:
        for standard in _DESIGNATION.findall(check.standard) or [check.standard]:
            yield "standard", standard, users[check.record]


def _of_case(dossier: DossierFile) -> Iterator[_Use]:
    case = dossier.case or {}
    users = _users(dossier)
    by_instrument: dict[str, set[str]] = defaultdict(set)
    by_laboratory: dict[str, set[str]] = defaultdict(set)
    for record in _tables(case, "record"):
        used = users[_text(record, "id")]
        for identifier in _texts(record, "instruments"):
            by_instrument[identifier] |= used
            yield "instrument", identifier, used
        by_laboratory[_text(record, "laboratory")] |= used
        for kind in ("laboratory", "standard", "fluid", "specimen"):
            yield kind, _text(record, kind), used
        yield "record", _text(record, "id"), used
    for each in _tables(case, "instrument"):
        used = by_instrument[_text(each, "id")]
        yield "instrument", _text(each, "id"), used
        yield "certificate", _text(each, "certificate"), used
    for each in _tables(case, "laboratory"):
        used = by_laboratory[_text(each, "id")]
        yield "laboratory", _text(each, "id"), used
        yield "laboratory", _text(each, "name"), used
    yield from (("fluid", _text(each, "id"), ()) for each in _tables(case, "fluid"))
    yield from _lots(dossier, case)
    for asked in dossier.applied.values():
        yield "fluid", _text(_table(asked or {}, "oil"), "description"), ()


def _lots(dossier: DossierFile, case: Mapping[str, Any]) -> Iterator[_Use]:
    everything = [finding.requirement for finding in dossier.decision.findings]
    compared = _with_reference(dossier)
    for side, used in (("candidate", everything), ("reference", compared)):
        yield from (("lot", lot, used) for lot in _texts(_table(case, side), "lots"))
        yield from (("specimen", each, ()) for each in _texts(_table(case, side), "specimens"))
        own = [each for each in _tables(case, "specimen") if _text(each, "filter") == side]
        yield from (("lot", _text(each, "lot"), used) for each in own)


def _users(dossier: DossierFile) -> Mapping[str, set[str]]:
    """Return record -> requirements whose findings use it."""
    users: dict[str, set[str]] = defaultdict(set)
    for finding in dossier.decision.findings:
        for record in finding.rests_on_records():
            users[record].add(finding.requirement)
    return users


def _with_reference(dossier: DossierFile) -> list[str]:
    """Return the requirements that are decided against the filter now fitted."""
    return [
        finding.requirement
        for finding in dossier.decision.findings
        if finding.limit.not_worse_than_reference is not None
    ]


def _tables(document: Mapping[str, Any], key: str) -> list[Mapping[str, Any]]:
    found = document.get(key)
    return [each for each in found if isinstance(each, dict)] if isinstance(found, list) else []


def _table(document: Mapping[str, Any], key: str) -> Mapping[str, Any]:
    found = document.get(key)
    return found if isinstance(found, dict) else {}


def _text(document: Mapping[str, Any], key: str) -> str:
    found = document.get(key)
    return found if isinstance(found, str) else ""


def _texts(document: Mapping[str, Any], key: str) -> list[str]:
    found = document.get(key)
    return [each for each in found if isinstance(each, str)] if isinstance(found, list) else []


CONFLICT = "in conflict"
_WORD = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]*")
_REVISION = re.compile(r"[\s,]*(?:r|rev\.?|revision)\s*(\d{1,4})\b", re.IGNORECASE)
_JOINED = re.compile(r"(.+)-r(\d{1,4})", re.IGNORECASE)


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """A dossier as the register holds it."""

    sha256: str
    size: int
    content: str
    """SHA-256 of its manifest: the same for two files with the same attachments."""
    file: str
    """Path relative to the folder of the register, with forward slashes."""
    number: str
    revision: int
    title: str
    candidate: str
    reference: str
    application: str
    application_revision: str
    equipment: str
    """Names of the equipment, joined for display."""
    issued: str
    review_due: str
    valid_until: str
    """Last day on which an approval holds: its review or, before that, the end of a concession."""
    signed_on: str
    """Day of the last sign-off; these four are ISO dates, empty where there is none."""
    replaces: str
    found: str
    """The decision that was computed; never shown without `standing`."""
    standing: str
    """"signed off", "draft" or "not intact"; as it reads also "expired" or "not proven"."""
    remark: str
    """Why it does not stand, or what else a reader must know."""
    unread: str
    """Why it is not fully known what it rests on; empty when it is."""
    unproven: str = ""
    """Why those whom the reader trusts do not vouch for it; empty where nobody was named."""
    superseded_by: str = ""
    conflict: bool = False
    """Whether another dossier carries the same number and revision with equal right."""

    @property
    def current(self) -> bool:
        """Return whether no later dossier has taken its place."""
        return not self.superseded_by

    @property
    def decision(self) -> str:
        """Return the decision as it reads: the bare word only if it stands and is current."""
        if self.conflict:
            return read_as(self.found, CONFLICT)
        if self.current:
            return read_as(self.found, self.standing)
        if self.standing in (SIGNED_OFF, EXPIRED):
            return f"superseded: was {self.found}"
        return read_as(self.found, f"{self.standing}, superseded")

    @property
    def name(self) -> str:
        """Return number and revision."""
        return f"{self.number} r{self.revision}"


FACTS = tuple(
    each.name
    for each in fields(Row)
    if each.name not in {"file", "unproven", "superseded_by", "conflict"}
)
"""What a row says of a dossier by its bytes alone, whatever lies beside it and whoever reads it."""


def row_digest(row: Row, rests: Iterable[Rest]) -> str:
    """Return the SHA-256 of the facts of a row and of what the dossier rests on.

    Over JSON in ASCII with sorted keys and no white space.
    """
    document = {name: getattr(row, name) for name in FACTS}
    document["rests"] = [[each.kind, each.value, each.requirements] for each in rests]
    text = json.dumps(document, sort_keys=True, separators=(",", ":"))
    return hashlib.sha256(text.encode()).hexdigest()


def on_day(row: Row, today: date) -> Row:
    """Return a row as it reads on a day, and for a reader who trusts whom he named."""
    if row.standing == SIGNED_OFF and row.unproven:
        return replace(row, standing=NOT_PROVEN, remark=row.unproven)
    signed, until = (
        date.fromisoformat(day) if day else None for day in (row.signed_on, row.valid_until)
    )
    now = as_of(Standing(row.standing, row.remark, signed, until), today)
    return replace(row, standing=now.word, remark=now.remark)


def row_of(dossier: DossierFile, sealed: Sealed, file: str) -> Row:
    """Return the row of `dossier`, found at `file`; whether it is current is settled later."""
    case, application = dossier.decision.case, dossier.decision.application
    standing = standing_of(dossier, sealed)
    return Row(
        sha256=dossier.sha256, size=len(dossier.pdf.data if dossier.pdf else b""),
        content=dossier.content, file=file,
        number=case.number, revision=case.revision, title=case.title,
        candidate=case.candidate, reference=case.reference or "",
        application=application.title, application_revision=application.revision,
        equipment="; ".join(application.equipment),
        issued=case.issued.isoformat(),
        review_due=case.review_due.isoformat() if case.review_due else "",
        valid_until=standing.until.isoformat() if standing.until else "",
        signed_on=standing.signed_on.isoformat() if standing.signed_on else "",
        replaces=case.replaces or "", found=dossier.decision.decision,
        standing=standing.word, remark=standing.remark, unread=unread_inputs(dossier),
        unproven=sealed.unproven,
    )  # fmt: skip


def settled(rows: Iterable[Row], extends: Callable[[Row, Row], bool]) -> tuple[Row, ...]:
    """Return the rows with `superseded_by` and `conflict` set, by number, revision and `replaces`.

    Only a dossier that stands takes the place of one that stands; a draft takes the place of
    earlier drafts only, and one that is not intact of none.  Of two with the same number and
    revision, the one that `extends` the other (the same bytes and more: signed since) is taken;
    else both are in conflict and neither reads as its decision.
    """
    fresh = [replace(row, superseded_by="", conflict=False) for row in rows]
    by_number: dict[str, list[Row]] = defaultdict(list)
    for row in fresh:
        by_number[row.number].append(row)
    taken = _replaced(fresh, by_number)
    return tuple(_settle(row, by_number[row.number], taken.get(row.sha256, ""), extends)
                 for row in fresh)  # fmt: skip


def _settle(
    row: Row, namesakes: Sequence[Row], replaced_by: str, extends: Callable[[Row, Row], bool]
) -> Row:
    others = [each for each in namesakes if each.sha256 != row.sha256]
    later = [each for each in others if each.revision > row.revision and _outranks(each, row)]
    if later:
        return replace(row, superseded_by=max(later, key=lambda each: each.revision).name)
    if replaced_by:
        return replace(row, superseded_by=replaced_by)
    if row.standing == NOT_INTACT:
        return row
    twins = sorted(
        (each for each in others if each.revision == row.revision and _outranks(each, row)),
        key=lambda each: each.sha256,
    )
    # What takes its place counts before what is only in conflict, in whatever order they came.
    for twin in twins:
        if not _outranks(row, twin) or extends(twin, row):
            return replace(row, superseded_by=f"{twin.name} ({twin.standing}, {twin.file})")
    for twin in twins:
        if not extends(row, twin):
            return replace(row, conflict=True, remark=f"{twin.file} carries the same number")
    return row


def _outranks(one: Row, other: Row) -> bool:
    """Return whether `one` may take the place of `other`, being later."""
    if one.standing in (SIGNED_OFF, EXPIRED):
        return other.standing != NOT_INTACT
    return one.standing == DRAFT and other.standing == DRAFT


def _replaced(rows: Sequence[Row], by_number: dict[str, list[Row]]) -> dict[str, str]:
    """Return digest -> name of the dossier that says it replaces it."""
    taken = {}
    for row in rows:
        for number, revision in _named(row.replaces, by_number):
            for old in by_number[number]:
                applies = revision is None or old.revision <= revision
                if number != row.number and applies and _outranks(row, old):
                    taken[old.sha256] = row.name
    return taken


def _named(text: str, known: dict[str, list[Row]]) -> list[tuple[str, int | None]]:
    """Return the dossiers of the register that a `replaces` names, with revision where given."""
    named: list[tuple[str, int | None]] = []
    for match in _WORD.finditer(text):
        word = match.group().rstrip(".-_")
        joined = _JOINED.fullmatch(word)
        if word in known:
            after = _REVISION.match(text, match.start() + len(word))
            named.append((word, int(after.group(1)) if after else None))
        elif joined and joined.group(1) in known:
            named.append((joined.group(1), int(joined.group(2))))
    return named
