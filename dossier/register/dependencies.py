"""What a decision rests on: instruments, lots, laboratories, standards, requirements, fluids."""

import re
import unicodedata
from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from dossier.record.dossier_file import DossierFile

KINDS = (
    "instrument",
    "certificate",
    "lot",
    "laboratory",
    "standard",
    "requirement",
    "source",
    "fluid",
    "specimen",
    "record",
    "filter",
    "equipment",
)
"""What can be asked for; `source` is the document that a requirement was taken from."""

BY_STEM = ("standard", "source", "certificate")
"""Kinds found by their beginning too: "ISO 4548-12" finds "ISO 4548-12:2017"."""


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


def folded(text: str) -> str:
    """Return text for comparison: without case, forms of characters and runs of space."""
    return " ".join(unicodedata.normalize("NFKC", text).casefold().split())


def unread_inputs(dossier: DossierFile) -> str:
    """Return why it is not fully known what this decision rests on; empty when it is."""
    if dossier.case is None:
        return "its case.toml cannot be read"
    return "its application.toml cannot be read" if dossier.application is None else ""


def rests_on(dossier: DossierFile) -> tuple[Rest, ...]:
    """Return everything that the decision rests on, each with the requirements concerned.

    What is only listed (an instrument that no record used) is returned too: to look once too
    often does no harm.
    """
    users: dict[tuple[str, str], set[str]] = defaultdict(set)
    for kind, value, requirements in (*_of_case(dossier), *_of_decision(dossier)):
        if value.strip():
            users[kind, " ".join(value.split())] |= set(requirements)
    return tuple(sorted(Rest(*key, tuple(sorted(ids))) for key, ids in users.items()))


Found = tuple[str, str, Iterable[str]]


def _of_decision(dossier: DossierFile) -> Iterator[Found]:
    decision = dossier.decision
    everything = [finding.requirement for finding in decision.findings]
    for finding in decision.findings:
        yield "requirement", finding.requirement, [finding.requirement]
        yield "source", finding.source, [finding.requirement]
    yield "filter", decision.case.candidate, everything
    yield "filter", decision.case.reference or "", _with_reference(dossier)
    yield from (("equipment", each, everything) for each in decision.application.equipment)
    users = _users(dossier)
    for check in decision.checks:
        for standard in _DESIGNATION.findall(check.standard) or [check.standard]:
            yield "standard", standard, users[check.record]


def _of_case(dossier: DossierFile) -> Iterator[Found]:
    case, application = dossier.case or {}, dossier.application or {}
    users = _users(dossier)
    by_instrument: dict[str, set[str]] = defaultdict(set)
    by_laboratory: dict[str, set[str]] = defaultdict(set)
    for record in _tables(case, "record"):
        used = users[_text(record, "id")]
        for identifier in _texts(record, "instruments"):
            by_instrument[identifier] |= used
            yield "instrument", identifier, used
        by_laboratory[_text(record, "laboratory")] |= used
        for kind in ("laboratory", "standard", "fluid", "specimen"):
            yield kind, _text(record, kind), used
        yield "record", _text(record, "id"), used
    for each in _tables(case, "instrument"):
        used = by_instrument[_text(each, "id")]
        yield "instrument", _text(each, "id"), used
        yield "certificate", _text(each, "certificate"), used
    for each in _tables(case, "laboratory"):
        used = by_laboratory[_text(each, "id")]
        yield "laboratory", _text(each, "id"), used
        yield "laboratory", _text(each, "name"), used
    yield from (("fluid", _text(each, "id"), ()) for each in _tables(case, "fluid"))
    yield from _lots(dossier, case)
    yield "fluid", _text(_table(application, "oil"), "description"), ()


def _lots(dossier: DossierFile, case: Mapping[str, Any]) -> Iterator[Found]:
    everything = [finding.requirement for finding in dossier.decision.findings]
    compared = _with_reference(dossier)
    for side, used in (("candidate", everything), ("reference", compared)):
        yield from (("lot", lot, used) for lot in _texts(_table(case, side), "lots"))
        yield from (("specimen", each, ()) for each in _texts(_table(case, side), "specimens"))


def _users(dossier: DossierFile) -> Mapping[str, set[str]]:
    """Return record -> requirements whose findings use it."""
    users: dict[str, set[str]] = defaultdict(set)
    for finding in dossier.decision.findings:
        for record in finding.rests_on_records():
            users[record].add(finding.requirement)
    return users


def _with_reference(dossier: DossierFile) -> list[str]:
    """Return the requirements that are decided against the filter now fitted."""
    return [
        finding.requirement
        for finding in dossier.decision.findings
        if finding.limit.not_worse_than_reference is not None
    ]


def _tables(document: Mapping[str, Any], key: str) -> list[Mapping[str, Any]]:
    found = document.get(key)
    return [each for each in found if isinstance(each, dict)] if isinstance(found, list) else []


def _table(document: Mapping[str, Any], key: str) -> Mapping[str, Any]:
    found = document.get(key)
    return found if isinstance(found, dict) else {}


def _text(document: Mapping[str, Any], key: str) -> str:
    found = document.get(key)
    return found if isinstance(found, str) else ""


def _texts(document: Mapping[str, Any], key: str) -> list[str]:
    found = document.get(key)
    return [each for each in found if isinstance(each, str)] if isinstance(found, list) else []
