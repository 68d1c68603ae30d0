"""Reduction of a multi-pass filter test: tenths, filtration ratios, sizes and the mass balance.

Steps as described in ISO 16889:2008 and ISO 4548-12:2017 (both from memory).  SI throughout (s, Pa,
kg, kg/m3, m3/s); particle sizes in um(c), counts in 1/mL.  NaN in counts or pressures means that
the cell was empty.
"""

import math
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from dossier.physics.values import (
    Bounded,
    Floats,
    all_finite,
    all_positive,
    increasing,
    never_falling,
    not_negative,
    positive,
)
from dossier.words import later, say

TENTHS = 10


class RetainedMass(NamedTuple):
    """Terms of the gravimetric balance of a run, all [kg]."""

    injected: float
    left_in_system: float
    retained: float
    """Injected less what was left in the system or drawn off by samples."""
    level_below_base: bool
    """True where the final level read below the base level; the downstream level counts as 0."""


def terminal_time(time: Floats, pressure_drop: Floats, terminal: float) -> float:
    """Return when the terminal differential pressure is reached and stays reached [s].

    Straight line between the last row below it and the next: a single high reading ends no run.
    `time` (n,) [s] rises, `pressure_drop` (n,) and `terminal` [Pa] are of the assembly.  Rows with
    NaN pressure are skipped.  Raises ValueError when the terminal is not reached, was passed before
    the first row or is not kept to the last, and for values that are not finite.
    Source: ISO 16889:2008, test end (from memory).
    """
    positive(later("terminal differential pressure"), terminal, "Pa")
    read = ~np.isnan(np.asarray(pressure_drop, dtype=float))
    t = increasing(later("time"), np.asarray(time, dtype=float)[read], "s")
    drop = all_finite(later("differential pressure"), pressure_drop[read], "Pa")
    below = np.flatnonzero(drop < terminal)
    if len(below) == len(drop):
        words = later(
            "the terminal differential pressure of {terminal:g} kPa is not reached: the highest "
            "reading is {highest:g} kPa"
        )
        raise ValueError(say(words, terminal=terminal / 1e3, highest=drop.max() / 1e3))
    if drop[0] >= terminal:
        words = later(
            "the first reading, {first:g} kPa, is not below the terminal of {terminal:g} kPa"
        )
        raise ValueError(say(words, first=drop[0] / 1e3, terminal=terminal / 1e3))
    after = int(below[-1]) + 1
    if after == len(drop):
        words = later(
            "the terminal differential pressure of {terminal:g} kPa is passed and not kept, the "
            "last reading is {last:g} kPa: rows after the end of the test do not belong to the run"
        )
        raise ValueError(say(words, terminal=terminal / 1e3, last=drop[-1] / 1e3))
    part = (terminal - drop[after - 1]) / (drop[after] - drop[after - 1])
    return float(t[after - 1] + part * (t[after] - t[after - 1]))


def tenths(time: Floats, end_time: float, skip: float) -> NDArray[np.int64]:
    """Return the reporting tenth of each row, 0 to 9 (n,) [-]; -1 for rows that count in none.

    Tenth j holds the rows in (j tf / 10, (j + 1) tf / 10] of `time` (n,) [s], with tf =
    `end_time` [s].  None hold rows at 0, after tf, or in the first `skip` [s], its end included: a
    reading stands for the interval before it.  Raises ValueError unless every time is finite,
    0 < end_time < inf and 0 <= skip < end_time.  Source: ISO 16889:2008, reporting times (memory).
    """
    positive(later("end time"), end_time, "s")
    if not (0.0 <= skip < end_time):
        words = later("the skipped time must be in 0 s to {end:g} s, not {skip:g} s")
        raise ValueError(say(words, end=end_time, skip=skip))
    t = all_finite(later("time"), time, "s")
    edges = end_time * np.arange(TENTHS + 1) / TENTHS
    edges[-1] = end_time
    index = np.searchsorted(edges, t, side="left") - 1
    outside = (t <= max(0.0, skip)) | (t > end_time)
    return np.where(outside, -1, index).astype(np.int64)


def interval_means(counts: Floats, index: NDArray[np.int64]) -> tuple[Floats, NDArray[np.int64]]:
    """Return (means (10, k) [1/mL], readings (10, k) [-]) of each tenth and size.

    `counts` (n, k) [1/mL] with NaN for empty cells, which are left out; `index` (n,) as from
    `tenths`.  A tenth without any reading has a NaN mean and 0 readings.  Raises ValueError for
    counts below zero or infinite, or an index outside -1 to 9.
    Source: ISO 16889:2008, arithmetic mean of the counts of a tenth (from memory).
    """
    values = np.asarray(counts, dtype=float)
    if values.ndim != 2 or np.shape(index) != values.shape[:1]:
        shapes = f"counts {values.shape} and index {np.shape(index)}"
        raise ValueError(f"{shapes} do not belong together")
    if not ((index >= -1) & (index < TENTHS)).all():
        raise ValueError("a tenth must be -1 to 9")
    if values.size and values.min() >= 0.0 and values.max() < np.inf:  # no cell is empty
        sums = _sums(index, values)
        every = np.bincount(index + 1, minlength=TENTHS + 1)[1:]
        readings = np.repeat(every[:, None], values.shape[1], axis=1).astype(np.int64)
    else:
        read = ~np.isnan(values)
        if not ((values >= 0.0) & (values < np.inf) | ~read).all():
            not_negative(later("counts"), values[read], "1/mL")
        readings = _sums(index, read).astype(np.int64)
        sums = _sums(index, np.where(read, values, 0.0))
    return np.where(readings > 0, sums / np.maximum(readings, 1), np.nan), readings


def _sums(index: NDArray[np.int64], values: NDArray[Any]) -> Floats:
    """Return the sums (10, k) of `values` (n, k) over the rows of each tenth."""
    sums = np.empty((TENTHS, values.shape[1]))
    places = index + 1
    for size, column in enumerate(values.T):
        sums[:, size] = np.bincount(places, column, TENTHS + 1)[1:]
    return sums


def interval_ratios(up: Floats, down: Floats) -> tuple[Floats, NDArray[np.bool_]]:
    """Return (filtration ratio of each tenth (10, k) [-], mask where nothing passed (10, k)).

    `up` and `down` (10, k) [1/mL] are the means of `interval_means`.  The ratio is NaN, never
    infinite, where the downstream mean is 0 (mask True) or either mean is missing (mask False).
    Raises ValueError for means below zero or infinite.
    Source: ISO 16889:2008, beta = mean upstream / mean downstream (from memory).
    """
    upper, lower = _means(up, "upstream means"), _means(down, "downstream means")
    if upper.shape != lower.shape:
        raise ValueError(
            f"means upstream {upper.shape} and downstream {lower.shape} differ in shape"
        )
    zero = lower == 0.0
    return upper / np.where(zero, np.nan, lower), zero


def overall_ratio(up_means: Floats, down_means: Floats) -> tuple[Floats, NDArray[np.bool_]]:
    """Return (overall filtration ratio (k,) [-], mask where nothing passed in the test (k,)).

    The ratio of averages: the sum of the ten upstream means over the sum of the ten downstream
    means, `up_means` and `down_means` (10, k) [1/mL].  It is not the average of ten ratios, which
    is larger.  NaN, never infinite, where all downstream means are 0.  Raises ValueError unless
    every one of the ten means is there.  Source: ISO 16889:2008, average ratio (from memory).
    """
    up = not_negative(later("upstream means"), up_means, "1/mL")
    down = not_negative(later("downstream means"), down_means, "1/mL")
    if up.shape != down.shape or up.ndim != 2 or len(up) != TENTHS:
        raise ValueError(f"ten means of each size are needed, not {up.shape} and {down.shape}")
    total = down.sum(axis=0)
    zero = total == 0.0
    return up.sum(axis=0) / np.where(zero, np.nan, total), zero


def size_reaching(sizes: Floats, ratios: Floats, target: float) -> Bounded:
    """Return the size from which on the filtration ratio stays at `target` or above [um(c)].

    Straight line of ln(ratio) against size between adjacent counted sizes, no extrapolation.
    Where the ratio falls below the target again at a larger size, the last upward crossing counts,
    not the first: the safe side, since every larger counted size reaches the target.
    `sizes` (k,) [um(c)] rise, `ratios` (k,) and `target` [-] are above zero.  Result (value,
    bound): "smaller than" the smallest size where every ratio is above the target, "larger than"
    the largest size where the ratio there is below it.  Raises ValueError for other values.
    Source: ISO 16889:2008 (from memory); log-linear form is common practice.
    """
    size = increasing(later("particle sizes"), sizes, "um(c)")
    ratio = all_positive(later("filtration ratio"), ratios, later("(a ratio)"))
    goal = math.log(positive(later("target ratio"), target, later("(a ratio)")))
    ln = np.array([[math.log(each) for each in ratio]])  # by the same function: equal stays equal
    found = float(sizes_at_ratio(size, ln, goal)[0])
    if found == -math.inf:
        return Bounded(float(size[0]), "smaller than")
    if found == math.inf:
        return Bounded(float(size[-1]), "larger than")
    return Bounded(found)


def sizes_at_ratio(sizes: Floats, ln_ratios: Floats, ln_target: float) -> Floats:
    """Return what `size_reaching` returns for each of m curves (m,) [um(c)].

    -inf stands for "smaller than" the smallest size, +inf for "larger than" the largest.
    `sizes` (k,) [um(c)], `ln_ratios` (m, k) and `ln_target`: natural logarithms of ratios [-].
    Raises ValueError unless sizes rise and all is finite.  Source: as `size_reaching`.
    """
    size = increasing(later("particle sizes"), sizes, "um(c)")
    ln = all_finite(later("ln(filtration ratio)"), ln_ratios, "(a logarithm)")
    if ln.ndim != 2 or ln.shape[1] != len(size):
        raise ValueError(f"{len(size)} sizes do not fit ratios of shape {ln.shape}")
    if not math.isfinite(ln_target):
        raise ValueError(f"ln(target ratio) must be finite, not {ln_target:g}")
    result: Floats = np.where(ln[:, 0] == ln_target, size[0], -np.inf)
    for low in range(len(size) - 1):
        start, end = ln[:, low], ln[:, low + 1]
        up = (start < ln_target) & (end >= ln_target)
        start, end = start[up], end[up]
        result[up] = size[low] + (size[low + 1] - size[low]) * (ln_target - start) / (end - start)
    result[ln[:, -1] < ln_target] = np.inf
    return result


def injection_flow(volume_start: float, volume_end: float, time: float) -> float:
    """Return the mean injection flow [m3/s] from the injection volumes [m3] over `time` [s].

    Raises ValueError unless 0 <= volume_end < volume_start < inf and 0 < time < inf.
    Source: ISO 16889:2008 (from memory).
    """
    if not (0.0 <= volume_end < volume_start < math.inf):
        words = later("the injection volume must fall, not go from {start:g} m3 to {end:g} m3")
        raise ValueError(say(words, start=volume_start, end=volume_end))
    return (volume_start - volume_end) / positive(later("time"), time, "s")


def base_level(ci: float, qi: float, q: float) -> float:
    """Return the base upstream gravimetric level [kg/m3], ci qi / q.

    `ci` injection level [kg/m3], `qi` injection flow and `q` test flow [m3/s].  Raises ValueError
    unless all are above zero and finite.  Source: ISO 16889:2008 (from memory), a mass balance.
    """
    return _rate(ci, qi) / positive(later("test flow"), q, "m3/s")


def injected_mass(ci: float, qi: float, tf: float) -> float:
    """Return the contaminant injected in `tf` [s], ci qi tf [kg].

    `ci` injection level [kg/m3], `qi` injection flow [m3/s].  Raises ValueError unless all are
    above zero and finite.  Source: ISO 16889:2008 (from memory), a mass balance.
    """
    return _rate(ci, qi) * positive(later("test time"), tf, "s")


def retained_mass(
    injected: float,
    final_level: float,
    system_volume: float,
    upstream_sample_flow: float,
    downstream_sample_flow: float,
    base_level: float,
    tf: float,
) -> RetainedMass:
    """Return the gravimetric balance: injected mass less what did not stay in the filter [kg].

    Left in the system: final_level V; drawn upstream: final_level qu tf; drawn downstream:
    (final_level - base_level) qd tf, as the filter takes out what was injected.  A final level
    that reads below the base level (possible by noise with a fine filter) makes the last term 0,
    not negative, and sets `level_below_base`: the retained mass is not raised by it.
    `injected` [kg], levels [kg/m3], `system_volume` V [m3], sample flows thrown away qu, qd [m3/s],
    `tf` [s].  A retained mass below zero, more left and drawn than injected, is a sign of wrong
    inputs.  Raises ValueError for inputs below zero or not finite (only the final level and the
    sample flows may be zero).  Source: ISO 16889:2008 (from memory), a mass balance.
    """
    positive(later("injected mass"), injected, "kg")
    not_negative(later("final level"), final_level, "kg/m3")
    positive(later("system volume"), system_volume, "m3")
    not_negative(later("upstream sample flow"), upstream_sample_flow, "m3/s")
    not_negative(later("downstream sample flow"), downstream_sample_flow, "m3/s")
    positive(later("base level"), base_level, "kg/m3")
    positive(later("test time"), tf, "s")
    left = final_level * system_volume
    upstream = final_level * upstream_sample_flow * tf
    downstream = max(0.0, final_level - base_level) * downstream_sample_flow * tf
    retained = injected - left - upstream - downstream
    return RetainedMass(injected, left, retained, final_level < base_level)


def _rate(ci: float, qi: float) -> float:
    """Return the contaminant injected in a second [kg/s]."""
    level = positive(later("injection level"), ci, "kg/m3")
    return level * positive(later("injection flow"), qi, "m3/s")


def _means(values: Floats, name: str) -> Floats:
    """Return means as an array whose values, where there is one, are in [0, inf) [1/mL]."""
    array = np.asarray(values, dtype=float)
    not_negative(name, array[~np.isnan(array)], "1/mL")
    return array


def monotone_curve(mass: Floats, pressure_drop: Floats) -> Floats:
    """Return the pressure drops (n,) [Pa] made never falling by isotonic least squares.

    `mass` (n,) [kg] rises, `pressure_drop` (n,) [Pa].  The caller drops empty rows: raises
    ValueError for NaN, for masses that do not rise and for unequal lengths.
    Source: isotonic regression by pooling adjacent violators (textbook).
    """
    masses = increasing(later("mass"), mass, "kg")
    drops = all_finite(later("pressure drop"), pressure_drop, "Pa")
    if masses.shape != drops.shape:
        words = later("{number} masses do not fit pressure drops of shape {shape}")
        raise ValueError(say(words, number=masses.size, shape=drops.shape))
    return never_falling(drops)
