"""What a case may not carry over: ends, ids, other filters, and changes that it does not name."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from typing import Any

from dossier.case.application import Application, Circuit
from dossier.case.change import BY_MAKER, Carried, Change
from dossier.case.consistency import A_PERSON, A_SENTENCE, names_somebody, plain, says_something
from dossier.case.whole import tables

SIDES = ("candidate", "reference")
Fault = tuple[str, str, str]
"""Key, what is wrong, what to do."""
Table = Mapping[str, Any]
ASKED = "write [change] with what = ['glue'], or what else it is, and text = '...'"
CONDITIONS = ("dust", "flow", "terminal_pressure_drop", "base_level", "criterion_flow")
"""Conditions that a method is agreed with."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Source:
    """The dossier that evidence is carried from, as its PDF tells it; nothing of it is proven."""

    file: str
    """The PDF, relative to the case folder."""
    content: bytes = field(repr=False, compare=False)
    sha256: str
    folder: str
    """Name of its case folder."""
    document: Table = field(repr=False)
    """Its case.toml, whole."""
    circuit: Circuit = field(repr=False)
    """That of its application."""
    carried: tuple[Carried, ...] = ()
    findings: tuple[Table, ...] = field(default=(), repr=False)
    """What it found of each requirement, as its decision.json says."""
    earlier: tuple["Source", ...] = ()
    """The dossier that it carries evidence from itself."""
    doubts: tuple[str, ...] = ()
    """What does not stop its evidence, and has to be said: codes of `make.carried`."""

    @property
    def name(self) -> str:
        """Return how it is called: number and revision."""
        return f"{self.document.get('number')} rev {self.document.get('revision')}"

    @property
    def records(self) -> frozenset[str]:
        """Return the records that are carried from it."""
        return frozenset(name for each in self.carried for name in each.records)

    def entry(self, record: str) -> Carried:
        """Return by which entry a record of it is carried."""
        return next(each for each in self.carried if record in each.records)

    def plan(self, side: str) -> frozenset[str]:
        """Return the specimens of its plan, and those that its records name, of one filter."""
        named = [r.get("specimen") for r in tables(self.document, "record") if of(r, side)]
        planned = tableof(self.document, side).get("specimens", ())
        return frozenset(str(name) for name in (*planned, *named) if name)

    def groups(self, side: str) -> Iterator[tuple[frozenset[str], frozenset[str]]]:
        """Yield the carried records and the plan of each dossier behind it, its own at the end."""
        records, plan = self.records, self.plan(side)
        for theirs, planned in (group for each in self.earlier for group in each.groups(side)):
            yield theirs & self.records, planned
            records, plan = records - theirs, plan - planned
        yield records, plan

    @property
    def gone(self) -> tuple[str, ...]:
        """Return the lots of the candidate from before a change that it named itself."""
        what = table_of(self.document, "change").get("what", ())
        changed = BY_MAKER.intersection(what)
        return tuple(
            lot
            for each in self.earlier
            for lot in (*each.gone, *(each.lots("candidate") if changed else ()))
        )

    def lots(self, side: str) -> tuple[str, ...]:
        """Return the lots of one filter: those it is said to have, and those of its specimens."""
        lots = (t.get("lot") for t in tables(self.document, "specimen") if of(t, side))
        return tuple(str(e) for e in (*table_of(self.document, side).get("lots", ()), *lots) if e)

    def ends(self) -> dict[str, date]:
        """Return until when it had records carried itself."""
        return {
            name: each["until"]
            for each in tables(self.document, "carried")
            for name in each["records"]
        }


def tableof(document: Table, key: str) -> dict[str, Any]:
    """Return the table under a key; an empty one where there is something else."""
    found = document.get(key)
    return found if isinstance(found, dict) else {}


def table_of(document: Table, key: str) -> dict[str, Any]:
    """Return the table under a key; an empty one where there is something else."""
    found = document.get(key)
    return found if isinstance(found, dict) else {}


def of(record: Table, side: str) -> bool:
    """Return whether a record is of one filter."""
    return bool(record.get("filter") == side)


def carrying_faults(own: Table, source: Source) -> Iterator[Fault]:
    """Yield what is wrong with carrying evidence from `source` into a case; `own` is without it."""
    change = table_of(own, "change")
    if not change:
        yield "change", "is missing: nothing says what changed", ASKED
    elif not says_something(str(change.get("text", ""))):
        yield "change . text", "does not say what changed, and why", A_SENTENCE
    if own.get("changes"):
        yield "changes", "stands beside [change]", "say it once: as text of [change]"
    yield from _replaced(own, source)
    yield from _entries(own, source)
    yield from _names(own, source)
    carried = [r for r in tables(source.document, "record") if r.get("id") in source.records]
    sides = [side for side in SIDES if any(r.get("filter") == side for r in carried)]
    for side in sides:
        yield from _filter(own, source, side, _named(own))
    yield from _methods(own, source)


def _named(own: Table) -> set[str]:
    return {str(each) for each in table_of(own, "change").get("what", ())}


def _replaced(own: Table, source: Source) -> Iterator[Fault]:
    """Yield that the dossier is not the one before this: another, or one superseded since."""
    theirs, number = source.document, plain(str(own.get("number")))
    said = plain(str(own.get("replaces", "")))
    hint = "carry evidence from the dossier that this one replaces: it says what still holds"
    if plain(str(theirs.get("number"))) == number:
        before = int(own.get("revision", 0)) - 1
        if theirs.get("revision") != before:
            what = f"is {source.name}, which revision {before} of {own.get('number')} supersedes"
            yield "carried . dossier", what, hint
    elif plain(source.name) != said:
        what = f"is {source.name}; the case replaces {own.get('replaces') or 'nothing'!s}"
        yield "replaces", what[:200], f'{hint}: replaces = "{source.name}"'


def _entries(own: Table, source: Source) -> Iterator[Fault]:
    """Yield what is wrong with single entries: their records, reasons and ends."""
    known = {str(r.get("id")) for r in tables(source.document, "record")}
    seen: set[str] = set()
    issued = _issued(own)
    for number, each in enumerate(source.carried, 1):
        place = f"carried number {number}"
        if not says_something(each.reason):
            yield f"{place} . reason", f"{each.reason[:60]!r} says nothing", A_SENTENCE
        if not names_somebody(each.agreed_by):
            yield f"{place} . agreed_by", f"{each.agreed_by[:60]!r} names nobody", A_PERSON
        for name in each.records:
            if name not in known:
                what = f"names {name!r}, which {source.name} does not have"
                yield f"{place} . records", what, f"records are {', '.join(sorted(known))}"
            if name in seen:
                yield f"{place} . records", f"names {name!r} again", "carry each record once"
            seen.add(name)
        if issued is not None and each.until < issued:
            what = f"is {each.until}, before the date of issue, {issued}"
            yield f"{place} . until", what, "test anew what no longer counts"
        for end, why in _latest(source, each.records):
            if each.until > end:
                what = f"is {each.until}, later than {end}, {why}"
                yield f"{place} . until", what, f"evidence does not grow younger: until = {end}"


def _issued(own: Table) -> date | None:
    days = [own.get("issued")] + [r.get("finished", r.get("tested")) for r in tables(own, "record")]
    return next((day for day in days[:1] if isinstance(day, date)), None) or max(
        (day for day in days if isinstance(day, date)), default=None
    )


def _latest(source: Source, records: tuple[str, ...]) -> Iterator[tuple[date, str]]:
    """Yield each day after which what is carried cannot count, and what ends there."""
    review, ends = source.document.get("review_due"), source.ends()
    if isinstance(review, date):
        yield review, f"the review of {source.name}"
    for name in records:
        if name in ends:
            yield ends[name], f"until when {source.name} itself carries {name}"


def _names(own: Table, source: Source) -> Iterator[Fault]:
    """Yield records and specimens of the case that go by the name of others that are carried."""
    for each in tables(own, "record"):
        if each.get("id") in source.records:
            what = f"is carried from {source.name} as well: which of them counts would not show"
            hint = "give the new record an id of its own; both count then"
            yield f"record {each['id']!r}", what, hint
    for each in tables(own, "deviation"):
        if each.get("record") in source.records:
            what = f"is of {each['record']!r}, which is carried from {source.name}"
            yield "deviation", what, "what was agreed there comes with it; nothing is agreed later"
    for side in SIDES:
        theirs = tables(source.document, "record")
        if not any(of(r, side) and r.get("id") in source.records for r in theirs):
            continue
        mine = {str(name) for name in table_of(own, side).get("specimens", ())}
        mine |= {str(r["specimen"]) for r in tables(own, "record")
                 if of(r, side) and r.get("specimen")}  # fmt: skip
        mine |= {str(t["id"]) for t in tables(own, "specimen") if of(t, side)}
        known = {plain(name) for name in source.plan(side)}
        for name in sorted(name for name in mine if plain(name) in known):
            what = f"{name!r} of the {side} is a specimen of {source.name}"
            yield f"{side} . specimens", what, "give what is tested now names of its own"


def _filter(own: Table, source: Source, side: str, named: set[str]) -> Iterator[Fault]:
    mine, theirs = table_of(own, side), table_of(source.document, side)
    for key in ("part_number", "maker"):
        if plain(str(mine.get(key, ""))) != plain(str(theirs.get(key, ""))):
            what = f"is {str(mine.get(key, ''))[:60]!r}, in {source.name} {theirs.get(key, '')!r}"
            yield f"{side} . {key}", what, "evidence of another filter is not carried: test anew"
    made = named & BY_MAKER if side == "candidate" else set()
    if mine.get("description", "") != theirs.get("description", "") and not made:
        what = f"is not that of {source.name}, {str(theirs.get('description', ''))[:80]!r}"
        hint = "name what the maker changed, as in what = ['medium'], or leave the text as it was"
        if side == "reference":
            hint = "another filter is fitted now: test it anew, or leave the text as it was"
        yield f"{side} . description", what, hint
    drawn = [str(t["lot"]) for t in tables(own, "specimen") if of(t, side) and t.get("lot")]
    lots = list(dict.fromkeys([*mine.get("lots", ()), *drawn]))
    yield from _lots(source, side, lots, bool(made), "lot" in named)


def _lots(source: Source, side: str, lots: list[str], made: bool, allowed: bool) -> Iterator[Fault]:
    """Yield lots that are new without a word, or old though the filter is said to be another."""
    before = {plain(each) for each in source.lots(side)}
    old = [each for each in lots if plain(each) in before]
    gone = [each for each in lots if plain(each) in map(plain, source.gone)]
    new = [each for each in lots if plain(each) not in before]
    place = f"{side} . lots"
    if gone and side == "candidate":
        what = f"{', '.join(gone)} was made before the change that {source.name} names"
        yield place, what, "name the lots that were made with it"
    elif made and old:
        what = f"{', '.join(old)} was made before the change: {source.name} tested it"
        yield place, what, "name the lots that were made with the change"
    elif made and not lots:
        hint = "name the lots that were made with the change"
        yield place, "are not named, so nothing shows that the new records are of it", hint
    elif new and not (made or allowed):
        what = f"{', '.join(new)}: no lot of {source.name}, and the change does not name it"
        yield place, what, "add 'lot' to what of [change]"


def valve_faults(
    application: Application, change: Change | None, sources: Sequence[Source]
) -> Iterator[Fault]:
    """Yield that the bypass valve is another than the carried evidence is of, without a word."""
    now, named = application.circuit.bypass_valve, change.what if change else ()
    for source in sources:
        then = source.circuit.bypass_valve
        ours = "filter" in {each.location for each in (now, then) if each}
        if now != then and ours and "valve" not in named:
            what = f"the filter's bypass valve in {source.name} opened otherwise: {then}"
            yield "change . what", what, "add 'valve' to what of [change]"


def _methods(own: Table, source: Source) -> Iterator[Fault]:
    """Yield tests that were made otherwise than those of the dossier before, without a word."""
    for kind, mine in _of_kinds(own).items():
        theirs = _of_kinds(source.document).get(kind, [])
        for needed, key in (("test method", _method), ("laboratory", _laboratory)):
            now = {key(own, r) for r in mine}
            then = {key(source.document, r) for r in theirs}
            mixed = any(r.get("id") in source.records for r in theirs)
            what = f"{' '.join(kind)}: {'; '.join(sorted(now - then))}; in {source.name} "
            what += "; ".join(sorted(then))
            if then and now - then and needed not in _named(own):
                yield "change . what", what, f"add {needed!r} to what of [change]"
            elif then and now - then and mixed and needed == "test method":
                hint = "results of two methods are not one sample: test all of that kind anew"
                yield "carried . records", what, hint


def _of_kinds(document: Table) -> dict[tuple[str, ...], list[Table]]:
    found: dict[tuple[str, ...], list[Table]] = {}
    for each in tables(document, "record"):
        key = (str(each.get("kind")), str(each.get("filter")), str(each.get("path", "full_flow")))
        family = str(each.get("standard")).partition(":")[0] if key[0] == "measurement" else ""
        found.setdefault((*key, *filter(None, (family,))), []).append(each)
    return found


def _method(document: Table, record: Table) -> str:
    """Return how a record was tested: its standard, and the conditions agreed with it."""
    held = table_of(record, "conditions")
    told = [f"{key.replace('_', ' ')} {_plain(held[key])}" for key in CONDITIONS if key in held]
    return ", ".join([str(record.get("standard")), *told])


def _plain(value: Any) -> str:
    """Return a condition without what does not tell methods apart: uncertainty, batch, zeros."""
    if isinstance(value, dict):
        value = value.get("value", value.get("kind"))
    number, _, unit = str(value).strip().partition(" ")
    try:
        return f"{float(number):g} {unit.strip()}"
    except ValueError:
        return str(value)


def _laboratory(document: Table, record: Table) -> str:
    known = {str(t.get("id")): str(t.get("name")) for t in tables(document, "laboratory")}
    return known.get(str(record.get("laboratory")), str(record.get("laboratory")))
