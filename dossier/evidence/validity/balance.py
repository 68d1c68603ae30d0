"""Does the loop of a multi-pass run balance by particles? Its rules, and the rule of its dust.

At steady state what is injected leaves with the filter: n = N_up - N_down at every size, which is
the same as N_up = n ratio / (ratio - 1) (particle balance of the loop, arithmetic).
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from dossier.case.case import Case, Record
from dossier.evidence.limits import Limit, Limits
from dossier.evidence.records.instruments import ratio_accuracy
from dossier.evidence.records.reduced import MultipassResult
from dossier.evidence.spoken import number_text
from dossier.evidence.validity.readings import Run
from dossier.evidence.validity.rules import Found, Rules
from dossier.physics import particles
from dossier.physics.values import Floats
from dossier.words import later, say

Reduced = tuple[Record, MultipassResult]

LARGEST = 20.0
"""Size [um(c)] up to which the balance decides: larger particles settle and clump."""
LEAST_RATIO = 1.5
"""Filtration ratio below which 5 % of error in both counters moves the quotient by over 25 %."""
HELD = 0.1
"""Share that passes below which a size shows what is injected, whatever the filter."""
NOISE = 0.05
"""Counting noise of a quotient [-] above which too few were counted to judge it."""
TURNOVERS = 5.0
"""Time constants after which a loop has settled to within 1 %."""
LEAST_TENTHS = 4
"""Settled tenths that a judgement takes."""
SURE = 4.5
"""Standard deviations of a slope that chance is given."""
TOGETHER, DOUBTFUL, VAGUE = 3.0, 1.25, 0.5
"""Standard deviations that chance is given where runs of one filter are taken together, the factor
beyond which their common slope is doubted, and what chance may come to where it tells anything."""
BLURRED = 0.2
"""Share of counting in the variance of the downstream counts above which they show no slope."""


def _dust(held: Run, _: Limit) -> Found:
    stated = held.conditions.dust
    if stated is None:
        return None, say("no test dust stated")
    if particles.grade(stated.kind) == "A3":
        return True, stated.kind
    words = later("{dust}, counts per mass from {source}")
    return False, say(words, dust=stated.kind, source=stated.source)


@dataclass(slots=True)
class _Judged:
    """Quotients of the sizes that were judged, and why the others were not."""

    quotients: dict[float, float] = field(default_factory=dict)
    steep: list[float] = field(default_factory=list)
    unknown: list[float] = field(default_factory=list)
    few: list[float] = field(default_factory=list)

    @property
    def left_out(self) -> str:
        """The sizes that the rule does not apply to, in words."""
        reasons = (
            (later("ratio too close to 1 at {sizes} µm(c)"), self.steep),
            (later("no counts of the dust at {sizes} µm(c)"), self.unknown),
            (later("too few counted at {sizes} µm(c)"), self.few),
        )
        told = ((words, [number_text(size, "g") for size in sizes]) for words, sizes in reasons)
        return "; ".join(say(words, sizes="; ".join(sizes)) for words, sizes in told if sizes)


def _balance(held: Run, limit: Limit) -> Found:
    """Hold what each size's counts say was injected against what the dust holds."""
    found = _quotients(held.record, held.result)
    deciding = {size: q for size, q in found.quotients.items() if size <= LARGEST}
    if not found.quotients:
        unknown = bool(found.unknown) and not found.steep
        return None if unknown else "does not apply", found.left_out
    words = _listed(found.quotients)
    if found.left_out:
        words = say("{quotients}; does not apply: {left}", quotients=words, left=found.left_out)
    highest, lowest = (end(deciding.values(), default=1.0) for end in (max, min))
    if not 1.0 / limit.value <= lowest <= highest <= limit.value * min(lowest, 1.0):
        hint = later("{quotients}: look at dilutions, size labels, injection level and dust")
        return False, say(hint, quotients=words)
    coarse = [q for size, q in found.quotients.items() if size > LARGEST]
    near = all(abs(q - 1.0) <= limit.tolerance for q in deciding.values())
    near = near and all(1.0 / limit.value <= q <= limit.value for q in coarse)
    return True if near else "warning", words


def _quotients(record: Record, result: MultipassResult) -> _Judged:
    found = _Judged()
    for k, size in enumerate(float(each) for each in result.sizes):
        once = _once_through(record, result, size)
        up, down = result.up[:, k], result.down[:, k]
        if once is None:
            found.unknown.append(size)
            continue
        settled = _settled(record, result, k)
        ratio = up[settled].sum() / max(float(down[settled].sum()), 1e-300)
        if len(settled) < LEAST_TENTHS or ratio < LEAST_RATIO:
            found.steep.append(size)
            continue
        readings = result.readings[settled, k]
        variance = up[settled] / (readings * result.counted_up)
        variance = variance + down[settled] / (readings * result.counted_down)
        if np.sqrt(variance.sum()) / len(settled) > NOISE * once:
            found.few.append(size)
        else:
            found.quotients[size] = float((up[settled] - down[settled]).mean()) / once
    return found


def _once_through(record: Record, result: MultipassResult, size: float) -> float | None:
    """Return the count [1/mL] of the base level's dust at `size`; None beyond its table."""
    stated = record.entry.conditions.dust
    try:
        own = stated is not None and stated.spectrum
        counts = particles.interpolated(own, size) if own else particles.counts_per_mass(size)
    except ValueError:
        return None
    return counts * result.base_level / 1e6


def _settled(record: Record, result: MultipassResult, k: int) -> NDArray[np.int64]:
    """Return the tenths in which the loop has settled at size k, the first never among them.

    A deviation of the loop dies away with the time constant V / (Q (1 - 1 / ratio)): the volume
    over what the filter cleans (mass balance of a mixed volume).
    """
    volume = record.entry.conditions.system_volume
    cleaned = max(1.0 - float(_passed(result)[k]), 1e-3)
    constant = (volume.value if volume else 0.0) / (result.flow * cleaned)
    starts = result.end_time * np.arange(10) / 10.0
    return np.flatnonzero((starts >= TURNOVERS * constant) & (starts > 0))


def _passed(result: MultipassResult) -> Floats:
    """Return the share that passes over the whole run (k,) [-]; 1 where nothing was counted."""
    up, down = result.up.sum(axis=0), result.down.sum(axis=0)
    return np.where(up > 0, down / np.where(up > 0, up, 1.0), 1.0)


def _listed(quotients: dict[float, float]) -> str:
    words = later("{quotient:.2f} at {size:g} µm(c)")
    return ", ".join(say(words, quotient=q, size=size) for size, q in quotients.items())


@dataclass(frozen=True, slots=True)
class _Slope:
    """How far upstream counts rise with downstream counts at one size [-]."""

    size: float
    value: float
    half: float
    """Half-width of what noise and the injection can do to it."""
    steady: float
    """The slope by what rises with time alone."""
    u: float
    """Standard deviation of that."""


def _recirculation(held: Run, limit: Limit) -> Found:
    """Hold the rise of the upstream counts in the test against that of the downstream counts.

    What passes comes back, so that both rise alike whatever the dust: N_up = n + N_down.  A factor
    that is wrong on one side alone shows as a slope of that factor.
    """
    slopes = _slopes(held.record, held.result, limit.tolerance)
    for each in slopes:
        low, high = each.value - each.half, each.value + each.half
        if low > limit.value or high < 1.0 / limit.value:
            return False, _risen(each)
    if doubt := held.against["recirculation"]:
        return "warning", doubt
    surest = min(slopes, key=lambda each: each.half, default=None)
    if surest is None or surest.half > limit.value - 1.0:
        return "does not apply", say("downstream counts too steady, or too few, to tell")
    return True, _risen(surest)


def _risen(slope: _Slope) -> str:
    words = later(
        "upstream rises {slope:.2f} ± {half:.2f} for each that downstream rises, at {size:g} µm(c)"
    )
    return say(words, slope=slope.value, half=slope.half, size=slope.size)


def _slopes(record: Record, result: MultipassResult, drift: float) -> Sequence[_Slope]:
    """Return the slope at each size at which the downstream counts tell.

    `drift` [-] is how far the injected counts of that size may move against those of the size that
    stands for the injection: the smallest of which the filter lets less than a tenth pass.
    """
    held = np.flatnonzero((_passed(result) < HELD) & (result.sizes <= LARGEST))
    stands = [(k, int(own[0])) for k in range(len(result.sizes)) if len(own := held[held != k])]
    found = (_slope(result, k, own, _settled(record, result, k), drift) for k, own in stands)
    return [each for each in found if each is not None]


def _slope(
    result: MultipassResult, k: int, held: int, rows: NDArray[np.int64], drift: float
) -> _Slope | None:
    """Return the slope at size k; size `held` stands for the injection.

    The scatter is that of the residuals, or that of counting where this is larger: of few tenths
    the residuals may by chance be too small.
    """
    up, down = result.up[rows, k], result.down[rows, k]
    injected = result.up[rows, held] - result.down[rows, held]
    if len(rows) < LEAST_TENTHS + 2 or not (injected > 0).all() or not np.ptp(down) > 0:
        return None
    noise_up, noise_down = _counting(result, rows, k)
    blurred = noise_down / float(np.var(down))
    if blurred > BLURRED:
        return None
    terms = np.column_stack([injected / injected.mean(), down])
    (level, slope), *_ = np.linalg.lstsq(terms, up)
    left = float(((up - terms @ np.array([level, slope])) ** 2).sum()) / (len(rows) - 2)
    counted = noise_up + slope**2 * noise_down
    counted += (level / injected.mean()) ** 2 * sum(_counting(result, rows, held))
    u = np.sqrt(max(left, counted) * np.linalg.pinv(terms.T @ terms)[1, 1])
    moved = drift * abs(level) / np.ptp(down)
    # Noise of what a line is fitted against makes its slope too small, by this share at most.
    half = float(SURE * u + moved + blurred * abs(slope))
    timed = np.column_stack([terms[:, 0], rows - rows.mean()])
    steady, steady_u = _by_trend(timed, terms, up, max(left, counted))
    return _Slope(float(result.sizes[k]), float(slope), half, steady, steady_u)


def _by_trend(timed: Floats, terms: Floats, up: Floats, variance: float) -> tuple[float, float]:
    """Return the slope by what rises with time alone, and its standard deviation.

    Instrumental variables: noise downstream, and of what stands for the injection, does not know
    the time, and so neither flattens nor steepens it (from memory).
    """
    inverse = np.linalg.pinv(timed.T @ terms)
    spread = variance * inverse @ (timed.T @ timed) @ inverse.T
    return float((inverse @ timed.T @ up)[1]), float(np.sqrt(spread[1, 1]))


def doubtful(runs: Sequence[Reduced]) -> Mapping[str, str]:
    """Return record -> what the slopes of all runs of its filter say together, where that is odd.

    One factor is wrong in all of them, and what is too steady or too few in one run shows in the
    mean of several.
    """
    alike: dict[tuple[str, ...], list[Reduced]] = {}
    for run in runs:
        entry = run[0].entry
        key = entry.laboratory, entry.filter, entry.path, str(entry.conditions.dilution)
        alike.setdefault(key, []).append(run)
    found: dict[str, str] = {}
    for each in alike.values():
        by_size: dict[float, list[_Slope]] = {}
        for slope in (s for run in each for s in _slopes(*run, 0.0) if s.u > 0):
            by_size.setdefault(slope.size, []).append(slope)
        words = next(filter(None, map(_doubt, by_size.values())), "")
        found |= dict.fromkeys((record.id for record, _ in each), words)
    return found


def _doubt(slopes: Sequence[_Slope]) -> str:
    """Return that the mean of slopes at one size is not near one, or nothing."""
    weights = np.array([1.0 / each.u**2 for each in slopes])
    mean = float(weights @ np.array([each.steady for each in slopes]) / weights.sum())
    half = TOGETHER / float(np.sqrt(weights.sum()))
    if half > VAGUE or 1.0 / DOUBTFUL - half <= mean <= DOUBTFUL + half:
        return ""
    words = later(
        "over {number} runs upstream rises {slope:.2f} ± {half:.2f} for each that downstream "
        "rises, at {size:g} µm(c): look up the dilution of either side in the laboratory's notes"
    )
    return say(words, number=len(slopes), slope=mean, half=half, size=slopes[0].size)


def _counting(result: MultipassResult, rows: NDArray[np.int64], k: int) -> tuple[float, float]:
    """Return the variance that counting gives the mean of a tenth, on both sides [1/mL2]."""
    readings = result.readings[rows, k]
    up = result.up[rows, k] / (readings * result.counted_up)
    down = result.down[rows, k] / (readings * result.counted_down)
    return float(up.mean()), float(down.mean())


SHAPE = "same dust in every run"
"""The rule that holds the quotients of two runs against each other."""


def unlike_runs(case: Case, runs: Sequence[Reduced], limits: Limits) -> Mapping[str, str]:
    """Return record -> how its quotients differ from those of another run of the same laboratory.

    Over the quotients of sizes that the filter holds back, what is left at a size does not know the
    dust's table, the base level or an error of both counters alike: it is the same in every run.
    """
    found: dict[str, str] = {}
    shapes = [_shape(each) for each in runs]
    for (one, first), (other, second) in combinations(zip(runs, shapes, strict=True), 2):
        if len({case.laboratory_of(each[0].entry) for each in (one, other)}) > 1:
            continue
        limit = limits.find(SHAPE, "multipass", one[0].entry.standard)
        apart = _apart(case, limits, limit, one[0], other[0], first, second) if limit else None
        if apart is None:
            continue
        for record, known in ((one[0], other[0]), (other[0], one[0])):
            found.setdefault(record.id, say(UNLIKE, size=apart[0], share=apart[1], known=known.id))
    return found


UNLIKE = later(
    "measured by the larger sizes, {size:g} µm(c) says that more or less dust was injected than in "
    "record {known}, by over {share:.0%}: look at dilutions, size labels and dust of both"
)
Shape = Mapping[float, tuple[float, float]]
"""Size [um(c)] -> quotient and penetration [-]."""


def _shape(run: Reduced) -> Shape:
    record, result = run
    of_size = dict(zip((float(size) for size in result.sizes), _passed(result), strict=True))
    quotients = _quotients(record, result).quotients
    return {size: (q, float(of_size[size])) for size, q in quotients.items() if size <= LARGEST}


def _apart(
    case: Case, limits: Limits, limit: Limit, one: Record, other: Record, a: Shape, b: Shape
) -> tuple[float, float] | None:
    """Return the size at which two runs differ by more than is explained, and that share [-].

    An error e of the counters' ratio moves a quotient by e penetration / (1 - penetration) against
    those of the sizes held back, which is all that is left of it (arithmetic).
    """
    common = [size for size in a if size in b]
    held = [size for size in common if max(a[size][1], b[size][1]) < HELD]
    if not held or min(q for shape in (a, b) for q, _ in shape.values()) <= 0:
        return None
    u = max(ratio_accuracy(case, limits, each.entry).u for each in (one, other))
    same = _batch(one) != ("", "") and _batch(one) == _batch(other)
    free = limit.tolerance if same else limit.agreed
    for size in common:
        ratio = [shape[size][0] / np.mean([shape[each][0] for each in held]) for shape in (a, b)]
        moved = [shape[size][1] / (1.0 - shape[size][1]) for shape in (a, b)]
        explained = np.hypot(free, limit.value * u * (moved[0] - moved[1]))
        if abs(np.log(ratio[0] / ratio[1])) > explained:
            return size, float(explained)
    return None


def _batch(record: Record) -> tuple[str, str]:
    stated = record.entry.conditions.dust
    return (stated.kind, stated.known_batch) if stated and stated.known_batch else ("", "")


RULES: Rules = {
    "test dust": _dust,
    "particle balance": _balance,
    "recirculation": _recirculation,
}
