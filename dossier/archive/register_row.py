"""One dossier of a register as a flat row, and which of several dossiers is current."""

import re
from collections import defaultdict
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace

from dossier.archive.dossier_file import DossierFile
from dossier.archive.rests import unread_inputs
from dossier.archive.standing import DRAFT, NOT_INTACT, SIGNED_OFF, read_as, standing_of

__all__ = ["Row", "row_of", "settled"]

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
    """ISO dates; empty where there is none."""
    replaces: str
    found: str
    """The decision that was computed; never shown without `standing`."""
    standing: str
    """"signed off", "draft" or "not intact"."""
    remark: str
    """Why it does not stand, or what else a reader must know."""
    unread: str
    """Why it is not fully known what it rests on; empty when it is."""
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
        if self.standing == SIGNED_OFF:
            return f"superseded: was {self.found}"
        return read_as(self.found, f"{self.standing}, superseded")

    @property
    def name(self) -> str:
        """Return number and revision."""
        return f"{self.number} r{self.revision}"


def row_of(dossier: DossierFile, file: str) -> Row:
    """Return the row of `dossier`, found at `file`; whether it is current is settled later."""
    case, application = dossier.decision.case, dossier.decision.application
    standing = standing_of(dossier)
    return Row(
        sha256=dossier.sha256, size=dossier.size, content=dossier.content, file=file,
        number=case.number, revision=case.revision, title=case.title,
        candidate=case.candidate, reference=case.reference or "",
        application=application.title, application_revision=application.revision,
        equipment="; ".join(application.equipment),
        issued=case.issued.isoformat(),
        review_due=case.review_due.isoformat() if case.review_due else "",
        replaces=case.replaces or "", found=dossier.decision.decision,
        standing=standing.word, remark=standing.remark, unread=unread_inputs(dossier),
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
    if one.standing == SIGNED_OFF:
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
