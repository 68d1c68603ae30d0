"""The register of a folder of dossiers: found, read, chained, compared, and asked."""

import hashlib
import os
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date
from itertools import chain
from pathlib import Path

from dossier.case.attached import NotADossierError
from dossier.decision.rules import Decision
from dossier.record.dossier_file import write_whole
from dossier.record.recall import (
    FILE,
    REGISTER,
    Recall,
    Recalls,
    around,
    recalls_around,
    recalls_in,
    with_others,
)
from dossier.record.rests import KINDS, Rest, folded
from dossier.record.standing import STANDINGS
from dossier.register.events import (
    Event,
    Present,
    Stored,
    believed,
    events_of,
    extends,
    faults_of,
    file_digest,
)
from dossier.register.row import Row, on_day, refusals, settled, without
from dossier.register.store import GENESIS, Chained, RegisterError, Rests, Store, linked, open_store
from dossier.system.confined import StoppedError, confined, mapped, stranger

NO_REGISTER = "{} has no register: what was recalled there, and taken away with it, does not show"
LINK = "is a link to a folder, which is not followed"
_CHUNK = 8
"""Dossiers that a process reads at a time."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Register:
    """What one run over the folder found."""

    day: date
    """Day as of which the dossiers read as they do."""
    head: str
    """Digest of the last link of the chain: to be kept elsewhere."""
    heads: tuple[str, ...]
    """Digests of all links, in order."""
    rows: tuple[Row, ...]
    """The dossiers now in the folder, as they read on the day."""
    rests: Rests = field(repr=False)
    events: tuple[Event, ...]
    unreadable: tuple[tuple[str, str], ...]
    """Files that are not dossiers, with the reason."""
    copies: tuple[tuple[str, str], ...]
    """Files that are the same, byte for byte, as another."""
    recalls: Recalls
    read: int
    """Dossiers that were read in this run; the others are bound under a head that was kept."""

    @property
    def count(self) -> int:
        """Return how many dossiers are in the folder."""
        return len(self.rows)

    @property
    def whole(self) -> bool:
        """Return whether nothing that was registered is missing, replaced or altered."""
        return not any(event.breaks for event in self.events)


def update(
    folder: Path, *, today: date, head: str = "", trust: Sequence[bytes] = (), jobs: int = 1
) -> Register:
    """Bring the register of `folder` up to date with its PDFs and return what was found.

    Every PDF is hashed and judged by its own bytes, by `jobs` processes at once.  Those alone are
    not read again whose row a link binds under `head`, the digest of a link that was kept out of
    reach of whoever writes in the folder: the file of the register, chain and all, can be
    rewritten, what leads to that digest cannot.  With `trust`, certificates of authorities, each
    PDF is read, and only what they vouch for now reads as its decision.  Raises
    RegisterError where the register cannot be kept, CaseError for a certificate that is unfit.
    """
    from dossier.record.program import program_digest
    from dossier.record.trust import trust_of

    trust_of(trust)
    head = head.strip().lower()
    if not folder.is_dir():
        raise RegisterError(f"{folder}: no such folder")
    program, others = program_digest(), {each: believed(each) for each in around(folder)}
    with open_store(folder) as store:
        stored = Stored(chain=store.chain(), rows=store.rows(), rests=store.rests())
        faults = faults_of(stored)
        known = {} if trust or faults else _known(stored, head, program)
        found = _scanned(folder, known, stored.rests, tuple(trust), jobs)
        found.recalls = with_others(recalls_in(folder, stored.written), others)
        events = [*faults, *events_of(folder, stored, found, program)]
        added = _added(stored, found, program)
        store.append(added)
        _keep(store, stored, found)
    heads = (*(each.digest for each in stored.chain), *(each.digest for each in added))
    return Register(
        day=today, head=heads[-1] if heads else GENESIS, heads=heads,
        rows=_beside(folder, found, today), rests=found.rests,
        events=tuple(events), unreadable=tuple(sorted(found.unreadable.items())),
        copies=tuple(found.copies), read=len(found.read), recalls=found.recalls,
    )  # fmt: skip


def _beside(folder: Path, found: Present, today: date) -> tuple[Row, ...]:
    """Return the dossiers as they read on a day, without what is recalled, beside one another."""
    read = []
    for key, row in found.rows.items():
        of = row.number, row.revision, found.rests.get(key, ())
        taken, back = found.recalls.recalled(key, *of), found.recalls.given_back(*of)
        read.append(on_day(without(row, taken, back), today))
    return settled(read, lambda one, other: extends(folder, one, other))


def reading_beside(
    folder: Path, path: Path, key: str, today: date, trust: Sequence[bytes], recalls: Recalls
) -> tuple[str, str]:
    """Return how a dossier reads beside those of a folder if one has taken its place, and which.

    Where none has, the first is empty, and the second says which others approve nothing, or that
    there is no register.  Nothing is written in the folder.  Raises StoppedError where the file is
    no dossier, or not that of the SHA-256 `key`.
    """
    found, keys = _scanned(folder, {}, {}, tuple(trust), 1), tuple(trust)
    (own,) = _confined((path.absolute().parent, [path.name], keys))
    if isinstance(own, str) or own[0].sha256 != key:
        raise StoppedError(own if isinstance(own, str) else "it was changed while it was read")
    found.recalls = recalls
    found.rows.setdefault(key, replace(own[0], file=str(path.absolute())))
    found.rests[key] = own[1]
    rows = _beside(folder, found, today)
    row = next(each for each in rows if each.sha256 == key)
    if row.current and not row.conflict:
        lacks = "" if os.path.lexists(folder / REGISTER) else NO_REGISTER.format(folder)
        return "", "; ".join(filter(None, (dict(refusals(rows)).get(row.sha256), lacks)))
    return row.decision, row.remark if row.conflict else f"superseded by {row.superseded_by}"


def _known(stored: Stored, head: str, program: str) -> dict[str, Row]:
    """Return the rows that a head which was kept vouches for, judged by this very program."""
    heads = [each.digest for each in stored.chain]
    under = stored.chain[: heads.index(head) + 1] if head in heads else ()
    believed = {each.link for each in under if each.link.program == program}
    bound, last = stored.bound, stored.last
    return {sha256: row for sha256, row in bound.items() if last[sha256] in believed}


def _pdfs(folder: Path) -> Iterator[str]:
    """Yield the PDFs below `folder`, without hidden ones, as relative paths in a fixed order.

    Links to folders are among them: they are not followed, and to be told.
    """
    for place, folders, files in os.walk(folder):
        folders[:] = sorted(name for name in folders if not name.startswith("."))
        links = [name for name in folders if Path(place, name).is_symlink()]
        named = [name for name in files if name.lower().endswith(".pdf") and name[0] != "."]
        for name in sorted([*named, *links]):
            yield (Path(place) / name).relative_to(folder).as_posix()


def _scanned(
    folder: Path, known: Mapping[str, Row], rests: Rests, trust: tuple[bytes, ...], jobs: int
) -> Present:
    found = Present()
    fresh: dict[str, str] = {}
    for name in _pdfs(folder):
        try:
            name.encode()
            sha256 = file_digest(folder / name)
        except (NotADossierError, OSError) as error:
            found.unreadable[name] = LINK if (folder / name).is_dir() else _reason(error)
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
            found.rests[sha256] = rests.get(sha256, ())
        else:
            fresh[sha256] = name
    names = list(fresh.values())
    chunks = [(folder, names[at : at + _CHUNK], trust) for at in range(0, len(names), _CHUNK)]
    for name, read in zip(names, chain.from_iterable(mapped(_confined, chunks, jobs)), strict=True):
        if isinstance(read, str):
            found.unreadable[name] = read
        else:
            row, found.rests[row.sha256] = read
            found.rows[row.sha256] = row
            found.read.add(row.sha256)
    return found


_Read = tuple[Row, tuple[Rest, ...]] | str
"""A dossier with what it rests on, or why the file is none."""


def _confined(chunk: tuple[Path, Sequence[str], tuple[bytes, ...]]) -> list[_Read]:
    """Return some of the files read within limits; where one meets a limit, each by itself."""
    import pypdf  # noqa: F401  once, not in each copy of this process

    folder, names, trust = chunk
    largest = max((p.stat().st_size for n in names if (p := folder / n).exists()), default=0)
    try:
        return confined(
            lambda: [_read(folder / name, name, trust) for name in names], stranger(largest)
        )
    except StoppedError as error:
        if len(names) == 1:
            return [f"not read: {error}"]
        return [each for name in names for each in _confined((folder, [name], trust))]


def _read(path: Path, file: str, trust: tuple[bytes, ...]) -> _Read:
    from dossier.record.dossier_file import read_dossier
    from dossier.record.rests import rests_on
    from dossier.record.standing import seals_of
    from dossier.record.trust import trust_of
    from dossier.register.row import row_of

    try:
        dossier = read_dossier(path)
    except (NotADossierError, OSError) as error:
        return _reason(error)
    return row_of(dossier, seals_of(dossier, trust_of(trust)), file), rests_on(dossier)


def _reason(error: Exception) -> str:
    return error.strerror or str(error) if isinstance(error, OSError) else str(error)


def _added(stored: Stored, found: Present, program: str) -> tuple[Chained, ...]:
    """Return links for what was judged and is not bound yet so, by this program, by issue."""
    bound = {key: (link.row_sha256, link.program) for key, link in stored.last.items()}
    new = [found.rows[key] for key in found.read if bound.get(key) != (found.digest(key), program)]
    new.sort(key=lambda each: (each.issued, each.number, each.revision, each.sha256))
    end = stored.chain[-1] if stored.chain else None
    prev, seq = (end.digest, end.link.seq) if end else (GENESIS, 0)
    records = [(e.sha256, e.number, e.revision, found.digest(e.sha256)) for e in new]
    read = {each.number for each in found.recalls.given}
    files = found.recalls.files.items()
    fresh = ((n, key) for key, n in files if n in read and key not in stored.recalls)
    records += [(key, "", number, GENESIS) for number, key in sorted(fresh)]
    return linked(records, program, prev, seq)


def _keep(store: Store, stored: Stored, found: Present) -> None:
    """Store the rows of all dossiers of the chain: those that are gone as they were bound."""
    gone = {key: row for key, row in stored.bound.items() if key not in found.rows}
    rows = gone | found.rows
    rests = {key: stored.rests.get(key, ()) for key in gone} | found.rests
    if (rows, rests) != (stored.rows, stored.rests):
        store.replace(rows, rests)


def recalls_of(folder: Path) -> Recalls:
    """Return the recalls that count in a folder, each as the register beside it believes it.

    They lie in it, or in a folder above or below it that has a register.  Nothing is written.  One
    that was registered, and is gone or another now, cannot be read.
    """
    return recalls_around(folder, believed)


def noted(folder: Path, recall: Recall) -> str:
    """Put a recall on file in a folder and into its chain; return the new head."""
    from dossier.record.program import program_digest

    path = folder / FILE.format(number=recall.number)
    content = recall.model_dump_json(by_alias=True, indent=2).encode() + b"\n"
    key = hashlib.sha256(content).hexdigest()
    with open_store(folder) as store:
        if path.exists():
            raise RegisterError(f"{path}: another recall came before this one: run it again")
        end = store.chain()[-1]
        record = (key, "", recall.number, key)
        links = linked([record], program_digest(), end.digest, end.link.seq)
        store.append(links)
        write_whole(path, content)
    return links[-1].digest


@dataclass(frozen=True, slots=True, kw_only=True)
class Wanted:
    """What to select; everything given must hold."""

    decision: str = ""
    """The decision as it reads, such as "approved" or "draft: would be approved"."""
    standing: str = ""
    """"signed off", "expired", "recalled", "draft", "not intact" or "not proven"."""
    filter: str = ""
    """Part of the part number of the candidate or of the filter now fitted."""
    equipment: str = ""
    """Part of the name of the equipment."""
    issued_from: date | None = None
    issued_until: date | None = None
    review_due_by: date | None = None
    """A review that is due, or a concession that ends, on this day or before."""
    resting_on: tuple[tuple[str, str], ...] = ()
    """Pairs of kind and value, as `parse_rest` gives them."""
    superseded: bool = False
    """Whether dossiers that others have superseded are wanted too."""

    def __post_init__(self) -> None:
        """Refuse words that no dossier reads as: they would find none, which looks like an answer.

        Raises ValueError.
        """
        said = re.sub(r".*: (?:was|would be) ", "", _word(self.decision))
        for word, known in ((said, list(Decision)), (_word(self.standing), STANDINGS)):
            if word and word not in known:
                raise ValueError(f"{word!r} is none of: {', '.join(known)}")


@dataclass(frozen=True, slots=True)
class Hit:
    """A dossier that was asked for."""

    row: Row
    """As it reads for the machines that were asked for."""
    whole: Row
    """As it reads for all of its machines."""
    because: tuple[Rest, ...]
    """What it rests on of that which was asked for."""
    rests: tuple[Rest, ...]
    """Everything that it rests on."""


def parse_rest(text: str) -> tuple[str, str]:
    """Return kind and value of "KIND:VALUE"; ValueError says which kinds there are."""
    kind, colon, value = text.partition(":")
    kind = folded(kind)
    if not colon or kind not in KINDS or not value.strip():
        raise ValueError(f"{text!r} is not KIND:VALUE; kinds: {', '.join(KINDS)}")
    return kind, value.strip()


def find(outcome: Register, wanted: Wanted) -> tuple[Hit, ...]:
    """Return the dossiers of a register that `wanted` selects, by number, revision and file.

    A dossier whose inputs cannot be read is always among those that rest on something: it may.
    """
    hits = []
    for row in sorted(outcome.rows, key=lambda each: (each.number, each.revision, each.file)):
        rests = outcome.rests.get(row.sha256, ())
        told = _for_machines(row, rests, wanted.equipment)
        reasons = [[e for e in rests if e.called(*asked)] for asked in wanted.resting_on]
        if _selected(told, rests, wanted) and all(each or row.unread for each in reasons):
            hits.append(Hit(told, row, tuple(rest for each in reasons for rest in each), rests))
    return tuple(hits)


def _for_machines(row: Row, rests: Sequence[Rest], part: str) -> Row:
    """Return a row as it reads for machines asked for: a concession may leave all of them out."""
    asked = {each.value for each in rests if part and _names((each,), "equipment", part)}
    left_out = {each.value for each in rests if each.kind == "not conceded"}
    return replace(row, found="not approved") if asked and asked <= left_out else row


def _selected(row: Row, rests: Sequence[Rest], wanted: Wanted) -> bool:
    ends = [day for day in (row.review_due, row.valid_until) if day]
    first, last = str(wanted.issued_from or date.min), str(wanted.issued_until or date.max)
    due = str(wanted.review_due_by or "")
    return (
        (wanted.superseded or row.current)
        and _word(wanted.decision) in ("", row.decision)
        and _word(wanted.standing) in ("", row.standing)
        and first <= row.issued <= last
        and (not due or any(end <= due for end in ends))
        and _names(rests, "filter", wanted.filter)
        and _names(rests, "equipment", wanted.equipment)
    )


def _word(text: str) -> str:
    return " ".join(text.split()).casefold()


def _names(rests: Sequence[Rest], kind: str, part: str) -> bool:
    """Return whether a name of that kind holds the text; always for none."""
    text = folded(part)
    return not text or any(each.kind == kind and text in folded(each.value) for each in rests)
