"""Do pressures repeat those of another specimen? No gauge reads the same to every digit twice."""

import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from dossier.case.case import Record
from dossier.case.records import MultipassTable, PressureDropTable, ValveTable
from dossier.evidence.validity.copies import FEWEST
from dossier.physics.values import Floats, printed_digits
from dossier.words import later, say


def copied_curves(records: Iterable[Record]) -> Mapping[str, str]:
    """Return record -> whose pressures it repeats but for a factor or an offset, in words.

    Sweeps of the assembly and of valves, and the differential pressures of runs: noise of 0.2 %
    from reading to reading, which is little, has two specimens agree to every digit that is printed
    in row after row by a chance that is the product of those of the rows.
    """
    curves = [(one, name, p, printed_digits(p)) for one in records for name, p in _curves(one)]
    found: dict[str, str] = {}
    for (one, name, first, own), (other, known, second, their) in combinations(curves, 2):
        if one.entry.kind != other.entry.kind or not same_curve(first, second, (own, their)):
            continue
        for record, mine, yours, source in ((other, known, name, one), (one, name, known, other)):
            words = say(SAME_CURVE, specimen=mine, other=yours, record=source.id)
            found.setdefault(record.id, words)
    return found


SAME_CURVE = later(
    "the pressures of specimen {specimen} are those of specimen {other} in record {record} but for "
    "a factor or an offset, to every digit"
)
REPEATABLE = 0.002
"""Relative standard deviation from reading to reading that is taken for little [-]."""
ALTERED = 2
"""Rows of a curve that may differ: gauges that repeat better agree in half of their rows."""
COPIED = 1e-6
"""Chance of agreeing to every digit below which a curve is a copy."""


def _curves(record: Record) -> Iterator[tuple[str, Floats]]:
    """Yield each specimen of a record that holds pressures, and these in their order [Pa]."""
    table, specimen = record.table, record.entry.specimen or ""
    if isinstance(table, PressureDropTable):
        yield specimen, table.pressure_drop[~table.housing]
    elif isinstance(table, MultipassTable):
        yield specimen, table.pressure_drop
    elif isinstance(table, ValveTable):
        names = np.array(record.specimens)
        for name in dict.fromkeys(record.specimens):
            yield name, table.pressure_drop[names == name]


def same_curve(one: Floats, other: Floats, digits: Sequence[Floats] = (), taken: int = 2) -> bool:
    """Return whether pressures (n,) [Pa] agree to every digit but for a factor or an offset.

    Some rows may differ, where as many of so many are not alike by chance.  `digits` are the places
    of their last digits, where known [Pa], `taken` how many rows are taken up by what was fitted.
    """
    rows, (own, their) = min(len(one), len(other)), digits or map(printed_digits, (one, other))
    read = np.flatnonzero((one[:rows] > 0) & (other[:rows] > 0))
    if len(read) < FEWEST:
        return False
    a, b = one[read], other[read]
    within = 0.5 * (own[read] / a + their[read] / b) * 1.001
    chance = np.minimum(1.0, 2.0 * within / (REPEATABLE * math.sqrt(4.0 * math.pi)))
    if not _rare(chance, len(read), taken):
        return False
    ratio, shift = np.log(a / b), a - b  # each takes up a row
    off = np.abs(_off_line(a, b, np.arange(len(a)))) / (a * within)
    near = np.argsort(off)[:-2]  # a row that was altered must not turn the line
    left = (
        _off_line(a, b, near) / a,
        ratio - np.median(ratio),
        (shift - np.median(shift)) / a,
    )
    return any(_rare(chance[np.abs(each) <= within], len(read), taken) for each in left)


def _off_line(a: Floats, b: Floats, rows: NDArray[np.intp]) -> Floats:
    """Return what `a` (n,) is off the line through `rows` of it against `b` (n,) [its unit]."""
    rest, own = b - b[rows].mean(), a - a[rows].mean()
    slope = float(rest[rows] @ own[rows]) / max(float(rest[rows] @ rest[rows]), 1e-300)
    off: Floats = own - slope * rest
    return off


def _rare(chance: Floats, rows: int, taken: int) -> bool:
    """Return whether so many of `rows` agree, each by its chance, less often than copies do."""
    if len(chance) < rows - ALTERED:
        return False
    free = float(np.log(np.sort(chance)[taken:]).sum()) + math.log(math.comb(rows, len(chance)))
    return free < math.log(COPIED)
