"""What was changed, what is carried over from the dossier before, and what was tested anew."""

import math
from collections.abc import Iterator, Mapping
from dataclasses import replace
from typing import Any

from dossier.case.case import Case
from dossier.case.compared import Source
from dossier.case.units import affine
from dossier.decision.carried import told_rests
from dossier.decision.finding import Assessment, Finding
from dossier.evidence.reopened import reopening, reopens
from dossier.report.blocks import Column, Table, table_of
from dossier.report.format import date_text, speak
from dossier.report.pages.places import alike, named
from dossier.report.pages.results import result_text
from dossier.system.grouped import grouped
from dossier.words import later, say

CHANGED = {
    "medium": later("medium"), "glue": later("glue"), "end cap": later("end cap"),
    "support tube": later("support tube"), "inner seal": later("inner seal"),
    "gasket": later("gasket"), "valve": later("valve"),
    "anti-drain valve": later("anti-drain valve"), "can": later("can"), "plant": later("plant"),
    "lot": later("another lot"), "laboratory": later("another laboratory"),
    "test method": later("another test method"),
}  # fmt: skip


def change_text(case: Case) -> str:
    """Return what changed, its kinds first; empty where nobody says."""
    said = case.qualification
    kinds = ", ".join(say(CHANGED[each]) for each in (said.change.what if said.change else ()))
    return f"{kinds}: {speak(said.changed)}" if kinds else speak(said.changed)


def carried_table(case: Case, assessment: Assessment) -> Table | None:
    """Return what is carried over, by whom, why and until when; None where nothing is."""
    rows = [(each, source.told) for source in case.carried for each in source.carried]
    if not rows:
        return None
    return table_of(
        say("Evidence carried over, out of the attached PDF of the dossier before"),
        rows,
        (Column(say("Records"), 26), lambda e: named(e[0].records)),
        (Column(say("From"), 24), lambda e: e[1]),
        (
            Column(say("Why it still counts"), 38),
            lambda e: (speak(e[0].reason), say("[agreed by {by}]", by=e[0].agreed_by)),
        ),
        (Column(say("Until"), 12), lambda e: date_text(e[0].until)),
        note=" ".join([*_digests(case), _note(case, assessment)]),
    )


def _digests(case: Case) -> Iterator[str]:
    """Yield the whole digest of each dossier that evidence is carried over from."""
    for source in case.carried:
        yield say("{source}: SHA-256 {digest}.", source=source.told, digest=source.sha256)


def _note(case: Case, assessment: Assessment) -> str:
    """Return which requirements the change reopens, by whose judgement, and what rests on what."""
    reopened = reopening(case.qualification, assessment.bench.limits)
    asked = [f.demand for f in assessment.findings]
    words = grouped((what, d.id) for d in asked for what in reopens(d.quantity, reopened))
    told = [
        say("{change}: {requirements}", change=say(CHANGED[what]), requirements=named(ids))
        for what, ids in words.items()
    ]
    found = say(
        "Reopened, by this program's own judgement, and tested anew: {changes}.",
        changes="; ".join(told) or say("nothing"),
    )
    old, mixed = on_carried(case, assessment)
    return say(
        "{reopened} On carried evidence alone: {carried}. On new and carried: {mixed}. In the "
        "table of records what is carried is marked.",
        reopened=found, carried=named(old) or "–", mixed=named(mixed) or "–",
    )  # fmt: skip


def moved_text(case: Case, assessment: Assessment) -> str:
    """Return which results tested anew are others than the dossier before found; empty of none.

    Others are those apart by more than the root of the sum of squares of the half-widths that face
    each other (E_n above 1, ISO/IEC 17043, from memory).
    """
    old, _ = on_carried(case, assessment)
    told, still = list[str](), list[str]()
    for source in case.carried:
        for ids, group in alike(each for each in assessment.findings if each.demand.id not in old):
            before = _before(case, source, group[0])
            if before is not None and _apart(before, group[0]):
                pair = {"was": result_text(before), "now": result_text(group[0])}
                told.append(say("{names} from {was} to {now}", names=named(ids), **pair))
            elif before is not None:
                still += ids
        words = later(
            "Of results tested anew these moved since {source} by more than √(U² + U²) of both: "
            "{moved}; not these: {still}."
        )
        text = {"moved": "; ".join(told) or say("none"), "still": named(still) or "–"}
        return say(words, source=source.told, **text) if told or still else ""
    return ""


def _before(case: Case, source: Source, finding: Finding) -> Finding | None:
    """Return a finding with the result that decision.json has of its quantity and conditions.

    In another language conditions read otherwise; then the requirement's name tells them apart.
    """
    demand, same = finding.demand, source.case.language == case.qualification.language
    for each in sorted(source.findings, key=lambda e: e.get("requirement") != demand.id):
        where = (
            (each.get("at") or "", demand.at_text) if same else (each.get("requirement"), demand.id)
        )
        if each.get("quantity") == demand.quantity.name and where[0] == where[1]:
            return _as_found(finding, each)
    return None


def _as_found(finding: Finding, before: Mapping[str, Any]) -> Finding | None:
    """Return a finding with a result of decision.json; None where either is none, or a bound."""
    numbers = [before.get("value"), *(before.get("interval95") or [None])]
    estimate, bounds = finding.estimate, (before.get("bound"), finding.interval is None)
    if estimate is None or estimate.bound or any(bounds) or None in numbers:
        return None
    dimension = finding.demand.quantity.dimension
    factor, offset = (1.0, 0.0) if dimension == "size" else affine(before["unit"], dimension)
    low, middle, high = sorted(factor * number + offset for number in numbers)
    estimate = replace(estimate, value=middle)
    return replace(finding, estimate=estimate, interval=(low, high), deciding=None)


def _apart(one: Finding, other: Finding) -> bool:
    (low, (_, top)), (high, (end, _)) = sorted(
        (each.estimate.value, each.interval)
        for each in (one, other)
        if each.estimate is not None and each.interval is not None
    )
    return high - low > math.hypot(top - low, high - end)


def on_carried(case: Case, assessment: Assessment) -> tuple[list[str], list[str]]:
    """Return the requirements that rest on carried evidence alone, and those on some of it."""
    rests = {f.demand.id: told_rests(case, f) for f in assessment.findings}
    old = [name for name, used in rests.items() if used and all(map(case.source, used))]
    return old, [n for n, used in rests.items() if n not in old and any(map(case.source, used))]
