"""Ask a register: which dossiers, by decision, filter, equipment, dates, and what they rest on."""

from dataclasses import dataclass
from datetime import date
from pathlib import Path

from dossier.archive.register_row import Row
from dossier.archive.register_store import Store, opened
from dossier.archive.rests import BY_STEM, KINDS, Rest, folded

__all__ = ["Hit", "Wanted", "find", "parse_rest"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Wanted:
    """What to select; everything given must hold."""

    decision: str = ""
    """The decision as it reads, such as "approved" or "draft: would be approved"."""
    standing: str = ""
    """"signed off", "draft" or "not intact"."""
    filter: str = ""
    """Part of the part number of the candidate or of the filter now fitted."""
    equipment: str = ""
    """Part of the name of the equipment."""
    issued_from: date | None = None
    issued_until: date | None = None
    review_due_by: date | None = None
    resting_on: tuple[tuple[str, str], ...] = ()
    """Pairs of kind and value, as `parse_rest` gives them."""
    superseded: bool = False
    """Whether dossiers that others have superseded are wanted too."""


@dataclass(frozen=True, slots=True)
class Hit:
    """A dossier that was asked for."""

    row: Row
    because: tuple[Rest, ...]
    """What it rests on of that which was asked for."""
    rests: tuple[Rest, ...]
    """Everything that it rests on; empty unless asked for."""


def parse_rest(text: str) -> tuple[str, str]:
    """Return kind and value of "KIND:VALUE"; ValueError says which kinds there are."""
    kind, colon, value = text.partition(":")
    kind = folded(kind)
    if not colon or kind not in KINDS or not value.strip():
        raise ValueError(f"{text!r} is not KIND:VALUE; kinds: {', '.join(KINDS)}")
    return kind, value.strip()


def find(folder: Path, wanted: Wanted, *, with_rests: bool = False) -> tuple[Hit, ...]:
    """Return the dossiers of the register of `folder` that `wanted` selects.

    A dossier whose inputs cannot be read is always among those that rest on something: it may.
    Raises RegisterError where there is no register.
    """
    clauses, values = _conditions(wanted)
    with opened(folder, write=False) as store:
        reasons: dict[str, list[Rest]] = {}
        for kind, value in wanted.resting_on:
            clause, given = _resting(kind, value)
            clauses.append(f"(sha256 IN (SELECT sha256 FROM rest WHERE {clause}) OR unread != '')")
            values += given
            for sha256, rests in store.rests(clause, given).items():
                reasons.setdefault(sha256, []).extend(rests)
        rows = store.rows(" AND ".join(clauses) or "1", values)
        everything = _all_rests(store, rows) if with_rests else {}
    return tuple(
        Hit(row, tuple(reasons.get(row.sha256, ())), tuple(everything.get(row.sha256, ())))
        for row in rows
    )


def _all_rests(store: Store, rows: tuple[Row, ...]) -> dict[str, list[Rest]]:
    if len(rows) > 500:
        return store.rests()
    marks = ", ".join("?" * len(rows))
    return store.rests(f"sha256 IN ({marks})", [row.sha256 for row in rows])


def _conditions(wanted: Wanted) -> tuple[list[str], list[object]]:
    clauses: list[str] = [] if wanted.superseded else ["superseded_by = ''"]
    values: list[object] = []
    for clause, value in (
        ("decision = ?", " ".join(wanted.decision.split()).casefold()),
        ("standing = ?", " ".join(wanted.standing.split()).casefold()),
        ("issued >= ?", _day(wanted.issued_from)),
        ("issued <= ?", _day(wanted.issued_until)),
        ("review_due != '' AND review_due <= ?", _day(wanted.review_due_by)),
    ):
        if value:
            clauses.append(f"({clause})")
            values.append(value)
    for kind, text in (("filter", wanted.filter), ("equipment", wanted.equipment)):
        if text.strip():
            clauses.append(
                "sha256 IN (SELECT sha256 FROM rest WHERE kind = ? AND instr(folded, ?) > 0)"
            )
            values += [kind, folded(text)]
    return clauses, values


def _day(day: date | None) -> str:
    return day.isoformat() if day else ""


def _resting(kind: str, value: str) -> tuple[str, list[object]]:
    """Return the condition on the table of rests: the same, or, for some kinds, its beginning."""
    text = folded(value)
    if kind == "lot":
        bare = text.removeprefix("lot ")
        return "kind = ? AND folded IN (?, ?)", [kind, bare, f"lot {bare}"]
    if kind not in BY_STEM:
        return "kind = ? AND folded = ?", [kind, text]
    stem = "substr(folded, 1, ?) = ? AND substr(folded, ? + 1, 1) IN ('', ':', ',', ' ', '-', '(')"
    return f"kind = ? AND {stem}", [kind, len(text), text, len(text)]
