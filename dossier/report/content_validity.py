"""Validity of the tests, instruments, the laboratory's remarks and deviations."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from dossier.case.case import Case
from dossier.decision.finding import Assessment
from dossier.evidence.check import Check
from dossier.report.blocks import Cell, Column, Line, Table
from dossier.report.condense import condensed, named
from dossier.report.format import NONE, date_text, percent, speak
from dossier.report.places import CHECKS
from dossier.report.words import KINDS

__all__ = ["ValidityPage", "validity_page"]

MOST_REMARKS = 60
"""Records whose remarks are printed; the attached records hold every one."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ValidityPage:
    """Whether each test was run as its standard asks."""

    summary: str
    notable: Table
    rules: Table
    laboratories: Table
    instruments: Table
    remarks: Table
    deviations: Table
    left_out: Table


def validity_page(case: Case, assessment: Assessment) -> ValidityPage:
    """Return the section on validity as formatted text."""
    checks = assessment.checks
    return ValidityPage(
        summary=_summary(checks),
        notable=_notable([check for check in checks if check.outcome != "met"]),
        rules=_rules(checks),
        laboratories=_laboratories(case),
        instruments=_instruments(case),
        remarks=_remarks(case),
        deviations=_deviations(case),
        left_out=_left_out(assessment),
    )


def _summary(checks: Sequence[Check]) -> str:
    counts: dict[str, int] = {}
    for check in checks:
        counts[check.outcome] = counts.get(check.outcome, 0) + 1
    words = ", ".join(f"{number} {outcome}" for outcome, number in sorted(counts.items()))
    return (
        f"{len(checks)} checks on {len({c.record for c in checks if c.record})} records: "
        f"{words or 'none'}. A record that does not meet a mandatory rule, and is not covered by "
        "a recorded deviation, carries no result."
    )


def _notable(checks: Iterable[Check]) -> Table:
    rows = [
        (
            check.record or "whole case",
            check.rule,
            speak(check.limit),
            speak(check.found),
            (check.outcome, *((speak(check.deviation),) if check.deviation else ())),
        )
        for check in checks
    ]
    return Table(
        caption="Checks that were not met, gave a warning, were covered or could not be made",
        columns=(
            Column("Record", 12),
            Column("Rule", 18),
            Column("Limit", 25),
            Column("Found", 25),
            Column("Outcome", 20),
        ),
        rows=tuple(rows),
        empty="Every check was met.",
    )


def _rules(checks: Sequence[Check]) -> Table:
    groups: dict[tuple[str, str, str, bool], list[Check]] = {}
    for check in checks:
        key = (check.rule, check.limit, check.standard, check.mandatory)
        groups.setdefault(key, []).append(check)
    rows: list[tuple[Cell, ...]] = []
    for (rule, limit, standard, mandatory), group in groups.items():
        name = (rule, Line(("mandatory" if mandatory else "warns only",), small=True))
        source = Line((speak(standard),), small=True)
        rows.append((name, (speak(limit), source), _lines(group)))
    return Table(
        caption="Every check: rule, limit and where it is taken from, what was found",
        columns=(
            Column("Rule", 13),
            Column("Limit; its source and mark", 29),
            Column("Outcome: found (records)", 58),
        ),
        rows=tuple(rows),
        id=CHECKS,
        note="Mark: how firm the figure of the limit is. Seen: read in a published abstract or "
        "extract; memory: recalled, with the confidence stated; practice: common practice; own: "
        "set by this program. Whoever holds the standard can correct the figure.",
        empty="No check was made.",
    )


def _lines(group: Iterable[Check]) -> tuple[str, ...]:
    """Return what was found, said once for all the records it was found on."""
    outcomes: dict[str, list[tuple[str, str]]] = {}
    for check in group:
        found = (check.record or "whole case", speak(check.found))
        outcomes.setdefault(check.outcome, []).append(found)
    return tuple(
        f"{outcome}: {line}" for outcome, found in outcomes.items() for line in condensed(found)
    )


def _laboratories(case: Case) -> Table:
    rows = [
        (each.id, each.name, each.accreditation or NONE, ", ".join(each.methods) or NONE)
        for each in case.qualification.laboratory
    ]
    return Table(
        caption="Laboratories",
        columns=(
            Column("Laboratory", 10),
            Column("Name", 18),
            Column("Accreditation", 28),
            Column("Methods it lists", 44),
        ),
        rows=tuple(rows),
    )


def _instruments(case: Case) -> Table:
    rows: list[tuple[Cell, ...]] = []
    for each in case.qualification.instrument:
        used = [r.id for r in case.records if each.id in r.entry.instruments]
        rows.append(
            (
                each.id,
                each.kind,
                date_text(each.calibrated),
                date_text(each.due),
                each.certificate or NONE,
                _stated(each.size_u, each.reading_u),
                _used(used, case),
            )
        )
    return Table(
        caption="Instruments and their calibration",
        columns=(
            Column("Instrument", 9),
            Column("Kind", 17),
            Column("Calibrated", 10),
            Column("Due", 10),
            Column("Certificate", 15),
            Column("Stated standard uncertainty", 14),
            Column("Used in", 25),
        ),
        rows=tuple(rows),
        note="Where no uncertainty is stated, the accuracy that the standard allows stands in.",
        empty="No instrument is named.",
    )


def _used(used: Sequence[str], case: Case) -> str:
    """Return the records an instrument was used in; all records of a kind are named as such."""
    texts, left = [], set(used)
    for kind, words in KINDS.items():
        own = [r.id for r in case.records if r.entry.kind == kind]
        if len(own) > 2 and left.issuperset(own):
            texts.append(f"all {len(own)} {words}s")
            left.difference_update(own)
    rest = named(name for name in used if name in left)
    return ", ".join([*texts, *([rest] if rest else [])]) or "not used"


def _stated(size_u: float | None, reading_u: object) -> str:
    texts = []
    if size_u is not None:
        texts.append(f"{percent(size_u, 1)} of a count")
    if reading_u is not None:
        texts.append(f"{speak(str(reading_u))} of a reading")
    return "; ".join(texts) or NONE


def _remarks(case: Case) -> Table:
    """Return the remarks of each record by line; what most records say alike is said once."""
    said: dict[str, list[str]] = {}
    for record in case.records:
        for remark in record.remarks:
            said.setdefault(remark.text, []).append(record.id)
    common = {text: ids for text, ids in said.items() if len(set(ids)) > 2}
    rows = [(_who(ids, case), f"“{text}”") for text, ids in common.items()]
    for record in case.records:
        own = [f"{r.row}: “{r.text}”" for r in record.remarks if r.text not in common]
        if own:
            rows.append((record.id, "; ".join(own)))
    left = len(rows) - MOST_REMARKS
    return Table(
        caption="Remarks of the laboratory, in its own words, after the line of the record",
        columns=(Column("Record", 17), Column("Line: remark", 83)),
        rows=tuple(rows[:MOST_REMARKS]),
        note=f"Remarks of {left} further records are in the attached files." if left > 0 else "",
        empty="The laboratory made no remark.",
    )


def _who(ids: Sequence[str], case: Case) -> str:
    return "every record" if {r.id for r in case.records} <= set(ids) else named(ids)


def _deviations(case: Case) -> Table:
    rows: list[tuple[Cell, ...]] = []
    for each in case.qualification.deviation:
        effect = each.effect if each.u is None else f"{each.effect}: u = {percent(each.u, 1)}"
        rows.append(
            (each.record, speak(each.text), effect, speak(each.cause) or "–", each.agreed_by or "–")
        )
    return Table(
        caption="Recorded deviations",
        columns=(
            Column("Record", 12),
            Column("Deviation", 36),
            Column("Effect", 18),
            Column("Physical cause", 18),
            Column("Agreed by", 16),
        ),
        rows=tuple(rows),
        empty="No deviation was recorded.",
    )


def _left_out(assessment: Assessment) -> Table:
    bench = assessment.bench
    tables = (
        ("cannot be reduced", bench.unreduced),
        ("not valid", bench.unusable),
        ("excluded by a deviation", bench.excluded),
    )
    rows = [
        (record, word, speak(reason))
        for word, table in tables
        for record, reason in sorted(table.items())
    ]
    return Table(
        caption="Records that carry no result",
        columns=(Column("Record", 15), Column("Why", 20), Column("Reason in full", 65)),
        rows=tuple(rows),
        empty="Every record carries results.",
    )
