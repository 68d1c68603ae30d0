"""What evidence that is carried over may decide, and what has to be said of it."""

import math
from collections.abc import Iterator, Mapping
from dataclasses import replace
from typing import Any

from dossier.case.case import Case
from dossier.case.compared import Source
from dossier.decision.finding import Condition, Finding
from dossier.decision.rules import BETTER, Verdict
from dossier.evidence.requirement import Demand
from dossier.words import later, say

UNPROVEN = {
    "unsealed": later(
        "{source}: nobody sealed it: compare its SHA-256, in the table of evidence carried over, "
        "with that of the dossier as it was issued"
    ),
    "moved": later(
        "{source}: decided again by this version, its numbers, checks or conditions are others "
        "than it says"
    ),
    "reworded": later(
        "{source}: decided again by this version, cautions or sentences moved, no number"
    ),
}


def of_carried(case: Case) -> Iterator[Condition]:
    """Yield a condition for all evidence that is carried over, and for what is in doubt of it."""
    for source in case.carried:
        for each in source.carried:
            words = later(
                "{records}: carried over from {source} until {until}: {reason} [agreed by {by}]"
            )
            names, until, by = ", ".join(each.records), each.until, each.agreed_by
            said = {"records": names, "source": source.told, "reason": each.reason}
            text = say(words, until=until, by=by, **said)
            yield Condition("carried evidence", each.records[0], text)
        for code in source.doubts:
            text = say(UNPROVEN[code], source=source.told)
            yield Condition("unproven source", source.file, text)


MIXED = later(
    "specimens carried over and new ones are of several lots: what share of the population "
    "conforms needs specimens of one test"
)


def weighed(case: Case, finding: Finding) -> Finding:
    """Return the finding; not demonstrated where carried evidence cannot give what it says.

    What failed in the dossier that evidence is carried from does not pass by being carried: what
    changed of the question since, or of the program, is no evidence.  And few lots tell nothing of
    the share of a population.
    """
    rows = finding.estimate.per_specimen if finding.estimate else ()
    mixed = len({case.source(each.record) is None for each in rows}) > 1
    if finding.demand.basis == "population" and mixed:
        return _lost(finding, say(MIXED))
    used = told_rests(case, finding)
    for source in case.carried:
        alike = source.case.language == case.qualification.language
        before = _worst(source, finding, by_place=alike)
        if before is None or finding.verdict not in BETTER or not used or used - source.records:
            continue
        if BETTER.index(finding.verdict) > BETTER.index(before):
            words = later(
                "rests on evidence of {source} alone, by which it was: {before}; by the same "
                "evidence it is not found better: test it anew"
            )
            return _lost(finding, say(words, source=source.told, before=say(before.value)))
    return finding


def told_rests(case: Case, finding: Finding) -> set[str]:
    """Return the records behind a finding; of a result of several kinds all of these."""
    compared = finding.demand.not_worse is not None
    results = [finding.estimate, finding.reference if compared else None]
    kinds = finding.demand.quantity.records
    sides = ("candidate", "reference")[: 1 + compared]
    entries = [record.entry for record in case.records]
    known = {name for each in results if each for name in each.sources} & {e.id for e in entries}
    more = {e.id for e in entries if e.kind in kinds and e.filter in sides}
    return known | more if known and len(kinds) > 1 else known


def _lost(finding: Finding, reason: str) -> Finding:
    if finding.verdict is Verdict.NOT_APPLICABLE:
        return finding
    return replace(finding, verdict=Verdict.NOT_DEMONSTRATED, reason=reason, concession=None)


def _worst(source: Source, finding: Finding, *, by_place: bool) -> Verdict | None:
    """Return the verdict on a requirement; None if none.

    It is that of the very same one, of that id and limit.  Where there is none, another may have
    got its name: then the worst by id or by what is asked, at whatever limit.  Not `by_place`,
    conditions count as the same, since they are written in another language.
    """
    demand = finding.demand
    asked = [
        each if by_place else {**each, "at": demand.at_text}
        for each in source.findings
        if each.get("requirement") == demand.id
        or (
            each.get("quantity") == demand.quantity.name
            and (not by_place or (each.get("at") or "") == demand.at_text)
        )
    ]
    asked = [each for each in asked if _same(demand, each)] or asked
    found = (Verdict(str(each.get("verdict"))) for each in asked)
    return min((v for v in found if v in BETTER), key=BETTER.index, default=None)


def _same(demand: Demand, before: Mapping[str, Any]) -> bool:
    """Return whether a finding of decision.json is of that requirement, with its limits."""
    limit = before.get("limit", {})
    now = [None if end is None else demand.shown(end) for end in (demand.lower, demand.upper)]
    ends = dict(zip(("min", "max"), now, strict=True))
    if demand.not_worse is not None:
        ends = {}  # they are of what the reference showed
    ends["not_worse_than_reference"] = demand.not_worse
    words = (demand.id, demand.quantity.name, demand.at_text, demand.basis, demand.unit)
    told = ("requirement", "quantity", "at", "basis", "unit")
    return words == tuple(before.get(key) or "" for key in told) and all(
        _equal(end, limit.get(key)) for key, end in ends.items()
    )


def _equal(one: float | None, other: object) -> bool:
    """Return whether two limits are the same, ten digits written; None where there is none."""
    if one is None or not isinstance(other, float | int):
        return one is other
    return math.isclose(one, other, rel_tol=1e-8)
