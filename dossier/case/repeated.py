"""One measurement must not count as two, in whatever files it is handed in."""

import hashlib
from collections import Counter
from collections.abc import Iterable, Iterator
from dataclasses import fields

import numpy as np

from dossier.case.case import Record
from dossier.case.problems import CaseProblem

__all__ = ["repeated"]

CURVES = frozenset({"multipass", "pressure_drop"})
"""Kinds whose tables are readings alone, which two tests never share to the last digit."""


def repeated(records: Iterable[Record]) -> Iterator[CaseProblem]:
    """Yield the records whose readings are all those of another, as on two sheets of a workbook."""
    curves = [record for record in records if record.entry.kind in CURVES]
    ends = [_digest(record, ends=True) for record in curves]
    several = {digest for digest, count in Counter(ends).items() if count > 1}
    first: dict[bytes, Record] = {}
    for record, digest in zip(curves, ends, strict=True):
        if digest not in several:
            continue
        known = first.setdefault(_digest(record), record)
        if known is not record and (known.file, known.sheet) != (record.file, record.sheet):
            shown = f"{record.file}#{record.sheet}" if record.sheet else record.file
            what = f"holds the same readings as record {known.id!r}"
            yield CaseProblem(shown, "", what, "hand in the readings of this test")


def _digest(record: Record, *, ends: bool = False) -> bytes:
    """Return a digest of a record's readings; with `ends`, of the first and the last alone.

    Few records agree in those, so that most, however long, are not gone through.
    """
    digest = hashlib.sha256(record.entry.kind.encode())
    for each in fields(record.table):
        value = getattr(record.table, each.name)
        digest.update(each.name.encode())
        if isinstance(value, np.ndarray) and value.dtype.kind != "O":
            part = np.concatenate([value[:1], value[-1:]]) if ends else value
            digest.update(np.ascontiguousarray(part).data)
        else:
            digest.update(repr(value).encode())
    return digest.digest()
