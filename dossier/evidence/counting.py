"""What a count says of what was counted: exact Poisson statistics, ratios, over-dispersion.

Counts may be other than whole numbers: an over-dispersed count is divided by its dispersion before
it comes here, and the gamma and beta functions carry the exact laws over.
"""

import math
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from dossier.evidence.uncertainty import accept_fraction

__all__ = [
    "Dispersion",
    "dispersion",
    "dispersion_of_differences",
    "poisson_interval",
    "poisson_upper",
    "probability_ratio_exceeds",
    "ratio_interval",
    "ratio_lower",
]


class Dispersion(NamedTuple):
    """How much more counts scatter than counting alone explains."""

    phi: float
    """Variance over mean: 1 for pure counting noise [-]."""
    dof: int
    """Degrees of freedom, number of counts less one [-]."""
    p_value: float
    """Probability of as much scatter or more by counting alone [-]."""


def poisson_interval(n: float, confidence: float) -> tuple[float, float]:
    """Return the exact two-sided interval (lower, upper) of the expected count [-].

    `n` is the count [-], `confidence` the two-sided level [-].  The lower end is 0 for n = 0.
    Raises ValueError unless 0 <= n < inf and 0 < confidence < 1.
    Source: F. Garwood, Biometrika 28 (1936), 437 (from memory), by the gamma function.
    """
    from scipy.special import gammainccinv, gammaincinv

    _accept_count(n, "count")
    tail = 0.5 * (1.0 - accept_fraction(confidence, "confidence"))
    lower = float(gammaincinv(n, tail)) if n > 0 else 0.0
    return lower, float(gammainccinv(n + 1.0, tail))


def poisson_upper(n: float, confidence: float) -> float:
    """Return the exact one-sided upper limit of the expected count [-].

    `n` is the count [-], `confidence` the one-sided level [-].
    Raises ValueError unless 0 <= n < inf and 0 < confidence < 1.
    Source: F. Garwood, Biometrika 28 (1936), 437 (from memory), by the gamma function.
    """
    from scipy.special import gammainccinv

    _accept_count(n, "count")
    tail = 1.0 - accept_fraction(confidence, "confidence")
    return float(gammainccinv(n + 1.0, tail))


def ratio_interval(
    x: float, y: float, exposure: float = 1.0, confidence: float = 0.95
) -> tuple[float, float | None]:
    """Return the exact two-sided interval (lower, upper) of a ratio of two Poisson rates [-].

    `x` and `y` are the raw counts [-] of the numerator (upstream) and the denominator
    (downstream); `exposure` [-] scales them to like volumes, (V_down D_up) / (V_up D_down), with V
    the counted volume and D the dilution, so that the estimate is exposure * x / y.  No upper end
    exists when nothing was counted below the line: it is None for y = 0.

    Raises ValueError unless 0 <= x, y < inf, 0 < exposure < inf and 0 < confidence < 1.
    Source: given the sum, x is binomial with p = ratio / (ratio + exposure) (J. Przyborowski and
    H. Wilenski, Biometrika 31 (1940), 313), limits of p by C. J. Clopper and E. S. Pearson,
    Biometrika 26 (1934), 404 (both from memory), by the beta function.
    """
    _accept_pair(x, y, exposure)
    tail = 0.5 * (1.0 - accept_fraction(confidence, "confidence"))
    inverse = _odds_lower(y, x, tail)
    upper = exposure / inverse if inverse > 0.0 else None
    return exposure * _odds_lower(x, y, tail), upper


def ratio_lower(x: float, y: float, exposure: float, confidence: float) -> float:
    """Return the exact one-sided lower limit of a ratio of two Poisson rates [-].

    Arguments as in `ratio_interval`, `confidence` is one-sided.  It is 0 for x = 0.
    Raises ValueError unless 0 <= x, y < inf, 0 < exposure < inf and 0 < confidence < 1.
    Source: as `ratio_interval`.
    """
    _accept_pair(x, y, exposure)
    return exposure * _odds_lower(x, y, 1.0 - accept_fraction(confidence, "confidence"))


def probability_ratio_exceeds(x: float, y: float, ratio: float, exposure: float) -> float:
    """Return the confidence with which counts show that their ratio is above `ratio` [-].

    It is 1 - P(B >= x), where B is binomial of x + y trials with p0 = ratio / (ratio + exposure):
    one less the p-value of the exact test of "the ratio is at most `ratio`", given the sum.  It
    reaches a level c exactly where `ratio_lower` at confidence c reaches `ratio`.  Being exact on
    whole counts it errs to the safe side: a ratio that is only just at the limit reaches level c
    with probability 1 - c or less.  No counts upstream show nothing (0); none downstream show
    1 - p0^x, which few counts never bring to 1.

    `x`, `y` and `exposure` as in `ratio_interval`; all counts may be fractional [-].
    Raises ValueError unless 0 <= x, y < inf, 0 < ratio < inf and 0 < exposure < inf.
    Source: conditional test of Przyborowski and Wilenski (1940), from memory; binomial tail by
    the incomplete beta function.
    """
    from scipy.special import betainc

    _accept_pair(x, y, exposure)
    if not (0.0 < ratio < math.inf):
        raise ValueError(f"ratio must be above zero and finite, not {ratio} [-]")
    if x == 0:
        return 0.0
    return float(betainc(y + 1.0, x, exposure / (ratio + exposure)))


def dispersion(counts: Sequence[float] | NDArray[np.float64]) -> Dispersion:
    """Return how counts (m,) of one expected count scatter, over what counting explains.

    Their index of dispersion is the sum of squared deviations over the mean, chi-square with
    m - 1 degrees of freedom if counting is all there is.
    Raises ValueError for fewer than two counts, one that is negative or not finite, or all zero.
    Source: R. A. Fisher's index of dispersion (common practice, from memory).
    """
    from scipy.special import chdtrc

    observed = _accept_counts(counts)
    mean = float(observed.mean())
    index = float(((observed - mean) ** 2).sum()) / mean
    dof = observed.size - 1
    return Dispersion(phi=index / dof, dof=dof, p_value=float(chdtrc(dof, index)))


def dispersion_of_differences(counts: Sequence[float] | NDArray[np.float64]) -> float:
    """Return the over-dispersion index of counts (m,) in order of time, robust against trend [-].

    Squared differences of neighbours over the sum of neighbours: 1 for counting noise whatever
    the slow change of the expected count, since the variance of each difference is the sum of the
    two expectations.  Scatter slower than the sampling is not seen.
    Raises ValueError for fewer than two counts, one that is negative or not finite, or all zero.
    Source: mean square successive difference, J. von Neumann, Ann. Math. Stat. 12 (1941), 367
    (from memory), with the Poisson variance of each pair in place of the mean.
    """
    observed = _accept_counts(counts)
    return float((np.diff(observed) ** 2).sum() / (observed[1:] + observed[:-1]).sum())


def _odds_lower(x: float, y: float, tail: float) -> float:
    """Return the lower Clopper-Pearson limit of x of x + y, as odds p / (1 - p) [-]."""
    from scipy.special import betainccinv, betaincinv

    if x == 0:
        return 0.0
    return float(betaincinv(x, y + 1.0, tail)) / float(betainccinv(y + 1.0, x, tail))


def _accept_count(n: float, name: str) -> None:
    if not (0.0 <= n < math.inf):
        raise ValueError(f"{name} must be zero or above and finite, not {n} [-]")


def _accept_pair(x: float, y: float, exposure: float) -> None:
    _accept_count(x, "count of the numerator")
    _accept_count(y, "count of the denominator")
    if not (0.0 < exposure < math.inf):
        raise ValueError(f"exposure must be above zero and finite, not {exposure} [-]")


def _accept_counts(counts: Sequence[float] | NDArray[np.float64]) -> NDArray[np.float64]:
    observed = np.asarray(counts, dtype=np.float64)
    valid = observed.ndim == 1 and observed.size >= 2 and bool(np.isfinite(observed).all())
    if not (valid and bool((observed >= 0).all()) and bool(observed.any())):
        raise ValueError(
            f"two or more finite counts, not all of them zero, are needed, not {counts} [-]"
        )
    return observed
