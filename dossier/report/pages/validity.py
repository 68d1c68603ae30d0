"""Validity of the tests, instruments, the laboratory's remarks and deviations."""

import re
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from collections.abc import Set as AbstractSet
from dataclasses import dataclass, replace
from itertools import chain, zip_longest

from dossier.case.case import Case, Record
from dossier.case.model import Instrument
from dossier.decision.cautions import KINDS
from dossier.decision.conditions import on_file_text
from dossier.decision.finding import Assessment
from dossier.evidence.limits import Check
from dossier.report.blocks import Column, Fact, Line, Table, as_written, table_of
from dossier.report.format import NONE, SPACE, date_text, percent, speak, typed
from dossier.report.pages.places import CHECKS, named, runs_of
from dossier.report.pages.reading_notes import handed_in, reading_notes, report_lines
from dossier.report.running import in_print, retold
from dossier.system.grouped import grouped
from dossier.words import later, say

OUTCOMES = {
    later("met"): later("{number} met"),
    later("not met"): later("{number} not met"),
    later("warning"): later("{number} warning"),
    later("covered by a deviation"): later("{number} covered by a deviation"),
    later("not checked"): later("{number} not checked"),
    later("stated"): later("{number} stated"),
    later("does not apply"): later("{number} do not apply"),
}
"""Outcomes of a check, each with the words for a number of them."""
MARKS = {
    "met": "●", "does not apply": "–", "stated": "○", "warning": "▲", "covered by a deviation": "◆",
    "not checked": "?", "not met": "✕",
}  # fmt: skip
"""Mark of each outcome, the worse further on."""
NO_CHECK = "·"
"""Mark where a rule is none of the record."""
PLURAL = {
    "multipass": later("multi-pass runs"),
    "pressure_drop": later("flow sweeps"),
    "bypass_valve": later("bypass valve sweeps"),
    "measurement": later("measurements"),
    "inspection": later("inspections"),
}
ALL_OF = {
    "multipass": later("all {number} multi-pass runs"),
    "pressure_drop": later("all {number} flow sweeps"),
    "bypass_valve": later("all {number} bypass valve sweeps"),
    "measurement": later("all {number} measurements"),
    "inspection": later("all {number} inspections"),
}
"""All records of a kind."""
EFFECTS = (later("none"), later("widens uncertainty"), later("record excluded"))
"""Effects of a deviation, as said on the page."""
FEW = 7
"""Marks beside a rule for which three rules have room side by side, else two."""
PLAIN = ("met", "does not apply")
"""Outcomes that are not told check by check."""
_VARIES = re.compile(r"\w*\d(?:[\w.:/-]*\w)?")
"""What differs between remarks that are alike: numbers, days, names of specimens."""
MOST_REMARKS = 60
"""Remarks that are printed; the attached records hold every one."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ValidityPage:
    """Whether each test was run as its standard asks."""

    summary: str
    on_file: Table | None
    """What the application says otherwise than when it was asked; None where nothing."""
    notable: tuple[Fact, ...]
    rules: tuple[Table, ...]
    legend: str
    laboratories: tuple[Fact, ...]
    instruments: Table
    remarks: tuple[str | Line, ...]
    """In the laboratory's own words, with record and line."""
    handed_in: tuple[Table, ...]
    deviations: tuple[Fact, ...]
    left_out: Table


def validity_page(case: Case, assessment: Assessment) -> ValidityPage:
    """Return the section on validity as formatted text."""
    checks = assessment.checks
    rules = _rules(case, checks)
    return ValidityPage(
        summary=_summary(checks),
        on_file=_on_file(case),
        notable=tuple(_notable([each for each in checks if each.outcome not in PLAIN])),
        rules=rules,
        legend=_legend(rules, checks),
        laboratories=tuple(_laboratories(case)),
        instruments=_instruments(case),
        remarks=_remarks(case),
        handed_in=handed_in(case),
        deviations=tuple(_deviations(case)),
        left_out=_left_out(assessment),
    )


def _summary(checks: Sequence[Check]) -> str:
    counts = Counter(check.outcome for check in checks)
    outcomes = [say(OUTCOMES[outcome], number=n) for outcome, n in sorted(counts.items())]
    return say(
        "{checks} checks on {records} records: {outcomes}. A record that does not meet a "
        "mandatory rule, and is not covered by a recorded deviation, carries no result.",
        checks=len(checks),
        records=len({check.record for check in checks if check.record}),
        outcomes=", ".join(outcomes) or say("none"),
    )


def _on_file(case: Case) -> Table | None:
    """Return each field of the application that changed since laboratories were asked."""
    changes = case.on_file.changes if case.on_file else ()
    if not changes:
        return None
    return Table(
        caption=say("What the application says otherwise than when it was asked"),
        columns=(Column(say("Field"), 40), Column(say("As asked"), 30), Column(say("Now"), 30)),
        rows=tuple(
            (c.field, *(in_print(typed(e or "–")) for e in (c.before, c.after))) for c in changes
        ),
        note=f"{on_file_text(case).rstrip(':')}.",
    )


def _notable(checks: Iterable[Check]) -> Iterator[Fact]:
    """Yield what is not plainly met in full, a rule once with what was found of each record."""
    for (name, limit), told in grouped(map(_told, checks)).items():
        texts = (f"{named(records)}: {text}" for text, records in grouped(told).items())
        found = "; ".join(texts).rstrip(".")
        yield Fact(name, say("Asked: {limit}. Found: {found}.", limit=limit, found=found))


def _told(check: Check) -> tuple[tuple[str, str], tuple[str, str]]:
    """Return a rule with its outcome and limit, and what was found of which record."""
    name = say("{rule}, {outcome}", rule=say(check.rule), outcome=say(check.outcome))
    asked, was = retold(f"{check.limit}\n{check.found}").split("\n")  # in order, if turned
    limit = say("{limit} ({source})", limit=asked, source=speak(check.standard))
    covered = f". {speak(check.deviation)}" if check.deviation else ""
    return (name, limit), (f"{was}{covered}", check.record or say("whole case"))


Marks = dict[str, dict[str, list[Check]]]
"""Checks by rule and record."""


def _rules(case: Case, checks: Sequence[Check]) -> tuple[Table, ...]:
    """Return what every record meets, then a table a kind of record; the whole case's last."""
    of = {record.id: record.entry.kind for record in case.records}
    of_kind = grouped((of.get(check.record, ""), check) for check in checks)
    found = {kind: _by_rule(own) for kind, own in of_kind.items()}
    kinds = [kind for kind in KINDS if kind in found]
    first = found[kinds[0]] if len(kinds) > 1 else {}
    shared = {
        rule: group
        for rule, group in first.items()
        if all(_plain(found[kind].get(rule, {}), of, kind) for kind in kinds)
    }
    tables = [Table(caption=say("all records"), columns=(), rows=(), empty=_met(shared))]
    for kind in (*kinds, *([""] if "" in found else [])):
        own = {rule: group for rule, group in found[kind].items() if rule not in shared or not kind}
        tables.append(_matrix(case, kind, own))
    tables = tables if shared else tables[1:]
    if tables:
        tables[0] = replace(tables[0], id=CHECKS)
    return tuple(tables)


def _by_rule(checks: Iterable[Check]) -> Marks:
    rules = grouped((check.rule, check) for check in checks)
    return {rule: grouped((check.record, check) for check in own) for rule, own in rules.items()}


def _plain(group: Mapping[str, list[Check]], of: Mapping[str, str], kind: str) -> bool:
    """Return whether every record of a kind meets a rule."""
    every = {name for name, own in of.items() if own == kind} or {""}
    met = {name for name, checks in group.items() if _worst(checks) == MARKS["met"]}
    return met >= every


def _matrix(case: Case, kind: str, rules: Marks) -> Table:
    """Return a row a rule that some record does not plainly meet; the others under one mark."""
    found = [record.id for record in case.records if record.entry.kind == kind]
    ids = [name for _, members in runs_of(found) for name in members] or [""]
    of = dict.fromkeys(ids, kind)
    plain = {rule: group for rule, group in rules.items() if _plain(group, of, kind)}
    rows = [
        (_named(rule, group), "".join(_worst(group.get(name, ())) for name in ids))
        for rule, group in rules.items()
        if rule not in plain
    ]
    most, wide = (3, (24, 9)) if len(ids) <= FEW else (2, (28, 22))
    tall = -(-len(rows) // most)
    parts = [rows[start : start + tall] for start in range(0, len(rows), tall or 1)]
    beside, across = zip_longest(*parts, fillvalue=("", "")), len(parts)
    columns = (Column(say("Rule"), wide[0]), Column(say("Outcome"), wide[1])) * across
    what = say(PLURAL[kind]) if kind else say("whole case")
    return Table(
        caption=f"{what}: {named(ids)}" if kind else what,
        columns=columns,
        rows=tuple(tuple(chain(*each)) for each in beside),
        note=_met(plain),
        empty=_met(plain),
    )


def _met(rules: Marks) -> str:
    words = later("{mark} by every record: {rules}.")
    names = ", ".join(_named(rule, group) for rule, group in rules.items())
    return say(words, mark=MARKS["met"], rules=names) if names else ""


def _named(rule: str, group: Mapping[str, Iterable[Check]]) -> str:
    """Return the name of a rule, with a star where it only warns."""
    mandatory = any(check.mandatory for each in group.values() for check in each)
    return say(rule) if mandatory else f"{say(rule)}{SPACE}*"


def _worst(checks: Iterable[Check]) -> str:
    worst = max((check.outcome for check in checks), key=[*MARKS].index, default="")
    return MARKS.get(worst, NO_CHECK)


def _legend(rules: Iterable[Table], checks: Sequence[Check]) -> str:
    seen = {check.outcome for check in checks}
    marks = [f"{mark} {say(outcome)}" for outcome, mark in MARKS.items() if outcome in seen]
    if any(NO_CHECK in str(cell) for table in rules for row in table.rows for cell in row):
        marks.append(say("{mark} no rule of this record", mark=NO_CHECK))
    return say(
        "{marks}; a mark a record, in the order of the heading. *: the rule only warns. Limit, "
        "source and what was found of every check stand in the attached decision.json.",
        marks=", ".join(marks),
    )


def _laboratories(case: Case) -> Iterator[Fact]:
    """Yield each laboratory: its report, accreditation, and the methods that it lists."""
    reports = dict(report_lines(case))
    for each in case.qualification.laboratory:
        texts = (
            each.name,
            reports.get(each.id, ""),
            say("accreditation: {stated}", stated=each.accreditation or say(NONE)),
            say("lists {methods}", methods=", ".join(each.methods) or say("no method")),
        )
        yield Fact(say("Laboratory {name}", name=each.id), "; ".join(filter(None, texts)))


def _instruments(case: Case) -> Table:
    def used(each: Instrument) -> str:
        return _used([r.id for r in case.records if each.id in r.entry.instruments], case)

    return table_of(
        say("Instruments and their calibration"),
        case.qualification.instrument,
        (Column(say("Instrument"), 10), lambda e: e.id),
        (Column(say("Kind"), 17), lambda e: e.kind),
        (Column(say("Calibrated"), 10), lambda e: date_text(e.calibrated)),
        (Column(say("Due"), 10), lambda e: date_text(e.due)),
        (Column(say("Certificate"), 17), lambda e: e.certificate or say(NONE)),
        (Column(say("Stated standard uncertainty"), 17), _stated),
        (Column(say("Used in"), 19), used),
        note=say("Where no uncertainty is stated, the accuracy that the standard allows stands in.")
        if any(_stated(each) == say(NONE) for each in case.qualification.instrument)
        else "",
        empty=say("No instrument is named."),
    )


def _used(used: Sequence[str], case: Case) -> str:
    """Return the records an instrument was used in; all records of a kind are named as such."""
    if len(used) == len(case.records) > 1:
        return say("every record")
    texts, left = [], set(used)
    for kind in KINDS:
        own = [r.id for r in case.records if r.entry.kind == kind]
        if len(own) > 2 and left.issuperset(own):
            texts.append(say(ALL_OF[kind], number=len(own)))
            left.difference_update(own)
    rest = named(name for name in used if name in left)
    return ", ".join([*texts, *([rest] if rest else [])]) or say("not used")


def _stated(instrument: Instrument) -> str:
    texts = []
    if instrument.size_u is not None:
        texts.append(say("{share} of a count", share=percent(instrument.size_u, 1)))
    if instrument.diameter_u is not None:
        texts.append(say("{share} of a size", share=percent(instrument.diameter_u, 1)))
    if instrument.reading_u is not None:
        texts.append(say("{share} of a reading", share=in_print(typed(instrument.reading_u))))
    return "; ".join(texts) or say(NONE)


def _remarks(case: Case) -> tuple[str | Line, ...]:
    """Return the remarks of all records with their lines; what several say alike is said once."""
    said = grouped(each for record in case.records for each in _remarks_on(record))
    lines = [*_alike(said, {record.id for record in case.records})]
    left = len(lines) - MOST_REMARKS
    more = say("{left} further remarks are in the attached files.", left=left)
    return (*lines[:MOST_REMARKS], *([more] if left > 0 else []))


def _remarks_on(record: Record) -> Iterator[tuple[str, str]]:
    """Yield each remark on a record, and how it was read, with where that stands."""
    for remark in record.remarks:
        yield f"“{remark.text}”", f"{record.id}:{remark.cell or remark.row}"
    own = [f"“{speak(record.entry.remark)}”"] if record.entry.remark else []
    yield from ((text, record.id) for text in (*own, *reading_notes(record)))


def _alike(said: Mapping[str, Sequence[str]], everyone: AbstractSet[str]) -> Iterator[Line]:
    """Yield each remark with where it stands; those that differ in numbers and names together."""
    for frame, texts in grouped((_VARIES.sub("…", text), text) for text in said).items():
        if len(texts) > 2:
            each = "; ".join(
                f"{_at(said[t], everyone)} {' '.join(_VARIES.findall(t))}" for t in texts
            )
            yield Line((as_written(frame), f" ({each})"))
        else:
            for text in texts:
                yield Line((as_written(text), f" ({_at(said[text], everyone)})"))


def _at(places: Sequence[str], everyone: AbstractSet[str]) -> str:
    """Return where a remark stands; "every record" where that is so."""
    if len(everyone) > 2 and everyone <= {place.partition(":")[0] for place in places}:
        return say("every record")
    return ", ".join(places)


def _deviations(case: Case) -> Iterator[Fact]:
    """Yield each recorded deviation with its effect, its cause and who agreed to it."""
    for each in case.qualification.deviation:
        effect = say(each.effect)
        if each.u is not None:
            effect = f"{effect}: u = {percent(each.u, 1)}"
        words = later("{text} Effect: {effect}. Agreed by {name}, {day}.")
        told = [say(words, text=speak(each.text), effect=effect, name=each.agreed_by,
                    day=date_text(each.agreed))]  # fmt: skip
        if each.cause:
            told.append(say("Physical cause: {cause}", cause=speak(each.cause)))
        yield Fact(say("Deviation of {record}", record=each.record), " ".join(told))


def _left_out(assessment: Assessment) -> Table:
    bench = assessment.bench
    tables = (
        (say("cannot be reduced"), bench.unreduced),
        (say("not valid"), bench.unusable),
        (say("excluded by a deviation"), bench.excluded),
    )
    rows = [
        (record, word, retold(reason))
        for word, table in tables
        for record, reason in sorted(table.items())
    ]
    return Table(
        caption=say("Records that carry no result"),
        columns=(
            Column(say("Record"), 15),
            Column(say("Why"), 20),
            Column(say("Reason in full"), 65),
        ),
        rows=tuple(rows),
        empty=say("Every record carries results."),
    )
