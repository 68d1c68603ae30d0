"""Pairs of count columns, one pair a size, in any order of columns."""

import re
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dossier.case.tables import Column, RawTable
from dossier.case.units import UnitError, affine, parse_size

__all__ = ["Counts", "count_columns"]

_COUNT = re.compile(r"^(upstream|downstream)\s+(.+)$", re.IGNORECASE)
_OTHERS = {"time", "differential pressure", "flow", "temperature", ""}


@dataclass(frozen=True, slots=True)
class Counts:
    """Sizes with their cumulative counts."""

    sizes: NDArray[np.float64]
    """Sizes (k,) [um(c)], increasing."""
    upstream: NDArray[np.float64]
    """Counts (n, k) [1/mL]."""
    downstream: NDArray[np.float64]
    conversions: tuple[tuple[str, str], ...]
    """Sizes as written, with the older calibration they were converted from."""


def count_columns(raw: RawTable, calibration: str) -> Counts | None:
    """Return the count pairs of a multi-pass table; problems are recorded on `raw`.

    Sizes of an older `calibration` ("ISO 4402", "um(b)") are converted by the published table;
    each comes back as it was written, with its calibration.
    """
    sides: dict[str, dict[float, Column]] = {"upstream": {}, "downstream": {}}
    older: set[tuple[str, str]] = set()
    for column in raw.columns:
        match = _COUNT.match(column.name)
        if match is None:
            if column.name.lower() not in _OTHERS:
                raw.complain(
                    "header",
                    f"column {column.name!r} is not one of a multi-pass record",
                    "count columns are written 'upstream 10 um(c) [1/mL]'",
                )
            continue
        size = _size(raw, column, match[2], calibration, older)
        if size is None:
            continue
        if size in sides[match[1].lower()]:
            raw.complain("header", f"two columns for {column.name!r}", "keep one of them")
        sides[match[1].lower()][size] = column
    _unpaired(raw, sides)
    sizes = sorted(set(sides["upstream"]) & set(sides["downstream"]))
    if len(sizes) < 1:
        raw.complain("header", "no pair of count columns", "add 'upstream 10 um(c) [1/mL]' ...")
        return None
    up, down = (_matrix(raw, [sides[side][size] for size in sizes]) for side in sides)
    return Counts(np.array(sizes), up, down, tuple(sorted(older)))


def _size(
    raw: RawTable, column: Column, text: str, calibration: str, older: set[tuple[str, str]]
) -> float | None:
    try:
        if calibration == "ISO 11171":
            return parse_size(text)
        from dossier.case.older_sizes import convert

        size, _ = convert(text, calibration)
    except (UnitError, ValueError) as error:
        raw.complain(f"column {column.name!r}", str(error), "correct the size in the column name")
        return None
    older.add((text, calibration))
    return size


def _unpaired(raw: RawTable, sides: dict[str, dict[float, Column]]) -> None:
    for side, other in (("upstream", "downstream"), ("downstream", "upstream")):
        for size in sorted(set(sides[side]) - set(sides[other])):
            raw.complain(
                "header",
                f"{side} {size:g} um(c) has no {other} column",
                f"add '{other} {size:g} um(c) [1/mL]' or remove the lone column",
            )


def _matrix(raw: RawTable, columns: list[Column]) -> NDArray[np.float64]:
    """Return the counts of all sizes (n, k) [1/mL]; one size lies together in memory."""
    values = [raw.numbers(column) for column in columns]
    factors = [_factor(raw, column) for column in columns]
    if isinstance(raw.cells, np.ndarray) and all(each.base is raw.cells for each in values):
        at = _evenly([column.index for column in columns])
        if at is not None and all(factor == 1.0 for factor in factors):
            return raw.cells[at].T  # a large table is not copied
    counts = np.empty((len(columns), raw.rows))
    for row, read, factor in zip(counts, values, factors, strict=True):
        np.multiply(read, factor, out=row)
    return counts.T


def _evenly(places: list[int]) -> slice | None:
    """Return the slice that takes just these places in this order, None where there is none."""
    step = places[1] - places[0] if len(places) > 1 else 1
    if step < 1 or places != list(range(places[0], places[-1] + 1, step)):
        return None
    return slice(places[0], places[-1] + 1, step)


def _factor(raw: RawTable, column: Column) -> float:
    try:
        return affine(column.unit, "count concentration")[0]
    except UnitError as error:
        raw.complain(f"column {column.name!r}", str(error), "counts are per volume, such as [1/mL]")
        return 1.0
