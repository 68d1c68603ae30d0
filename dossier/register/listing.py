"""A register as CSV, as JSON and as lines for a terminal."""

import csv
import io
import json
import re
from collections.abc import Iterable, Sequence
from typing import Any

from dossier.register.dependencies import Rest
from dossier.register.query import Hit
from dossier.register.register import Outcome
from dossier.report.format import clean

COLUMNS = (
    "number",
    "revision",
    "decision",
    "standing",
    "superseded_by",
    "candidate",
    "reference",
    "application",
    "application_revision",
    "equipment",
    "issued",
    "review_due",
    "valid_until",
    "replaces",
    "title",
    "remark",
    "file",
    "sha256",
)
"""Columns of the CSV; `decision` is the bare decision only where it stands and is current."""

_FORMULA = re.compile(r"(?:^|(?<=;))(?=\s*[=+\-@＝＋－＠])")
"""Before what a spreadsheet takes for a formula, also where it parts cells at semicolons."""


def plain(text: str) -> str:
    """Return text from a dossier as one line, without characters that hide, turn or steer."""
    spaced = " ".join(clean(text).split())
    return spaced.encode("utf-8", "replace").decode()


def because_text(hit: Hit) -> str:
    """Return what a dossier rests on of that which was asked for, with its requirements."""
    parts = [_rest_text(rest) for rest in hit.because]
    if hit.row.unread:
        parts.append(f"what is not known ({hit.row.unread})")
    return "; ".join(dict.fromkeys(parts))


def _rest_text(rest: Rest) -> str:
    users = ", ".join(rest.requirements) or "listed, no finding uses it"
    return plain(f"{rest.kind} {rest.value} ({users})")


def csv_text(hits: Iterable[Hit]) -> str:
    """Return the dossiers as CSV (RFC 4180), safe to open in a spreadsheet.

    A text that a spreadsheet would take for a formula gets an apostrophe before it.
    """
    out = io.StringIO()
    writer = csv.writer(out)
    writer.writerow((*COLUMNS, "rests_on"))
    for hit in hits:
        cells = (getattr(hit.row, name) for name in COLUMNS)
        writer.writerow([_cell(cell) for cell in (*cells, because_text(hit))])
    return out.getvalue()


def _cell(value: object) -> object:
    if isinstance(value, int):
        return value
    text = plain(str(value))
    return _FORMULA.sub("'", text)


def json_text(outcome: Outcome, hits: Sequence[Hit]) -> str:
    """Return the dossiers and the state of the register as JSON."""
    document = {
        "schema": "dossier register 1.0",
        "head": outcome.head,
        "links": len(outcome.heads),
        "whole": outcome.whole,
        "events": [
            {"kind": each.kind, "text": each.text, "breaks": each.breaks} for each in outcome.events
        ],
        "dossiers": [_entry(hit) for hit in hits],
        "not_dossiers": [{"file": file, "reason": why} for file, why in outcome.unreadable],
        "copies": [{"file": file, "of": other} for file, other in outcome.copies],
    }
    return json.dumps(document, ensure_ascii=False, indent=2, sort_keys=True) + "\n"


def _entry(hit: Hit) -> dict[str, Any]:
    row = hit.row
    entry: dict[str, Any] = {name: getattr(row, name) or None for name in COLUMNS}
    entry["revision"] = row.revision
    entry["current"] = row.current
    entry["inputs_unread"] = row.unread or None
    entry["rests_on"] = [_rest(rest) for rest in hit.rests]
    entry["because"] = [_rest(rest) for rest in hit.because]
    return entry


def _rest(rest: Rest) -> dict[str, Any]:
    return {"kind": rest.kind, "value": rest.value, "requirements": list(rest.requirements)}
