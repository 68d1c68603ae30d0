"""From tables that were found to the [[layout]] and [[record]] tables that read them."""

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from dossier.case.tables.raw_table import by_place, filled, lettered, turned_place
from dossier.case.tables.written import CLOCK, METHODS, STEMS, ClockError, lowered, moment
from dossier.case.toml_text import inline, quoted
from dossier.case.units import UnitError, affine
from dossier.start.found import Found, absent_words, cells_of
from dossier.start.guess import BEGUN, IGNORED, Guess, side_of, value_of
from dossier.start.questions import Ask

REMARK = "remark"
ASIDE = re.compile(
    r"(?i)(?:empty|bare)? ?housing (?:alone|only|empty)|(?:empty|bare) housing|"
    r"(?:without|no) (?:an? |the )?(?:filter )?element|valve test|opening pressure|"
    r"gehäuse (?:allein|leer)|leeres gehäuse|ohne (?:filter)?element|ventilprüfung|öffnungsdruck"
)
"""Titles of sweeps that are none of the clean filter."""
FORMS = ("cumulative", "channel")
HELP = {
    "form": "cumulative, or channel: each to the next size, the last without an upper end",
    "column": f"a name as in the case format with its unit, {REMARK}, or {IGNORED}",
    "start": "such as 09:14:00, or with its day 2026-02-11 09:14:00",
    "sizes": "um(c), or the older calibration: ISO 4402, um(b)",
    "side": "upstream or downstream",
    "id": "a record such as MP-C1",
    "kind": f"{', '.join(STEMS)}, or {IGNORED}",
    "specimen": f"candidate, reference, or {IGNORED}",
    "missing": "yes, or what it means",
}
"""What answers a kind of question."""


@dataclass(slots=True)
class Proposal:
    """How one table is read, as far as that is sure."""

    found: Found
    file: str
    """Where it stands, as a record names it."""
    person: Ask | None = None
    """Who answers questions; None where nobody is there."""
    layout: dict[str, Any] = field(default_factory=dict)
    record: dict[str, Any] = field(default_factory=dict)
    kind: str = ""
    sides: dict[str, str] = field(default_factory=dict)
    """The filter that each specimen is of."""
    open: list[str] = field(default_factory=list)
    """What is not sure, each with its cell."""

    def ask(self, place: str, words: str, kind: str) -> str:
        """Return the answer to a question, '' where nobody is there or none is given."""
        place = turned_place(place) if self.found.turned else place
        shown = f"{self.file}: {place}: {words}" if place else f"{self.file}: {words}"
        answer = self.person(f"{shown} ({HELP[kind]})") if self.person else ""
        if not answer.strip():
            self.open.append(f"{shown} Answer: {HELP[kind]}")
        return answer.strip()


def propose(found: Found, file: str, plan: Mapping[str, str], ask: Ask | None) -> Proposal:
    """Return how a table is read; `plan` says which filter each planned specimen is of."""
    made = Proposal(found, file, ask)
    names = 2 if found.names == 2 else None
    said = {"transposed": found.turned, "names": names, "units": found.units, "end": found.end}
    made.layout = {key: value for key, value in said.items() if value}
    made.layout["columns"] = {}
    made.layout |= {key: [] for key in ("remarks", "ignored", "carried", "missing")}
    words, kind = "which kind of record is this table?", found.kind
    if kind == "pressure_drop" and (aside := ASIDE.search(f"{found.sheet} {found.title}")):
        words = f"{aside[0]!r} stands above it: is it a sweep of filter and housing together?"
        kind = ""
    made.kind = kind or made.ask("", words, "kind")
    if made.kind not in STEMS:
        return made
    form, calibration = _form(made), _calibration(made)
    written = [lowered(column.written) for column in found.columns]
    for column in found.columns:
        twice = written.count(lowered(column.written)) > 1 or not column.written
        key = by_place(column.index, found.turned) if twice else column.written
        _column(made, column, key, (form, calibration))
    for word, place in absent_words(found).items():
        if made.ask(place, f"does {word!r} mean that nothing was measured?", "missing") == "yes":
            made.layout["missing"].append(word)
    if found.long:
        _long(made, calibration)
    _record(made, plan, calibration)
    made.layout = {key: value for key, value in made.layout.items() if value not in ({}, [])}
    return made


def _form(made: Proposal) -> str:
    """Return the form of counts whose names leave it open: asked once a table."""
    undecided = [c for c in made.found.columns if c.size and not c.form]
    sizes = [c for c in made.found.columns if c.name == "size"]
    if made.found.long and sizes:
        texts = [filled(cell) for cell in cells_of(made.found, sizes[0])]
        if any("-" in text or "to" in text for text in texts):
            return "channel"
        undecided = [] if all(text[:1] in ">≥" for text in texts) else sizes
    if not undecided:
        return "cumulative"
    doubt = "are the counts cumulative (of that size and larger) or by channel?"
    place = f"cell {lettered(undecided[0].index)}{made.found.head}"
    words = next((c.form_doubt for c in undecided if c.form_doubt), doubt)
    answer = made.ask(place, words, "form")
    return answer if answer in FORMS else _not_understood(made, answer)


def _not_understood(made: Proposal, answer: str) -> str:
    if answer:
        made.open.append(f"{made.file}: {answer!r} is no answer that is understood")
    return ""


def _calibration(made: Proposal) -> str:
    """Return the unit that sizes are written in, "um(c)" where the file or a person says so."""
    counts = [c for c in made.found.columns if c.size or (made.found.long and c.name == "size")]
    if all(c.calibrated or "(c)" in c.unit for c in counts):
        return "um(c)"
    words = "how was the counter calibrated?"
    answer = made.ask(f"cell {lettered(counts[0].index)}{made.found.head}", words, "sizes")
    return answer if answer in {"um(c)", "ISO 4402", "um(b)", ""} else _not_understood(made, answer)


def _column(made: Proposal, column: Guess, key: str, counts: tuple[str, str]) -> None:
    """Add one column to the layout, or what is not sure of it to what is open."""
    layout = made.layout
    place = f"cell {lettered(column.index)}{made.found.head}"
    if column.name == "remark":
        layout["remarks"].append(key)
    elif column.name == "specimen" and made.found.specimens:
        layout["carried"] += [key] if made.found.carried else []  # `where` takes it
    elif column.name == IGNORED:
        layout["ignored"].append(key)
    elif column.doubt and column.unit != CLOCK:
        answer = made.ask(place, column.doubt, "column")
        if answer in {IGNORED, REMARK}:
            layout["ignored" if answer == IGNORED else "remarks"].append(key)
        elif answer:
            layout["columns"][key] = answer
            if answer.endswith(f"[{CLOCK}]"):
                _start(made, place, BEGUN)
    elif column.size is not None:
        layout["columns"][key] = _count_name(made.found, column, counts)
    elif made.found.long and column.name in {"side", "size", "count"}:
        layout.setdefault("long", {})[column.name] = key
    elif column.unit == CLOCK or (column.name == "time" and column.unit == "h:mm:ss"):
        layout["columns"][key] = f"time [{column.unit}]"
        if column.unit == CLOCK:
            _start(made, place, column.doubt)
    elif lowered(column.written) != column.name or column.unit:
        layout["columns"][key] = column.name + _tail(column)


def _tail(column: Guess) -> str:
    """Return the unit that a layout has to name, since it stands within the name."""
    return f" [{column.unit}]" if column.tail else ""


def _start(made: Proposal, place: str, words: str) -> None:
    answer = made.ask(place, words, "start")
    try:
        moment(answer)
    except ClockError:
        _not_understood(made, answer)
    made.layout["start"] = answer


def _count_name(found: Found, column: Guess, counts: tuple[str, str]) -> str:
    """Return the name of a column of counts; a channel without an end reaches to the next size."""
    form, calibration = column.form or counts[0], counts[1]
    size, end = column.size or (0.0, None)
    unit = {"ISO 4402": "um"}.get(calibration, calibration)
    if form != "channel":
        return f"{column.name} {size:g} {unit}{_tail(column)}"
    larger = sorted(
        c.size[0] for c in found.columns if c.size and c.name == column.name and c.size[0] > size
    )
    end = end or (larger[0] if larger else None)
    reach = f"{size:g} to {end:g}" if end else f"above {size:g}"
    return f"{column.name} {reach} {unit}{_tail(column)}"


def _long(made: Proposal, calibration: str) -> None:
    """Say which side each sensor of a long table is."""
    column = next(c for c in made.found.columns if c.name == "side")
    sides: dict[str, str] = {}
    for word in dict.fromkeys(filter(None, map(filled, cells_of(made.found, column)))):
        place = f"column {lettered(column.index)}"
        answer = side_of(word) or made.ask(place, f"which side is {word!r}?", "side")
        if answer in {"upstream", "downstream"}:
            sides[word] = answer
    unit = {"ISO 4402": "um"}.get(calibration, calibration)
    made.layout["long"] |= {"unit": unit, "sides": sides}


def _record(made: Proposal, plan: Mapping[str, str], calibration: str) -> None:
    """Say what record a table is; `plan` says which filter a specimen is of."""
    found, record = made.found, {"kind": made.kind}
    record["standard"] = METHODS.get((made.kind, "full_flow"), "")
    made.sides = dict(plan)
    if made.kind in {"multipass", "pressure_drop"} and not found.specimens:
        words = f"{found.sheet} {found.title}"
        named = [n for n in plan if re.search(rf"(?<!\w){re.escape(n)}(?!\w)", words)]
        name = named[0] if len(named) == 1 else ""
        name = next((n for n in plan if lowered(n) == lowered(found.specimen)), name)
        answer = name or made.ask("", "of which record are these readings?", "id")
        record["specimen"] = answer.removeprefix(f"{STEMS[made.kind]}-")
    for name in found.specimens:
        if plan and name not in plan:
            made.sides[name] = made.ask("", f"is {name!r} a specimen?", "specimen")
    made.record = record
    if calibration not in {"um(c)", ""}:
        record["size_calibration"] = calibration


def records_of(made: Proposal, layout: str) -> Iterator[dict[str, Any]]:
    """Yield the records that a table is read as."""
    column = next((c for c in made.found.columns if c.name == "specimen"), None)
    for name in made.found.specimens or [made.record.get("specimen", "")]:
        side = made.sides.get(name, "candidate")
        if side == IGNORED:
            continue
        label = re.sub(r"[^A-Za-z0-9._-]+", "-", name or made.found.sheet)
        record = {"id": f"{STEMS[made.kind]}-{label}", **made.record, "filter": side}
        record |= {"specimen": name, "file": made.file, "layout": layout}
        if made.found.specimens and column is not None:
            record["where"] = {column.written: name}
        yield {key: value for key, value in record.items() if value != ""}


def completed(proposals: Sequence[Proposal]) -> list[tuple[Proposal, list[Proposal]]]:
    """Return each table that is a record by itself, with those that complete it.

    A run needs counts of both sides and a differential pressure.  What a table of counts lacks is
    taken from those of the same specimen, or of the only other ones; each table serves once.
    """
    runs = [p for p in proposals if p.kind == "multipass"]
    whole = [p for p in proposals if p not in runs or not _lacks(p)]
    parts = [p for p in runs if p not in whole]
    pairs: list[tuple[Proposal, list[Proposal]]] = [(p, []) for p in whole]
    for base in [p for p in parts if p.found.counted]:
        if any(base in others for _, others in pairs):
            continue
        missing, others = _lacks(base), list[Proposal]()
        free = [p for p in parts if p is not base and not any(p in o for _, o in pairs)]
        same = [p for p in free if lowered(p.found.specimen) == lowered(base.found.specimen)]
        for other in same or free:
            if missing & _gives(other) and not _gives(base) & _gives(other):
                others.append(other)
                missing -= _gives(other)
        if missing:
            what = f"no {' and no '.join(sorted(missing))}"
            base.open.append(f"{base.file}: {what}: take the file that holds it in the same call")
        pairs.append((base, others))
    for part in parts:
        if not any(part is base or part in others for base, others in pairs):
            part.open.append(f"{part.file}: readings without counts: take both files in one call")
    return pairs


RUN = frozenset({"upstream", "downstream", "differential pressure"})
"""What a run needs beside its times."""


def _gives(made: Proposal) -> set[str]:
    names = {column.name for column in made.found.columns}
    sides = {"upstream", "downstream"} if made.found.long else set()
    return (names | sides) & RUN


def _lacks(made: Proposal) -> set[str]:
    return set(RUN - _gives(made))


def step_of(made: Proposal) -> float:
    """Return the usual step between the times of a log [s]; NaN where it is not known."""
    column = next(c for c in made.found.columns if c.name == "time")
    cells = cells_of(made.found, column)
    try:
        factor = affine(column.unit, "time")[0]
        times = [factor * (value_of(cell) or 0.0) for cell in cells]
    except UnitError:
        times = [moment(cell)[1] for cell in cells if filled(cell)]
    return float(np.median(np.diff(times))) if len(times) > 1 else float("nan")


def toml_of(head: str, table: dict[str, Any]) -> str:
    """Return a table of case.toml as text, one key a line, its columns too."""
    lines = [f"\n[[{head}]]"]
    lines += [f"{key} = {inline(value)}" for key, value in table.items() if key != "columns"]
    if columns := table.get("columns"):
        lines += ["", f"[{head}.columns]"]
        lines += [f"{quoted(name)} = {quoted(read)}" for name, read in columns.items()]
    return "\n".join(lines) + "\n"
