"""What an instrument of the case and its calibration certificate say, held against each other."""

from collections.abc import Iterator, Mapping, Sequence
from datetime import date
from typing import Any

import numpy as np

from dossier.case.case import Record
from dossier.case.certificate import DIMENSION, Certificate, Point, Relied
from dossier.case.model import Instrument, Qualification
from dossier.case.problems import CaseProblem, Fault
from dossier.case.records import MeasurementTable
from dossier.case.tables.written import MEASURED, lowered
from dossier.case.units import UnitError, from_si, parse_quantity, usual_unit

_SAME = 1 - 1e-9


def held_against(
    document: dict[str, Any], file: str, found: Certificate
) -> tuple[Relied, list[Fault]]:
    """Give an instrument what nobody typed of it; return that, and each key that differs.

    An uncertainty may be typed larger than the certificate's, for what came since; never smaller.
    """
    faults: list[Fault] = []
    taken: list[str] = []
    words = {"certificate": found.number, "calibrated_by": found.laboratory}
    for key, value in {**words, "kind": found.kind, "calibrated": found.ended}.items():
        if key not in document:
            document[key] = value
            taken.append(key)
        elif key in words and lowered(str(document[key])) != lowered(str(value)):
            faults.append(_differs(key, str(document[key]), file, str(value)))
    day = document["calibrated"]
    if type(day) is date and not found.begun <= day <= found.ended:
        days = dict.fromkeys([found.begun.isoformat(), found.ended.isoformat()])
        faults.append(_differs("calibrated", str(day), file, " to ".join(days)))
    reach: dict[str, float] = {}
    for key, dimension in _stated_keys(document):
        points = [p for p in found.points(dimension) if p.value > 0 or key == "reading_u"]
        if key in document:
            faults += _finer(key, document[key], dimension, file, points)
        elif points and not found.unclear:
            document[key] = _largest(points, dimension, relative=key != "reading_u")
            taken.append(key)
            reach |= {dimension: max(point.value for point in points)} if key == "reading_u" else {}
    name = str(document.get("id", ""))
    relied = Relied(instrument=name, file=file, certificate=found, taken=tuple(taken), reach=reach)
    return relied, faults


def _differs(key: str, typed: str, file: str, stated: str) -> Fault:
    what = f"is {typed[:100]!r}, and the certificate {file} says {stated[:100]!r}"
    return key, what, "correct it, or leave it out: it is taken from the certificate"


def _stated_keys(document: Mapping[str, Any]) -> Iterator[tuple[str, str]]:
    """Yield each key of an uncertainty that fits what an instrument measures, and its dimension."""
    measures = document.get("measures")
    known = measures if isinstance(measures, (list, tuple)) else []
    if "counts" in known:
        yield from (("size_u", "count concentration"), ("diameter_u", "length"))
    dimensions = {DIMENSION[each] for each in known if isinstance(each, str) and each in DIMENSION}
    if len(dimensions) == 1:
        yield "reading_u", dimensions.pop()


def _largest(points: Sequence[Point], dimension: str, *, relative: bool) -> str:
    """Return the largest uncertainty of all points, as case.toml states it."""
    if relative:
        return f"{100 * max(p.u / p.value for p in points):.9g} %"
    unit = usual_unit(dimension)
    return f"{from_si(max(point.u for point in points), unit, dimension):.9g} {unit}"


def _finer(
    key: str, typed: Any, dimension: str, file: str, points: Sequence[Point]
) -> Iterator[Fault]:
    """Yield that a typed uncertainty is smaller than the certificate's at one of its points."""
    share = isinstance(typed, str) and typed.strip().endswith("%")
    try:
        value = parse_quantity(typed, "fraction" if share else dimension)
    except UnitError:
        return  # told where the instrument is read
    known = [point for point in points if point.value > 0 or not share]
    worst = [p for p in known if p.u * _SAME > (value * p.value if share else value)]
    if worst:
        point = max(worst, key=lambda p: p.u / p.value if share else p.u)
        unit = usual_unit(dimension) if dimension != "length" else "mm"
        u = f"{from_si(point.u, unit, dimension):.4g} {unit}"
        stated = f"{100 * point.u / point.value:.4g} %" if share else u
        where = f"{from_si(point.value, unit, dimension):.4g} {unit}"
        what = f"is {typed!r}, finer than the certificate {file} states: {stated} at {where}"
        yield key, what, "state no less than the certificate, or leave it out: it is taken from it"


def read_beyond(
    qualification: Qualification, records: Sequence[Record], relied: Sequence[Relied]
) -> Iterator[CaseProblem]:
    """Yield each record that reads further than the uncertainty taken from a certificate holds.

    Temperatures are not held against it: their certificates are stated in degrees, without a zero
    from which they could be said to reach.
    """
    reach = {each.instrument: each for each in relied if each.reach}
    known = {each.id: each for each in qualification.instrument}
    for record in records if reach else ():
        tools = [known[name] for name in record.entry.instruments if name in known]
        for dimension, top in _read(record):
            of_it = [reach.get(t.id) for t in tools if dimension in _dimensions(t)]
            ends = [each.reach.get(dimension, np.inf) if each else np.inf for each in of_it]
            if ends and of_it[0] and top > max(ends):
                yield _short(record.id, of_it[0], dimension, top, max(ends))


def _dimensions(tool: Instrument) -> set[str]:
    """Return the dimensions of the columns that an instrument reads; what is injected has none."""
    read = set(tool.measures) - {"injection flow"}
    return {DIMENSION[each] for each in read if each in DIMENSION}


def _read(record: Record) -> Iterator[tuple[str, float]]:
    """Yield dimension and largest reading of each column that a reading instrument gave."""
    table = record.table
    columns = {"flow": "flow", "pressure_drop": "pressure"}
    found = [(getattr(table, name, None), of) for name, of in columns.items()]
    if isinstance(table, MeasurementTable):
        found += [(v, MEASURED[lowered(n)]) for n, v in zip(table.names, table.values, strict=True)]
    for values, dimension in found:
        if values is not None and np.isfinite(values).any():
            yield dimension, float(np.nanmax(np.abs(values)))


def _short(record: str, relied: Relied, dimension: str, top: float, end: float) -> CaseProblem:
    unit = usual_unit(dimension)
    read, held = (f"{from_si(value, unit, dimension):.4g} {unit}" for value in (top, end))
    what = f"reads up to {read}; certificate {relied.certificate.number!r} holds up to {held}"
    hint = f"state reading_u of instrument {relied.instrument!r}, with what it rests on beyond that"
    return CaseProblem("case.toml", f"record {record!r}", what, hint)
