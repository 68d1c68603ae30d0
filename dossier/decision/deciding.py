"""The number that decides a requirement, and the limits inside which it passes."""

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np

from dossier.decision.probability import (
    AgainstLimit,
    Floats,
    Judged,
    OnScale,
    Share,
    Threshold,
    by_parts,
    mean_draws,
    mean_on_scale,
    share_of_type,
    specimen_draws,
    specimen_on_scale,
)
from dossier.evidence.statistics.estimate import Bound
from dossier.evidence.statistics.tolerance import tolerance_factor, two_sided_factor
from dossier.evidence.statistics.uncertainty import reach

DecidingKind = Literal["mean", "worst specimen", "tolerance bound", "count"]
"""What the number that decides is: a code, said where it is printed."""


def _tolerance_bound(share: Share, coverage: float, confidence: float) -> float:
    """Return the value beyond which `coverage` lies with `confidence`: as `_confidence` [unit]."""
    factor = two_sided_factor if share.both else tolerance_factor
    k = factor(share.n, coverage, confidence) if share.s > 0 else 0.0
    p = 0.5 + 0.5 * confidence if share.both else confidence
    return share.at(k * share.s + reach(share.common, p))


@dataclass(frozen=True, slots=True)
class Deciding:
    """The number that decides, and the limits inside which it passes by the agreed rule."""

    kind: DecidingKind
    value: float
    """Mean, worst specimen's value, or tolerance bound [unit]; of a count the share shown [-]."""
    lower: float | None = None
    """Lower acceptance limit: the limit and its guard band [unit]; inf where nothing passes."""
    upper: float | None = None
    """Upper acceptance limit [unit]; -inf where nothing passes."""
    specimen: str = ""
    """The worst specimen, where one decides."""
    bound: Bound = ""
    """Where the value is only a bound of the true one."""
    specimens: int = 0
    """Of a count: how many were looked at [-]."""
    failures: int = 0
    """Of a count: how many of them did not conform [-]."""


def deciding(asked: AgainstLimit, judged: Judged, confidence: float) -> Deciding:
    """Return the number that decides, with its acceptance limits at `confidence` [-].

    It lies inside them just where the conformance probability, beyond two limits both together, is
    at least the confidence (JCGM 106:2012, 8.3.2, from memory).  A tolerance bound holds the
    confidence already: it passes inside the limits themselves.
    """
    estimate, threshold = asked.estimate, asked.threshold
    if asked.basis == "population":
        share = share_of_type(estimate, threshold)
        bound = _tolerance_bound(share, asked.coverage, confidence)
        return Deciding("tolerance bound", bound, threshold.lower, threshold.upper)
    turn = estimate.scale == "reciprocal"
    if judged.specimen is None:
        drawn = mean_draws(asked)
        if drawn is None:
            ends = _accepted(mean_on_scale(estimate, threshold), confidence, turn)
        else:
            ends = _accepted_of_draws(judged.value, drawn, threshold, confidence)
        return Deciding("mean", judged.value, *ends)
    each, every = estimate.per_specimen[judged.specimen], specimen_draws(asked)
    if every is None:
        scaled = specimen_on_scale(each, estimate.scale, threshold)
        ends = _accepted(scaled, confidence, turn)
    else:
        ends = _accepted_of_draws(each.value, every[judged.specimen], threshold, confidence)
    return Deciding("worst specimen", each.value, *ends, specimen=each.specimen)


Ends = tuple[float | None, float | None]
NOTHING = math.inf, -math.inf
"""The limits inside which no value lies."""


def _accepted_of_draws(
    value: float, drawn: Floats, threshold: Threshold, confidence: float
) -> Ends:
    """Return between which values enough of the draws, moved with the value, lie inside."""
    moved, least = np.sort(drawn) - value, math.ceil(confidence * drawn.size - 1e-9)
    low, high = moved[: drawn.size - least + 1], moved[least - 1 :]  # windows of `least` draws
    if threshold.lower is None or threshold.upper is None:
        return (
            None if threshold.lower is None else threshold.lower - float(low[-1]),
            None if threshold.upper is None else threshold.upper - float(high[0]),
        )
    fits = high - low <= threshold.upper - threshold.lower
    if not fits.any():
        return NOTHING
    return threshold.lower - float(low[fits][-1]), threshold.upper - float(high[fits][0])


def _accepted(scaled: OnScale, confidence: float, turn: bool) -> Ends:
    lower, upper = _on_scale(scaled, confidence)
    if not turn:
        return lower, upper
    return (
        None if upper is None else 1.0 / upper if upper > 0 else math.inf,
        None if lower is None else 1.0 / lower,
    )


def _on_scale(scaled: OnScale, confidence: float) -> Ends:
    _, parts, limits = scaled
    guard = reach(parts, confidence)
    lower = None if limits.lower is None else limits.lower + guard
    upper = None if limits.upper is None else limits.upper - guard
    if lower is None or upper is None:
        return lower, upper
    if by_parts(lower, parts, limits) >= confidence - 1e-9:  # the other limit is far away
        return lower, upper
    middle = 0.5 * (lower + upper)
    if by_parts(middle, parts, limits) < confidence:
        return NOTHING
    far, near = lower, middle  # beyond one limit alone, and beyond both together
    for _ in range(50):
        half = 0.5 * (far + near)
        enough = by_parts(half, parts, limits) >= confidence
        far, near = (far, half) if enough else (half, near)
    return near, lower + upper - near
