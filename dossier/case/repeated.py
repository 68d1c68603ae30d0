"""One measurement must not count as two, in whatever files it is handed in."""

import hashlib
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
    first: dict[str, Record] = {}
    for record in records:
        if record.entry.kind not in CURVES:
            continue
        digest = _digest(record)
        known = first.setdefault(digest, record)
        if known is not record and (known.file, known.sheet) != (record.file, record.sheet):
            shown = f"{record.file}#{record.sheet}" if record.sheet else record.file
            what = f"holds the same readings as record {known.id!r}"
            yield CaseProblem(shown, "", what, "hand in the readings of this test")


def _digest(record: Record) -> str:
    digest = hashlib.sha256(record.entry.kind.encode())
    for each in fields(record.table):
        value = getattr(record.table, each.name)
        digest.update(each.name.encode())
        if isinstance(value, np.ndarray) and value.dtype.kind != "O":
            digest.update(np.ascontiguousarray(value).data)
        else:
            digest.update(repr(value).encode())
    return digest.hexdigest()
