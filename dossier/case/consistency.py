"""What must fit together between the two case files."""

import difflib
import re
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from datetime import date
from functools import partial
from pathlib import PurePosixPath

from dossier.case.application import Application, mark_of
from dossier.case.fields import SIDES
from dossier.case.model import Concession, Deviation, Laboratory, Qualification, RecordEntry
from dossier.case.problems import CaseProblem, Fault
from dossier.case.seen import A_PERSON, A_SENTENCE, NOBODY, names_somebody, plain, says_something

_in_case = partial(CaseProblem, "case.toml")
KNOWN_METHOD = "known method"
"""The rule whose deviation accepts a house method, which may be agreed before the test."""


def agreement_problems(
    application: Application, qualification: Qualification, own: Mapping[str, Application]
) -> Iterator[CaseProblem]:
    """Yield what is wrong with the deviations and concessions of a case.

    `own` are its applications by their marks, where it has several, and `application` all of them.
    """
    for number, deviation in enumerate(qualification.deviation, 1):
        for key, what, hint in _of_deviation(deviation, qualification):
            yield _in_case(f"deviation number {number}{key}", what, hint)
    for number, concession in enumerate(qualification.concession, 1):
        asked = own.get(concession.requirement.partition(" ")[0], application)
        known = [each.id for each in application.requirement]
        for key, what, hint in _of_concession(concession, asked, known, qualification):
            yield _in_case(f"concession number {number}{key}", what, hint)
    yield from _twice(qualification)


def empty_words(key: str, text: str, agreed_by: str) -> Iterator[Fault]:
    """Yield that the text under a key says nothing, or that nobody is named who agreed."""
    if not says_something(text):
        yield f" . {key}", f"{text[:60]!r} says nothing", A_SENTENCE
    if not names_somebody(agreed_by):
        yield " . agreed_by", f"{agreed_by[:60]!r} names nobody", A_PERSON


def _said(each: Deviation | Concession, issued: date | None) -> Iterator[Fault]:
    """Yield what is wrong with text, name and day of either."""
    yield from empty_words("text", each.text, each.agreed_by)
    if issued is not None and each.agreed > issued:
        what = f"is {each.agreed}, after the date of issue, {issued}"
        yield " . agreed", what, "what is agreed later belongs into the next revision"


def _of_deviation(each: Deviation, qualification: Qualification) -> Iterator[Fault]:
    yield from _said(each, qualification.issued)
    tested = {entry.id: entry.tested for entry in qualification.record}
    if each.record not in tested:
        what = f"names record {each.record!r}, which does not exist"
        yield "", what, f"records are {', '.join(sorted(tested))}"
    elif each.agreed < tested[each.record] and each.rule != KNOWN_METHOD:
        what = f"is {each.agreed}, before the test on {tested[each.record]} that it excuses"
        yield " . agreed", what, "give the day on which what was found at the test was accepted"
    if each.effect == "record excluded" and not says_something(each.cause):
        yield " . cause", f"{each.cause[:60]!r} is no physical cause", A_SENTENCE


def _of_concession(
    each: Concession, application: Application, known: list[str], qualification: Qualification
) -> Iterator[Fault]:
    yield from _said(each, qualification.issued)
    if each.requirement not in known:
        what = f"names requirement {each.requirement!r}, which does not exist"
        yield "", what, f"requirements are {', '.join(sorted(known))}"
    if each.until is not None and each.until < each.agreed:
        what = f"is {each.until}, before the day it was agreed on, {each.agreed}"
        yield " . until", what, "give the day on which it ends"
    first = min(entry.tested for entry in qualification.record)
    if each.agreed < application.issued:
        what = f"is {each.agreed}, before the application was issued, {application.issued}"
        yield " . agreed", what, "leave is given for requirements as they stand: agree on it again"
    elif each.agreed < first:
        what = f"is {each.agreed}, before the first test, {first}"
        yield " . agreed", what, "leave is given for what was found: agree on it after the tests"
    yield from _machines(each, application)


def _machines(each: Concession, application: Application) -> Iterator[Fault]:
    if each.machines and not application.equipment:
        hint = "name the machines of the application in its 'equipment'"
        yield " . machines", "cannot be checked: the application names no equipment", hint
        return
    names = ", ".join(map(repr, application.equipment))
    known = set(filter(plain, application.equipment))
    for machine in (name for name in each.machines if name not in known):
        near = difflib.get_close_matches(machine, application.equipment, n=1)
        meant = f"did you mean {near[0]!r}? " if near else ""
        hint = f"{meant}equipment of the application: {names}; narrow it further in the text"
        yield " . machines", f"{machine!r} is outside the application", hint


def _twice(qualification: Qualification) -> Iterator[CaseProblem]:
    """Yield what is agreed on twice, so that it is not clear who answers for it."""
    ruled = (each for each in qualification.deviation if each.rule)
    rules = Counter(f"rule {each.rule!r} of record {each.record!r}" for each in ruled)
    conceded = Counter(f"requirement {each.requirement!r}" for each in qualification.concession)
    one, less = "make one of them", "make one of them, or leave one out"
    for key, found, hint in (("deviation", rules, one), ("concession", conceded, less)):
        for what, times in found.items():
            if times > 1:
                yield _in_case(key, f"{what} has {times} {key}s", hint)


NEEDED = {
    "multipass": (
        "flow", "temperature", "injection_flow", "injection_concentration",
        "housing_pressure_drop", "terminal_pressure_drop", "sample_volume", "dust",
    ),
}  # fmt: skip
"""Conditions that a kind of record cannot do without."""
WRITE = {"dust": "; write dust = { kind = 'ISO 12103-1 A3', batch = '...' }"}
"""How to write those that need a word."""


def consistency_problems(
    application: Application, qualification: Qualification, own: Mapping[str, Application]
) -> Iterator[CaseProblem]:
    """Yield what does not fit: doubled or unknown identifiers, missing conditions, duty.

    `own` are the applications of the case by their files, and `application` all of them joined.
    """
    for kind in ("laboratory", "instrument", "fluid", "record"):
        yield from _doubled("case.toml", kind, [e.id for e in getattr(qualification, kind)])
    yield from _doubled("case.toml", "specimen", _specimens(qualification))
    yield from (*_one_house(qualification), *_dates(qualification), *_delivered(qualification))
    yield from _of_others(qualification)
    for file, each in own.items():
        yield from _consistency_twice(each, qualification)
        yield from application_problems(each, file)
        for entry in qualification.record:
            if entry.path == "fine" and each.circuit.arrangement == "full_flow":
                what = "is 'fine', which a circuit of arrangement 'full_flow' does not have"
                hint = "leave path out, or correct the arrangement of the circuit"
                yield _in_case(f"record {entry.id!r} . path", what, hint)
    yield from [each for e in qualification.record for each in _record(qualification, e)]
    marks = {mark_of(file): each for file, each in own.items()} if len(own) > 1 else {}
    yield from agreement_problems(application, qualification, marks)
    yield from _supported(application, qualification)


def application_problems(application: Application, file: str) -> list[CaseProblem]:
    """Return what does not fit inside the application alone, before there is a case."""
    doubled = _doubled(file, "requirement", [i.id for i in application.requirement])
    return [*doubled, *_duty(application, file)]


def _doubled(file: str, kind: str, names: Sequence[str]) -> Iterator[CaseProblem]:
    alike = {plain(name): name for name in names}
    for name, times in Counter(map(plain, names)).items():
        if times > 1:
            place = f"{kind} {alike[name]!r}"
            same = "occurs" if names.count(alike[name]) == times else "or what looks like it occurs"
            yield CaseProblem(file, place, f"{same} {times} times", "use each id once")


def _specimens(qualification: Qualification) -> list[str]:
    """Return each specimen of plan and records as it is spelled: once, or as often as one plan."""
    most = Counter({entry.specimen for entry in qualification.record if entry.specimen})
    for side in SIDES:
        most |= Counter(qualification.filter_of(side).specimens)
    return sorted(most.elements())


def _consistency_twice(
    application: Application, qualification: Qualification
) -> Iterator[CaseProblem]:
    """Yield evidence that is counted twice: one table, or one specimen, under two records."""
    files: dict[tuple[str, ...], str] = {}
    specimens: dict[tuple[str, ...], str] = {}
    for entry in qualification.record:
        table = (entry.file, *(f"{key} {value}" for key, value in sorted(entry.where.items())))
        if table in files:
            what = f"is {entry.file!r}, as in record {files[table]!r}"
            hint = "give each record its own file or sheet"
            yield _in_case(f"record {entry.id!r} . file", what, hint)
        files[table] = entry.id
        path = application.circuit.path_of(entry.path)
        key = (entry.kind, entry.filter, path, entry.specimen or "")
        if entry.kind in {"multipass", "pressure_drop"} and entry.specimen:
            if key in specimens:
                what = f"{entry.specimen!r} has a {entry.kind} record already, {specimens[key]!r}"
                hint = "one specimen counts once: name the other specimen, or leave one record out"
                yield _in_case(f"record {entry.id!r} . specimen", what, hint)
            specimens[key] = entry.id


def _of_others(qualification: Qualification) -> Iterator[CaseProblem]:
    """Yield readings whose rows, sheet or file bear the name of another specimen.

    A name such as "mp-c1" holds that of C1; one that holds two is of neither.  A CSV file has no
    sheet: what stands behind its name are cells.
    """
    known = {plain(name): name for name in _specimens(qualification) if any(map(str.isalpha, name))}
    for entry in qualification.record:
        name, _, place = entry.file.partition("#")
        file = PurePosixPath(name)
        sheet = place.partition("!")[0] if file.suffix.lower().startswith(".xls") else ""
        places = (*entry.where.values(), sheet, file.stem)
        told = {plain(each) for each in places}
        words = {word for each in told for word in re.findall(r"[^\W_]+", each)}
        held = {each for each in words & known.keys() if re.search(r"\d", each)} - told
        others = sorted(told & known.keys()) or (sorted(held) if len(held) == 1 else [])
        if entry.specimen and others and plain(entry.specimen) not in told | words:
            what = f"{entry.file!r} has by name the readings of {known[others[0]]!r}"
            yield _in_case(f"record {entry.id!r} . file", what, "name the place of this specimen's")


def _one_house(qualification: Qualification) -> Iterator[CaseProblem]:
    """Yield laboratories of one name and two ids: what they differ by is no other's.

    What a workbook or another dossier brings has the id behind which it adds its own name.
    """
    named: dict[str, Laboratory] = {}
    for each in qualification.laboratory:
        if plain(each.name) in NOBODY or not re.search(r"[^\W_]", each.name):
            what = f"{each.name[:60]!r} names no laboratory"
            yield _in_case(f"laboratory {each.id!r} . name", what, "give its name")
        first = named.setdefault(plain(each.name), each)
        if plain(first.id.partition(" (")[0]) != plain(each.id.partition(" (")[0]):
            what = f"{each.name[:60]!r} is the name of laboratory {each.id!r} as well"
            hint = "use one id for one laboratory; of two sites, name each"
            yield _in_case(f"laboratory {first.id!r} . name", what, hint)


def _dates(qualification: Qualification) -> Iterator[CaseProblem]:
    last = max(entry.finished or entry.tested for entry in qualification.record)
    due, issued = qualification.review_due, qualification.issued or last
    if due is not None and due < issued:
        what = f"is {due}, before the date of issue, {issued}"
        yield _in_case("review_due", what, "give the day of the next review")
    yield from ended(qualification, issued)
    if qualification.issued is not None and qualification.issued < last:
        what = f"is {qualification.issued}, before the last test on {last}"
        yield _in_case("issued", what, "give the date of issue, after the tests")


def ended(
    qualification: Qualification, day: date, called: str = "the date of issue"
) -> Iterator[CaseProblem]:
    """Yield evidence carried over that no longer counts on a day, and how that day is called."""
    for number, each in enumerate(qualification.carried, 1):
        if each.until < day:
            what = f"is {each.until}, before {called}, {day}"
            hint = "test anew what no longer counts"
            yield _in_case(f"carried number {number} . until", what, hint)


def _delivered(qualification: Qualification) -> Iterator[CaseProblem]:
    """Yield what was tested before it came, is of a lot not named, or was reported too early."""
    for each in qualification.specimen:
        place = f"specimen {each.id!r}"
        own = [r for r in qualification.record if (r.filter, r.specimen) == (each.filter, each.id)]
        first = min((r.tested for r in own), default=None)
        if first is not None and each.received is not None and first < each.received:
            what = f"is {each.received}, after its test on {first}"
            yield _in_case(f"{place} . received", what, "give the day it came on")
        lots = qualification.filter_of(each.filter).lots
        if each.lot.strip() and lots and plain(each.lot) not in map(plain, lots):
            what = f"{each.lot!r} is no lot of the {each.filter}"
            yield _in_case(f"{place} . lot", what, f"lots are {', '.join(lots)}")
    for house in qualification.laboratory:
        made = [r.finished or r.tested for r in qualification.record if r.laboratory == house.id]
        if house.reported is not None and made and house.reported < max(made):
            what = f"is {house.reported}, before its last test on {max(made)}"
            hint = "give the day of the report that holds these tests"
            yield _in_case(f"laboratory {house.id!r} . reported", what, hint)


def _record(qualification: Qualification, entry: RecordEntry) -> Iterator[CaseProblem]:
    place = f"record {entry.id!r}"
    named = {
        "laboratory": ({i.id for i in qualification.laboratory}, (entry.laboratory,)),
        "instruments": ({i.id for i in qualification.instrument}, entry.instruments),
        "fluid": ({i.id for i in qualification.fluid}, (entry.fluid,) if entry.fluid else ()),
    }
    for key, (known, used) in named.items():
        for name in used:
            if name not in known:
                hint = f"known: {', '.join(sorted(known)) or 'none'}"
                yield _in_case(f"{place} . {key}", f"{name!r} is not defined", hint)
    if entry.filter == "reference" and qualification.reference is None:
        yield _in_case(place, "is of the reference filter", "add [reference]")
    if entry.finished is not None and entry.finished < entry.tested:
        yield _in_case(place, "finished before it was tested", "check the dates")
    yield from _needs(entry, place)


def _supported(application: Application, qualification: Qualification) -> Iterator[CaseProblem]:
    """Yield what an attachment is said to support and does not exist."""
    parts = (qualification.record, qualification.instrument, application.requirement)
    known = {each.id for part in parts for each in part}
    for each in qualification.attachment:
        for name in each.supports:
            if name not in known:
                place = f"attachment {each.file!r} . supports"
                hint = "name a record, an instrument or a requirement by its id"
                yield _in_case(place, f"{name!r} is not defined", hint)


def _needs(entry: RecordEntry, place: str) -> Iterator[CaseProblem]:
    for key, word in (("specimen", "specimen"), ("fluid", "test fluid")):
        if entry.kind in {"multipass", "pressure_drop"} and getattr(entry, key) is None:
            yield _in_case(f"{place} . {key}", "is missing", f"name the {word}")
    for key in NEEDED.get(entry.kind, ()):
        if getattr(entry.conditions, key) is None:
            hint = f"a {entry.kind} record cannot be reduced without it{WRITE.get(key, '')}"
            yield _in_case(f"{place} . conditions . {key}", "is missing", hint)


def _duty(application: Application, file: str) -> Iterator[CaseProblem]:
    duty, circuit = application.duty, application.circuit
    if not duty.cold_start < duty.normal_oil <= duty.hot_oil:
        hint = "cold_start < normal_oil <= hot_oil"
        yield CaseProblem(file, "duty", "temperatures out of order", hint)
    flow, interval = circuit.rated_flow, duty.service_interval
    above = {"circuit . rated_flow": flow, "duty . service_interval": interval}
    for key, value in above.items():
        if not value > 0:
            yield CaseProblem(file, key, "is not above zero", "give the real value")
    share = circuit.partial_flow_share
    if share is not None and not 0 < share < 1:
        place = "circuit . partial_flow_share"
        yield CaseProblem(file, place, "not between 0 % and 100 %", "correct it")
