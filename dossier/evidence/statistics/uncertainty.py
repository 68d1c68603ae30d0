"""Parts of an uncertainty, coverage by the t-distribution, and what laboratories differ by."""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Self

import numpy as np
from numpy.typing import NDArray

APART = 0.1
"""Share of the limits taken part by part in the square of an interval's half-width [-]."""


@dataclass(frozen=True, slots=True)
class Part:
    """One part of an uncertainty, at its own degrees of freedom."""

    u: float
    """Standard uncertainty that it gives the result [unit of the result]."""
    dof: float = math.inf
    """Degrees of freedom [-]; inf when the source states none."""
    scatter: float = 0.0
    """The same part as the scatter of few specimens shows it, where `u` is what is known of their
    own errors [unit of the result]; or what the laboratories' own results show that they differ by,
    where `u` is the larger of that and what is stated; zero if there is nothing to compare."""
    scatter_dof: float = math.inf
    """Degrees of freedom of that scatter [-]."""
    within: float = 0.0
    """What `u` is without the differences between laboratories, where these are parts of their own
    [unit of the result]; zero elsewhere."""
    within_dof: float = math.inf
    """Its degrees of freedom [-]."""
    stated: float = 0.0
    """What is stated of it elsewhere, where `u` may be larger [unit of the result]; else zero."""

    def times(self, factor: float) -> Self:
        """Return the part in a result that is `factor` times as large [-]."""
        names = ("u", "scatter", "within", "stated")
        return replace(self, **{key: abs(factor) * getattr(self, key) for key in names})

    def less(self, other: "Part") -> Self:
        """Return what is left of one error in the difference of two results that share it.

        Each has a share of it by what is stated of both alike; what is left is as large, over that,
        as the larger of what either result shows it to be.
        """
        pair = [(part, part.stated or part.u) for part in (self, other)]
        left = abs(pair[0][1] - pair[1][1])
        size, far = (
            left * max(getattr(part, name) / share for part, share in pair if share > 0)
            if left > 0
            else 0.0
            for name in ("u", "scatter")
        )
        few = min(self.scatter_dof, other.scatter_dof)
        return replace(
            self, u=size, dof=min(self.dof, other.dof), scatter=far, scatter_dof=few,
            within=0.0, within_dof=math.inf, stated=0.0,
        )  # fmt: skip


def reach(parts: Iterable[Part], p: float) -> float:
    """Return the one-sided limit of the sum of independent `parts` at probability `p` [their unit].

    The root of the sum of squares of their one-sided limits t(p, dof) u, as in the method of
    variance estimates recovery (Zou and Donner 2008, from memory).  Where the scatter of few
    specimens happens to be below their own errors, the larger of the two limits stands: one that
    never falls below Student's limit of the scatter keeps its risk whatever the true scatter is.

    Raises ValueError unless 0.5 <= p < 1.
    """
    if not 0.5 <= p < 1.0:
        raise ValueError(f"probability must be 0.5 or above and below 1, not {p} [-]")
    return math.sqrt(sum(_limit(part, p) ** 2 for part in parts))


def half_width(parts: Iterable[Part], confidence: float = 0.95) -> float:
    """Return the half-width of the two-sided interval of the sum of `parts` [their unit].

    A mean of squares of two: t at the effective degrees of freedom times the combined standard
    uncertainty (JCGM 100:2008, G.4), which with two specimens covers in 87 % to 97 % of the cases
    at a stated 95 %, and the root of the sum of squares of the parts' limits, which covers in 95 %
    to 99 %.  With a tenth of the latter it covers in 93 % to 97 % in the simulated laboratory; in
    more where specimens hardly differ and nothing is shared, as by a calibration, and in 90 % of
    two that differ by five times their own error.  The farther limit of few specimens' scatter
    counts by their share in the variance; what laboratories differ by counts once.  Source: our
    own; decisions use `reach` alone, where the scatter is that of all specimens.
    """
    once = [Part(p.within, p.within_dof) if p.within > 0 else p for p in parts]
    every = [part for part in _as_one(once) if part.u > 0 or part.scatter > 0]
    if not every:
        return 0.0
    u = math.sqrt(sum(part.u**2 for part in every))
    if not u < math.inf:
        return math.inf
    dof = effective_dof(every)
    p = 0.5 + 0.5 * confidence
    apart = sum(_shared_limit(part, p, part.u / u if u > 0 else 1.0) ** 2 for part in every)
    common = coverage_factor(confidence, dof) * u
    return math.sqrt((1.0 - APART) * common**2 + APART * apart)


def _shared_limit(part: Part, p: float, share: float) -> float:
    """Return a part's limit for an interval; `share` [-] of the standard uncertainty is its."""
    near = t_quantile(p, part.dof) * part.u if part.u > 0 else 0.0
    return math.sqrt(near**2 + share**2 * (_limit(part, p) ** 2 - near**2))


def _limit(part: Part, p: float) -> float:
    known = t_quantile(p, part.dof) * part.u if part.u > 0 else 0.0
    seen = t_quantile(p, part.scatter_dof) * part.scatter if part.scatter > 0 else 0.0
    return max(known, seen)


def effective_dof(parts: Iterable[Part]) -> float:
    """Return the effective degrees of freedom of the sum of `parts` [-]."""
    each = _as_one(parts)
    return welch_satterthwaite([part.u for part in each], [part.dof for part in each])


def _as_one(parts: Iterable[Part]) -> list[Part]:
    """Return the parts, those of several laboratories that rest on one estimate as one of them."""
    every = list(parts)
    one = [part for part in every if part.scatter >= part.u > 0]
    if len(one) < 2:
        return every
    u = math.hypot(*(part.u for part in one))
    return [*(part for part in every if part not in one), Part(u, one[0].dof)]


def welch_satterthwaite(u_list: Sequence[float], dof_list: Sequence[float]) -> float:
    """Return the effective degrees of freedom of a combined standard uncertainty [-].

    `u_list` (n,) are the contributions c_i u_i in the unit of the result, zero allowed; `dof_list`
    (n,) are their degrees of freedom [-], inf allowed.  The result is real-valued: JCGM 100, G.4.1
    leaves a choice between interpolation and truncation, and this is the former.  It is inf where
    no contribution above zero has finite degrees of freedom.

    Raises ValueError for lists that are empty or of unlike length, for a contribution that is
    negative or not finite, and for degrees of freedom that are not above zero.
    Source: JCGM 100:2008, G.4.1, equation G.2b (from memory); checked by its example H.1.
    """
    if not (len(u_list) == len(dof_list) > 0):
        raise ValueError(f"{len(u_list)} contributions with {len(dof_list)} degrees of freedom [-]")
    for u, dof in zip(u_list, dof_list, strict=True):
        if not 0.0 <= u < math.inf:
            raise ValueError(f"contribution must be zero or above and finite, not {u} [its unit]")
        _accept_dof(dof)
    largest = max(u_list)
    if largest == 0.0:
        return math.inf
    shares = [u / largest for u in u_list]
    total = math.fsum(share**2 for share in shares) ** 2
    parts = math.fsum(s**4 / dof for s, dof in zip(shares, dof_list, strict=True))
    return total / parts if parts > 0.0 else math.inf


def load_functions() -> None:
    """Load SciPy's functions without what they drag along, which takes half as long again.

    The library takes over each public name of NumPy, and so loads its interface to Fortran, its
    tools for tests and others that nothing here uses.
    """
    parts = ("char", "ctypeslib", "f2py", "ma", "matlib", "rec", "testing")
    unused = [each for each in parts if each not in vars(np)]
    for name in unused:
        setattr(np, name, None)
    try:
        import scipy.special  # noqa: F401
    finally:
        for name in unused:
            delattr(np, name)


@lru_cache(maxsize=10_000)
def t_quantile(p: float, dof: float) -> float:
    """Return the t below which a share `p` of Student's distribution lies [-].

    `dof` are real-valued degrees of freedom [-]; inf gives the normal distribution.
    Raises ValueError unless 0 < p < 1 and dof > 0.
    Source: inverse of the distribution in JCGM 100:2008, G.3 (from memory).
    """
    from scipy.special import ndtri, stdtrit

    accept_fraction(p, "probability")
    _accept_dof(dof)
    return float(ndtri(p)) if dof == math.inf else float(stdtrit(dof, p))


def t_cdf(x: float, dof: float) -> float:
    """Return the share of Student's distribution below `x` [-].

    `x` may be infinite; `dof` are real-valued degrees of freedom [-], inf for the normal
    distribution.
    Raises ValueError for an x that is not a number, or unless dof > 0.
    Source: JCGM 100:2008, G.3 (from memory).
    """
    from scipy.special import ndtr, stdtr

    if not (-math.inf <= x <= math.inf):
        raise ValueError(f"t must be a number, not {x} [-]")
    _accept_dof(dof)
    return float(ndtr(x)) if dof == math.inf else float(stdtr(dof, x))


def coverage_factor(confidence: float, dof: float) -> float:
    """Return the two-sided coverage factor k at a level of `confidence` [-].

    `dof` are effective degrees of freedom [-]; inf gives the normal distribution.
    Raises ValueError unless 0 < confidence < 1 and dof > 0.
    Source: JCGM 100:2008, G.3.2 and table G.2 (from memory).
    """
    accept_fraction(confidence, "confidence")
    return t_quantile(0.5 + 0.5 * confidence, dof)


CONFIDENCE = 0.95
"""Of the interval in which the standard deviation between laboratories lies [-]."""


@dataclass(frozen=True, slots=True)
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

    def times(self, factor: float) -> Self:
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
    high = _most(p, float(means.std(ddof=1)))
    if n == p:
        return Precision(p, n, None, None, float(means.std(ddof=1)), 0.0, high, weight)
    inner = sum(float(((group - group.mean()) ** 2).sum()) for group in groups) / (n - p)
    outer = float((sizes * (means - values.mean()) ** 2).sum()) / (p - 1)
    apart = max(0.0, (outer - inner) * (p - 1) / (n - float((sizes**2).sum()) / n))
    roots = math.sqrt(inner), math.sqrt(apart), math.sqrt(inner + apart)
    return Precision(p, n, *roots, _least(sizes, means, inner), high, weight)


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


def accept_fraction(value: float, name: str) -> float:
    """Return `value` [-] if it lies inside (0, 1); else raise ValueError that calls it `name`."""
    if not (0.0 < value < 1.0):
        raise ValueError(f"{name} must lie between 0 and 1, not {value} [-]")
    return value


def _accept_dof(dof: float) -> float:
    if not (0.0 < dof <= math.inf):
        raise ValueError(f"degrees of freedom must be above zero, not {dof} [-]")
    return dof
