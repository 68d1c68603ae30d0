"""Several applications of one filter: each decided by itself, then all as one."""

import math
from collections.abc import Callable, Hashable, Iterable, Iterator, Sequence
from dataclasses import replace
from datetime import date
from typing import TypeVar

from dossier.case.case import Case
from dossier.case.seen import plain
from dossier.decision.cautions import dropped
from dossier.decision.conditions import of_dropped, ran_out, valid_until, what_ends
from dossier.decision.finding import Assessment, Caution, Condition, Finding, decision_of
from dossier.decision.rules import VERDICTS, WORST, Verdict
from dossier.evidence.limits import Check
from dossier.system.grouped import grouped
from dossier.words import later, say

T = TypeVar("T", bound=Hashable)


def decided_together(case: Case, parts: Sequence[Assessment], on: date) -> Assessment:
    """Return what several applications give as one: approved only where each of them is.

    `parts` are decided by themselves, in the order in which the case names them; `on` is the day
    concessions are judged.  The decision is the worst of theirs, by the rule that gives each of
    them, over all their findings and conditions.
    """
    findings = tuple(finding for each in parts for finding in each.findings)
    told = _said_once([each.conditions for each in parts], _condition, parts)
    conditions = (*told, *_unfiled(case), *of_dropped(case))
    cautions = _said_once([each.cautions for each in parts], _caution, parts)
    more = (Caution(title=title, text=text, computed=True) for title, text in _also(case))
    decision, said = decision_of(findings, conditions), case.qualification
    return replace(
        leading(parts),
        findings=findings,
        decision=decision,
        conditions=conditions,
        parts=tuple(parts),
        checks=_said_once([each.checks for each in parts], _check, parts),
        cautions=(*cautions, *more),
        flips=tuple(flip for each in parts for flip in each.flips),
        valid_until=valid_until(decision, what_ends(findings, said), said.review_due)
        or ran_out(decision, findings, said.concession, on),
    )


def leading(parts: Sequence[Assessment]) -> Assessment:
    """Return the part that decides: of the worst decision, and the least certain of those."""
    return min(parts, key=lambda each: (WORST.index(each.decision), *_nearest(each), _mark(each)))


def _nearest(part: Assessment) -> tuple[int, float]:
    return min(nearness(finding) for finding in part.findings)


def nearness(finding: Finding) -> tuple[int, float]:
    """Return the order in which findings decide, the worst first; mandatory ones before others.

    Of equal verdicts the one that leaves the least of the risk that its own rule allows [-].
    """
    advisory = 10 if finding.demand.severity == "advisory" else 0
    chance = 2.0 if finding.probability is None else finding.probability
    spare = (chance - finding.demand.confidence) / (1.0 - finding.demand.confidence)
    return VERDICTS.index(finding.verdict) + advisory, spare


OF_DUTY = ("flow", "temperature", "hours")
"""Conditions by which the same question is asked of each machine."""


def binding(findings: Iterable[Finding]) -> list[tuple[Finding, tuple[Finding, ...]]]:
    """Return, for each question, the finding that binds and all that were asked the same.

    The same is asked where quantity and conditions are, flow, temperature and hours apart, which
    are those of each machine, and where both are mandatory or both are not.
    """
    groups: dict[tuple[object, ...], list[Finding]] = {}
    for each in findings:
        if each.verdict is not Verdict.NOT_APPLICABLE:
            at = ((k, v) for k, v in each.demand.at.items() if k not in OF_DUTY)
            key = (each.demand.quantity.name, *sorted(at), each.demand.severity)
            groups.setdefault(key, []).append(each)
    return [(min(group, key=_closest), tuple(group)) for group in groups.values()]


def _closest(finding: Finding) -> tuple[object, ...]:
    """Return `nearness`, and where it is the same the distance to what is accepted [its unit]."""
    found = finding.deciding
    ends = [end for end in (found.lower, found.upper) if end is not None] if found else []
    distance = min((abs(found.value - end) for end in ends if found), default=math.inf)
    return (*nearness(finding), distance, finding.demand.mark)


def _mark(part: Assessment) -> str:
    return part.bench.case.mark


def _said_once(
    told: Sequence[Sequence[T]], under: Callable[[T, Assessment], T], parts: Sequence[Assessment]
) -> tuple[T, ...]:
    """Return what all parts say once, and what only some say under the mark of each."""
    everyone = set(told[0]).intersection(*told[1:])
    pairs = ((one, part) for each, part in zip(told, parts, strict=True) for one in each)
    said = (one if one in everyone else under(one, part) for one, part in pairs)
    return tuple(dict.fromkeys(said))


def _named(text: str, part: Assessment) -> str:
    """Return a text under the mark of its application, unless a requirement in it bears it."""
    if any(finding.demand.id in text for finding in part.findings):
        return text
    return say("{mark}: {text}", mark=_mark(part), text=text)


def _condition(each: Condition, part: Assessment) -> Condition:
    return replace(each, text=_named(each.text, part))


def _check(each: Check, part: Assessment) -> Check:
    return replace(each, found=say("{mark}: {text}", mark=_mark(part), text=each.found))


def _caution(each: Caution, part: Assessment) -> Caution:
    return replace(each, title=_named(each.title, part))


def _unfiled(case: Case) -> Iterator[Condition]:
    """Yield each application of which nothing is on file, where others are."""
    days = [part.on_file.since for part in case.parts if part.on_file is not None]
    for part in case.parts if days else ():
        if part.on_file is None:
            words = later(
                "{mark}: no request is on file of it, where others are on file since {day}: "
                "nothing shows that it was asked before the first test"
            )
            yield Condition("late request", "", say(words, mark=part.mark, day=min(days)))


def _also(case: Case) -> Iterator[tuple[str, str]]:
    """Yield machines that several applications name, where each has to be met, and what is gone."""
    every = ((name, part.mark) for part in case.parts for name in part.application.equipment)
    for found in grouped((plain(each[0]), each) for each in every).values():
        if len(found) > 1:
            marks = ", ".join(mark for _, mark in found)
            words = later("{marks} name it: what each of them asks has to be met there.")
            title = say("Machine in several applications: {machine}", machine=found[0][0])
            yield title, say(words, marks=marks)
    yield from dropped(case)
