"""Ask a register: which dossiers, by decision, filter, equipment, dates, and what they rest on."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

from dossier.record.rests import KINDS, Rest, folded
from dossier.register.register import Register
from dossier.register.row import Row


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


@dataclass(frozen=True, slots=True)
class Hit:
    """A dossier that was asked for."""

    row: Row
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
        reasons = [[e for e in rests if e.called(*asked)] for asked in wanted.resting_on]
        if _selected(row, rests, wanted) and all(each or row.unread for each in reasons):
            hits.append(Hit(row, tuple(rest for each in reasons for rest in each), rests))
    return tuple(hits)


def _selected(row: Row, rests: Sequence[Rest], wanted: Wanted) -> bool:
    ends = [day for day in (row.review_due, row.valid_until) if day]
    first, last, due = (
        day.isoformat() if day else ""
        for day in (wanted.issued_from, wanted.issued_until, wanted.review_due_by)
    )
    return (
        (wanted.superseded or row.current)
        and _word(wanted.decision) in ("", row.decision)
        and _word(wanted.standing) in ("", row.standing)
        and (not first or row.issued >= first)
        and (not last or row.issued <= last)
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
