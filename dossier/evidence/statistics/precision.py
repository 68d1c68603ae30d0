"""What laboratories that tested one filter differ by: one-way analysis of their own results."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

CONFIDENCE = 0.95
"""Of the interval in which the standard deviation between laboratories lies [-]."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Precision:
    """Standard deviations of the results of several laboratories [unit of the results]."""

    laboratories: int
    """p, at least two [-]."""
    results: int
    """n, of all laboratories together [-]."""
    within: float | None
    """Repeatability s_r, n - p degrees of freedom; None where each laboratory has one result."""
    between: float | None
    """s_L, zero where the laboratories differ by no more than their own results scatter; None where
    each has one result, which does not tell the two apart."""
    together: float
    """Reproducibility s_R: the root of the sum of their squares."""
    low: float
    """Lower end of the 95 % interval of the standard deviation between laboratories."""
    high: float
    """Its upper end: far out with two laboratories."""
    weight: float
    """Standard deviation of the mean of all results from `between`, over `between` [-]."""

    @property
    def dof(self) -> float:
        """Degrees of freedom between laboratories [-]."""
        return self.laboratories - 1.0

    @property
    def of_mean(self) -> float:
        """What the differences of the laboratories give the mean of all results [their unit]."""
        return self.weight * (self.between or 0.0)

    def times(self, factor: float) -> "Precision":
        """Return the same of results that are `factor` times as large [-]."""
        names = ("within", "between", "together", "low", "high")
        known = {n: value for n in names if (value := getattr(self, n)) is not None}
        return replace(self, **{n: abs(factor) * value for n, value in known.items()})


def precision(values: NDArray[np.float64], names: Sequence[str]) -> Precision | None:
    """Return what the laboratories `names` (n) show by their `values` (n); None of a single one.

    One-way random effects with unequal numbers of results: s_r^2 the mean square within, s_L^2 the
    mean square between less that, over n0 = (n - sum(n_i^2)/n) / (p - 1), not below zero; s_R^2
    their sum.  Source: ISO 5725-2, 7.4 (from memory), checked by its example and by certified
    values of NIST.
    """
    groups = [values[[name == each for name in names]] for each in sorted(set(names))]
    p, n = len(groups), len(values)
    if p < 2:
        return None
    sizes = np.array([len(group) for group in groups], dtype=float)
    means = np.array([group.mean() for group in groups])
    weight = math.sqrt(float((sizes**2).sum())) / n
    if n == p:
        s = float(means.std(ddof=1))
        return Precision(laboratories=p, results=n, within=None, between=None, together=s, low=0.0,
                         high=_most(p, s), weight=weight)  # fmt: skip
    inner = sum(float(((group - group.mean()) ** 2).sum()) for group in groups) / (n - p)
    outer = float((sizes * (means - values.mean()) ** 2).sum()) / (p - 1)
    apart = max(0.0, (outer - inner) * (p - 1) / (n - float((sizes**2).sum()) / n))
    return Precision(
        laboratories=p, results=n, within=math.sqrt(inner), between=math.sqrt(apart),
        together=math.sqrt(inner + apart), low=_least(sizes, means, inner),
        high=_most(p, float(means.std(ddof=1))), weight=weight,
    )  # fmt: skip


def _least(sizes: NDArray[np.float64], means: NDArray[np.float64], inner: float) -> float:
    """Return the lower end: of the means' variance what `inner` may explain is taken off.

    Williams 1962 and Tukey 1951, with the harmonic mean of unequal numbers as Thomas and Hultquist
    1978 take it (all from memory).
    """
    from scipy.special import chdtri, fdtri

    p, n = len(sizes), float(sizes.sum())
    each = p / float((1.0 / sizes).sum())
    f = float(fdtri(p - 1, n - p, 0.5 + 0.5 * CONFIDENCE))
    left = each * float(means.var(ddof=1)) - f * inner
    chi = float(chdtri(p - 1, 0.5 - 0.5 * CONFIDENCE))
    return math.sqrt(max(0.0, (p - 1) * left / each / chi))


def _most(p: int, scatter: float) -> float:
    """Return the upper end, from the `scatter` of the means by chi-square, nothing taken off.

    That holds what results scatter by within laboratories too: far out, and never zero by chance.
    """
    from scipy.special import chdtri

    return scatter * math.sqrt((p - 1) / float(chdtri(p - 1, 0.5 + 0.5 * CONFIDENCE)))
