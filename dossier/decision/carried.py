"""What evidence that is carried over may decide, and what has to be said of it."""

from collections.abc import Iterator
from dataclasses import replace

from dossier.case.case import Case
from dossier.case.compared import Source
from dossier.decision.conditions import BETTER
from dossier.decision.finding import Condition, Finding
from dossier.decision.rules import Verdict
from dossier.words import later, say

UNPROVEN = {
    "unsealed": later("{source}: nobody sealed it; its digest alone tells it from another"),
    "moved": later("{source}: decided again by this version, its numbers are others than it says"),
}


def of_carried(case: Case) -> Iterator[Condition]:
    """Yield a condition for all evidence that is carried over, and for what is in doubt of it."""
    for source in case.carried:
        for each in source.carried:
            words = later("carried over from {source} until {until}: {records}: {reason}")
            text = say(
                words, source=source.name, until=each.until, records=", ".join(each.records),
                reason=each.reason,
            )  # fmt: skip
            yield Condition(kind="carried evidence", subject=each.records[0], text=text)
        for code in source.doubts:
            text = say(UNPROVEN[code], source=source.name)
            yield Condition(kind="unproven source", subject=source.file, text=text)


def no_better(case: Case, finding: Finding) -> Finding:
    """Return the finding; not demonstrated where the same evidence alone was found worse before.

    What failed in the dossier that evidence is carried from does not pass by being carried: what
    changed of the question since, or of the program, is no evidence.
    """
    used = {name for each in (finding.estimate, finding.reference) if each for name in each.sources}
    for source in case.carried:
        before = _worst(source, finding)
        if before is None or finding.verdict not in BETTER or not used or used - source.records:
            continue
        if BETTER.index(finding.verdict) > BETTER.index(before):
            words = later(
                "rests on evidence of {source} alone, by which it was: {before}; by the same "
                "evidence it is not found better: test it anew"
            )
            reason = say(words, source=source.name, before=say(before.value))
            lost = Verdict.NOT_DEMONSTRATED
            return replace(finding, verdict=lost, reason=reason, concession=None)
    return finding


def _worst(source: Source, finding: Finding) -> Verdict | None:
    """Return the worst verdict on a requirement, by its id or by what it asks; None if none."""
    demand = finding.demand
    asked = [
        Verdict(str(each.get("verdict")))
        for each in source.findings
        if each.get("requirement") == demand.id
        or (each.get("quantity"), each.get("at") or "") == (demand.quantity.name, demand.at_text)
    ]
    return min((v for v in asked if v in BETTER), key=BETTER.index, default=None)
