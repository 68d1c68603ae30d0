"""What ends and when, as a calendar that other programs read: iCalendar, RFC 5545.

Lines, escapes and folding as in RFC 5545, 3.1 and 3.3.11 (from memory; tests read it back by an
independent library).
"""

import hashlib
from collections import defaultdict
from collections.abc import Iterable, Iterator

from dossier.record.standing import EXPIRED, SIGNED_OFF
from dossier.register.listing import one_line
from dossier.register.register import Register
from dossier.register.row import Row

WIDTH = 75
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
        yield _entry(("calibration", instrument, due), due, due, 0, what, f"Used for {used}")


def _event(day: str, what: str, row: Row, value: str = "") -> tuple[str, ...]:
    title = f"{what}: {row.name}{f', {value}' if value else ''}"
    about = f"{row.candidate}; {row.equipment or row.application}; {row.decision}; {row.file}"
    return _entry((what, row.number, value), day, row.issued, row.revision, title, about)


def _entry(
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
    safe = one_line(text).replace("\\", "\\\\")
    return safe.replace(";", "\\;").replace(",", "\\,")


def _folded(line: str) -> Iterator[str]:
    """Yield a line in parts of at most `WIDTH` octets, no character taken apart."""
    part = ""
    for character in line:
        if len((part + character).encode()) > WIDTH:
            yield part
            part = " "
        part += character
    yield part
