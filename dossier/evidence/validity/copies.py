"""Does the noise of one multi-pass run follow that of another? Counting noise is never shared.

What a run is expected to count changes slowly and may be alike in two runs; by how far each reading
misses it is chance. It is compared class by class, at every shift and in both directions of time,
whatever factor or trend the counts were given, and row by row, for rows taken out or mixed.
"""

from collections.abc import Mapping, Sequence
from functools import cached_property
from itertools import combinations

import numpy as np

from dossier.case.case import Record
from dossier.case.records import MultipassTable
from dossier.evidence.validity.readings import CountedSide, sides_of
from dossier.physics.values import Floats
from dossier.words import later, say

FEWEST, FEWEST_ALONE = 10, 20
"""Rows that two runs must share to be compared: all their classes together, and one alone, which
20 rows put into the same order by chance once in 20 factorial."""
LEAST_COUNT = 4.0
"""Mean raw count below which a class carries too little noise of its own."""
MOST, DEGREE = 1000, 3
"""Rows of a run that are compared, and degree of the polynomial in time taken off each class."""
BEYOND = 7.0
"""Standard deviations of the sum over all classes from which one run follows the other: some
100 000 shifts of all pairs of a case are looked at, and classes may have a cause in common."""
ALONE = 1e-20
"""Chance of a single class following another below which it was copied by itself."""
NEAR = 0.25
"""Squared distance to the nearest row over that to the second from which a row has a twin."""
LEAST_CLASSES = 6
"""Classes with noise of their own that tell one row from another."""
TWINS = 0.3
"""Share of the rows with a twin from which rows were copied."""
FOLLOWING, MOST_COUNTED = 0.8, 400.0
"""Correlation of ranks from which one class of a run follows another, where the fewer counted of
both is at most so large that counting hides what the injection does to all classes."""
BY_CHANCE = 1e-12
"""Chance of that correlation below which it is none."""
NEARLY = 1.0 - 1e-12
"""A correlation of one, as far as a chance can be told from it."""
ONE_ROW = 1e-6
"""Chance that any two rows of two runs are so alike below which one was copied."""


class _Run:
    """The first rows of a multi-pass record, up to its end."""

    def __init__(self, record: Record, end: float) -> None:
        self.record, self.sides = record, sides_of(record, end, MOST)
        self.noise = _noise(self.sides)

    @cached_property
    def classes(self) -> Floats:
        """The classes of both sides (n, s) [-]."""
        return np.column_stack([side.classes for side in self.sides])

    @cached_property
    def rows(self) -> tuple[Floats, Floats]:
        """Times (n,) [min] and classes (n, s) [-] of the rows without a gap."""
        table = self.record.table
        assert isinstance(table, MultipassTable)
        whole = np.flatnonzero(~np.isnan(self.classes).any(axis=1))
        return table.time[whole] / 60.0, self.classes[whole]


def copies(records: Sequence[tuple[Record, float]]) -> Mapping[str, str]:
    """Return record -> what it follows, in words, for each run whose noise is not its own.

    `records` are multi-pass records, each with the time [s] at which it ended.
    """
    runs = [_Run(*each) for each in records]
    found: dict[str, str] = {}
    for run in runs:
        own = _noise(run.sides, nearby=True)
        if (share := _twins(own, own, own=True)) > TWINS:
            found[run.record.id] = say(REPEATED, share=share)
            continue
        found |= _same_row(run, run)
        words = _same_class(run) or _in_between(run)
        found |= {run.record.id: words} if words else {}
    for one, other in combinations(runs, 2):
        words, share = _follows(*_alike(one, other))
        if not words and (share := _twins(*_shares(one, other))) > TWINS:
            words = MIXED
        pair = (one.record, other.record)
        for record, known in (pair, pair[::-1]) if words else ():
            found.setdefault(record.id, say(words, known=known.id, share=share))
        found = _same_row(one, other) | found
    return found


SAME_CLASS = later(
    "counts {side} from {size:g} µm(c) on scatter with those {other_side} from {other:g} µm(c) on: "
    "no two classes of particles do"
)


def _same_class(run: _Run) -> str:
    """Return which class of counts follows another of the same run, in words; empty if none does.

    What every class has in common, as a wandering injection, drowns in the noise of few counts.
    """
    from scipy.special import stdtr

    names = [(side.name, float(size)) for side in run.sides for size in side.sizes]
    read, noise = ~np.isnan(run.classes), run.noise
    means = [run.classes[own, k].mean() if own.any() else np.inf for k, own in enumerate(read.T)]
    r = np.clip(noise.T @ noise / len(noise), -NEARLY, NEARLY)
    few = np.minimum.outer(means, means) <= MOST_COUNTED
    r = np.where(few & ~np.eye(len(names), dtype=bool), r, 0.0)
    one, other = np.unravel_index(int(np.abs(r).argmax()), r.shape)
    most = abs(float(r[one, other]))
    dof = len(noise) - 2.0 - DEGREE
    if most < FOLLOWING or not stdtr(dof, -most * np.sqrt(dof / (1.0 - most**2))) < BY_CHANCE:
        return ""
    (side, size), (other_side, size_2) = names[one], names[other]
    return say(SAME_CLASS, side=say(side), size=size, other_side=say(other_side), other=size_2)


IN_BETWEEN = later(
    "the counts at {own:g} min are the mean of those before and after, at every size and on both "
    "sides: they were not counted"
)


def _in_between(run: _Run) -> str:
    """Return which row of a run is the mean of its neighbours, in words; empty if none is.

    What a count misses that mean by has one and a half times the variance of a count; half a
    particle is added, since counts are whole.
    """
    from scipy.special import chdtr

    times, raw = run.rows
    used = raw.mean(axis=0) >= LEAST_COUNT if len(raw) else np.zeros(raw.shape[1], dtype=bool)
    if len(raw) < FEWEST or used.sum() < LEAST_CLASSES:
        return ""
    mean = 0.5 * (raw[:-2, used] + raw[2:, used])
    off = ((np.abs(raw[1:-1, used] - mean) + 0.5) ** 2 / np.maximum(1.5 * mean, 1.0)).sum(axis=1)
    row = int(off.argmin())
    if not chdtr(float(used.sum()), float(off[row])) * len(off) < ONE_ROW:
        return ""
    return say(IN_BETWEEN, own=float(times[row + 1]))


SAME_ROW = later(
    "the counts at {own:g} min are those at {their:g} min of record {known}, at every size and on "
    "both sides: one of the two was not counted"
)


def _same_row(one: _Run, other: _Run) -> dict[str, str]:
    """Return record -> which row of it is a row of the other run, in words; nothing if none is.

    The squared differences of two rows of counts over their sums are chi-square, as of any counts
    (from memory); half a particle is added to each difference, since counts are whole.
    """
    from scipy.special import chdtri

    (times, a), (their_times, b) = one.rows, other.rows
    if a.shape[1] != b.shape[1] or not (len(a) and len(b)):
        return {}
    used = np.flatnonzero(np.minimum(a.mean(axis=0), b.mean(axis=0)) >= LEAST_COUNT)
    if len(used) < LEAST_CLASSES:
        return {}
    a, b = np.maximum(a[:, used], 0.0), np.maximum(b[:, used], 0.0)
    most = float(chdtri(float(len(used)), 1.0 - ONE_ROW / (len(a) * len(b))))
    apart = _distances(np.sqrt(a), np.sqrt(b))  # never above that sum: few rows are left to look at
    if one is other:
        np.fill_diagonal(apart, np.inf)
    rows, others = np.nonzero(apart < most + 1e-3)  # rounding is less
    x, y = a[rows], b[others]
    sums = ((np.abs(x - y) + 0.5) ** 2 / np.maximum(x + y, 1.0)).sum(axis=1)
    if not np.min(sums, initial=most) < most:
        return {}
    best = int(sums.argmin())
    own, their = float(times[rows[best]]), float(their_times[others[best]])
    said = {one.record.id: say(SAME_ROW, own=own, their=their, known=other.record.id)}
    return {other.record.id: say(SAME_ROW, own=their, their=own, known=one.record.id)} | said


REPEATED = later("{share:.0%} of the rows repeat other rows of the same run")
FOLLOWS = later("the noise of the counts follows that of record {known}")
BACKWARDS = later("the noise of the counts follows that of record {known}, back to front")
MIXED = later("{share:.0%} of the rows follow rows of record {known}")


def _alike(one: _Run, other: _Run) -> tuple[Floats, Floats]:
    """Return the noise of two runs in the same classes: as they are, or of the sizes in common.

    Where both were counted at as many sizes the classes stand for each other, whatever they are
    called.
    """
    if one.noise.shape[1] == other.noise.shape[1]:
        return one.noise, other.noise
    common = np.intersect1d(one.sides[0].sizes, other.sides[0].sizes)
    first, second = ([side.of_sizes(common) for side in run.sides] for run in (one, other))
    return _noise(first), _noise(second)


def _shares(one: _Run, other: _Run) -> tuple[Floats, Floats]:
    """Return what each class has of its row, (n, s) and (m, s), on a scale where noise is alike.

    What rows are multiplied by, all or each, and what classes are, leaves these as they are.
    """
    both = [one.rows[1], other.rows[1]]
    if both[0].shape[1] != both[1].shape[1] or min(len(raw) for raw in both) < FEWEST:
        return np.zeros((0, 1)), np.zeros((0, 1))
    used = np.minimum(*(raw.mean(axis=0) for raw in both)) >= LEAST_COUNT
    both = [np.maximum(raw[:, used], 0.0) for raw in both]
    rows = [raw.sum(axis=1, keepdims=True) for raw in both]
    share = [raw / np.maximum(row, 1.0) for raw, row in zip(both, rows, strict=True)]
    factor = share[1].mean(axis=0) / share[0].mean(axis=0)
    number = min(float(np.median(row)) for row in rows)
    return np.sqrt(share[0] * factor * number), np.sqrt(share[1] * number)


def _noise(sides: Sequence[CountedSide], *, nearby: bool = False) -> Floats:
    """Return the scores (n, s) of what is left of each class of counts without its trend.

    With `nearby`, without the mean of their neighbours, which rows that return share.  Zero where
    no reading is, and for a class that carries too little noise of its own.
    """
    found = []
    for side in sides:
        classes = side.classes
        scores, gaps = np.zeros(classes.shape), np.isnan(classes)
        times = np.linspace(-1.0, 1.0, len(classes))
        for gap in (np.unique(gaps, axis=1) if gaps.any() else gaps[:, :1]).T:
            if (~gap).sum() >= FEWEST:
                alike = (gaps == gap[:, None]).all(axis=0)
                own = np.ix_(~gap, alike & (classes[~gap].mean(axis=0) >= LEAST_COUNT))
                scores[own] = _scores(classes[own], times[~gap], nearby)
        found.append(scores)
    return np.hstack(found)


def _scores(raw: Floats, time: Floats, nearby: bool) -> Floats:
    """Return the normal scores (n, s) of what counts (n, s) at times (n,) miss their trend by.

    The square root makes the noise of a count the same whatever its size (F. J. Anscombe,
    Biometrika 35 (1948), 246, from memory).
    """
    from scipy.special import ndtri

    steady = np.sqrt(np.maximum(raw, 0.0) + 0.375)
    if nearby:
        wide = np.pad(steady, ((2, 2), (0, 0)))
        trend = (wide[:-4] + wide[1:-3] + wide[3:-1] + wide[4:]) / 4.0
    else:
        powers = np.polynomial.polynomial.polyvander(time, DEGREE)
        trend = powers @ np.linalg.lstsq(powers, steady)[0]
    ranks = np.argsort(np.argsort(steady - trend, axis=0, kind="stable"), axis=0) + 0.5
    scores: Floats = ndtri(ranks / len(raw))
    scores /= np.sqrt((scores**2).mean(axis=0))
    return scores


def _follows(one: Floats, other: Floats) -> tuple[str, float]:
    """Return how one run follows the other, to be said, and the share of its rows that do [-]."""
    for words, second in ((FOLLOWS, other), (BACKWARDS, other[::-1])):
        together, alone = _agreement(one, second)
        if together > BEYOND or alone < ALONE:
            return words, 1.0
    share = _twins(one, other)
    return (MIXED, share) if share > TWINS else ("", share)


def _agreement(a: Floats, b: Floats) -> tuple[float, float]:
    """Return how the classes (n, s) and (m, s) of two runs agree at their best shift.

    By how many standard deviations all of them do, in the scatter of their sum over all shifts
    where that is larger than chance: what drives all classes, or is slow, makes no copy.  And the
    least chance that one class follows its like, by the t distribution of a correlation of ranks
    (M. G. Kendall, from memory), in the scatter over all shifts as well.
    """
    from scipy.special import stdtr

    used = a.any(axis=0) & b.any(axis=0)
    a, b = a[:, used], b[:, used]
    shifts = np.arange(1, len(a) + len(b))
    rows = np.minimum(np.minimum(shifts, shifts[::-1]), min(len(a), len(b)))
    enough = rows >= FEWEST
    if not used.any() or not enough.any():
        return 0.0, 1.0
    rows, sums = rows[enough], _sums(a, b)[enough]
    squares = _windows(a**2, len(b)), _windows(b[::-1] ** 2, len(a))
    chance = np.maximum(squares[0] * squares[1], 1e-12)[enough]
    z = sums.sum(axis=1) / np.sqrt(chance.sum(axis=1) / rows)
    together = float(z.max() / _scatter(z))
    long = rows >= FEWEST_ALONE
    if not long.any():
        return together, 1.0
    r, dof = np.clip(sums / np.sqrt(chance), -NEARLY, NEARLY)[long], rows[long] - 2.0
    t = r * np.sqrt(dof[:, None] / (1.0 - r**2))
    if (stdtr(dof, -t.max(axis=1)) < ALONE).any():
        t = t / _scatter(t)
    return together, float(stdtr(dof, -t.max(axis=1)).min())


def _sums(a: Floats, b: Floats) -> Floats:
    """Return the sums of products of two series in columns at every shift (n + m - 1, s)."""
    length = len(a) + len(b) - 1
    size = 1 << length.bit_length()
    product = np.fft.rfft(a, size, axis=0) * np.fft.rfft(b[::-1], size, axis=0)
    return np.fft.irfft(product, size, axis=0)[:length]


def _windows(values: Floats, rows: int) -> Floats:
    """Return sums of a series (n, s) in the m `rows` beside it at every shift (n + m - 1, s)."""
    so_far = np.vstack([np.zeros(values.shape[1]), values.cumsum(axis=0)])
    ends = np.arange(1, len(values) + rows)
    summed: Floats = so_far[np.minimum(ends, len(values))] - so_far[np.maximum(ends - rows, 0)]
    return summed


def _scatter(values: Floats) -> Floats:
    """Return the scatter of the middle of normal values in columns (n, s) [-], one at least."""
    return np.maximum(1.0, 1.4826 * np.median(np.abs(values), axis=0))


def _distances(a: Floats, b: Floats) -> Floats:  # squared (n, m), of rows (n, s) and (m, s)
    return np.asarray((a**2).sum(axis=1)[:, None] + (b**2).sum(axis=1) - 2.0 * a @ b.T)


def _twins(a: Floats, b: Floats, *, own: bool = False) -> float:
    """Return the share of the rows of one run that have just one row of the other beside them [-].

    With `own`, of other rows of the same run.
    """
    used = a.any(axis=0) & b.any(axis=0)
    if used.sum() < LEAST_CLASSES or min(len(a), len(b)) < FEWEST:
        return 0.0
    a, b = a[:, used], b[:, used]
    distance = _distances(a, b)
    if own:
        np.fill_diagonal(distance, np.inf)
    shares = []
    for each in (distance, distance.T):
        others, nearest = each.copy(), np.maximum(each.min(axis=1), 0.0)
        others[np.arange(len(each)), each.argmin(axis=1)] = np.inf
        shares.append(float((nearest < NEAR * others.min(axis=1)).mean()))
    return max(shares)
