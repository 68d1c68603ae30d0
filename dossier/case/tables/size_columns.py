"""Pairs of count columns, one pair a size, in any order of columns."""

import re
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dossier.case.tables.raw_table import RawColumn, RawTable
from dossier.case.units import UnitError, affine, parse_size, split_quantity
from dossier.physics import particles


def certified_size(text: str, calibration: str) -> tuple[float, str]:
    """Return (size [um(c)], sentence) of a size in the micrometres of an older calibration.

    `text` is such as ``10 um`` of a counter calibrated to "ISO 4402", or ``10 um(b)`` for "um(b)".
    Raises UnitError for another unit, ValueError outside the published table.
    """
    value, unit = split_quantity(text)
    plain = unit.replace("µ", "u").replace("μ", "u").replace(" ", "")
    wanted = {"ISO 4402": "um", "um(b)": "um(b)"}[calibration]
    if plain != wanted:
        raise UnitError(
            f"{text!r} does not fit size_calibration = {calibration!r}: write '{value:g} {wanted}'"
        )
    return particles.on_present_scale(value, calibration)


_COUNT = re.compile(r"^(upstream|downstream)\s+(.+)$", re.IGNORECASE)
_CHANNEL = re.compile(r"([0-9.]+)\s*(?:to|-|–)\s*([0-9.]+)\s*(\D.*)")
_SAMPLE = re.compile(r"(?:#|1|no|counts?|particles?)\s*(?:/|per)\s*sample|counts|particles")
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


def is_count(name: str) -> bool:
    """Return whether a column of that name holds counts."""
    return _COUNT.match(name) is not None


def is_per_sample(unit: str) -> bool:
    """Return whether counts of that unit are those of a whole sample."""
    return _SAMPLE.fullmatch(unit.strip().lower()) is not None


def count_columns(raw: RawTable, calibration: str) -> Counts | None:
    """Return the count pairs of a multi-pass table; problems are recorded on `raw`.

    Sizes of an older `calibration` ("ISO 4402", "um(b)") are converted by the published table;
    each comes back as it was written, with its calibration.  Counts of channels, "4 to 6 um(c)",
    are added up from the largest size: "above 30 um(c)" is the count of 30 um(c) and larger.
    """
    sides: dict[str, dict[float, RawColumn]] = {"upstream": {}, "downstream": {}}
    upper: dict[RawColumn, float] = {}
    older: set[tuple[str, str]] = set()
    for column in raw.columns:
        found = _counted(raw, column, calibration, older)
        if found is None:
            continue
        side, size, end = found
        upper |= {} if end is None else {column: end}
        if size in sides[side]:
            hint = "take the table in two, or leave one out: name it under ignored"
            raw.complain(raw.named_at(column), f"a second column for {column.name!r}", hint)
        sides[side][size] = column
    _unpaired(raw, sides)
    sizes = sorted(set(sides["upstream"]) & set(sides["downstream"]))
    if len(sizes) < 1:
        raw.complain("header", "no pair of count columns", "add 'upstream 10 um(c) [1/mL]' ...")
        return None
    if _open_ended(raw, sides, upper):
        return None
    up, down = (
        _matrix(raw, [sides[side][size] for size in sizes], upper, sides[side]) for side in sides
    )
    return Counts(np.array(sizes), up, down, tuple(sorted(older)))


def _counted(
    raw: RawTable, column: RawColumn, calibration: str, older: set[tuple[str, str]]
) -> tuple[str, float, float | None] | None:
    """Return side and size of a column of counts [um(c)], and where its channel ends, if it is one.

    None for any other column, and for a size that is none; what does not belong here is a problem.
    """
    match = _COUNT.match(column.name)
    if match is None:
        if column.name.lower() not in _OTHERS:
            what = f"column {column.name!r} is not one of a multi-pass record"
            raw.complain("header", what, "count columns are written 'upstream 10 um(c) [1/mL]'")
        return None
    text = re.sub(r"^(above|>=?|≥)\s*", "", match[2])
    channel = _CHANNEL.fullmatch(text)
    lower = f"{channel[1]} {channel[3]}" if channel else text
    size, end = _size(raw, column, lower, calibration, older), None
    if channel and size is not None:
        end = _size(raw, column, f"{channel[2]} {channel[3]}", calibration, older) or size
    return None if size is None else (match[1].lower(), size, end)


def _size(
    raw: RawTable, column: RawColumn, text: str, calibration: str, older: set[tuple[str, str]]
) -> float | None:
    try:
        if calibration == "ISO 11171":
            return parse_size(text)
        size, _ = certified_size(text, calibration)
    except (UnitError, ValueError) as error:
        raw.complain(f"column {column.name!r}", str(error), "correct the size in the column name")
        return None
    older.add((text, calibration))
    return size


Columns = dict[float, RawColumn]
"""Size [um(c)] -> the column of one side that counts it."""


def _unpaired(raw: RawTable, sides: dict[str, Columns]) -> None:
    for side, other in (("upstream", "downstream"), ("downstream", "upstream")):
        for size in sorted(set(sides[side]) - set(sides[other])):
            hint = f"add '{other} {size:g} um(c) [1/mL]' or remove the lone column"
            raw.complain("header", f"{side} {size:g} um(c) has no {other} column", hint)


def _open_ended(raw: RawTable, sides: dict[str, Columns], upper: dict[RawColumn, float]) -> bool:
    """Return whether a channel has no count at its upper end, which is a problem."""
    every = [(size, column, own) for own in sides.values() for size, column in own.items()]
    ends = [(size, column, own, upper[column]) for size, column, own in every if column in upper]
    lone = [(column, end) for size, column, own, end in ends if end not in own or not end > size]
    hint = "name the column of the next channel, and of all above the last one, as "
    for column, end in lone:
        what = f"{column.name!r} is a channel, and nothing counts what is larger than {end:g} um(c)"
        raw.complain(raw.named_at(column), what, f"{hint}'upstream above 30 um(c)'")
    return bool(lone)


def _matrix(
    raw: RawTable, columns: list[RawColumn], upper: dict[RawColumn, float], own: Columns
) -> NDArray[np.float64]:
    """Return the counts of all sizes (n, k) [1/mL]; one size lies together in memory."""
    if upper:
        made: dict[RawColumn, NDArray[np.float64]] = {}
        for _, column in sorted(own.items(), reverse=True):
            end = upper.get(column)
            made[column] = raw.numbers(column) * _factor(raw, column)
            made[column] += 0.0 if end is None else made[own[end]]
        return np.array([made[column] for column in columns]).T
    counted = [raw.numbers(column) for column in columns]
    factors = [_factor(raw, column) for column in columns]
    at = [column.index for column in columns]
    evenly = range(at[0], at[-1] + 1, max(1, at[1] - at[0]) if len(at) > 1 else 1)
    unchanged = all(each.base is raw.cells for each in counted) and set(factors) == {1.0}
    if isinstance(raw.cells, np.ndarray) and unchanged and at == [*evenly]:
        return raw.cells[evenly.start : evenly.stop : evenly.step].T  # large, and not copied
    return np.array([read * factor for read, factor in zip(counted, factors, strict=True)]).T


def _factor(raw: RawTable, column: RawColumn) -> float:
    """Return what the numbers of a column are multiplied by to be counts of the fluid [1/mL]."""
    diluted = raw.sample.get(column.name.split()[0].lower(), 1.0)
    if diluted != 1.0 and not raw.dilution and is_per_sample(column.unit):
        what = f"{column.name!r} is per sample, which was diluted {diluted:g} times"
        hint = 'say in its layout: dilution = "undone" or dilution = "as counted"'
        raw.complain(raw.named_at(column), what, hint)
    dilution = diluted if raw.dilution == "as counted" else 1.0
    if not is_per_sample(column.unit):
        return affine(column.unit, "count concentration")[0] * dilution
    if "volume" not in raw.sample:
        hint = "give sample_volume under [record.conditions]"
        raw.complain(raw.named_at(column), f"{column.name!r} is per sample of unknown volume", hint)
    return dilution / raw.sample.get("volume", 1.0)
