"""One dossier of a register as a flat row, and which of several dossiers is current."""

import hashlib
import json
import re
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, fields, replace
from datetime import date

from dossier.case.seen import bare
from dossier.decision.conditions import APPROVES
from dossier.record.dossier_file import DossierFile
from dossier.record.recall import Recalled
from dossier.record.rests import Rest, unread_inputs
from dossier.record.standing import (
    DRAFT,
    EXPIRED,
    NOT_INTACT,
    NOT_PROVEN,
    RECALLED,
    SIGNED_OFF,
    Sealed,
    Standing,
    as_of,
    reading_of,
    standing_of,
)
from dossier.system.grouped import grouped

CONFLICT = "in conflict"
MOST = 5
"""Dossiers that are named in a remark."""
STATES = {
    "approved": "\N{CHECK MARK}", "approved with conditions": "\N{CIRCLE WITH LEFT HALF BLACK}",
    RECALLED: "\N{WARNING SIGN}", "ended": "\N{WHITE SQUARE}",
    "not approved": "\N{MULTIPLICATION X}",
    CONFLICT: "\N{WHITE DIAMOND}", NOT_INTACT: "\N{WHITE DIAMOND}",
    NOT_PROVEN: "\N{WHITE DIAMOND}", "undecided": "?", DRAFT: "\N{DOTTED CIRCLE}",
    "superseded": "\N{RIGHTWARDS ARROW}",
}  # fmt: skip
"""The word for each state of a dossier, and the shape that stands before it."""
STOOD = (SIGNED_OFF, EXPIRED, RECALLED)
"""What takes the place of an earlier one, whatever became of it since."""
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
    """"signed off", "draft", "not intact"; as it reads also "expired", "recalled", "not proven"."""
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
            return reading_of(self.found, CONFLICT)
        if self.current:
            return reading_of(self.found, self.standing)
        if self.standing in STOOD:
            return f"superseded: was {self.found}"
        return reading_of(self.found, f"{self.standing}, superseded")

    @property
    def state(self) -> str:
        """Return one word for it: one of `STATES`."""
        if self.conflict or self.standing in (NOT_INTACT, NOT_PROVEN, DRAFT):
            return CONFLICT if self.conflict else self.standing
        if not self.current:
            return "superseded"
        return {EXPIRED: "ended", RECALLED: RECALLED}.get(self.standing, self.found)

    @property
    def refuses(self) -> bool:
        """Return whether it approves nothing, whoever says so: drafts say nothing yet."""
        lost = self.found not in APPROVES or self.standing == RECALLED
        return lost and self.standing != DRAFT and not self.conflict

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


_REST = tuple(each.name for each in fields(Rest))


def row_digest(row: Row, rests: Iterable[Rest]) -> str:
    """Return the SHA-256 of the facts of a row and of what the dossier rests on.

    Over JSON in ASCII with sorted keys and no white space.
    """
    document = {name: getattr(row, name) for name in FACTS}
    document["rests"] = [[getattr(each, name) for name in _REST] for each in rests]
    text = json.dumps(document, sort_keys=True, separators=(",", ":"))
    return hashlib.sha256(text.encode()).hexdigest()


def on_day(row: Row, today: date) -> Row:
    """Return a row as it reads on a day, and for a reader who trusts whom he named."""
    if row.standing == SIGNED_OFF and row.unproven:
        return replace(row, standing=NOT_PROVEN, remark=row.unproven)
    days = (date.fromisoformat(day) if day else None for day in (row.signed_on, row.valid_until))
    now = as_of(Standing(row.standing, row.remark, *days), today)
    return replace(row, standing=now.word, remark=now.remark)


def without(row: Row, recalled: Recalled | None, lifted: str = "") -> Row:
    """Return a row as what is recalled leaves it: an approval that falls is none any more.

    Of what is recalled no more it says what was `lifted`.
    """
    if recalled is None:
        return replace(row, remark="; ".join(filter(None, (row.remark, lifted))))
    if row.standing != SIGNED_OFF or row.found not in APPROVES:
        return replace(row, remark=row.remark or recalled.text)
    found, until = recalled.leaves(row.found)
    if not found:
        return replace(row, standing=RECALLED, remark=recalled.text)
    days = [day for day in (row.valid_until, until and until.isoformat()) if day]
    return replace(row, remark=recalled.text, found=found, valid_until=min(days, default=""))


EMPTY = {"reference": "", "review_due": "", "replaces": ""}
"""What the head of a dossier need not say."""


def row_of(dossier: DossierFile, sealed: Sealed, file: str) -> Row:
    """Return the row of `dossier`, found at `file`; whether it is current is settled later."""
    case = dossier.decision.case.model_dump(mode="json", exclude_none=True)
    application = dossier.decision.application
    standing = standing_of(dossier, sealed)
    return Row(
        sha256=dossier.sha256, size=len(dossier.pdf.data if dossier.pdf else b""),
        content=dossier.content, file=file,
        **EMPTY | case,
        application=application.title, application_revision=application.revision,
        equipment="; ".join(application.equipment),
        valid_until=standing.until.isoformat() if standing.until else "",
        signed_on=standing.signed_on.isoformat() if standing.signed_on else "",
        found=dossier.decision.decision,
        standing=standing.word, remark=standing.remark, unread=unread_inputs(dossier),
        unproven=sealed.unproven,
    )  # fmt: skip


def settled(rows: Iterable[Row], extends: Callable[[Row, Row], bool]) -> tuple[Row, ...]:
    """Return the rows with `superseded_by` and `conflict` set, by number, revision and `replaces`.

    Capitals tell no number from another.

    Only a dossier that stands takes the place of one that stands; a draft takes the place of
    earlier drafts only, and one that is not intact of none.  Of two with the same number and
    revision, the one that `extends` the other (the same bytes and more: signed since) is taken;
    else both are in conflict and neither reads as its decision.
    """
    fresh = [replace(row, superseded_by="", conflict=False) for row in rows]
    by_number = grouped((row.number.casefold(), row) for row in fresh)
    taken = _replaced(fresh, by_number)
    done = [
        _settle(row, by_number[row.number.casefold()], taken.get(row.sha256, ""), extends)
        for row in fresh
    ]
    told = dict(refusals(done))
    words = ((row, (row.remark, told.get(row.sha256, ""))) for row in done)
    return tuple(replace(row, remark="; ".join(filter(None, both))) for row, both in words)


def refusals(rows: Sequence[Row]) -> Iterator[tuple[str, str]]:
    """Yield for each approval that counts which others approve nothing, by its digest.

    Those whose place it took, those of its number that did not take its place, and those of the
    same filter for one of the same machines.
    """
    heirs = {row.name: row.superseded_by for row in rows if not row.current}
    against = [row for row in rows if row.refuses]
    lost = grouped((_heir(row.name, heirs), row) for row in against if not row.current)
    beside = grouped((place, row) for row in against if row.current for place in _places(row))
    words = "but {0.name}, {1}, reads: {2}"
    for row in rows:
        if row.state not in APPROVES:
            continue
        found = [(each, "whose place it took") for each in lost.get(row.name, ())]
        for filter_, name in _places(row):
            how = "of that filter for such a machine" if filter_ else "of that number"
            found += [(each, how) for each in beside.get((filter_, name), ())]
        every = (words.format(e, how, reading_of(e.found, e.standing)) for e, how in found)
        told = list(dict.fromkeys(every))
        if told:
            more = [f"and {len(told) - MOST} more"] if len(told) > MOST else []
            yield row.sha256, "; ".join([*told[:MOST], *more])


def _heir(name: str, heirs: Mapping[str, str]) -> str:
    """Return the dossier that has the place of another in the end."""
    seen = {name}
    while (name := heirs.get(name, name)) not in seen:
        seen.add(name)
    return name


def _places(row: Row) -> list[tuple[str, str]]:
    """Return the number of a dossier, and its filter with each machine, as letters and digits."""
    filter_, *machines = map(bare, (row.candidate, *row.equipment.split("; ")))
    named = dict.fromkeys((filter_, each) for each in machines if filter_ and each)
    return [("", row.number.casefold()), *named]


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
    twins = [each for each in others if each.revision == row.revision and _outranks(each, row)]
    twins.sort(key=lambda each: each.sha256)
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
    if one.standing in STOOD:
        return other.standing != NOT_INTACT
    return one.standing == DRAFT and other.standing == DRAFT


def _replaced(rows: Sequence[Row], by_number: dict[str, list[Row]]) -> dict[str, str]:
    """Return digest -> name of the dossier that says it replaces it."""
    taken = {}
    for row in rows:
        for number, revision in _named(row.replaces, by_number):
            for old in by_number[number]:
                applies = revision is None or old.revision <= revision
                if number != row.number.casefold() and applies and _outranks(row, old):
                    taken[old.sha256] = row.name
    return taken


def _named(text: str, known: dict[str, list[Row]]) -> Iterator[tuple[str, int | None]]:
    """Yield the dossiers of the register that a `replaces` names, with revision where given."""
    for match in _WORD.finditer(text):
        word = match.group().casefold().rstrip(".-_")
        joined = _JOINED.fullmatch(word)
        if word in known:
            after = _REVISION.match(text, match.start() + len(word))
            yield (word, int(after.group(1)) if after else None)
        elif joined and joined.group(1) in known:
            yield (joined.group(1), int(joined.group(2)))
