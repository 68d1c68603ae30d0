"""What a column of a laboratory's own table holds, from its name, its unit and its values."""

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime, time, timedelta
from typing import Any

from dossier.case.records import DIMENSION
from dossier.case.tables.grid import LONGEST_NAME, bare_of, is_reading, same_unit, split_name
from dossier.case.tables.raw_table import filled
from dossier.case.tables.size_columns import is_per_sample
from dossier.case.tables.written import (
    CLOCKS,
    PAIRS,
    ClockError,
    cleaned,
    is_known,
    lowered,
    moment,
    number,
)
from dossier.case.units import UnitError, affine


def _bare(name: str) -> str:
    return " ".join(re.sub(r"[._\-/:]", " ", lowered(name)).split())


IGNORED = "ignored"
BEGUN = "at which clock time did the test begin?"
NAMES: dict[str, str] = {
    _bare(word): name
    for name, words in {
        "time": "time|elapsed time|test time|run time|elapsed|duration|clock|time stamp|timestamp|"
        "clock time|time of day|date time|datetime|date and time|"
        "zeit|prüfzeit|versuchszeit|laufzeit|uhrzeit|dauer",
        "differential pressure": "differential pressure|diff pressure|diff press|dp|Δp|delta p|"
        "deltap|d p|pressure drop|pressure difference|pressure loss|differenzdruck|"
        "druckdifferenz|druckabfall|druckverlust|dp assembly|assembly dp",
        "flow": "flow|flow rate|flowrate|test flow|q|volume flow|volumenstrom|durchfluss",
        "temperature": "temperature|temp|oil temp|oil temperature|fluid temperature|fluid temp|"
        "temperatur|öltemperatur|medientemperatur",
        "specimen": "specimen|sample|sample id|element|element id|filter|filter id|serial|"
        "serial no|prüfling|probe|prüfmuster",
        "remark": "remark|remarks|comment|comments|note|notes|observation|bemerkung|bemerkungen|"
        "kommentar",
        "side": "sensor|side|location|sampling point|sample point|position|messstelle|counter",
        "size": "size|particle size|channel|größe|partikelgröße|kanal",
        "count": "count|counts|particles|particle count|concentration|anzahl|partikel|zählung",
        "direction": "direction|richtung|sweep",
        "part": "part|teil",
    }.items()
    for word in words.split("|")
}
"""Names that laboratories give to columns, as `_bare` writes them, and what they mean."""
NUMBERING = frozenset([
    "", "no", "nr", "#", "n", "i", "row", "line", "index", "id", "step", "point", "reading",
    "reading no", "sample", "sample no", "measurement", "pos", "number", "lfd nr", "zeile", "punkt",
    "messung", "messpunkt", "nummer",
])  # fmt: skip
"""Names of columns that number the rows, where their cells do."""
T = ("time", "temperature")
"""What "t" may stand for: its unit decides."""
UPSTREAM = re.compile(
    r"(?<![^\W\d_])(up[ -]?stream|up|us|u|inlet|before|vor|zulauf)(?![^\W\d_])", re.I
)
DOWNSTREAM = re.compile(
    r"(?<![^\W\d_])(down[ -]?stream|down|dn|ds|d|outlet|after|nach|ablauf)(?![^\W\d_])", re.I
)
COMPUTED = re.compile(r"\b(beta|β|efficiency|wirkungsgrad|abscheidegrad|ratio)\b|β", re.I)
"""Columns that the laboratory calculated from others, which are reduced anew."""
PER_VOLUME = re.compile(
    r"(?i)(?:#|1|no\.?|particles?|counts?|partikel)?\s*(?:/|\bper\b|\bpro\b)\s*[0-9]*\s*"
    r"(?:ml|cm3|cm³|cc|l|sample)\b"
)
_SIZE = re.compile(
    r"(?P<more>>=?|≥|above|over|über|ab)?\s*(?P<size>\d+(?:[.,]\d+)?)"
    r"(?:\s*(?:-|–|to|bis|\.\.)\s*(?P<end>\d+(?:[.,]\d+)?))?\s*(?P<plus>\+)?"
    r"\s*(?P<unit>(?:um|µm|μm|micron)s?)?\s*(?P<c>\(c\)|\(b\)|c\b)?",
    re.I,
)
CUMULATIVE = re.compile(r"cum|kumul|and larger|und größer|larger than", re.I)
CHANNEL = re.compile(r"diff(?!er)|channel|class|kanal|klasse|interval", re.I)


@dataclass(frozen=True, slots=True, kw_only=True)
class Guess:
    """What a column is taken for."""

    written: str
    index: int
    name: str = ""
    """Name in the case format; '' where it is none, or not known."""
    unit: str = ""
    size: tuple[float, float | None] | None = None
    """Of a count: its size, and the upper end of a channel that names it [as written]."""
    form: str = ""
    """Of a count: "cumulative", "channel", or '' where its name leaves that open."""
    calibrated: bool = False
    """Whether the size says (c)."""
    why: str = ""
    doubt: str = ""
    """What is not sure, as a question; '' where nothing is."""
    tail: bool = False
    """Whether the unit is found within the name, where a layout does not look for it."""
    form_doubt: str = ""
    """Why the form of counts is not known."""


def guess(written: str, unit: str, index: int, values: Sequence[Any], group: str = "") -> Guess:
    """Return what a column holds; `unit` is that of the row below its name, '' where none is.

    `group` is what stands above the whole table, such as the side that all its counts are of.
    """
    written = written[:LONGEST_NAME]
    text, own = split_name(written)
    unit = unit or own
    count = _count(written, unit, index, group)
    if count is not None:
        return count
    name = NAMES.get(_bare(text), lowered(text) if is_known(text) else "")
    made = Guess(written=written, index=index, name=name, unit=unit, why="known name")
    if not name and not unit:
        made = _with_tail(made, text)
        name = made.name
    if not name and COMPUTED.search(written):
        return replace(made, name=IGNORED, why="computed by the laboratory")
    if (name == "specimen" or _bare(text) in NUMBERING) and _runs_on(values):
        return replace(made, name=IGNORED, why="numbers the rows")
    if _bare(text) == "t":
        made = _by_unit(made, T)
    elif not name:
        return _unknown(made, values)
    if made.name == "time":
        return _time(made, values)
    return _checked(made)


def _with_tail(made: Guess, text: str) -> Guess:
    """Return the guess by the beginning of a name whose end is a unit: "dp_kPa", "Q, L/min"."""
    for match in reversed(list(re.finditer(r"\s+in\s+|[\s_,/]+", text))):
        head, tail = text[: match.start()], text[match.end() :].strip()
        names = T if _bare(head) == "t" else (NAMES.get(_bare(head), ""),)
        fits = [name for name in names if name in DIMENSION and _fits(tail, name)]
        if len(fits) == 1:
            return replace(made, name=fits[0], unit=tail, tail=True, why="name and unit")
    return made


def _runs_on(values: Sequence[Any]) -> bool:
    """Return whether a column counts its rows: 1, 2, 3."""
    numbers = [value_of(value) for value in values]
    counted = [[float(k) for k in range(first, first + len(numbers))] for first in (0, 1)]
    return len(numbers) > 2 and any(numbers == each for each in counted)


def value_of(cell: Any) -> float | None:
    """Return the number that a cell holds, by whichever decimal mark; None where it is none."""
    text = cleaned(filled(cell))
    return next((v for m, o in PAIRS if (v := number(text, m, o)) is not None), None)


def _unknown(made: Guess, values: Sequence[Any]) -> Guess:
    """Return a column of unknown name: by its unit a question, without values nothing."""
    if not made.written and not any(map(filled, values)):
        return made
    hint = "is it a column of the case format, a remark, or to be ignored?"
    return replace(made, why="name not known", doubt=f"what is {made.written!r}? {hint}")


def _by_unit(made: Guess, names: Sequence[str]) -> Guess:
    fits = [name for name in names if _fits(made.unit, name)]
    if len(fits) == 1:
        return replace(made, name=fits[0], why=f"its unit {made.unit!r}")
    return replace(made, name="", doubt=f"is {made.written!r} {' or '.join(names)}?")


def _fits(unit: str, name: str) -> bool:
    try:
        affine(unit, DIMENSION[name])
    except (UnitError, KeyError):
        return False
    return True


def _checked(made: Guess) -> Guess:
    """Return the guess with a doubt where a unit is missing or of another dimension."""
    if made.name not in DIMENSION or _fits(made.unit, made.name):
        return made
    if not made.unit:
        return replace(made, doubt=f"which unit has {made.written!r}?")
    return replace(made, doubt=f"unit {made.unit!r} of {made.written!r} is not understood")


def _time(made: Guess, values: Sequence[Any]) -> Guess:
    """Return how the times of a column are written: as a number, a duration or a clock shows."""
    given = [value for value in values if filled(value)]
    given = [bare_of(value, made.unit) or value for value in given]
    if given and not any(map(is_reading, given)):
        words = f"how is {filled(given[0])[:40]!r} a time? 09:14:05 and 2026-02-11 09:14:05 are"
        return replace(made, doubt=words)
    if not given or not all(is_reading(v) and value_of(v) is None for v in given):
        return _checked(made)
    first = given[0]
    days = any(isinstance(v, datetime) or _clocked(v) for v in given)
    if days or (isinstance(first, (time, timedelta)) and _seconds(first) > 4 * 3600):
        return replace(made, unit="clock", why="clock times", doubt=BEGUN)
    if not isinstance(first, str) or first.count(":") == 2:
        if _seconds(first) > 4 * 3600:
            return replace(made, unit="clock", doubt=BEGUN)
        if isinstance(first, str) or any(_seconds(v) % 60 for v in given) or "h:mm:ss" in made.unit:
            return replace(made, unit="h:mm:ss", why="times h:mm:ss")
    if made.unit.lower() in CLOCKS:
        return made
    words = f"is 5:30 in {made.written!r} 5 h 30 min, so [h:mm:ss], or 5 min 30 s, so [m:ss]?"
    return replace(made, unit="", doubt=words)


def _clocked(value: Any) -> bool:
    """Return whether text is a clock time for certain: with its day, or with am and pm."""
    text = filled(value)
    if not isinstance(value, str) or len(text) < 7:
        return False
    try:
        return moment(text)[0] is not None or text[-1:] in "mM"
    except ClockError:
        return False


def _seconds(value: Any) -> float:
    if isinstance(value, timedelta):
        return value.total_seconds()
    if isinstance(value, time):
        return value.hour * 3600 + value.minute * 60 + value.second
    parts = [float(part.replace(",", ".")) for part in str(value).split(":")]
    return parts[0] * 3600 + parts[1] * 60 + (parts[2] if len(parts) > 2 else 0.0)


def _count(written: str, unit: str, index: int, group: str) -> Guess | None:
    """Return the guess of a column of counts, None where it is none."""
    side = side_of(written) or (side_of(group) if "stream" in group.lower() else "")
    bare = UPSTREAM.sub(" ", DOWNSTREAM.sub(" ", written))
    found = next((m for m in _SIZE.finditer(bare) if m["unit"] or m["more"] or m["c"]), None)
    found = found or (_SIZE.search(bare) if side_of(written) else None)
    others = ("differential pressure", "flow", "temperature")
    if not side or found is None or any(_fits(unit, name) for name in others):
        return None
    size, end = _real(found["size"]), found["end"] and _real(found["end"])
    form = "channel" if end else ""
    if found["more"] or found["plus"] or CUMULATIVE.search(written):
        form = "cumulative"
    elif not form and CHANNEL.search(written):
        form = "channel"
    if "um" in unit.replace("µ", "u").replace("μ", "u"):
        unit = ""
    within, above = PER_VOLUME.search(written), _volume_above(group, side)
    inside = within[0].strip() if within else above
    tail = not unit and bool(inside)
    unit = unit or inside
    doubt = "" if unit else f"per which volume are the counts of {written!r}?"
    if unit and not (is_per_sample(unit) or _counts(unit)):
        doubt = f"unit {unit!r} of {written!r} is not understood"
    elif above and not same_unit(unit, above):
        doubt = f"above {written!r} stands {above!r}, and beside it {unit!r}: which is it?"
    return Guess(
        written=written, index=index, name=side, unit=unit, tail=tail,
        size=(size, end or None), form=form, why="side and size in its name", doubt=doubt,
        calibrated=(found["c"] or "").lower() in {"(c)", "c"},
    )  # fmt: skip


def _counts(unit: str) -> bool:
    """Return whether a unit is one of counts in a volume."""
    try:
        affine(unit, "count concentration")
    except UnitError:
        return False
    return True


def _volume_above(group: str, side: str) -> str:
    """Return per which volume a title says that counts of a side are, '' where that is open."""
    told = {m[0].strip() for m in PER_VOLUME.finditer(group)}
    told = {each for each in told if not re.match("/|per|pro", each, re.I)}
    return told.pop() if len(told) == 1 and side_of(group) in {"", side} else ""


def side_of(text: str) -> str:
    """Return the side of the filter that a name says, '' where it says none, or both."""
    ways = (UPSTREAM.search(text), "upstream"), (DOWNSTREAM.search(text), "downstream")
    found = [name for match, name in ways if match]
    return found[0] if len(found) == 1 else ""


def _real(text: str) -> float:
    return float(text.replace(",", "."))
