"""The register of a folder of dossiers: found, read, chained, and compared with the last time."""

import hashlib
import os
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import chain
from pathlib import Path

from dossier.archive.attached import MAX_PDF, NotADossierError
from dossier.archive.chain import GENESIS, chain_faults, linked
from dossier.archive.register_row import Row, settled
from dossier.archive.register_store import Kept, RegisterError, Store, opened
from dossier.archive.rests import Rest
from dossier.archive.standing import DRAFT, NOT_INTACT
from dossier.case.bounded import ordinary
from dossier.confined import StoppedError, confined

__all__ = ["Event", "Outcome", "update"]


_CHUNK = 8
"""Dossiers that a process reads at a time."""


@dataclass(frozen=True, slots=True)
class Event:
    """Something about the register that a person must know."""

    kind: str
    """"missing", "replaced", "draft replaced", "signed since", "chain broken"."""
    text: str
    breaks: bool
    """Whether the record is no longer whole."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """What one run over the folder found."""

    head: str
    """Digest of the last link of the chain: to be kept elsewhere."""
    heads: tuple[str, ...]
    """Digests of all links, in order."""
    count: int
    """Dossiers now in the folder."""
    added: tuple[str, ...]
    """Names of those that entered the chain in this run."""
    events: tuple[Event, ...]
    unreadable: tuple[tuple[str, str], ...]
    """Files that are not dossiers, with the reason."""
    copies: tuple[tuple[str, str], ...]
    """Files that are the same, byte for byte, as another."""
    read: int
    """Dossiers that were read in this run; the others were known by their digest."""

    @property
    def whole(self) -> bool:
        """Return whether nothing that was registered is missing, replaced or altered."""
        return not any(event.breaks for event in self.events)


@dataclass(slots=True)
class _Folder:
    """What lies in the folder, by digest."""

    rows: dict[str, Row] = field(default_factory=dict)
    rests: dict[str, tuple[Rest, ...]] = field(default_factory=dict)
    unreadable: dict[str, str] = field(default_factory=dict)
    copies: list[tuple[str, str]] = field(default_factory=list)


def update(folder: Path, *, reread: bool = False, jobs: int = 1) -> Outcome:
    """Bring the register of `folder` up to date with its PDFs and return what was found.

    Every PDF is hashed; those not yet known by their digest are read, all of them with `reread`,
    by `jobs` processes at once.
    Without a register file it is made from the PDFs alone, in order of issue.  Raises
    RegisterError where the register cannot be kept.
    """
    if not folder.is_dir():
        raise RegisterError(f"{folder}: no such folder")
    with opened(folder, write=True) as store:
        known = {} if reread else {row.sha256: row for row in store.rows()}
        found = _scanned(folder, known, jobs)
        rows = settled(found.rows.values(), lambda one, other: _extends(folder, one, other))
        kept = store.chain()
        events = [*_faults(kept), *_lost(folder, kept, found)]
        chain = _chained(store, kept, rows)
        store.replace(rows, found.rests)
    names = [f"{each.link.number} r{each.link.revision}" for each in chain[len(kept) :]]
    return Outcome(
        head=chain[-1].digest if chain else GENESIS,
        heads=tuple(each.digest for each in chain),
        count=len(rows), added=tuple(names), events=tuple(events),
        unreadable=tuple(sorted(found.unreadable.items())), copies=tuple(found.copies),
        read=len(found.rests),
    )  # fmt: skip


def _pdfs(folder: Path) -> Iterator[str]:
    """Yield the PDFs below `folder`, without hidden ones, as relative paths in a fixed order."""
    for place, folders, files in os.walk(folder):
        folders[:] = sorted(name for name in folders if not name.startswith("."))
        for name in sorted(files):
            if name.lower().endswith(".pdf") and not name.startswith("."):
                yield (Path(place) / name).relative_to(folder).as_posix()


def _scanned(folder: Path, known: Mapping[str, Row], jobs: int) -> _Folder:
    found = _Folder()
    fresh: dict[str, str] = {}
    for name in _pdfs(folder):
        try:
            name.encode()
            sha256 = _digest(folder / name)
        except (NotADossierError, OSError) as error:
            found.unreadable[name] = _reason(error)
            continue
        except UnicodeEncodeError:
            shown = name.encode("utf-8", "backslashreplace").decode()
            found.unreadable[shown] = "its name is not UTF-8 text"
            continue
        first = fresh.get(sha256) or (found.rows[sha256].file if sha256 in found.rows else None)
        if first is not None:
            found.copies.append((name, first))
        elif sha256 in known:
            found.rows[sha256] = replace(known[sha256], file=name)
        else:
            fresh[sha256] = name
    for name, read in _read_all(folder, list(fresh.values()), jobs):
        if isinstance(read, str):
            found.unreadable[name] = read
        else:
            row, found.rests[row.sha256] = read
            found.rows[row.sha256] = row
    return found


_Read = tuple[Row, tuple[Rest, ...]] | str
"""A dossier with what it rests on, or why the file is none."""


def _read_all(folder: Path, names: Sequence[str], jobs: int) -> Iterator[tuple[str, _Read]]:
    """Yield each of the files read, by several processes where that is wanted and worth it."""
    chunks = [(folder, names[at : at + _CHUNK]) for at in range(0, len(names), _CHUNK)]
    if jobs < 2 or len(chunks) < 2:
        yield from zip(names, chain.from_iterable(map(_confined, chunks)), strict=True)
        return
    from concurrent.futures import ProcessPoolExecutor
    from multiprocessing import get_context

    with ProcessPoolExecutor(jobs, mp_context=get_context("spawn")) as pool:
        yield from zip(names, chain.from_iterable(pool.map(_confined, chunks)), strict=True)


def _confined(chunk: tuple[Path, Sequence[str]]) -> list[_Read]:
    """Return some of the files read within limits; where one meets a limit, each by itself."""
    import pypdf  # noqa: F401  once, not in each copy of this process

    folder, names = chunk
    try:
        return confined(lambda: [_read((folder, name)) for name in names])
    except StoppedError as error:
        if len(names) == 1:
            return [f"not read: {error}"]
        return [each for name in names for each in _confined((folder, [name]))]


def _read(place: tuple[Path, str]) -> _Read:
    from dossier.archive.dossier_file import read_dossier
    from dossier.archive.register_row import row_of
    from dossier.archive.rests import rests_on

    folder, name = place
    try:
        dossier = read_dossier(folder / name)
    except (NotADossierError, OSError) as error:
        return _reason(error)
    return row_of(dossier, name), rests_on(dossier)


def _reason(error: Exception) -> str:
    return error.strerror or str(error) if isinstance(error, OSError) else str(error)


def _digest(path: Path, size: int | None = None) -> str:
    """Return the SHA-256 of a file, or of its first `size` bytes."""
    with open(path, "rb", opener=ordinary) as file:
        if size is not None:
            return hashlib.sha256(file.read(size)).hexdigest()
        if os.fstat(file.fileno()).st_size > MAX_PDF:
            raise NotADossierError(f"larger than {MAX_PDF // 2**20} MiB")
        return hashlib.file_digest(file, "sha256").hexdigest()


def _extends(folder: Path, longer: Row, shorter: Row) -> bool:
    """Return whether one file is another with more appended, as by a digital signature."""
    return _begins(folder, longer, shorter.size, shorter.sha256, shorter.content)


def _begins(folder: Path, row: Row, size: int, sha256: str, content: str) -> bool:
    """Return whether a file begins with the whole of another and has the same attachments."""
    same = row.size > size >= 0 and row.content == content and row.standing != NOT_INTACT
    try:
        return same and _digest(folder / row.file, size) == sha256
    except OSError:
        return False


def _chained(store: Store, kept: Sequence[Kept], rows: Iterable[Row]) -> tuple[Kept, ...]:
    """Append the dossiers that are new, in order of issue; return the whole chain."""
    chained = {each.link.record_sha256 for each in kept}
    new = [row for row in rows if row.sha256 not in chained]
    new.sort(key=lambda row: (row.issued, row.number, row.revision, row.sha256))
    prev, last = (kept[-1].digest, kept[-1].link.seq) if kept else (GENESIS, 0)
    links = linked(((row.sha256, row.number, row.revision) for row in new), prev, last)
    added = [
        Kept(link, link.digest, row.file, row.size, row.content, row.standing)
        for link, row in zip(links, new, strict=True)
    ]
    store.append(added)
    return (*kept, *added)


def _faults(kept: Sequence[Kept]) -> list[Event]:
    faults = chain_faults([each.link for each in kept], [each.digest for each in kept])
    return [Event("chain broken", fault, True) for fault in faults]


def _lost(folder: Path, kept: Sequence[Kept], found: _Folder) -> list[Event]:
    """Return an event for each dossier of the chain that is no longer in the folder.

    A dossier that has rightly given way to another is told of once, when that one enters.
    """
    twins: dict[tuple[str, int], list[Row]] = {}
    for row in found.rows.values():
        twins.setdefault((row.number, row.revision), []).append(row)
    chained = {each.link.record_sha256 for each in kept}
    events = []
    for old in kept:
        if old.link.record_sha256 in found.rows:
            continue
        others = twins.get((old.link.number, old.link.revision), [])
        event, successor = _gone(folder, old, others) if others else (_left(old, found), "")
        if event.breaks or successor not in chained:
            events.append(event)
    return events


def _gone(folder: Path, old: Kept, twins: Sequence[Row]) -> tuple[Event, str]:
    """Return the event of a dossier whose number another file carries now, and its digest."""
    digest = old.link.record_sha256
    grown = [r for r in twins if _begins(folder, r, old.size, digest, old.content)]
    row = (grown or twins)[0]
    now = f"{row.file} (SHA-256 {row.sha256[:16]}…)"
    if grown:
        text = f"{_named(old)} is the beginning of {now}, with the same attachments"
        return Event("signed since", text, False), row.sha256
    if old.standing == DRAFT:
        text = f"the draft {_named(old)} has given way to {now}"
        return Event("draft replaced", text, False), row.sha256
    return Event("replaced", f"{_named(old)} is gone; {now} carries its number", True), row.sha256


def _left(old: Kept, found: _Folder) -> Event:
    """Return the event of a dossier whose number no file carries any more."""
    if old.file in found.unreadable:
        why = f"{old.file} is no longer it: {found.unreadable[old.file]}"
        return Event("replaced", f"{_named(old)} is gone; {why}", True)
    other = next((row for row in found.rows.values() if row.file == old.file), None)
    if other is not None:
        return Event("replaced", f"{_named(old)} is gone; {old.file} now holds {other.name}", True)
    return Event("missing", f"{_named(old)}, {old.standing}, last seen as {old.file}", True)


def _named(old: Kept) -> str:
    link = old.link
    return f"{link.number} r{link.revision} (link {link.seq}, SHA-256 {link.record_sha256[:16]}…)"
