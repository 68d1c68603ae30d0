"""The SQLite file of a register: rows rebuilt from the PDFs, a chain that only grows."""

import sqlite3
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, fields
from pathlib import Path
from typing import Any

from dossier.archive.chain import Link
from dossier.archive.register_row import Row
from dossier.archive.rests import Rest, folded

__all__ = ["FILE", "Kept", "RegisterError", "Store", "opened"]

FILE = "dossier-register.sqlite"
VERSION = 1
"""Form of the file; a file of another form is refused, since its chain must not be lost."""

_COLUMNS = tuple(each.name for each in fields(Row))
_WHOLE = ("size", "revision", "conflict")
_TYPED = ", ".join(f"{n} {'INTEGER' if n in _WHOLE else 'TEXT'} NOT NULL" for n in _COLUMNS)
_SCHEMA = f"""
CREATE TABLE chain (seq INTEGER PRIMARY KEY, prev TEXT NOT NULL, record_sha256 TEXT NOT NULL,
  number TEXT NOT NULL, revision INTEGER NOT NULL, digest TEXT NOT NULL,
  file TEXT NOT NULL, size INTEGER NOT NULL, content TEXT NOT NULL,
  standing TEXT NOT NULL) STRICT;
CREATE TABLE dossier ({_TYPED}, decision TEXT NOT NULL, PRIMARY KEY (sha256)) STRICT;
CREATE TABLE rest (sha256 TEXT NOT NULL, kind TEXT NOT NULL, value TEXT NOT NULL,
  folded TEXT NOT NULL, requirements TEXT NOT NULL) STRICT;
CREATE INDEX rest_by_value ON rest (kind, folded);
CREATE INDEX rest_by_dossier ON rest (sha256);
PRAGMA user_version = {VERSION};
"""


class RegisterError(Exception):
    """The register cannot be kept or read; the message says what to do."""


@dataclass(frozen=True, slots=True)
class Kept:
    """A link of the chain with what was known of the dossier when it was written."""

    link: Link
    digest: str
    file: str
    size: int
    content: str
    standing: str


class Store:
    """The open SQLite file of one register."""

    def __init__(self, connection: sqlite3.Connection) -> None:
        self._db = connection

    def chain(self) -> tuple[Kept, ...]:
        """Return the chain as stored, in order."""
        names = "seq, prev, record_sha256, number, revision, digest, file, size, content, standing"
        found = self._db.execute(f"SELECT {names} FROM chain ORDER BY seq")
        return tuple(Kept(Link(*row[:5]), *row[5:]) for row in found)

    def append(self, kept: Iterable[Kept]) -> None:
        """Add links to the chain; none is ever changed or taken away."""
        self._db.executemany(
            "INSERT INTO chain VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
            [
                (k.link.seq, k.link.prev, k.link.record_sha256, k.link.number, k.link.revision,
                 k.digest, k.file, k.size, k.content, k.standing)
                for k in kept
            ],
        )  # fmt: skip

    def rows(self, where: str = "1", values: Sequence[object] = ()) -> tuple[Row, ...]:
        """Return the rows that `where` selects, by number, revision and file."""
        names = ", ".join(_COLUMNS)
        order = "number, revision, file"
        found = self._db.execute(
            f"SELECT {names} FROM dossier WHERE {where} ORDER BY {order}", values
        )
        return tuple(_row(dict(zip(_COLUMNS, row, strict=True))) for row in found)

    def rests(self, where: str = "1", values: Sequence[object] = ()) -> dict[str, list[Rest]]:
        """Return SHA-256 of a dossier -> what it rests on, as far as `where` selects it."""
        found = self._db.execute(
            f"SELECT sha256, kind, value, requirements FROM rest WHERE {where} "
            "ORDER BY sha256, kind, value",
            values,
        )
        rests: dict[str, list[Rest]] = {}
        for sha256, kind, value, requirements in found:
            rest = Rest(kind, value, tuple(requirements.split("\n")) if requirements else ())
            rests.setdefault(sha256, []).append(rest)
        return rests

    def replace(self, rows: Sequence[Row], new: Mapping[str, Iterable[Rest]]) -> None:
        """Make `rows` the rows of the register; `new` is what those read anew rest on."""
        self._db.execute("DELETE FROM dossier")
        marks = ", ".join("?" * (len(_COLUMNS) + 1))
        self._db.executemany(f"INSERT INTO dossier VALUES ({marks})", [_values(r) for r in rows])
        self._db.executemany("DELETE FROM rest WHERE sha256 = ?", [(key,) for key in new])
        self._db.execute("DELETE FROM rest WHERE sha256 NOT IN (SELECT sha256 FROM dossier)")
        self._db.executemany(
            "INSERT INTO rest VALUES (?, ?, ?, ?, ?)",
            [
                (key, rest.kind, rest.value, folded(rest.value), "\n".join(rest.requirements))
                for key, rests in new.items()
                for rest in rests
            ],
        )


def _values(row: Row) -> list[object]:
    return [*(getattr(row, name) for name in _COLUMNS), row.decision]


def _row(values: dict[str, Any]) -> Row:
    return Row(**{**values, "conflict": bool(values["conflict"])})


@contextmanager
def opened(folder: Path, *, write: bool) -> Iterator[Store]:
    """Open the register of `folder` in one transaction: all of a run is kept, or none of it.

    Raises RegisterError where the file cannot be read or written, or is of another form.
    """
    path = folder / FILE
    if not write and not path.is_file():
        raise RegisterError(f"{path}: there is no register yet; make it first")
    try:
        connection = sqlite3.connect(path, timeout=30, isolation_level=None)
        try:
            _prepare(connection, path, write=write)
            yield Store(connection)
            connection.execute("COMMIT")
        finally:
            connection.close()
    except (sqlite3.Error, OverflowError) as error:
        raise RegisterError(
            f"{path}: {error}; if the file is damaged, move it away: the register is made anew "
            "from the dossiers, with a new chain"
        ) from None


def _prepare(connection: sqlite3.Connection, path: Path, *, write: bool) -> None:
    connection.execute("PRAGMA trusted_schema = OFF")
    connection.execute("BEGIN IMMEDIATE" if write else "BEGIN")
    version = connection.execute("PRAGMA user_version").fetchone()[0]
    if version == 0 and write and not connection.execute("SELECT * FROM sqlite_master").fetchone():
        for statement in _SCHEMA.split(";"):
            connection.execute(statement)
    elif version != VERSION:
        raise RegisterError(
            f"{path}: made by another version of this program (form {version}, not {VERSION})"
        )
