"""The kinds of record: which columns each has, and the arrays it becomes in working units."""

import re
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from dossier.case.tables.raw_table import RawColumn, RawTable
from dossier.case.tables.size_columns import count_columns, is_count, is_per_sample
from dossier.case.tables.written import CLOCKS, MEASURED, lowered
from dossier.case.units import LARGEST, UnitError, affine, vanishes
from dossier.physics.values import Floats


@dataclass(frozen=True, slots=True, kw_only=True)
class MultipassTable:
    """Counts and differential pressure of one multi-pass run."""

    time: Floats
    """Time of each row (n,) [s], strictly increasing."""
    pressure_drop: Floats
    """Differential pressure of the assembly (n,) [Pa]; NaN where the cell was empty."""
    flow: Floats | None
    """Test flow (n,) [m3/s]."""
    temperature: Floats | None
    """Fluid temperature (n,) [K]."""
    sizes: Floats
    """Counted sizes (k,) [um(c)], increasing."""
    upstream: Floats
    """Cumulative upstream counts (n, k) [1/mL]; NaN where the cell was empty."""
    downstream: Floats
    """Cumulative downstream counts (n, k) [1/mL]."""
    conversions: tuple[tuple[str, str], ...] = ()
    """Sizes as written, with their older calibration, that were converted to um(c)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PressureDropTable:
    """A flow sweep of the clean filter."""

    flow: Floats
    """Flow (n,) [m3/s]."""
    pressure_drop: Floats
    """Differential pressure (n,) [Pa]."""
    temperature: Floats | None
    """Fluid temperature (n,) [K]."""
    housing: NDArray[np.bool_]
    """True for rows of the housing alone, False for the assembly (n,)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ValveTable:
    """Rising and falling sweeps of a bypass valve."""

    pressure_drop: Floats
    flow: Floats
    rising: NDArray[np.bool_]
    specimen: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class MeasurementTable:
    """One value of each measured quantity for each specimen."""

    specimen: tuple[str, ...]
    names: tuple[str, ...]
    values: tuple[Floats, ...]
    """One array for each name (n,) [working unit]; NaN where the cell was empty."""
    bounds: tuple[tuple[str, ...], ...]
    """'' for a value, '>' or '<' for a result that is only a bound."""
    units: tuple[str, ...]
    remarks: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class InspectionTable:
    """Characteristics found on inspection."""

    characteristic: tuple[str, ...]
    specimen: tuple[str, ...]
    found: tuple[str, ...]
    lower: Floats
    upper: Floats
    unit: tuple[str, ...]


Table = MultipassTable | PressureDropTable | ValveTable | MeasurementTable | InspectionTable


def interpret(raw: RawTable, kind: str, size_calibration: str) -> Table | None:
    """Return the typed table of a record, or None with the problems recorded on `raw`.

    `kind` is a record kind of the case format, `size_calibration` how its counter was calibrated.
    """
    if kind != "measurement":
        _keep_remarks(raw)
    _refuse_units(raw)
    if raw.problems:
        return None
    table = _multipass(raw, size_calibration) if kind == "multipass" else READERS[kind](raw)
    return None if raw.problems else table


def _keep_remarks(raw: RawTable) -> None:
    """Make remarks of a column of that name, which only measurements have as a column."""
    if column := raw.find("remark"):
        said = [(int(n), t) for n, t in zip(raw.lines, raw.texts(column), strict=True) if t]
        raw.remarks = tuple(sorted([*raw.remarks, *said]))
        raw.columns = tuple(each for each in raw.columns if each is not column)


DIMENSION = {
    "time": "time", "differential pressure": "pressure", "flow": "flow",
    "temperature": "temperature", **MEASURED,
}  # fmt: skip
"""Dimension of each column of numbers that has one of its own."""


def _refuse_units(raw: RawTable) -> None:
    """Record each unit that is not understood, before anything else is said of a table."""
    for column in raw.columns:
        dimension = DIMENSION.get(lowered(column.name), "")
        if is_count(column.name):
            dimension = "" if is_per_sample(column.unit) else "count concentration"
        if not dimension or (dimension == "time" and column.unit.lower() in CLOCKS):
            continue
        try:
            affine(column.unit, dimension)
        except UnitError as error:
            hint = "put a unit that is known in square brackets behind the name"
            raw.complain(raw.named_at(column), f"{column.name!r}: {error}", hint)


def join(raw: RawTable, other: RawTable, within: float) -> None:
    """Add to a table what a second one holds at the same times, `within` [s] of each other.

    Each row takes the nearest reading, the earlier of two as near, and stays empty where none is
    near enough; rows of the second table that no row takes are not used.
    """
    _refuse_units(raw)
    _refuse_units(other)
    if raw.problems or other.problems:
        return
    own, its = (_numbers(table, "time", "min") for table in (raw, other))
    if own is None or its is None:
        return
    falls = ~(np.diff(its, prepend=-np.inf) > 0)  # as where a time is lacking
    _flag(other, falls, "time", "time does not increase", "sort the rows")
    if len(own) > 1 and within > np.diff(own).max():
        what = f"within = {within:g} s is more than lies between two rows"
        raw.complain("", what, "state how far apart simultaneous readings may be")
    nearest = np.array([np.argmin(np.abs(its - each)) for each in own])
    far = ~(np.abs(its[nearest] - own) <= within)
    if far.all():
        raw.complain("", f"no reading of {other.file} is within {within:g} s", "check its start")
    _take(raw, other, nearest, far)


def _take(raw: RawTable, other: RawTable, nearest: NDArray[Any], far: NDArray[Any]) -> None:
    """Add the columns of a second table: of each row the `nearest` reading, unless it is far."""
    cells = list(raw.cells)
    for column in (each for each in other.columns if each.name != "time"):
        if raw.find(column.name) is not None:
            what, hint = f"{column.name!r} is in both tables", "name it under ignored in one"
            raw.complain("", what, hint)
        values = other.numbers(column)[nearest]
        raw.columns = (*raw.columns, RawColumn(column.name, column.unit, len(cells)))
        cells.append(np.where(far, np.nan, values))
    raw.cells = cells


def _column(raw: RawTable, name: str, example: str) -> RawColumn | None:
    column = raw.find(name)
    if column is None:
        have = ", ".join(repr(c.name) for c in raw.columns if c.name)
        raw.complain("header", f"no column {name!r}", f"add '{example}'; there are {have}")
    return column


def _numbers(raw: RawTable, name: str, wanted: str = "") -> Floats | None:
    """Return a column in its working unit; without it there is a problem if a unit is `wanted`."""
    column = _column(raw, name, f"{name} [{wanted}]") if wanted else raw.find(name)
    if column is None:
        return None
    dimension = DIMENSION[name]
    if dimension == "time" and column.unit.lower() in CLOCKS:
        return raw.clock(column)
    values = raw.numbers(column)
    factor, offset = affine(column.unit, dimension)
    with np.errstate(over="ignore"):
        scaled: Floats = values * factor
    scaled += offset
    for row in np.flatnonzero(np.abs(scaled) > LARGEST)[:3]:
        raw.complain(raw.place(int(row), column), "is beyond all measure", "check its exponent")
    for row in np.flatnonzero(scaled <= 0.0)[:3] if dimension == "temperature" else ():
        raw.complain(raw.place(int(row), column), "is below absolute zero", "check its unit")
    return scaled


def _unknown(raw: RawTable, known: set[str]) -> None:
    for column in raw.columns:
        if column.name and column.name.lower() not in known:
            hint = f"remove it or name it as one of: {', '.join(sorted(known))}"
            what = f"column {column.name!r} is not one of this kind of record"
            raw.complain("header", what, hint)


def _flag(raw: RawTable, rows: NDArray[Any], name: str, what: str, hint: str) -> None:
    column = raw.find(name)
    if column is not None:
        for row in np.flatnonzero(rows)[:3]:
            raw.complain(raw.place(int(row), column), what, hint)


def _multipass(raw: RawTable, size_calibration: str) -> MultipassTable | None:
    time, drop = _numbers(raw, "time", "min"), _numbers(raw, "differential pressure", "kPa")
    flow, warmth = _numbers(raw, "flow"), _numbers(raw, "temperature")
    counts = count_columns(raw, size_calibration)
    if time is None or drop is None or counts is None:
        return None
    if not (raw.problems and np.isnan(time).all()):  # why there is none is told
        _flag(raw, np.isnan(time), "time", "no time", "every row needs its time")
    falls = ~(np.diff(time, prepend=-np.inf) > 0) & ~np.isnan(time)
    _flag(raw, falls, "time", "time does not increase", "sort the rows and remove doubles")
    _flag(raw, drop < 0, "differential pressure", "negative", "check the sign and the zero")
    if flow is not None:
        _flag(raw, flow < 0, "flow", "negative", "check the sign")
    for side in (counts.upstream, counts.downstream):
        rows, columns = np.nonzero(side < 0)
        for row, column in list(zip(rows, columns, strict=True))[:3]:
            size = counts.sizes[column]
            raw.complain(f"row {raw.lines[row]}", f"negative count at {size:g} um(c)", "check it")
    if len(time) < 10:
        raw.complain("", f"{len(time)} rows", "a multi-pass record needs at least ten readings")
    return MultipassTable(
        time=time, pressure_drop=drop, flow=flow, temperature=warmth, sizes=counts.sizes,
        upstream=counts.upstream, downstream=counts.downstream, conversions=counts.conversions,
    )  # fmt: skip


def _choices(raw: RawTable, name: str, first: str, second: str) -> NDArray[np.bool_] | None:
    """Return True where the cell is `second`; any other word than the two is a problem."""
    column = raw.find(name)
    if column is None:
        return None
    words = np.array([word.lower() for word in raw.texts(column)])
    odd = (words != first) & (words != second)
    _flag(raw, odd, name, "not understood", f"write {first} or {second}")
    result: NDArray[np.bool_] = words == second
    return result


def _swept(raw: RawTable, others: set[str]) -> tuple[Floats, Floats] | None:
    """Return flow [m3/s] and differential pressure [Pa] of a sweep, which has `others` beside."""
    _unknown(raw, {"flow", "differential pressure", *others})
    flow, drop = _numbers(raw, "flow", "L/min"), _numbers(raw, "differential pressure", "kPa")
    if flow is None or drop is None:
        return None
    for name, values in (("flow", flow), ("differential pressure", drop)):
        _flag(raw, np.isnan(values), name, "empty", "remove the row if nothing was measured")
        _flag(raw, values < 0, name, "negative", "check the sign and the zero")
    return flow, drop


def _pressure_drop(raw: RawTable) -> PressureDropTable | None:
    swept = _swept(raw, {"temperature", "part"})
    warmth = _numbers(raw, "temperature")
    housing = _choices(raw, "part", "assembly", "housing")
    if swept is None:
        return None
    if warmth is not None:
        _flag(raw, np.isnan(warmth), "temperature", "empty", "give the temperature of every row")
    part = np.zeros(raw.rows, dtype=bool) if housing is None else housing
    return PressureDropTable(
        flow=swept[0], pressure_drop=swept[1], temperature=warmth, housing=part
    )


def _valve(raw: RawTable) -> ValveTable | None:
    swept = _swept(raw, {"direction", "specimen"})
    _column(raw, "direction", "direction")
    falling = _choices(raw, "direction", "rising", "falling")
    if swept is None or falling is None:
        return None
    names = _words(raw, "specimen")
    return ValveTable(pressure_drop=swept[1], flow=swept[0], rising=~falling, specimen=names)


def _words(raw: RawTable, name: str) -> tuple[str, ...]:
    """Return the texts of a column, all empty where there is none of that name."""
    column = raw.find(name)
    return tuple(raw.texts(column)) if column else ("",) * raw.rows


def _measurement(raw: RawTable) -> MeasurementTable | None:
    _unknown(raw, {*MEASURED, "specimen", "remark"})
    column = _column(raw, "specimen", "specimen")
    found = [c for c in raw.columns if c.name.lower() in MEASURED]
    if not found:
        raw.complain("header", "no measured quantity", f"columns are {', '.join(MEASURED)}")
    if column is None or not found:
        return None
    values, bounds = zip(*(_censored(raw, each) for each in found), strict=True)
    names, units = tuple(c.name.lower() for c in found), tuple(c.unit for c in found)
    words = {"specimen": _words(raw, "specimen"), "remarks": _words(raw, "remark")}
    return MeasurementTable(names=names, values=values, bounds=bounds, units=units, **words)


_RESULT = re.compile(r"([<>≤≥]?)\s*([+]?(?:\d+(?:[.]\d*)?|[.]\d+)(?:[eE][+-]?\d+)?)")
_SIGNS = {"": "", ">": ">", "≥": ">", "<": "<", "≤": "<"}


def _censored(raw: RawTable, column: RawColumn) -> tuple[Floats, tuple[str, ...]]:
    values, signs = np.full(raw.rows, np.nan), []
    for row, text in enumerate(raw.results(column)):
        match = _RESULT.fullmatch(text)
        if match is None or not np.isfinite(float(match[2])) or vanishes(match[2]):
            signs.append("")
            if text:
                hint = "write 2150, > 2000 or < 0.5, with a decimal point"
                raw.complain(raw.place(row, column), f"{text!r} is not a result", hint)
            continue
        signs.append(_SIGNS[match[1]])
        values[row] = float(match[2])
    factor, offset = affine(column.unit, MEASURED[column.name.lower()])
    return values * factor + offset, tuple(signs)


def _inspection(raw: RawTable) -> InspectionTable | None:
    _unknown(raw, {"characteristic", "specimen", "found", "lower", "upper", "unit"})
    wanted = [_column(raw, name, name) for name in ("characteristic", "specimen", "found")]
    if None in wanted or wanted[2] is None:
        return None
    limits = [raw.find(name) for name in ("lower", "upper")]
    lower, upper = (np.full(raw.rows, np.nan) if c is None else raw.numbers(c) for c in limits)
    words = {key: _words(raw, key) for key in ("characteristic", "specimen", "unit")}
    return InspectionTable(found=tuple(raw.results(wanted[2])), lower=lower, upper=upper, **words)


READERS: dict[str, Callable[[RawTable], Table | None]] = {
    "pressure_drop": _pressure_drop,
    "bypass_valve": _valve,
    "measurement": _measurement,
    "inspection": _inspection,
}
"""Kind of record -> what reads its table, beside that of a multi-pass run."""
