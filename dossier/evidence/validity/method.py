"""Rules of validity on the method of a record: known here, of lube filters, in the scope."""

from collections.abc import Iterator

from dossier.case.case import Case, Record
from dossier.case.problems import CaseProblem
from dossier.case.records import MeasurementTable
from dossier.evidence.limits import Limits
from dossier.evidence.registry import all_quantities
from dossier.evidence.spoken import record_of
from dossier.evidence.validity.check import Check
from dossier.evidence.validity.rules import Rule, Verdicts, apply_rules
from dossier.evidence.validity.standards import Method, method_of, read_as, same_method
from dossier.words import later, say

FAMILIES = {
    "lube": later("lube filters"),
    "hydraulic": later("hydraulic filters"),
    "fuel": later("fuel filters"),
    "air": later("air filters"),
}


def method_checks(case: Case, record: Record, limits: Limits) -> Iterator[Check]:
    """Return the checks on the method of a record.

    An inspection goes by a drawing and a plan of the house, for which there is no known method.
    """
    rules: dict[str, Rule] = {
        "method in scope of the laboratory": lambda _: _scope(case, record, limits)
    }
    if record.entry.kind != "inspection":
        method = method_of(record.entry.standard, limits.methods)
        fits = method is not None and _fits(case, record, method)
        rules["known method"] = lambda _: _known(case, record, limits, fits)
        if not fits:
            rules["method named by a requirement"] = lambda _: _named(case, record, limits)
        if method is not None:
            rules["filter family"] = lambda _: _family(case, record, limits, method)
            rules["edition of the method"] = lambda _: _edition(record, limits, method)
    return apply_rules(limits, record, rules)


def on_fine_path(case: Case, record: Record) -> bool:
    """Return whether a record is of the medium that oil takes back to the sump."""
    alone = case.application.circuit.arrangement == "partial_flow"
    return alone or record.entry.path == "fine"


def _fits(case: Case, record: Record, method: Method) -> bool:
    """Return whether a method stands for records of that kind, flow path and result."""
    if record.entry.kind not in method.kinds:
        return False
    if method.path and not on_fine_path(case, record):
        return False
    table = record.table
    return not isinstance(table, MeasurementTable) or set(table.names) <= set(method.results)


def _known(case: Case, record: Record, limits: Limits, fits: bool) -> Verdicts:
    named = read_as(record.entry.standard, limits.methods)
    if not fits:
        known = [each.standard for each in limits.methods if _fits(case, record, each)]
        words = say(
            "{method} is no known method for this {record}; known: {known}",
            method=record.entry.standard, record=record_of(record.entry.kind),
            known=", ".join(known) or say("none"),
        )  # fmt: skip
        return Verdicts(False, words)
    return Verdicts(True, str(named))


def edition_problems(case: Case, limits: Limits) -> Iterator[CaseProblem]:
    """Yield a problem for each method of a later year than its test: nobody followed it."""
    for record in case.records:
        named, year = read_as(record.entry.standard, limits.methods), record.entry.tested.year
        if named is not None and named.edition is not None and named.edition > year:
            what = f"{named} was not issued yet when the test was made, in {year}"
            place = f"record {record.id!r} . standard"
            yield CaseProblem("case.toml", place, what, "give the edition that was followed")


def _agreed_by(case: Case, record: Record, limits: Limits) -> list[str]:
    """Return the requirements that name the record's method and read its kind of record."""
    known = all_quantities()
    return [
        each.id
        for each in case.application.requirement
        if each.method.strip()
        and each.quantity in known
        and record.entry.kind in known[each.quantity].records
        and same_method(each.method, record.entry.standard, limits.methods)
    ]


def _named(case: Case, record: Record, limits: Limits) -> Verdicts:
    agreed = _agreed_by(case, record, limits)
    if agreed:
        return Verdicts(True, say("named by {requirements}", requirements=", ".join(agreed)))
    words = say("no requirement names {method} as its method", method=record.entry.standard)
    return Verdicts(False, words)


def _family(case: Case, record: Record, limits: Limits, method: Method) -> Verdicts:
    agreed = _agreed_by(case, record, limits) if method.family == "hydraulic" else []
    met = method.family == "lube" or _fits(case, record, method) or bool(agreed)
    words = say(
        "{method} is a method for {filters}",
        method=method.standard, filters=say(FAMILIES[method.family]),
    )  # fmt: skip
    return Verdicts(met, words)


def _edition(record: Record, limits: Limits, method: Method) -> Verdicts:
    named = read_as(record.entry.standard, limits.methods)
    assert named is not None
    due = max((y for y in method.editions if y < record.entry.tested.year), default=0)
    known = ", ".join(map(str, method.editions))
    if named.edition is None:
        return Verdicts(
            False,
            say("no edition stated; known: {known}. Give the one that was followed", known=known),
        )
    if named.edition not in method.editions:
        words = later(
            "edition {edition} is not known; known: {known}. Give the edition that was followed, "
            "or have a deviation from this rule agreed"
        )
        return Verdicts(False, say(words, edition=str(named.edition), known=known))
    if named.edition < due:
        words = later("edition {edition} was superseded by that of {newer}")
        return Verdicts(False, say(words, edition=str(named.edition), newer=str(due)), "warning")
    if named.amended:
        return Verdicts(False, say("with an amendment whose changes are not known here"), "warning")
    return Verdicts(True, str(named))


def in_scope(case: Case, record: Record, limits: Limits) -> bool:
    """Return whether the laboratory lists the record's method, in the same edition."""
    laboratory, standard = case.laboratory(record.entry.laboratory), record.entry.standard
    return any(same_method(each, standard, limits.methods) for each in laboratory.methods)


def _scope(case: Case, record: Record, limits: Limits) -> Verdicts:
    met = in_scope(case, record, limits)
    standard = record.entry.standard
    listed = ", ".join(case.laboratory(record.entry.laboratory).methods)
    if not listed:
        return Verdicts(met, say("{standard}; the laboratory lists none", standard=standard))
    words = say("{standard}; the laboratory lists {listed}", standard=standard, listed=listed)
    return Verdicts(met, words)
