"""What a run over a folder must tell: dossiers that are gone, a chain or rows that were edited."""

import hashlib
import os
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from pathlib import Path

from dossier.case.attached import MAX_PDF, NotADossierError, ordinary
from dossier.record.recall import FILE, REGISTER, RESTORE, Recalls, recalls_in
from dossier.record.rests import Rest
from dossier.record.standing import DRAFT, NOT_INTACT
from dossier.register.row import Row, row_digest
from dossier.register.store import Chained, Kept, Rests, chain_faults, open_store
from dossier.system.grouped import grouped


@dataclass(frozen=True, slots=True)
class Event:
    """Something about the register that a person must know."""

    kind: str
    """"missing", "replaced", "draft replaced", "signed since", "chain broken", "row altered",
    "judged otherwise", "judged again", "recall not read"."""
    text: str
    breaks: bool
    """Whether the record is no longer whole."""


@dataclass(slots=True)
class Present:
    """What lies in the folder, by digest."""

    rows: dict[str, Row] = field(default_factory=dict)
    rests: dict[str, tuple[Rest, ...]] = field(default_factory=dict)
    unreadable: dict[str, str] = field(default_factory=dict)
    copies: list[tuple[str, str]] = field(default_factory=list)
    read: set[str] = field(default_factory=set)
    """Those that were judged in this run."""
    recalls: Recalls = field(default_factory=Recalls)

    def digest(self, sha256: str) -> str:
        """Return the digest of a dossier's row and of what it rests on."""
        return row_digest(self.rows[sha256], self.rests[sha256])


@dataclass(frozen=True, kw_only=True)
class Stored:
    """What the register's file says; nothing of it is believed by itself."""

    chain: tuple[Kept, ...]
    rows: Mapping[str, Row]
    rests: Rests

    @cached_property
    def last(self) -> dict[str, Chained]:
        """Return the last link of each dossier."""
        return {e.link.record_sha256: e.link for e in self.chain if e.link.number}

    @cached_property
    def recalls(self) -> dict[str, Chained]:
        """Return the links of recalls by the digest of each file."""
        return {e.link.record_sha256: e.link for e in self.chain if not e.link.number}

    @property
    def written(self) -> frozenset[str]:
        """Return the digests of the recalls that a run here wrote, and did not just find."""
        return frozenset(key for key, link in self.recalls.items() if link.row_sha256 == key)

    @cached_property
    def bound(self) -> dict[str, Row]:
        """Return the rows that have the digest which the last link of their dossier binds."""
        known = ((key, row) for key, row in self.rows.items() if key in self.last)
        digests = {key: row_digest(row, self.rests.get(key, ())) for key, row in known}
        kept = (key for key, digest in digests.items() if digest == self.last[key].row_sha256)
        return {key: self.rows[key] for key in kept}


def events_of(folder: Path, stored: Stored, found: Present, program: str) -> list[Event]:
    """Return what became of the dossiers that were registered before."""
    return [
        *_lost(folder, stored, found),
        *_otherwise(stored, found, program),
        *_recalls(stored, found.recalls),
    ]


def faults_of(stored: Stored) -> list[Event]:
    """Return where chain and rows are not what a run of this program left."""
    links, digests = [k.link for k in stored.chain], [k.digest for k in stored.chain]
    faults = [Event("chain broken", fault, True) for fault in chain_faults(links, digests)]
    bound, last = stored.bound, stored.last
    for key in sorted({*stored.rows, *stored.rests, *last} - set(bound)):
        if key not in last:
            what = f"a row for SHA-256 {key[:16]}…, which no link of the chain names"
        else:
            what = f"the row of {_named(last[key])} is not the one that its link binds"
        faults.append(Event("row altered", f"{what}: the dossiers were judged anew", True))
    return faults


def _otherwise(stored: Stored, found: Present, program: str) -> Iterator[Event]:
    """Yield an event for each dossier that is judged otherwise now than its link says."""
    for key, link in stored.last.items():
        if key not in found.read or found.digest(key) == link.row_sha256:
            continue
        if link.program == program:
            what = "its link, said to be by this very program, binds another judgement"
            yield Event("judged otherwise", f"{_named(link)}: {what}", True)
        else:
            what = f"now {found.rows[key].decision}; its link is by another state of this program"
            yield Event("judged again", f"{_named(link)}: {what}", False)


def _recalls(stored: Stored, found: Recalls) -> Iterator[Event]:
    """Yield which recalls were registered and are no longer there, and which cannot be read."""
    for key, link in stored.recalls.items():
        if key not in found.files:
            what = f"recall {link.revision} (link {link.seq}, SHA-256 {key[:16]}…)"
            yield Event("missing", f"{what}: what it took away would read as approved", True)
    for file, why in found.faults.items():
        yield Event("recall not read", f"{file}: {why}", True)


def _lost(folder: Path, stored: Stored, found: Present) -> Iterator[Event]:
    """Yield an event for each dossier of the chain that is no longer in the folder.

    A dossier that has rightly given way to another is told of once, when that one enters.
    """
    twins = grouped(((row.number, row.revision), row) for row in found.rows.values())
    for key, link in stored.last.items():
        if key in found.rows:
            continue
        others = twins.get((link.number, link.revision), [])
        was = stored.bound.get(key)  # its row, where its link binds one
        gone = _gone(folder, link, was, others) if others else (_left(link, was, found), "")
        event, successor = gone
        if event.breaks or successor not in stored.last:
            yield event


def _gone(folder: Path, link: Chained, was: Row | None, twins: Sequence[Row]) -> tuple[Event, str]:
    """Return the event of a dossier whose number another file carries now, and its digest."""
    digest, name = link.record_sha256, _named(link)
    grown = [r for r in twins if was and _begins(folder, r, was.size, digest, was.content)]
    row = (grown or twins)[0]
    now = f"{row.file} (SHA-256 {row.sha256[:16]}…)"
    if grown:
        text = f"{name} is the beginning of {now}, with the same attachments"
        return Event("signed since", text, False), row.sha256
    if was and was.standing == DRAFT:
        text = f"the draft {name} has given way to {now}"
        return Event("draft replaced", text, False), row.sha256
    return Event("replaced", f"{name} is gone; {now} carries its number", True), row.sha256


def _left(link: Chained, was: Row | None, found: Present) -> Event:
    """Return the event of a dossier whose number no file carries any more."""
    name = _named(link)
    if was is None:
        return Event("missing", name, True)
    file = was.file
    if file in found.unreadable:
        why = f"{file} is no longer it: {found.unreadable[file]}"
        return Event("replaced", f"{name} is gone; {why}", True)
    other = next((row for row in found.rows.values() if row.file == file), None)
    if other is not None:
        return Event("replaced", f"{name} is gone; {file} now holds {other.name}", True)
    return Event("missing", f"{name}, {was.standing}, last seen as {file}", True)


def _named(link: Chained) -> str:
    return f"{link.number} r{link.revision} (link {link.seq}, SHA-256 {link.record_sha256[:16]}…)"


def extends(folder: Path, longer: Row, shorter: Row) -> bool:
    """Return whether one file is another with more appended, as by a digital signature."""
    return _begins(folder, longer, shorter.size, shorter.sha256, shorter.content)


def _begins(folder: Path, row: Row, size: int, sha256: str, content: str) -> bool:
    """Return whether a file begins with the whole of another and has the same attachments."""
    same = row.size > size >= 0 and row.content == content and row.standing != NOT_INTACT
    try:
        return same and file_digest(folder / row.file, size) == sha256
    except OSError:
        return False


def file_digest(path: Path, size: int | None = None) -> str:
    """Return the SHA-256 of a file, or of its first `size` bytes."""
    with open(path, "rb", opener=ordinary) as file:
        if size is not None:
            return hashlib.sha256(file.read(size)).hexdigest()
        if os.fstat(file.fileno()).st_size > MAX_PDF:
            raise NotADossierError(f"larger than {MAX_PDF // 2**20} MiB")
        return hashlib.file_digest(file, "sha256").hexdigest()


def believed(folder: Path) -> Recalls:
    """Return the recalls that lie in a folder, as its register believes them if there is one."""
    if not os.path.lexists(folder / REGISTER):
        return recalls_in(folder)
    with open_store(folder) as store:
        stored = Stored(chain=store.chain(), rows={}, rests={})
    found = recalls_in(folder, stored.written)
    gone = [link for key, link in stored.recalls.items() if key not in found.files]
    lost = {FILE.format(number=e.revision): f"it is gone, or was changed: {RESTORE}" for e in gone}
    return replace(found, faults={**found.faults, **lost})
