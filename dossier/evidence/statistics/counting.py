"""How much more counts scatter than counting alone explains."""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray


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


def _accept_counts(counts: Sequence[float] | NDArray[np.float64]) -> NDArray[np.float64]:
    observed = np.asarray(counts, dtype=np.float64)
    valid = observed.ndim == 1 and observed.size >= 2 and bool(np.isfinite(observed).all())
    if not (valid and bool((observed >= 0).all()) and bool(observed.any())):
        raise ValueError(
            f"two or more finite counts, not all of them zero, are needed, not {counts} [-]"
        )
    return observed
