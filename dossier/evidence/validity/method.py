"""Rules of validity on the method of a record: known here, of lube filters, in the scope."""

from collections.abc import Iterator

from dossier.case.case import Case, Record
from dossier.case.problems import CaseProblem
from dossier.case.records import MeasurementTable
from dossier.evidence.limits import Limit, Limits, Method, international, method_of, same_method
from dossier.evidence.quantities import all_quantities
from dossier.evidence.spoken import record_of
from dossier.evidence.validity.rules import Found, Held, Rules
from dossier.words import later, say

FAMILIES = {
    "lube": later("lube filters"),
    "hydraulic": later("hydraulic filters"),
    "fuel": later("fuel filters"),
    "air": later("air filters"),
}


def _fits(case: Case, record: Record, method: Method) -> bool:
    """Return whether a method stands for records of that kind, flow path and result."""
    path = case.application.circuit.path_of(record.entry.path)
    if record.entry.kind not in method.kinds or method.path not in {"", path}:
        return False
    table = record.table
    return not isinstance(table, MeasurementTable) or set(table.names) <= set(method.results)


def _method(held: Held) -> Method | None:
    """Return the known method of a record.

    An inspection goes by a drawing and a plan of the house, for which there is none.
    """
    if held.entry.kind == "inspection":
        return None
    return method_of(held.entry.standard, held.limits.methods)


def _unknown(held: Held) -> bool:
    """Return whether a method is asked for, and none that is known stands for the record."""
    method = _method(held)
    fits = method is not None and _fits(held.case, held.record, method)
    return not fits and held.entry.kind != "inspection"


def _known(held: Held, _: Limit) -> Found | None:
    methods, standard = held.limits.methods, held.entry.standard
    if held.entry.kind == "inspection":
        return None
    if not _unknown(held):
        return True, str(international(standard, methods))
    known = ", ".join(m.standard for m in methods if _fits(held.case, held.record, m))
    words = later("this {record} went by “{method}”, not by a method that is known for it: {known}")
    record = record_of(held.entry.kind)
    return False, say(words, method=standard, record=record, known=known or say("none"))


def edition_problems(case: Case, limits: Limits) -> Iterator[CaseProblem]:
    """Yield a problem for each method of a later year than its test: nobody followed it."""
    for record in case.records:
        named, year = international(record.entry.standard, limits.methods), record.entry.tested.year
        if named is not None and named.edition is not None and named.edition > year:
            what = f"{named} was not issued yet when the test was made, in {year}"
            place = f"record {record.id!r} . standard"
            yield CaseProblem("case.toml", place, what, "give the edition that was followed")


def _agreed_by(held: Held) -> list[str]:
    """Return the requirements that name the record's method and read its kind of record."""
    known, entry = all_quantities(), held.entry
    return [
        each.id
        for each in held.case.application.requirement
        if each.method.strip()
        and each.quantity in known
        and entry.kind in known[each.quantity].records
        and same_method(each.method, entry.standard, held.limits.methods)
    ]


def _named(held: Held, _: Limit) -> Found | None:
    if not _unknown(held):
        return None
    agreed = _agreed_by(held)
    if agreed:
        return True, say("named by {requirements}", requirements=", ".join(agreed))
    return False, say("no requirement names {method} as its method", method=held.entry.standard)


def _family(held: Held, _: Limit) -> Found | None:
    method = _method(held)
    if method is None:
        return None
    agreed = _agreed_by(held) if method.family == "hydraulic" else []
    met = method.family == "lube" or _fits(held.case, held.record, method) or bool(agreed)
    words = later("{method} is a method for {filters}")
    return met, say(words, method=method.standard, filters=say(FAMILIES[method.family]))


def _edition(held: Held, _: Limit) -> Found | None:
    method, named = _method(held), international(held.entry.standard, held.limits.methods)
    if method is None or named is None:
        return None
    due = max((y for y in method.editions if y < held.entry.tested.year), default=0)
    known = ", ".join(map(str, method.editions))
    if named.edition is None:
        words = later("no edition stated; known: {known}. Give the one that was followed")
        return False, say(words, known=known)
    if named.edition not in method.editions:
        words = later(
            "edition {edition} is not known; known: {known}. Give the edition that was followed, "
            "or have a deviation from this rule agreed"
        )
        return False, say(words, edition=str(named.edition), known=known)
    if named.edition < due:
        words = later("edition {edition} was superseded by that of {newer}")
        return "warning", say(words, edition=str(named.edition), newer=str(due))
    if named.amended:
        return "warning", say("with an amendment whose changes are not known here")
    return True, str(named)


def in_scope(case: Case, record: Record, limits: Limits) -> bool:
    """Return whether the laboratory lists the record's method, in the same edition."""
    laboratory, standard = case.laboratory(record.entry.laboratory), record.entry.standard
    return any(same_method(each, standard, limits.methods) for each in laboratory.methods)


def _scope(held: Held, _: Limit) -> Found:
    met, standard = in_scope(held.case, held.record, held.limits), held.entry.standard
    listed = ", ".join(held.case.laboratory(held.entry.laboratory).methods)
    words = later("{standard}; the laboratory lists {listed}")
    if not listed:
        words = later("{standard}; the laboratory lists none")
    return met, say(words, standard=standard, listed=listed)


RULES: Rules = {
    "method in scope of the laboratory": _scope,
    "known method": _known,
    "method named by a requirement": _named,
    "filter family": _family,
    "edition of the method": _edition,
}
