"""The SQLite file of a register: a chain that only grows, and rows that its links bind."""

import hashlib
import json
import os
import sqlite3
import time
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from dataclasses import asdict, astuple, dataclass, fields
from pathlib import Path
from typing import Any

from dossier.case.attached import NotReadError, read_below
from dossier.record.dossier_file import write_whole
from dossier.record.recall import REGISTER
from dossier.record.rests import Rest
from dossier.register.row import FACTS, Row
from dossier.system.grouped import grouped

GENESIS = "0" * 64
"""Stands for the link before the first."""


@dataclass(frozen=True, slots=True)
class Chained:
    """One dossier as it entered the register."""

    seq: int
    """Place in the chain, from 1."""
    prev: str
    """Digest of the link before."""
    record_sha256: str
    """SHA-256 of the PDF."""
    number: str
    """That of the dossier; empty for a recall, whose own number stands for the revision."""
    revision: int
    row_sha256: str
    """SHA-256 of what the register read in it, as `row.row_digest` gives it."""
    program: str
    """SHA-256 of the program that read and judged it."""

    @property
    def digest(self) -> str:
        """Return the digest of this link: the head of the chain up to here."""
        return link_digest(asdict(self))


def link_digest(fields: Mapping[str, int | str]) -> str:
    """Return the SHA-256 of the canonical JSON (RFC 8785) of a link, in hexadecimal.

    For whole numbers and ASCII text, sorted keys without white space are that form; anything else
    raises ValueError.
    """
    for name, value in fields.items():
        plain = value.isascii() if isinstance(value, str) else abs(value) < 2**53
        if not (plain and name.isascii()) or isinstance(value, bool):
            raise ValueError(f"a link holds whole numbers and ASCII text; {name} is {value!r}")
    text = json.dumps(dict(fields), sort_keys=True, separators=(",", ":"), ensure_ascii=False)
    return hashlib.sha256(text.encode()).hexdigest()


def linked(
    records: Iterable[tuple[str, str, int, str]], program: str, prev: str = GENESIS, last: int = 0
) -> tuple[Chained, ...]:
    """Return a link for each of `records`: SHA-256, number, revision and SHA-256 of its row.

    They follow the link numbered `last` whose digest is `prev`.
    """
    links: list[Chained] = []
    for seq, record in enumerate(records, last + 1):
        links.append(Chained(seq, prev, *record, program))
        prev = links[-1].digest
    return tuple(links)


def chain_faults(links: Sequence[Chained], heads: Sequence[str]) -> tuple[str, ...]:
    """Return where a stored chain does not hold; `heads` are the digests stored with it."""
    faults = []
    prev = GENESIS
    for place, (link, head) in enumerate(zip(links, heads, strict=True), 1):
        if link.seq != place:
            faults.append(f"link {place} of the chain has the number {link.seq}")
        if link.prev != prev:
            faults.append(f"link {place} of the chain does not follow from the one before")
        digest = ""
        with suppress(ValueError):  # of what this program never writes
            digest = link.digest
        if digest != head:
            faults.append(f"link {place} of the chain is not what it was when it was written")
        prev = head
    return tuple(faults)


VERSION = 3
"""Form of the file; a file of another form is refused, since its chain must not be lost."""
WAIT = 30.0
"""So long one run waits for another to end [s]."""
LARGEST = 128 * 2**20

_LINK = tuple(each.name for each in fields(Chained))
_COLUMNS = (*FACTS, "file")
_REST = ("sha256", *(each.name for each in fields(Rest)))
_WHOLE = ("seq", "size", "revision")


def _typed(names: Iterable[str]) -> str:
    return ", ".join(f"{n} {'INTEGER' if n in _WHOLE else 'TEXT'} NOT NULL" for n in names)


_SCHEMA = (
    f"CREATE TABLE chain ({_typed(_LINK)}, digest TEXT NOT NULL, PRIMARY KEY (seq)) STRICT",
    f"CREATE TABLE dossier ({_typed(_COLUMNS)}, PRIMARY KEY (sha256)) STRICT",
    f"CREATE TABLE rest ({_typed(_REST)}) STRICT",
    f"PRAGMA user_version = {VERSION}",
)

Rests = Mapping[str, tuple[Rest, ...]]
"""SHA-256 of a dossier -> what it rests on."""


class RegisterError(Exception):
    """The register cannot be kept or read; the message says what to do."""


@dataclass(frozen=True, slots=True)
class Kept:
    """A link of the chain with the digest that was stored with it."""

    link: Chained
    digest: str


class Store:
    """The open SQLite file of one register."""

    def __init__(self, connection: sqlite3.Connection) -> None:
        self._db = connection

    def chain(self) -> tuple[Kept, ...]:
        """Return the chain as stored, in order."""
        found = self._db.execute(f"SELECT {', '.join(_LINK)}, digest FROM chain ORDER BY seq")
        return tuple(Kept(Chained(*row[:-1]), row[-1]) for row in found)

    def append(self, links: Sequence[Chained]) -> None:
        """Add links to the chain; none is ever changed or taken away."""
        self._insert("chain", [(*astuple(each), each.digest) for each in links])

    def rows(self) -> dict[str, Row]:
        """Return the rows as stored, by SHA-256 of the dossier; nothing vouches for them here."""
        found = self._db.execute(f"SELECT {', '.join(_COLUMNS)} FROM dossier ORDER BY sha256")
        rows = (Row(**dict(zip(_COLUMNS, row, strict=True))) for row in found)
        return {row.sha256: row for row in rows}

    def rests(self) -> dict[str, tuple[Rest, ...]]:
        """Return what the dossiers rest on, as stored; nothing vouches for it here."""
        found = self._db.execute(f"SELECT {', '.join(_REST)} FROM rest ORDER BY rowid")
        rests = grouped((sha256, _rest(*columns)) for sha256, *columns in found)
        return {sha256: tuple(each) for sha256, each in rests.items()}

    def replace(self, rows: Mapping[str, Row], rests: Rests) -> None:
        """Make `rows` and `rests` those of the register."""
        for table in ("dossier", "rest"):
            self._db.execute(f"DELETE FROM {table}")
        self._insert("dossier", [tuple(getattr(r, n) for n in _COLUMNS) for r in rows.values()])
        own = [(sha256, each) for sha256, those in rests.items() for each in those]
        self._insert("rest", [(sha256, *_columns(each)) for sha256, each in own])

    def _insert(self, table: str, values: Sequence[tuple[Any, ...]]) -> None:
        if values:
            marks = ", ".join("?" * len(values[0]))
            self._db.executemany(f"INSERT INTO {table} VALUES ({marks})", values)


def _columns(rest: Rest) -> Iterator[str]:
    """Yield the columns of what a dossier rests on: names in one, a line each."""
    return ("\n".join(each) if isinstance(each, tuple) else each for each in astuple(rest))


def _rest(kind: str, value: str, requirements: str, records: str, *days: str) -> Rest:
    """Return what a dossier rests on, of its columns."""
    users, used = (tuple(each.split("\n")) if each else () for each in (requirements, records))
    return Rest(kind, value, users, used, *days)


@contextmanager
def open_store(folder: Path) -> Iterator[Store]:
    """Open the register of `folder`: all of a run is kept, or none of it.

    The file is read whole, kept in memory and written whole: SQLite is let near no file, since
    what lies beside one under its names (a journal) makes it change and delete others.  Raises
    RegisterError where the file cannot be read or written, is damaged, or is not exactly of the
    form that this program makes: a trigger, a view or a further column would act or speak.
    """
    path = folder / REGISTER
    with _alone(folder):
        there = _content(path)
        connection = sqlite3.connect(":memory:", isolation_level=None)
        try:
            if there:
                connection.deserialize(there)
            _prepare(connection, path)
            yield Store(connection)
            after = connection.serialize()
        except (sqlite3.Error, OverflowError) as error:
            raise _damaged(path, str(error)) from None
        finally:
            connection.close()
        if after != there:
            try:
                write_whole(path, after)
            except OSError as error:
                raise RegisterError(f"{path}: cannot be written: {error.strerror}") from None


def _damaged(path: Path, why: str) -> RegisterError:
    return RegisterError(
        f"{path}: {why}; move it away: the register is made anew from the dossiers, with a new "
        "chain, and what a head that was kept says of the old one can no longer be compared"
    )


@contextmanager
def _alone(folder: Path) -> Iterator[None]:
    """Keep other runs on this machine away from the register; RegisterError if one goes on there.

    What a killed run leaves behind reads its last dossiers to their end, and holds the lock so far.
    """
    if os.name != "posix":
        yield
        return
    handle, end = os.open(folder, os.O_RDONLY), time.monotonic() + WAIT
    try:
        while not _locked(handle):
            if time.monotonic() > end:
                raise RegisterError(f"{folder}: another run is at work there; wait until it ends")
            time.sleep(0.1)
        yield
    finally:
        os.close(handle)


def _locked(handle: int) -> bool:
    import fcntl

    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        return False
    return True


def _content(path: Path) -> bytes:
    """Return what a register's file holds; nothing where there is none."""
    for ending in ("-journal", "-wal"):
        if os.path.lexists(beside := f"{path}{ending}"):
            raise RegisterError(f"{beside}: not written by this program; move it away")
    try:
        return b"" if not os.path.lexists(path) else read_below(path.parent, path, LARGEST)
    except OSError as error:
        words = error.what if isinstance(error, NotReadError) else error.strerror
        raise RegisterError(f"{path}: a link, no ordinary file, or not read: {words}") from None


def _prepare(connection: sqlite3.Connection, path: Path) -> None:
    connection.execute("PRAGMA trusted_schema = OFF")
    connection.execute("PRAGMA cell_size_check = ON")
    version = connection.execute("PRAGMA user_version").fetchone()[0]
    if version == 0 and not _shape(connection):
        _make(connection)
        return
    if version != VERSION:
        raise RegisterError(
            f"{path}: made by another version of this program (form {version}, not {VERSION})"
        )
    with sqlite3.connect(":memory:", isolation_level=None) as model:
        _make(model)
        strange = set(_shape(connection)) ^ set(_shape(model))
    model.close()
    if strange:
        names = ", ".join(sorted({f"{kind} {name}"[:80] for kind, name, *_ in strange}))
        raise _damaged(path, f"it is not of the form that this program makes ({names})")
    whole = connection.execute("PRAGMA integrity_check(1)").fetchone()[0]
    if whole != "ok":
        raise _damaged(path, f"it is damaged ({whole[:120]})")


def _make(connection: sqlite3.Connection) -> None:
    for statement in _SCHEMA:
        connection.execute(statement)


def _shape(connection: sqlite3.Connection) -> list[tuple[str, ...]]:
    """Return every table, index, view and trigger of a file, as it was written."""
    return connection.execute("SELECT type, name, tbl_name, sql FROM sqlite_master").fetchall()
