"""What a case may not carry over: ends, ids, other filters, and changes that it does not name."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from datetime import date
from typing import Any

from dossier.case.agreed import Carried
from dossier.case.application import Application, BypassValve, Circuit
from dossier.case.consistency import empty_words
from dossier.case.fields import SIDES
from dossier.case.model import Qualification, RecordEntry
from dossier.case.problems import Fault
from dossier.case.seen import A_SENTENCE, lot_number, plain, says_something
from dossier.case.units import from_si
from dossier.system.grouped import grouped
from dossier.words import later, say

CONDITIONS = {
    "flow": ("L/min", "flow"), "terminal_pressure_drop": ("kPa", "pressure"),
    "base_level": ("mg/L", "concentration"), "criterion_flow": ("L/min", "flow"),
}  # fmt: skip
"""Conditions that a method is agreed with, beside the dust: unit and dimension."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Source:
    """The dossier that evidence is carried from, as its PDF tells it; nothing of it is proven."""

    file: str
    """The PDF, relative to the case folder."""
    content: bytes = field(repr=False, compare=False)
    sha256: str
    folder: str
    """Name of its case folder."""
    case: Qualification = field(repr=False)
    """Its case.toml, with what it carries over itself."""
    circuits: tuple[Circuit, ...] = field(repr=False)
    """Those of its applications."""
    carried: tuple[Carried, ...] = ()
    findings: tuple[dict[str, Any], ...] = field(default=(), repr=False)
    """What it found of each requirement, as its decision.json says."""
    earlier: tuple["Source", ...] = ()
    """The dossier that it carries evidence from itself."""
    doubts: tuple[str, ...] = ()
    """What does not stop its evidence, and has to be said: codes of `make.read`."""

    @property
    def name(self) -> str:
        """Return how it is called: number and revision."""
        return f"{self.case.number} rev {self.case.revision}"

    @property
    def told(self) -> str:
        """Return its name as a page says it."""
        words = later("{number}, revision {revision}")
        return say(words, number=self.case.number, revision=self.case.revision)

    @property
    def records(self) -> frozenset[str]:
        """Return the records that are carried from it."""
        return frozenset(name for each in self.carried for name in each.records)

    def plan(self, side: str) -> frozenset[str]:
        """Return the specimens of its plan, and those that its records name, of one filter."""
        named = [r.specimen for r in self.case.record if r.filter == side and r.specimen]
        return frozenset((*self.case.filter_of(side).specimens, *named))

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
        made = self.case.remade
        lots = ((*e.gone, *(e.case.lots_of("candidate") if made else ())) for e in self.earlier)
        return tuple(lot for each in lots for lot in each)


def carrying_faults(own: Qualification, source: Source) -> Iterator[Fault]:
    """Yield what is wrong with carrying evidence from `source` into a case; `own` is without it."""
    if own.change is None:
        hint = "write [change] with what = ['glue'], or what else it is, and text = '...'"
        yield "change", "is missing: nothing says what changed", hint
    elif not says_something(own.change.text):
        yield "change . text", "does not say what changed, and why", A_SENTENCE
    yield from _replaced(own, source)
    yield from _entries(source)
    yield from _records(own, source)
    for side in SIDES:
        if any(r.filter == side and r.id in source.records for r in source.case.record):
            yield from _specimens(own, source, side)
            yield from _filter(own, source, side)
    yield from _methods(own, source)


def _replaced(own: Qualification, source: Source) -> Iterator[Fault]:
    """Yield that the dossier is not the one before this: another, or one superseded since."""
    hint = "carry evidence from the dossier that this one replaces: it says what still holds"
    if plain(source.case.number) == plain(own.number):
        if source.case.revision != own.revision - 1:
            later = source.case.revision >= own.revision
            before = f"revision {own.revision - 1} of {own.number}"
            what = "no earlier than this case" if later else f"which {before} supersedes"
            yield "carried . dossier", f"is {source.name}, {what}", hint
    elif plain(source.name) != plain(own.replaces):
        what = f"is {source.name}; the case replaces {own.replaces[:80] or 'nothing'}"
        yield "replaces", what, f'{hint}: replaces = "{source.name}"'


def _entries(source: Source) -> Iterator[Fault]:
    """Yield what is wrong with single entries: their records, reasons and ends."""
    known = {each.id for each in source.case.record}
    seen: set[str] = set()
    for number, each in enumerate(source.carried, 1):
        place = f"carried number {number}"
        for key, what, hint in empty_words("reason", each.reason, each.agreed_by):
            yield place + key, what, hint
        for name in each.records:
            if name not in known:
                what = f"names {name!r}, which {source.name} does not have"
                yield f"{place} . records", what, f"records are {', '.join(sorted(known))}"
            if name in seen:
                yield f"{place} . records", f"names {name!r} again", "carry each record once"
            seen.add(name)
        for end, why in _latest(source, each.records):
            if each.until > end:
                what = f"is {each.until}, later than {end}, {why}"
                yield f"{place} . until", what, f"evidence does not grow younger: until = {end}"


def _latest(source: Source, records: Sequence[str]) -> Iterator[tuple[date, str]]:
    """Yield each day after which what is carried cannot count, and what ends there."""
    if source.case.review_due is not None:
        yield source.case.review_due, f"the review of {source.name}"
    for each in source.case.carried:
        for name in sorted({*each.records} & {*records}):
            yield each.until, f"until when {source.name} itself carries {name}"


def _records(own: Qualification, source: Source) -> Iterator[Fault]:
    """Yield records of the case that go by the name of carried ones, and deviations of these."""
    for each in own.record:
        if each.id in source.records:
            what = f"is carried from {source.name} as well: which of them counts would not show"
            hint = "give the new record an id of its own; both count then"
            yield f"record {each.id!r}", what, hint
    for deviation in own.deviation:
        if deviation.record in source.records:
            what = f"is of {deviation.record!r}, which is carried from {source.name}"
            yield "deviation", what, "what was agreed there comes with it; nothing is agreed later"


def _specimens(own: Qualification, source: Source, side: str) -> Iterator[Fault]:
    """Yield specimens of the case that go by the name of one that was tested before."""
    mine = {r.specimen for r in own.record if r.filter == side and r.specimen}
    mine |= {*own.filter_of(side).specimens, *(s.id for s in own.specimen if s.filter == side)}
    known = set(map(plain, source.plan(side)))
    for name in sorted(name for name in mine if plain(name) in known):
        what = f"{name!r} of the {side} is a specimen of {source.name}"
        yield f"{side} . specimens", what, "give what is tested now names of its own"


def _filter(own: Qualification, source: Source, side: str) -> Iterator[Fault]:
    """Yield where a filter is another than before, or differs from it without a word."""
    mine, theirs = own.filter_of(side), source.case.filter_of(side)
    for key in ("part_number", "maker"):
        now, then = getattr(mine, key), getattr(theirs, key)
        if plain(now) != plain(then):
            what = f"is {now[:60]!r}, in {source.name} {then[:60]!r}"
            yield f"{side} . {key}", what, "evidence of another filter is not carried: test anew"
    made = bool(own.remade) and side == "candidate"
    if plain(mine.description) != plain(theirs.description) and not made:
        what = f"is not that of {source.name}, {theirs.description[:80]!r}"
        hint = "name what the maker changed, as in what = ['medium'], or leave the text as it was"
        if side == "reference":
            hint = "another filter is fitted now: test it anew, or leave the text as it was"
        yield f"{side} . description", what, hint
    for what, hint in _lots(own, source, side, made):
        yield f"{side} . lots", what, hint


def _lots(own: Qualification, source: Source, side: str, made: bool) -> Iterator[tuple[str, str]]:
    """Yield lots that are new without a word, or old though the filter is said to be another."""
    before, lots = set(map(lot_number, source.case.lots_of(side))), own.lots_of(side)
    earlier = set(map(lot_number, source.gone)) if side == "candidate" else set()
    gone = [lot for lot in lots if lot_number(lot) in earlier]
    old = [lot for lot in lots if lot_number(lot) in before]
    new = [lot for lot in lots if lot_number(lot) not in before]
    hint = "name the lots that were made with the change"
    if gone:
        yield f"{', '.join(gone)} was made before the change that {source.name} names", hint
    elif made and old:
        yield f"{', '.join(old)} was made before the change: {source.name} tested it", hint
    elif made and not lots:
        yield "are not named, so nothing shows that the new records are of it", hint
    elif new and not made and "lot" not in (own.change.what if own.change else ()):
        what = f"{', '.join(new)}: no lot of {source.name}, and the change does not name it"
        yield what, "add 'lot' to what of [change]"


def valve_faults(
    application: Application, own: Qualification, sources: Sequence[Source]
) -> Iterator[Fault]:
    """Yield that the bypass valve is another than the carried evidence is of, without a word."""
    now = application.circuit.bypass_valve
    for source in sources:
        then = [each.bypass_valve for each in source.circuits]
        ours = "filter" in {each.location for each in (now, *then) if each}
        known = dict.fromkeys(map(_valve, then))
        same = _valve(now) in known  # as told: 2.3 bar are 230 kPa, but for the last bit
        if not same and ours and "valve" not in (own.change.what if own.change else ()):
            what = f"of {application.title[:60]!r}: {_valve(now)}; in {source.name}: "
            what += "; ".join(known)
            yield "change . what", what, "add 'valve' to what of [change]"


def _valve(valve: BypassValve | None) -> str:
    """Return where a bypass valve is and at which pressures it opens."""
    if valve is None or valve.opening is None:
        return "no bypass valve"
    low, high = (from_si(p, "kPa", "pressure") for p in (valve.opening.min, valve.opening.max))
    return f"bypass valve in the {valve.location} opening at {low:.6g} to {high:.6g} kPa"


def _methods(own: Qualification, source: Source) -> Iterator[Fault]:
    """Yield tests that were made otherwise than those of the dossier before, without a word."""
    before, named = _of_kinds(source.case), own.change.what if own.change else ()
    for kind, mine in _of_kinds(own).items():
        theirs = before.get(kind, [])
        mixed = any(each.id in source.records for each in theirs)
        for needed, told in (("test method", _method), ("laboratory", _laboratory)):
            then = {told(source.case, each) for each in theirs}
            now = {told(own, each) for each in mine} - then
            if not (now and then):
                continue
            what = f"{' '.join(kind)}: {'; '.join(sorted(now))}; in {source.name} "
            what += "; ".join(sorted(then))
            if needed not in named:
                yield "change . what", what, f"add {needed!r} to what of [change]"
            elif mixed and needed == "test method":
                hint = "results of two methods are not one sample: test all of that kind anew"
                yield "carried . records", what, hint


def kind_of(entry: RecordEntry) -> tuple[str, ...]:
    """Return what tells kinds of evidence apart: what is measured once goes by its method."""
    method = [entry.standard.partition(":")[0]] if entry.kind == "measurement" else []
    return entry.kind, entry.filter, entry.path, *method


def _of_kinds(case: Qualification) -> dict[tuple[str, ...], list[RecordEntry]]:
    return grouped((kind_of(each), each) for each in case.record)


def _method(_: Qualification, entry: RecordEntry) -> str:
    """Return how a record was tested: its standard, and the conditions agreed with it."""
    told = [entry.standard]
    for key, (unit, dimension) in CONDITIONS.items():
        held = getattr(entry.conditions, key)
        if held is not None:
            value = from_si(getattr(held, "value", held), unit, dimension)
            told.append(f"{key.replace('_', ' ')} {value:.6g} {unit}")
    dust = entry.conditions.dust
    return ", ".join([*told, *([dust.kind] if dust else [])])


def _laboratory(case: Qualification, entry: RecordEntry) -> str:
    return next((e.name for e in case.laboratory if e.id == entry.laboratory), entry.laboratory)
