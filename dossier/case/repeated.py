"""One measurement must not count as two, nor one filter's specimen as another's."""

import hashlib
import math
import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import fields
from itertools import chain, combinations

import numpy as np
from numpy.typing import NDArray

from dossier.case.case import Record
from dossier.case.fields import SIDES
from dossier.case.model import Qualification
from dossier.case.problems import CaseProblem
from dossier.case.records import MeasurementTable, MultipassTable
from dossier.case.seen import lot_number, plain
from dossier.physics.values import Floats, printed_step

CURVES = frozenset({"multipass", "pressure_drop"})
"""Kinds whose tables are readings alone, which two tests never share to the last digit."""
SHARED = 0.5
"""Share of the readings of a multi-pass run that another must have for both to be one run."""
ALIKE = 3
"""How many times longer a run may be than the next for the two to be compared row by row."""
MOST_ROWS, HELD, APART, BY_CHANCE = 1000, 0.9, 0.5, 1e-12
"""Rows of two columns that are compared, share of them that are equal from which one was copied,
share below which rows next to each other are, and the chance that is taken for none."""
HINT = "hand in the readings of this test"


def repeated(records: Sequence[Record]) -> Iterator[CaseProblem]:
    """Yield the records whose readings are those of another, as on two sheets of a workbook.

    Of a multi-pass run it is enough that half of its rows are those of another, time aside.
    """
    curves = [record for record in records if record.entry.kind in CURVES]
    found: set[str] = set()
    told = (_the_same(curves), _nearly_the_same(curves), _of_another_run(curves))
    every = chain(*told, _same_results(records))
    for record, known, what in every:
        if record.id not in found:
            found.add(record.id)
            yield CaseProblem(record.place, "", f"{what} record {known.id!r}", HINT)


Told = Iterator[tuple[Record, Record, str]]
"""A record, an earlier one, and what the one has of the other, in words."""


def _apart(one: Record, other: Record) -> bool:
    """Return whether two records name different tables."""
    places = [(r.file, r.sheet, r.entry.file, r.entry.where) for r in (one, other)]
    return places[0] != places[1]


def _the_same(curves: Sequence[Record]) -> Told:
    """Yield each record that is the same as an earlier one."""
    first: dict[bytes, Record] = {}
    for record in curves:
        known = first.setdefault(_digest(record), record)
        if known is not record and _apart(known, record):
            yield record, known, "holds the same readings as"


def _digest(record: Record) -> bytes:
    """Return a digest of a record's readings."""
    digest = hashlib.sha256(record.entry.kind.encode())
    for each in fields(record.table):
        value = getattr(record.table, each.name)
        digest.update(each.name.encode())
        if isinstance(value, np.ndarray) and value.dtype.kind != "O":
            digest.update(np.ascontiguousarray(value).data)
        else:
            digest.update(repr(value).encode())
    return digest.digest()


def _nearly_the_same(curves: Sequence[Record]) -> Told:
    """Yield each run that shares rows with another."""
    runs = _comparable([each for each in curves if isinstance(each.table, MultipassTable)])
    if len(runs) < 2:
        return
    rows = [_row_marks(run.table) for run in runs if isinstance(run.table, MultipassTable)]
    of = np.array([len(each) for each in rows])
    owner, marks = np.repeat(np.arange(len(runs)), of), np.concatenate(rows)
    if not len(marks):
        return
    order = np.lexsort((owner, marks))
    owner, marks = owner[order], marks[order]
    starts = np.flatnonzero(np.concatenate([[True], marks[1:] != marks[:-1]]))
    first = np.repeat(owner[starts], np.diff(np.append(starts, len(marks))))
    shared = first != owner
    pairs, counts = np.unique(first[shared] * len(runs) + owner[shared], return_counts=True)
    for pair, count in zip(pairs.tolist(), counts.tolist(), strict=True):
        one, other = divmod(pair, len(runs))
        if count >= SHARED * min(of[one], of[other]) and _apart(runs[one], runs[other]):
            what = f"{count} of {of[other]} rows hold the same readings as rows of"
            yield runs[other], runs[one], what


def _comparable(runs: Sequence[Record]) -> list[Record]:
    """Return the runs that are not much longer or shorter than every other, in their order."""
    lengths = np.array([len(getattr(run.table, "time", ())) for run in runs])
    order = np.argsort(lengths, kind="stable")
    near = lengths[order][1:] <= ALIKE * lengths[order][:-1]
    kept = np.append(near, False) | np.insert(near, 0, False)
    return [runs[place] for place in sorted(order[kept[: len(order)]])]


def _row_marks(table: MultipassTable) -> NDArray[np.uint64]:
    """Return a number for each row that holds readings, the same for rows with the same ones."""
    single = (table.pressure_drop, table.flow, table.temperature)
    columns = [*single, *table.upstream.T, *table.downstream.T]
    columns = [each for each in columns if each is not None]
    marks = np.full(len(table.time), len(columns), dtype=np.uint64)
    read = np.zeros(len(table.time), dtype=bool)
    for column in columns:
        marks *= np.uint64(0x9E3779B97F4A7C15)  # 2^64 over the golden ratio; it wraps around
        marks ^= np.where(np.isnan(column), -1.0, column + 0.0).view(np.uint64)
        marks ^= marks >> np.uint64(32)
        read |= ~np.isnan(column)
    return marks[read]


def _of_another_run(records: Iterable[Record]) -> Told:
    """Yield runs with what they have of an earlier one: a column, or what was weighed and drawn.

    What a control holds agrees now and then: how often, the rows next to each other tell.  Of one
    batch for two runs the volumes differ.  Both paths of one specimen may be tested at once.
    """
    runs = [(each, each.table) for each in records if isinstance(each.table, MultipassTable)]
    for (known, first), (record, second) in combinations(runs, 2):
        if _specimen(known) == _specimen(record):
            continue
        for name in ("flow", "temperature"):
            if words := _copied(getattr(first, name), getattr(second, name)):
                yield record, known, f"has the {words} readings of {name} of"
        if (measured := _measured(record)) and measured == _measured(known):
            what = "has the concentrations and volume of the injection, and final level of"
            yield record, known, what


def _copied(one: Floats | None, other: Floats | None) -> str:
    """Return how many of the rows of two columns are equal, where that is no chance; else nothing.

    By the binomial law, at the share of rows that equal the row next to theirs in the other.
    """
    rows = 0 if one is None or other is None else min(len(one), len(other), MOST_ROWS)
    if one is None or other is None or rows < 2:  # no row has one next to it
        return ""
    a, b = one[:rows], other[:rows]
    equal = int((a == b).sum())
    next_to = max(float((a[1:] == b[:-1]).mean()), float((a[:-1] == b[1:]).mean()))
    if not (equal > HELD * rows and next_to < APART):
        return ""
    from scipy.special import bdtrc  # a tenth of a second that nearly no case needs here

    return f"{equal} of {rows}" if float(bdtrc(equal - 1, rows, next_to)) < BY_CHANCE else ""


def _same_results(records: Iterable[Record]) -> Told:
    """Yield measurements that have all results of an earlier one, by digits that chance has not.

    Specimens of one type differ by 2 % and more: two agree in a step of printing by its share.
    """
    first: dict[tuple[str, tuple[float, ...]], tuple[Record, Floats]] = {}
    for record in (each for each in records if each.entry.kind == "measurement"):
        table = record.table
        assert isinstance(table, MeasurementTable)
        for name, values, signs in zip(table.names, table.values, table.bounds, strict=True):
            key = name, tuple(np.sort(values).tolist())
            known, before = first.setdefault(key, (record, values))
            if known is record or any(signs) or not (values > 0).all():
                continue
            ways = 1 if np.array_equal(values, before) else math.factorial(len(values))
            if ways * _by_chance(values) < RARELY:
                yield record, known, f"has each {name} of"


def _by_chance(values: Floats) -> float:
    """Return how likely values as these are found again, in the steps that they are printed in."""
    step = printed_step(values)
    return float(np.minimum(1.0, step / (SCATTER * math.sqrt(4.0 * math.pi) * values)).prod())


SCATTER, RARELY = 0.02, 3e-5
"""Standard deviation among specimens that is taken for little [-], and the chance of a copy."""


def _specimen(record: Record) -> tuple[str, str]:
    return record.entry.filter, plain(record.entry.specimen or record.id)


def _measured(record: Record) -> tuple[float, ...]:
    """Return what is measured anew in each run; nothing where it may not have been."""
    conditions = record.entry.conditions
    level, left = conditions.injection_concentration, conditions.injection_volume
    final = conditions.final_concentration
    if level is None or left is None or final is None or level.start.value == level.end.value:
        return ()
    return level.start.value, level.end.value, left.end, final.value


def of_one_filter(qualification: Qualification) -> Iterator[CaseProblem]:
    """Yield records of a specimen that is known as one of the other filter, and as none of theirs.

    Two filters may number their specimens alike: then both were put to the same kind of test.
    """
    yield from _itself(qualification)
    told: set[tuple[str, str]] = {(plain(e.id), e.filter) for e in qualification.specimen}
    for each in SIDES:
        told |= {(plain(name), each) for name in qualification.filter_of(each).specimens}
    tested: dict[tuple[str, str], set[tuple[str, str]]] = {}
    for entry in qualification.record:
        named = plain(entry.specimen or ""), entry.filter
        tested.setdefault(named, set()).add((entry.kind, entry.path))
    for entry in qualification.record if qualification.reference else ():
        name, side = plain(entry.specimen or ""), entry.filter
        other = name, "reference" if side == "candidate" else "candidate"
        known = other in told | tested.keys() and (name, side) not in told
        if name and known and tested[name, side].isdisjoint(tested.get(other, ())):
            what = f"is the {side}, and {entry.specimen!r} is a specimen of the {other[1]}"
            place = f"record {entry.id!r} . filter"
            yield CaseProblem("case.toml", place, what, "say whose specimen it is")


def _itself(qualification: Qualification) -> Iterator[CaseProblem]:
    """Yield that the candidate is the filter now fitted: of one lot, or with nothing changed."""
    new, old = qualification.candidate, qualification.reference
    own, fitted = ({*map(lot_number, qualification.lots_of(s))} for s in SIDES)
    for lot in sorted(own & fitted):
        hint = "name the lots of each; where two makers number alike, write the maker with them"
        yield CaseProblem("case.toml", "reference . lots", f"{lot!r} is the candidate's too", hint)
    if old is None or qualification.remade or plain(new.maker) != plain(old.maker):
        return
    one, other = (re.findall(r"[^\W_]+", plain(each.part_number)) for each in (new, old))
    if "".join(one) == "".join(other):
        maker = new.maker or "no maker"
        what = f"{new.part_number!r} of {maker!r} is the filter now fitted as well"
        hint = "give the number of each; of a filter that its maker changed, say what: [change]"
        yield CaseProblem("case.toml", "candidate . part_number", what, hint)
