"""A register as CSV, as JSON, as lines for a terminal, and its ends as a calendar.

Of the calendar (iCalendar, RFC 5545) lines, escapes and folding are as in 3.1 and 3.3.11, from
memory; tests read it back by an independent library.
"""

import csv
import hashlib
import io
import re
import shlex
from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path
from typing import Any

import typer

from dossier.evidence.quantities import all_quantities
from dossier.make.verdict_text import plain_table, wide_console
from dossier.record.decision_record import as_json
from dossier.record.standing import EXPIRED, SIGNED_OFF
from dossier.register.compare import Comparison, Resulted, ValueChange
from dossier.register.register import Hit, Register, Wanted
from dossier.register.row import Row
from dossier.report.format import (
    beyond,
    bound_text,
    clean,
    decimals_for,
    fixed,
    percent,
    significant,
    unit_text,
    with_uncertainty,
)

COLUMNS = (
    "number", "revision", "decision", "standing", "superseded_by", "candidate", "reference",
    "application", "application_revision", "equipment", "issued", "review_due", "valid_until",
    "replaces", "title", "remark", "file", "sha256",
)  # fmt: skip
"""Columns of the CSV; `decision` is the bare decision only where it stands and is current."""

_FORMULA = re.compile(r"(?:^|(?<=;))(?=\s*[=+\-@＝＋－＠])")
"""Before what a spreadsheet takes for a formula, also where it parts cells at semicolons."""


def one_line(text: str) -> str:
    """Return text from a dossier as one line, without characters that hide, turn or steer."""
    return " ".join(clean(text).split()).encode("utf-8", "replace").decode()


def because_text(hit: Hit) -> str:
    """Return what a dossier rests on of that which was asked for, with its requirements."""
    parts = []
    for rest in hit.because:
        users = ", ".join(rest.requirements) or "listed, no finding uses it"
        parts.append(one_line(f"{rest.kind} {rest.value} ({users})"))
    if hit.row.unread:
        parts.append(f"what is not known ({hit.row.unread})")
    return "; ".join(dict.fromkeys(parts))


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
    return value if isinstance(value, int) else _FORMULA.sub("'", one_line(str(value)))


UNTOLD = {"outcomes", "schema_", "tables"}
"""Of a recall, what a list of them leaves out."""


def json_text(outcome: Register, hits: Sequence[Hit]) -> str:
    """Return the dossiers and the state of the register as JSON."""
    document = {
        "schema": "dossier register 1.0",
        "head": outcome.head,
        "links": len(outcome.heads),
        "whole": outcome.whole,
        "events": outcome.events,
        "recalls": [
            e.model_dump(exclude={"outcomes", "schema_"}) for e in outcome.recalls.counting
        ],
        "dossiers": [_entry(hit) for hit in hits],
        "not_dossiers": [{"file": file, "reason": why} for file, why in outcome.unreadable],
        "copies": [{"file": file, "of": other} for file, other in outcome.copies],
    }
    return as_json(document)


def _entry(hit: Hit) -> dict[str, Any]:
    row = hit.row
    return {name: getattr(row, name) or None for name in COLUMNS} | {
        "revision": row.revision,
        "current": row.current,
        "inputs_unread": row.unread or None,
        "rests_on": hit.rests,
        "because": hit.because,
    }


WIDTH = 110
NO_CAUSE = "nothing that was compared"
SHOWN = (
    "name", "decision", "candidate", "equipment", "issued", "review_due", "valid_until", "file",
)  # fmt: skip
"""Columns of the table on a terminal."""


def print_register(outcome: Register, hits: Sequence[Hit], wanted: Wanted) -> None:
    """Print a row a dossier, what it rests on of what was asked for, and how many are left out."""
    headings = ["dossier", *(name.replace("_", " ") for name in SHOWN[1:])]
    if hits:
        _print_table(headings, [[getattr(hit.row, name) for name in SHOWN] for hit in hits])
    for hit in hits:
        why = f"rests on {because_text(hit)}" if wanted.resting_on else ""
        later = hit.row.superseded_by and f"superseded by {hit.row.superseded_by}"
        for word in (later, hit.row.remark, why):
            if word:
                typer.echo(f"{hit.row.name}: {one_line(word)}")
    hidden = 0 if wanted.superseded else sum(not row.current for row in outcome.rows)
    more = f"; {hidden} superseded left out: --all" if hidden else ""
    typer.echo(f"{len(hits)} of {outcome.count} dossiers{more}")


def print_state(outcome: Register, *, to_stderr: bool) -> None:
    """Print the head of the chain; to standard error what is missing, replaced or no dossier."""
    for event in outcome.events:
        typer.echo(f"{event.kind}: {one_line(event.text)}", err=True)
    for each in outcome.recalls.counting:
        told = one_line(f"{each.what}: {each.reason}")
        typer.echo(f"recall {each.number} of {each.day}: {told}", err=True)
    for file, why in outcome.unreadable:
        typer.echo(f"not a dossier: {one_line(file)}: {one_line(why)}", err=True)
    for file, other in outcome.copies:
        typer.echo(f"copy: {one_line(file)} is the same as {one_line(other)}", err=True)
    keep = "" if outcome.whole else " (do not keep it: the register is not whole)"
    typer.echo(f"head: {outcome.head}, link {len(outcome.heads)}{keep}", err=to_stderr)


def print_comparison(comparison: Comparison, files: tuple[str, str]) -> None:
    """Print what differs, verdicts first, then what was changed."""
    for side, file, name, decision in zip(
        "AB", files, comparison.names, comparison.decisions, strict=True
    ):
        typer.echo(f"{side}: {one_line(name)}: {one_line(decision)} ({one_line(file)})")
    for remark in comparison.remarks:
        typer.echo(one_line(remark))
    for title, headings, rows in _parts(comparison):
        typer.echo(f"{title}:" if rows else f"{title}: the same")
        if rows:
            _print_table(headings, rows)
    typer.echo(
        "decision and verdicts are the same" if comparison.same else "decision or verdicts differ"
    )
    _print_repeat(comparison, files)


def _parts(comparison: Comparison) -> Iterator[tuple[str, Sequence[str], list[list[str]]]]:
    """Yield title, headings and rows of what is compared; a part that agrees has no rows."""
    turned = [
        [e.requirement, e.before or "absent", e.after or "absent", "; ".join(e.because) or NO_CAUSE]
        for e in comparison.verdicts
    ]
    yield "verdicts", ("requirement", "A", "B", "differs on which it depends"), turned
    asked = [
        [each.requirement, each.kind, change.what, change.before or "none", change.after or "none"]
        for each in comparison.requirements
        for change in each.changes
    ]
    yield "requirements", ("requirement", "", "what", "A", "B"), asked
    values = [_value_cells(each) for each in comparison.values]
    decides = [f"{side}: what decides; accepted" for side in "AB"]
    yield "results", ("requirement", "quantity", *decides, "B less A, means"), values
    inputs = [
        [each.what, _short(each.before), _short(each.after), ", ".join(each.moved) or "nothing"]
        for each in comparison.inputs
    ]
    yield "inputs", ("file", "A, SHA-256", "B, SHA-256", "results that moved with it"), inputs
    rest = [[each.what, each.before or "none", each.after or "none"] for each in comparison.rest]
    yield "other", ("what", "A", "B"), rest


def _print_repeat(comparison: Comparison, files: tuple[str, str]) -> None:
    """Print with what, and by which command, the same is found again."""
    from importlib.metadata import version

    for side, file, proof in zip("AB", files, comparison.proofs, strict=True):
        what = "decision.json of the case folder" if Path(file).is_dir() else "PDF"
        typer.echo(f"{side}: {what}, SHA-256 {proof}")
    call = shlex.join(["dossier", "compare", *map(one_line, files)])
    on = f", which read so on {comparison.day}" if comparison.day else ""
    typer.echo(f"to repeat, with these two{on}, and dossier {version('dossier')}: {call}")


def _short(digest: str | None) -> str:
    return "absent" if digest is None else f"{digest[:16]}…"


def _value_cells(change: ValueChange) -> list[str]:
    cells = [_result(side, change.limits) for side in (change.before, change.after)]
    difference = change.difference
    moved = "" if difference is None else _difference(difference, change)
    known = all_quantities().get(change.quantity)
    return [change.requirement, known.title if known else change.quantity, *cells, moved]


def _result(side: Resulted, limits: Iterable[float]) -> str:
    """Return the number that decides, in the words of page one, and the acceptance limit.

    The mean, with its standard uncertainty u, stands beside another number that decides.
    """
    found, unit = side.deciding, side.unit
    if found and found.kind == "count":
        share = "" if found.value is None else f", at least {percent(found.value, 1)} of the type"
        return f"{found.failures} failures in {found.specimens}{share}"
    ends = [e for e in (found.accept_min, found.accept_max) if e is not None] if found else []
    words = [_number(side.value, side.u, unit, [*limits, *ends])]
    if found and found.kind == "mean":
        words = [f"{words[0]}, mean"]
    elif found:
        number = _number(found.value, None, unit, [*limits, *ends], found.bound or "")
        worst = f"worst: {found.specimen or 'one'}"
        named = worst if found.kind == "worst specimen" else "bound of the type"
        words = [f"{number}, {named}", f"mean {words[0]}"]
    own = [significant(end, 4, keep=True) for end in ends if end not in limits]
    if own:
        sign = "from" if found and found.accept_min == ends[-1] else "up to"
        between = " to ".join(own) if len(own) == 2 else f"{sign} {own[0]}"
        words.append(f"accepted {between} {unit_text(unit)}".strip())
    return "; ".join(words)


def _number(
    value: float | None, u: float | None, unit: str, limits: Iterable[float], bound: str = ""
) -> str:
    """Return a number with its standard uncertainty u, on its own side of every limit."""
    if value is None:
        return "not demonstrated"
    try:
        shown, spread = with_uncertainty(value, u or 0.0, limits)
        shown = bound_text(beyond(value, bound, limits), bound) if bound else shown
    except ArithmeticError:  # a foreign file may hold numbers of any size
        shown, spread = f"{value:.10g}", f"{u or 0.0:.2g}"
    return f"{shown} {unit_text(unit)}".strip() + (f" (u {spread})" if u else "")


def _difference(difference: float, change: ValueChange) -> str:
    """Return a signed difference to the decimals of the smaller of the two uncertainties."""
    spreads = [each.u for each in (change.before, change.after) if each.u]
    try:
        shown = fixed(difference, decimals_for(min(spreads))) if spreads else ""
        if not shown:
            shown = significant(difference)
        elif difference and not re.search("[1-9]", shown):
            shown = significant(difference, 1)
    except ArithmeticError:
        shown = f"{difference:.3g}"
    return f"{'+' if difference > 0 else ''}{shown} {unit_text(change.after.unit)}".strip()


def _print_table(headings: Sequence[str], rows: Iterable[Sequence[str]]) -> None:
    wide_console(WIDTH).print(
        plain_table(headings, [[one_line(cell) for cell in row] for row in rows])
    )


OCTETS = 75
"""Octets of a line without its end."""
MOST = 30
"""Dossiers that are named in one entry."""
_UID, _START = 1, 4
"""Places of two lines in an entry."""
ENDS = {"concession": "Concession ends", "carried": "Carried evidence ends"}


def calendar_text(outcome: Register) -> str:
    """Return the ends of all dossiers that stand: the same bytes for the same dossiers.

    A review, a concession or carried evidence of each; a calibration once for each instrument.
    """
    head = ["BEGIN:VCALENDAR", "VERSION:2.0", "PRODID:-//dossier//register//EN"]
    events = sorted(_events(outcome), key=lambda lines: (lines[_START], lines))
    once = {lines[_UID]: lines for lines in reversed(events)}  # the first end counts
    whole = [*head, *(e for lines in reversed(once.values()) for e in lines), "END:VCALENDAR"]
    return "".join(f"{each}\r\n" for line in whole for each in _folded(line))


def _events(outcome: Register) -> Iterator[tuple[str, ...]]:
    calibrations: dict[tuple[str, str], set[str]] = defaultdict(set)
    for row in outcome.rows:
        if row.standing not in (SIGNED_OFF, EXPIRED) or not row.current or row.conflict:
            continue
        if row.review_due:
            yield _event(row.review_due, "Review due", row)
        for each in outcome.rests.get(row.sha256, ()):
            if each.kind == "calibration" and each.last:
                calibrations[each.value, each.last].add(row.name)
            elif each.kind in ENDS and each.last and row.found.startswith("approved"):
                yield _event(each.last, ENDS[each.kind], row, ", ".join(each.records) or each.value)
    for (instrument, due), names in calibrations.items():
        more = [f"and {len(names) - MOST} more"] if len(names) > MOST else []
        used = ", ".join([*sorted(names)[:MOST], *more])
        what = f"Calibration due: {instrument}"
        yield _lines(("calibration", instrument, due), due, due, 0, what, f"Used for {used}")


def _event(day: str, what: str, row: Row, value: str = "") -> tuple[str, ...]:
    title = f"{what}: {row.name}{f', {value}' if value else ''}"
    about = f"{row.candidate}; {row.equipment or row.application}; {row.decision}; {row.file}"
    return _lines((what, row.number, value), day, row.issued, row.revision, title, about)


def _lines(
    key: Iterable[str], day: str, stamp: str, sequence: int, title: str, about: str
) -> tuple[str, ...]:
    """Return the lines of one entry; the next revision of a dossier moves it by the same `key`."""
    uid = hashlib.sha256("\n".join(key).encode()).hexdigest()[:32]
    return (
        "BEGIN:VEVENT", f"UID:{uid}@dossier", f"DTSTAMP:{_day(stamp)}T000000Z",
        f"SEQUENCE:{sequence}", f"DTSTART;VALUE=DATE:{_day(day)}",
        f"SUMMARY:{_text(title)}", f"DESCRIPTION:{_text(about)}", "TRANSP:TRANSPARENT",
        "END:VEVENT",
    )  # fmt: skip


def _day(text: str) -> str:
    return text.replace("-", "")


def _text(text: str) -> str:
    """Return text as a value: one line, in which nothing ends the value or begins another."""
    return one_line(text).replace("\\", "\\\\").replace(";", "\\;").replace(",", "\\,")


def _folded(line: str) -> Iterator[str]:
    """Yield a line in parts of at most `OCTETS`, no character taken apart."""
    part = ""
    for character in line:
        if len((part + character).encode()) > OCTETS:
            yield part
            part = " "
        part += character
    yield part
