"""What results of different laboratories, or of different rigs of one, differ by."""

import math
from collections import Counter
from collections.abc import Iterator, Sequence

from dossier.case.case import Case
from dossier.case.model import RecordEntry, Reproducibility
from dossier.case.problems import CaseProblem
from dossier.evidence.bench import Bench
from dossier.evidence.limits import Limits
from dossier.evidence.quantities import all_quantities
from dossier.evidence.records.instruments import InputAccuracy, measures
from dossier.words import later, say

BETWEEN = later("between laboratories or rigs")
SECTIONS = {
    "counts": "efficiency",
    "injection flow": "capacity",
    "differential pressure": "pressure",
    "": "strength",
}
"""Measurand that decides a result -> section of the quantities whose reproducibility it has."""


def between(
    bench: Bench, entry: RecordEntry, measurand: str, among: Sequence[RecordEntry]
) -> InputAccuracy | None:
    """Return what a record's result may be off by as against other rigs, or None.

    `among` are the records that the result rests on, this one with them.  By itself a result
    carries it where its specimens were tested on rigs that have no instrument in common, as those
    of two laboratories; on a `compared` bench where both filters together were tested on more than
    one rig.  One alone adds nothing, as its instruments' errors are in the budget already.  As
    stated for the method, else the accuracy that stands in.
    """
    if bench.compared:
        rigs = rigs_of(bench.case, _alike(bench, entry), measurand)
    else:
        rigs = rigs_of(bench.case, among, "")
    if len(set(rigs.values())) < 2:
        return None
    known = _reproducibility(bench, entry, SECTIONS[measurand])
    return InputAccuracy(u=known[0], source=known[1], shared=f"rig {rigs[entry.id]}")


def _alike(bench: Bench, entry: RecordEntry) -> list[RecordEntry]:
    """Return the records of both filters that a result like that of `entry` rests on."""
    own = _what(entry)
    records = [each for each in bench.case.records if each.id not in bench.excluded]
    return [each.entry for each in records if _what(each.entry) == own]


def _what(entry: RecordEntry) -> tuple[str, ...]:
    """Return what tells results apart: what is measured once goes by its method."""
    method = entry.standard.partition(":")[0] if entry.kind == "measurement" else ""
    return entry.kind, entry.path, method


def rigs_of(case: Case, entries: Sequence[RecordEntry], measurand: str) -> dict[str, str]:
    """Return record -> rig: a laboratory, and the instruments that have the `measurand` in common.

    Records of one laboratory are of one rig if an instrument that measures it is in both, or in
    records that link them, or if neither names any instrument; empty, any instrument links them.
    """
    groups: list[tuple[str, set[str], list[str]]] = []
    for entry in entries:
        own = {each.id for each in case.instruments(entry) if measures(each, measurand)}
        own = own or set(entry.instruments)
        house = case.laboratory_of(entry)
        merged, apart = (house, own, [entry.id]), []
        for laboratory, used, records in groups:
            if laboratory == house and (used & own or not (used or own)):
                merged = (laboratory, merged[1] | used, [*records, *merged[2]])
            else:
                apart.append((laboratory, used, records))
        groups = [*apart, merged]
    rigs = Counter(laboratory for laboratory, _, _ in groups)
    return {
        record: laboratory if rigs[laboratory] == 1 else f"{laboratory}: {', '.join(sorted(used))}"
        for laboratory, used, records in groups
        for record in records
    }


def _reproducibility(bench: Bench, entry: RecordEntry, section: str) -> tuple[float, str]:
    """Return u [-] and where it comes from; the largest where several are stated."""
    every = bench.case.qualification.reproducibility
    stated = [e for e in every if e.method == entry.standard and _section(e) == section]
    if not stated:
        return stands_in(bench.limits, section), bench.limits.accuracy_source(_assumed(section))
    worst = max(stated, key=lambda each: each.u)
    words = later("reproducibility of {method}: {source}")
    return worst.u, say(words, method=worst.method, source=worst.source)


def _section(stated: Reproducibility) -> str:
    """Return the section of its quantity, or nothing where none of that name is known."""
    known = all_quantities().get(stated.quantity)
    return known.section if known else ""


def _assumed(section: str) -> str:
    return f"between laboratories: {section}"


def stands_in(limits: Limits, section: str) -> float:
    """Return what stands in where no reproducibility of a section's quantities is stated [-]."""
    return limits.accuracy[_assumed(section)] / math.sqrt(3.0)


def small_reproducibility(
    case: Case, limits: Limits
) -> Iterator[tuple[Reproducibility, float, float]]:
    """Yield each that is far below what stands in: with that figure, and its share of it [-]."""
    for each in case.qualification.reproducibility:
        if (section := _section(each)) in SECTIONS.values():
            usual = stands_in(limits, section)
            if each.u < limits.plausible["usual_reproducibility"] * usual:
                yield each, usual, each.u / usual


def reproducibility_problems(case: Case, limits: Limits) -> Iterator[CaseProblem]:
    """Yield a problem for each stated reproducibility of nothing that is known, or too small."""
    methods = sorted({record.entry.standard for record in case.records})
    for number, each in enumerate(case.qualification.reproducibility, 1):
        place = f"reproducibility number {number}"
        if _section(each) not in SECTIONS.values():
            fitting = [n for n, q in all_quantities().items() if q.section in SECTIONS.values()]
            what = f"quantity {each.quantity!r} is not one that a record is reduced to"
            yield CaseProblem("case.toml", place, what, f"such are {', '.join(fitting)}")
        if each.method not in methods:
            what = f"method {each.method!r} is that of no record"
            hint = f"methods of the records are {', '.join(methods)}"
            yield CaseProblem("case.toml", place, what, hint)
    for each, usual, share in small_reproducibility(case, limits):
        if share < limits.plausible["least_reproducibility"]:
            number = case.qualification.reproducibility.index(each) + 1
            place = f"reproducibility number {number} . u"
            what = f"is {100 * each.u:.2g} %; {100 * usual:.2g} % stand in where none is known"
            hint = "look at its unit in the study; leave the table out where none is known"
            yield CaseProblem("case.toml", place, what, hint)
