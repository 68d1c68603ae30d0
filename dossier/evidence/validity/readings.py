"""Are the readings of a multi-pass run readings? Rules on gaps, whole counts, noise, plateaus."""

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Self

import numpy as np
from numpy.typing import NDArray

from dossier.case.case import Record
from dossier.case.records import MultipassTable
from dossier.evidence.limits import Limit
from dossier.evidence.records.reduced import MultipassResult, PressureDropResult
from dossier.evidence.validity.rules import Found, Held, Rules
from dossier.physics.multipass import TENTHS, tenths
from dossier.physics.values import Floats, last_digit
from dossier.words import later, say

FEWEST = 20
"""Values that a judgement of all of one side takes."""
EXACT_ROWS, EXACT_GAPS = 400, 8
"""Rows and gaps up to which a rank sum is judged by its exact distribution."""
TELLING = 0.3
"""Particles that the digits of a value may leave open for it to tell a whole number."""
LARGEST_STEP = 1.5
"""Particles in the step between counts from which they are no single ones."""
BELOW_CHANCE = -5.0
"""Standard deviations below its expectation from which scatter is too small to be chance."""
TIED_BY_CHANCE = 1e-7
"""Probability of so many equal readings at an end below which they are a plateau."""


@dataclass(frozen=True)
class CountedSide:
    """The counts of one side of a run up to its end; n rows, k sizes."""

    name: str
    sizes: Floats
    counts: Floats
    """As printed (n, k) [1/mL]; NaN where the cell was empty."""
    volume: float
    """Counted volume over the dilution: one particle counted stands for 1 / volume [mL]."""
    rounded: float
    """How far the stated volume and dilution may be rounded, relative [-]."""

    @property
    def classes(self) -> Floats:
        """Particles counted between sizes, and above the largest (n, k) [-]: independent."""
        return np.column_stack([self.class_of(k) for k in range(len(self.sizes))])

    def class_of(self, k: int) -> Floats:
        """Return one of them (n,) [-], which a million rows have room for."""
        raw: Floats = np.rint(self.counts[:, k] * self.volume)
        if k + 1 < len(self.sizes):
            raw -= np.rint(self.counts[:, k + 1] * self.volume)
        return raw

    def of_sizes(self, sizes: Floats) -> Self:
        """Return the counts of some of the sizes."""
        return replace(self, sizes=sizes, counts=self.counts[:, np.isin(self.sizes, sizes)])

    @cached_property
    def distinct(self) -> tuple[tuple[Floats, NDArray[np.int64]], ...]:
        """The values of each size that were read [1/mL], rising, and how often each was."""
        return tuple(np.unique(each[~np.isnan(each)], return_counts=True) for each in self.counts.T)

    @cached_property
    def digits(self) -> Floats:
        """The last digit that the counts of each size are printed to (k,) [1/mL].

        Three quarters of the rows are printed no finer: a row or two alone do not say.  That of all
        sizes where nothing was counted, and zero where nothing was at all.
        """
        counts = [np.repeat(*each) if each[0].any() else self.counts for each in self.distinct]
        printed = [np.sort(last_digit(each[each > 0])) for each in counts]
        return np.array([each[len(each) // 4] if len(each) else 0.0 for each in printed])


SIDES = (later("upstream"), later("downstream"))
"""The sides of a filter, by which their counts and dilutions go too."""


def sides_of(record: Record, end: float, most: int | None = None) -> tuple[CountedSide, ...]:
    """Return both sides of a multi-pass record up to `end` [s], the first `most` rows alone."""
    table, conditions = record.table, record.entry.conditions
    assert isinstance(table, MultipassTable)
    rows = slice(int((table.time[:most] <= end).sum()))
    volume = round((conditions.sample_volume or 0.0) * 1e6, 9)
    found = []
    for name in SIDES:
        counts, factor = getattr(table, name)[rows], getattr(conditions.dilution, name)
        rounded = _rounding(volume) + _rounding(factor)
        found.append(CountedSide(name, table.sizes, counts, volume / factor, rounded))
    return tuple(found)


def _rounding(value: float) -> float:
    """Return half the last digit of a value that is no whole number, over the value [-]."""
    if value == round(value):
        return 0.0
    return float(0.5 * last_digit(np.array([value]))[0] / value)


@dataclass(frozen=True, kw_only=True)
class Run(Held):
    """A multi-pass run as it is held against its rules."""

    result: MultipassResult
    siblings: Sequence[MultipassResult]
    """The runs of the same filter."""
    sweeps: Sequence[PressureDropResult]
    """Its flow sweeps."""

    @property
    def table(self) -> MultipassTable:
        """What was read."""
        assert isinstance(self.record.table, MultipassTable)
        return self.record.table

    @cached_property
    def sides(self) -> tuple[CountedSide, ...]:
        """Its counts up to its end."""
        return sides_of(self.record, self.result.end_time)

    @property
    def point(self) -> tuple[float, float, float]:
        """Flow [m3/s], viscosity [Pa s] and density [kg/m3] that it was made at."""
        return self.result.flow, self.result.viscosity, self.result.density

    def swept(self, value: Callable[[PressureDropResult], float | None]) -> float | None:
        """Return the mean of a `value` of its specimen's sweeps, else of all; None without any."""
        found = [(each.specimen, value(each)) for each in self.sweeps]
        known = [(specimen, each) for specimen, each in found if each is not None]
        own = [each for specimen, each in known if specimen == self.result.specimen]
        return float(np.mean(own or [each for _, each in known])) if known else None


def _present(held: Run, limit: Limit) -> Found:
    """Compare the readings of every tenth and size with those that the interval asks for."""
    result, skip = held.result, 60.0 * held.limits.first_minutes
    time = held.table.time[held.table.time <= result.end_time]
    step = float(np.median(np.diff(held.table.time)))
    # A row that is missing, at the start too, leaves its place in the sequence of times empty.
    start = time[0] - step * np.floor(max(time[0] / step - 1e-6, 0.0))
    places = np.rint((time - start) / step).astype(np.int64)
    if not places[-1] < 2 * len(time):
        return False, say("{share:.0%} of the rows present", share=len(time) / (places[-1] + 1.0))
    missing = start + step * np.flatnonzero(np.bincount(places) == 0)
    wanted = np.zeros(TENTHS)
    for rows in (time, missing):
        tenth = tenths(rows, result.end_time, skip)
        wanted += np.bincount(tenth[tenth >= 0], minlength=TENTHS)
    present = result.readings.min(axis=1)
    # One reading of a short tenth may be lacking, but not one of every tenth.
    enough = (present >= limit.value * wanted) | (present >= wanted - 1.0)
    whole = float(present.sum() / wanted.sum())
    worst = int(np.argmin(present / np.maximum(wanted, 1.0)))
    words = later(
        "{share:.0%} of the readings present; fewest in tenth {tenth}, {number} of {wanted:.0f}"
    )
    least = {"tenth": worst + 1, "number": int(present[worst]), "wanted": wanted[worst]}
    return bool(enough.all()) and whole >= limit.value, say(words, share=whole, **least)


def _gaps(held: Run, limit: Limit) -> Found:
    """Ask by ranks whether readings are lacking where the counts were high, or low."""
    lacking = 0
    for side in held.sides:
        empty = np.isnan(side.counts)
        lacking += int(empty.sum())
        for k in np.flatnonzero(empty.any(axis=0)):
            for chance in (c for c in _chances(side.counts, int(k)) if c < limit.value):
                words = later(
                    "{side} {size:g} µm(c): readings are lacking where the counts were out of the "
                    "ordinary (chance {chance:.0e})"
                )
                return False, say(words, side=say(side.name), size=side.sizes[k], chance=chance)
    if lacking:
        return True, say("{number} readings lacking, whatever the counts were", number=lacking)
    return True, say("no reading lacking")


def _chances(counts: Floats, k: int) -> Iterator[float]:
    """Yield how likely the ranks of two witnesses of the gaps in column k are by chance [-].

    The readings on both sides of each gap against all others, and the same rows of the next size
    against their neighbours.
    """
    column = counts[:, k]
    empty = np.isnan(column)
    there = np.flatnonzero(~empty)
    starts = np.flatnonzero(empty & ~np.append(False, empty[:-1]))
    if len(there) > 2:
        after = np.searchsorted(there, starts)
        before, behind = np.maximum(after - 1, 0), np.minimum(after, len(there) - 1)
        beside = 0.5 * (column[there[before]] + column[there[behind]])
        others = np.delete(column[there], np.union1d(before, behind))
        yield _rank_chance(beside, others)
    if counts.shape[1] > 1:
        other = counts[:, k - 1 if k else 1]
        off = other[1:-1] - 0.5 * (other[:-2] + other[2:])
        known = ~np.isnan(off)
        yield _rank_chance(off[known & empty[1:-1]], off[known & ~empty[1:-1]])


def _rank_chance(some: Floats, others: Floats) -> float:
    """Return the two-sided probability of so extreme a sum of the ranks of `some` [-].

    Source: F. Wilcoxon, Biometrics Bulletin 1 (1945), 80 (from memory): exact for few values, by
    the normal distribution for many.
    """
    m, n = len(some), len(some) + len(others)
    if m == 0 or n == m:
        return 1.0
    ranks = np.argsort(np.argsort(np.concatenate([some, others]), kind="stable")) + 1
    total = int(ranks[:m].sum())
    least = min(total, m * (n + 1) - total)
    if n > EXACT_ROWS or m > EXACT_GAPS:
        z = (m * (n + 1) / 2.0 - least) / math.sqrt(m * (n - m) * (n + 1) / 12.0)
        return math.erfc(z / math.sqrt(2.0))
    ways = np.zeros((m + 1, least + 1))
    ways[0, 0] = 1.0
    for rank in range(1, min(n, least) + 1):
        ways[1:, rank:] += ways[:-1, : least + 1 - rank]
    return min(1.0, 2.0 * float(ways[m].sum()) / math.comb(n, m))


def _whole(held: Run, _: Limit) -> Found:
    """Ask whether every count stands for a whole number of particles, and not for their multiples.

    A value is judged where its last digit, and the digits of volume and dilution, tell.
    """
    judged = 0
    for side in held.sides:
        values, times = map(np.concatenate, zip(*side.distinct, strict=True))
        raw = values * side.volume
        blur = 0.5 * last_digit(values) * side.volume + raw * side.rounded
        tells = (blur < TELLING) & (raw > 0)
        judged += int(times[tells].sum())
        off = tells & (np.abs(raw - np.rint(raw)) - blur - 1e-9 * raw > 0)
        if off.any():
            return False, _broken(side, values[off], int(times[off].sum()))
        step = _step(values)
        if step * side.volume > LARGEST_STEP:
            return False, say(MULTIPLES, side=say(side.name), step=step, one=1 / side.volume)
    if coarse := _coarse(held):
        return False, coarse
    if judged < FEWEST:
        return "does not apply", say(TOO_FEW_DIGITS)
    return True, say("{number} values, all whole", number=judged)


MULTIPLES = later(
    "{side}: all counts are multiples of {step:.10g} per mL, where one particle stands for "
    "{one:.4g} per mL"
)
TOO_FEW_DIGITS = later(
    "counts printed to too few digits to tell whole particles: hand in more digits"
)


def _coarse(held: Run) -> str:
    """Return at which size that is asked for counts are rounded away, in words; empty if at none.

    Rounding leaves a mean alone where counts scatter over its steps, and takes fewer to nothing.
    """
    known = [d for d in held.demands if "multipass" in d.quantity.records]
    asked = [float(d.at.get("size", math.inf)) for d in known if d.quantity.section in COUNTED]
    for side, k in ((each, k) for each in held.sides for k in range(len(each.sizes))):
        smaller = side.sizes[k - 1] if k else 0.0  # a size between two is judged by both
        if not smaller < max(asked, default=0.0):
            continue
        (values, times), digit = side.distinct[k], float(side.digits[k])
        mean = float(values @ times) / max(int(times.sum()), 1)
        rounded = digit * side.volume > 1.0 and mean < SPREAD**2 * digit**2 * side.volume
        if rounded:
            found = {"size": side.sizes[k], "step": digit, "mean": mean}
            return say(COARSE, side=say(side.name), **found)
    return ""


COUNTED = ("efficiency", "circuit")
"""Sections whose quantities of a run rest on its counts."""
SPREAD = 0.8
"""Scatter of counts over their printed steps from which rounding moves their mean by less than
counting does: by 1 % and less, where a step is more than two particles [-]."""
COARSE = later(
    "{side} {size:g} µm(c): printed in steps of {step:g} per mL, where the mean is {mean:.2g} per "
    "mL: what was counted is rounded away, hand in more digits"
)


def _broken(side: CountedSide, values: Floats, number: int) -> str:
    """Return that `number` counts of one side are no whole ones, with the first of `values`."""
    row, k = np.argwhere(np.isin(side.counts, values))[0]
    words = later(
        "{number} values are no whole number of particles, such as {value:.10g} per mL {side} at "
        "{size:g} µm(c), which stands for {raw:.2f}"
    )
    value = side.counts[row, k]
    found = {"number": number, "value": value, "raw": value * side.volume}
    return say(words, side=say(side.name), size=side.sizes[k], **found)


def _step(counts: Floats) -> float:
    """Return the step that all counts are multiples of [1/mL]; zero where the digits set it."""
    there = np.unique(counts[counts > 0])
    digit = float(last_digit(there).min()) if len(there) >= FEWEST else 0.0
    if not digit > 0 or there[-1] / digit > 1e15:
        return 0.0
    step = int(np.gcd.reduce(np.rint(there / digit).astype(np.int64)))
    return step * digit if step > 1 else 0.0


def _noise(held: Run, limit: Limit) -> Found:
    """Compare the scatter of neighbouring readings with what counting alone makes."""
    found = []
    for side in held.sides:
        number, total, variance = _scatter(side)
        if number < FEWEST:
            continue
        share = total / number
        words = say("{side} {share:.2f} times that of counting", side=say(side.name), share=share)
        if share < limit.value and total - number < BELOW_CHANCE * math.sqrt(variance):
            hint = later("{scatter}: hand in single readings as counted, no means of several")
            return False, say(hint, scatter=words)
        found.append(words)
    return (True, ", ".join(found)) if found else ("does not apply", say("too few counted to tell"))


def _scatter(side: CountedSide) -> tuple[int, float, float]:
    """Return of all pairs of neighbours their number, their scatter and its variance [-].

    Given their sum n, two counts x and y of one expectation have E[(x - y)^2 / n] = 1 with variance
    2 - 2 / n (binomial, arithmetic); a change of the expectation only adds.
    """
    number, total, variance = 0, 0.0, 0.0
    for k in range(len(side.sizes)):
        x, y = side.class_of(k)[: len(side.counts) // 2 * 2].reshape(-1, 2).T
        told = x + y > 0  # false where a cell is empty
        sums = (x + y)[told]
        number += len(sums)
        total += float(((x - y)[told] ** 2 / sums).sum())
        variance += float((2.0 - 2.0 / sums).sum())
    return number, total, variance


def _plateaus(held: Run, _: Limit) -> Found:
    """Ask whether more readings than chance allows are equal to the highest or the lowest."""
    for side, k in ((each, k) for each in held.sides for k in range(len(each.sizes))):
        distinct, repeats = side.distinct[k]
        read = int(repeats.sum())
        if read < FEWEST or (mean := float(distinct @ repeats) / read * side.volume) <= 0:
            continue
        # No value of a Poisson count is more frequent than the middle one, 0.4 / sqrt(mean).
        step = float(np.diff(distinct).min()) * side.volume if len(distinct) > 1 else 1.0
        often = read * min(1.0, max(step, 1.0) * 0.4 / math.sqrt(mean))
        for end, times in zip(distinct[[0, -1]], repeats[[0, -1]], strict=True):
            if _poisson_tail(int(times), often) < TIED_BY_CHANCE:
                words = later(
                    "{side} {size:g} µm(c): {number} readings of just {value:.10g} per mL"
                )
                found = {"size": side.sizes[k], "number": int(times), "value": end}
                return False, say(words, side=say(side.name), **found)
    return True, say("no value at either end repeats beyond chance")


def _poisson_tail(times: int, often: float) -> float:
    """Return the probability of `times` or more where `often` are expected [-]."""
    from scipy.special import gammainc

    return float(gammainc(times, often)) if times > 0 else 1.0


RULES: Rules = {
    "readings": _present,
    "gaps": _gaps,
    "whole counts": _whole,
    "counting noise": _noise,
    "plateaus": _plateaus,
}
