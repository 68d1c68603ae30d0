"""What a decision rests on: instruments, lots, laboratories, records and the days of those."""

import hashlib
import posixpath
import re
from collections import defaultdict
from collections.abc import Collection, Iterable, Iterator, Mapping
from dataclasses import dataclass
from datetime import date
from typing import Any

from dossier.case.agreed import BY_MAKER, known_as
from dossier.case.compared import Source
from dossier.case.seen import lot_number, plain
from dossier.case.whole import tables
from dossier.record.dossier_file import DossierFile

KINDS = {
    "instrument": "Instruments",
    "certificate": "Certificates",
    "lot": "Lots",
    "specimen": "Specimens",
    "laboratory": "Laboratories",
    "standard": "Standards",
    "fluid": "Fluids",
    "requirement": "Requirements",
    "source": "Sources of requirements",
    "record": "Records",
} | dict.fromkeys(
    ("filter", "approved lot", "equipment", "calibration", "concession", "not conceded", "carried",
     "dossier", "table"), ""
)  # fmt: skip
"""What can be asked for, with its heading below a dossier; the others stand elsewhere.

`source` is the document that a requirement was taken from; concession, calibration and
carried evidence end on a day; a machine is not conceded where a concession that the approval needs
names others; `dossier` is one that records were carried from; `table` is the digest of what a
record was read from, under whatever name.
"""

BY_STEM = ("standard", "source", "certificate")
"""Kinds found by their beginning too: "ISO 4548-12" finds "ISO 4548-12:2017"."""
AFTER_STEM = ("", ":", ",", " ", "-", "(")
"""What may follow the beginning by which a standard, source or certificate is found."""


_DESIGNATION = re.compile(
    r"\b(?:ISO(?:/[A-Z]+)?|IEC|EN|DIN|ASTM|SAE|JCGM|ILAC)[ -][A-Z]{0,2}\d[\d.-]*(?::\d{4})?"
)
"""A standard as checks cite it, without clause and provenance."""


@dataclass(frozen=True, slots=True, order=True)
class Rest:
    """One thing that a decision rests on."""

    kind: str
    value: str
    requirements: tuple[str, ...]
    """Requirements whose findings use it; empty where it is listed but no finding uses it."""
    records: tuple[str, ...] = ()
    """Records that it was used in; of a record itself."""
    first: str = ""
    """Day of the first of these records, or since when it holds; ISO dates, empty if not known."""
    last: str = ""
    """Day on which the last of these records ended, or until when it holds."""

    def called(self, kind: str, value: str) -> bool:
        """Return whether it is of that kind and name; for some kinds the beginning is enough."""
        if self.kind != kind:
            return False
        given, text = folded(known_as(self.value)), folded(value)
        if kind == "dossier":
            number, _, revision = given.rpartition(" r")
            return text in (given, number, f"{number}-r{revision}")
        if kind == "lot":
            return lot_number(given) == lot_number(text)
        if kind not in BY_STEM:
            return given == text
        return given.startswith(text) and given[len(text) : len(text) + 1] in AFTER_STEM


def folded(text: str) -> str:
    """Return text for comparison, as `plain` does: a name that looks like another is that one."""
    quick = text.isascii() and text.isprintable()
    return " ".join(text.casefold().replace(".", " ").split()) if quick else plain(text)


def unread_inputs(dossier: DossierFile) -> str:
    """Return why it is not fully known what this decision rests on; empty when it is."""
    if dossier.case is None:
        return "its case.toml cannot be read"
    return "its application.toml cannot be read" if dossier.application is None else ""


def rests_on(dossier: DossierFile) -> tuple[Rest, ...]:
    """Return everything that the decision rests on, each with the requirements concerned.

    What is only listed (an instrument that no record used) is returned too: to look once too
    often does no harm.  A record that a deviation leaves out, and that no finding names, is none of
    those that were used.
    """
    left_out = {
        _text(each, "record")
        for each in tables(dossier.case or {}, "deviation")
        if _text(each, "effect") == "record excluded"
    } - _users(dossier).keys()
    users: dict[tuple[str, str], set[str]] = defaultdict(set)
    used: dict[tuple[str, str], set[str]] = defaultdict(set)
    for kind, value, requirements, records in (*_of_case(dossier), *_of_decision(dossier)):
        if value.strip():
            key = kind, " ".join(value.split())
            users[key] |= set(requirements)
            used[key] |= set(records) - left_out
    days = {
        _text(each, "id"): (first := _day(each, "tested"), _day(each, "finished") or first)
        for each in tables(dossier.case or {}, "record")
    }
    rests = (
        Rest(*key, _sorted(ids), _sorted(used[key]), *_span(days, used[key]))
        for key, ids in users.items()
    )
    return tuple(sorted({*rests, *_ends(dossier)}))


def _sorted(ids: Iterable[str]) -> tuple[str, ...]:
    """Return identifiers in order, each as one line."""
    return tuple(sorted({" ".join(each.split()) for each in ids} - {""}))


def _span(days: Mapping[str, tuple[str, str]], records: Iterable[str]) -> tuple[str, str]:
    """Return from when to when records were measured; empty where a day is not known."""
    own = [days[each] for each in records if each in days]
    if not own or not all(map(all, own)):
        return "", ""
    return min(first for first, _ in own), max(last for _, last in own)


def _ends(dossier: DossierFile) -> Iterator[Rest]:
    """Yield what ends on a day: calibrations, concessions that are used, evidence carried over."""
    case = dossier.case or {}
    used = {(each.requirement, each.concession) for each in dossier.decision.findings}
    for each in tables(case, "concession"):
        requirement = _text(each, "requirement")
        if (requirement, _text(each, "text")) in used:
            yield Rest("concession", requirement, (requirement,), last=_day(each, "until"))
            head = dossier.decision
            parts = (e for e in head.applications if requirement.startswith(f"{e.mark} "))
            machines = _texts(each, "machines")
            for machine in next(parts, head.application).equipment if machines else ():
                if machine not in machines:
                    yield Rest("not conceded", machine, (requirement,))
    for each in tables(case, "instrument"):
        days = _day(each, "calibrated"), _day(each, "due")
        yield Rest("calibration", _text(each, "id"), (), (), *days)
    for each in tables(case, "carried"):
        records = _sorted(_texts(each, "records"))
        yield Rest("carried", _text(each, "sha256"), (), records, last=_day(each, "until"))


_Use = tuple[str, str, Iterable[str], Iterable[str]]
"""Kind, value, the requirements and the records that use it."""


def _of_decision(dossier: DossierFile) -> Iterator[_Use]:
    decision = dossier.decision
    everything = [finding.requirement for finding in decision.findings]
    for finding in decision.findings:
        yield "requirement", finding.requirement, [finding.requirement], ()
        yield "source", finding.source, [finding.requirement], ()
    yield "filter", decision.case.candidate, everything, ()
    yield "filter", decision.case.reference or "", _with_reference(dossier), ()
    own = {mark: [f.requirement for f in found] for mark, _, found in decision.by_application}
    for asked in decision.applications:
        yield from (("equipment", each, own[asked.mark], ()) for each in asked.equipment)
    if not decision.applications:
        yield from (("equipment", each, everything, ()) for each in decision.application.equipment)
    users = _users(dossier)
    for check in decision.checks:
        for standard in _DESIGNATION.findall(check.standard) or [check.standard]:
            yield "standard", standard, users[check.record], ()


def _of_case(dossier: DossierFile) -> Iterator[_Use]:
    case = dossier.case or {}
    users, entries = _users(dossier), tables(case, "record")
    used: dict[tuple[str, str], list[str]] = defaultdict(list)
    for record in entries:
        name = _text(record, "id")
        named = [("instrument", each) for each in _texts(record, "instruments")]
        for kind in ("laboratory", "standard", "fluid", "specimen"):
            named.append((kind, _text(record, kind)))
        for key in (*named, ("record", name), ("table", _table_digest(dossier, record))):
            used[key].append(name)
            yield *key, users[name], (name,)
    words = {"instrument": ("certificate", "certificate"), "laboratory": ("laboratory", "name")}
    for kind, (called, name) in words.items():
        for each in tables(case, kind):
            ids = used[kind, _text(each, "id")]
            yield kind, _text(each, "id"), (), ()
            yield called, _text(each, name), {user for one in ids for user in users[one]}, ids
    yield from (("fluid", _text(each, "id"), (), ()) for each in tables(case, "fluid"))
    yield from _in_tables(dossier, case)
    yield from _lots(dossier, case)
    yield from _dossiers(dossier.carried, {_text(each, "id") for each in entries})
    for asked in dossier.applied.values():
        yield "fluid", _text(_table(asked or {}, "oil"), "description"), (), ()


def _table_digest(dossier: DossierFile, record: Mapping[str, Any]) -> str:
    """Return the SHA-256 of a record's file and of where in it the record stands; else nothing."""
    path, _, place = _text(record, "file").partition("#")
    own = dossier.decision.inputs.get(posixpath.normpath(f"{dossier.case_name}/{path}"))
    found = dossier.inside.get(path, own)
    table = repr((found, place, sorted(_table(record, "where").items())))
    return hashlib.sha256(table.encode()).hexdigest() if found else ""


def _in_tables(dossier: DossierFile, case: Mapping[str, Any]) -> Iterator[_Use]:
    """Yield the specimens of records that name them in their tables alone.

    Findings tell which; one that none tells of may hold any specimen of its filter.
    """
    rows = {(e.specimen, e.record) for f in dossier.decision.findings for e in f.behind}
    told, users = {record for _, record in rows}, _users(dossier)
    for each in tables(case, "record"):
        name, side = _text(each, "id"), _text(each, "filter")
        if name not in told and not _text(each, "specimen"):
            rows |= {(one, name) for one in _texts(_table(case, side), "specimens")}
    for one, record in rows:
        if one and record:
            yield "specimen", one, users[record], (record,)


def _dossiers(sources: Iterable[Source], records: Collection[str]) -> Iterator[_Use]:
    """Yield each dossier that some of the records came from, or through."""
    for each in sources:
        its = each.records & {*records}
        yield "dossier", f"{each.case.number} r{each.case.revision}", (), its
        yield from _dossiers(each.earlier, its)


def _lots(dossier: DossierFile, case: Mapping[str, Any]) -> Iterator[_Use]:
    """Yield the lots of both filters; of one that no specimen names, all records may be.

    Those from before a change of the filter are not among the approved ones.
    """
    made = not {*BY_MAKER}.isdisjoint(_texts(_table(case, "change"), "what"))
    before = (e.case.lots_of("candidate") if made else e.gone for e in dossier.carried)
    gone = {lot for lots in before for lot in lots}
    everything = [finding.requirement for finding in dossier.decision.findings]
    compared = _with_reference(dossier)
    for side, used in (("candidate", everything), ("reference", compared)):
        own = [each for each in tables(case, "specimen") if _text(each, "filter") == side]
        of_lot = {_text(each, "id"): _text(each, "lot") for each in own}
        records = [e for e in tables(case, "record") if _text(e, "filter") in ("", side)]
        found = [(_text(each, "id"), of_lot.get(_text(each, "specimen"))) for each in records]
        for lot in dict.fromkeys([*_texts(_table(case, side), "lots"), *of_lot.values()]):
            yield "lot", lot, used, [name for name, its in found if its in (None, "", lot)]
            if side == "candidate" and lot not in gone:
                yield "approved lot", lot, (), ()
        yield from (("specimen", each, (), ()) for each in _texts(_table(case, side), "specimens"))


def _users(dossier: DossierFile) -> Mapping[str, set[str]]:
    """Return record -> requirements whose findings use it."""
    users: dict[str, set[str]] = defaultdict(set)
    for finding in dossier.decision.findings:
        for record in finding.rests_on_records():
            users[record].add(finding.requirement)
    return users


def _with_reference(dossier: DossierFile) -> list[str]:
    """Return the requirements that are decided against the filter now fitted."""
    findings = dossier.decision.findings
    return [f.requirement for f in findings if f.limit.not_worse_than_reference is not None]


def _table(document: Mapping[str, Any], key: str) -> Mapping[str, Any]:
    found = document.get(key)
    return found if isinstance(found, dict) else {}


def _text(document: Mapping[str, Any], key: str) -> str:
    found = document.get(key)
    return found if isinstance(found, str) else ""


def _texts(document: Mapping[str, Any], key: str) -> list[str]:
    found = document.get(key)
    return [each for each in found if isinstance(each, str)] if isinstance(found, list) else []


def _day(document: Mapping[str, Any], key: str) -> str:
    found = document.get(key)
    return found.isoformat() if type(found) is date else ""
