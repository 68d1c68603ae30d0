"""Efficiency of the classes between neighbouring counted sizes, and sums over classes."""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from dossier.evidence.bench import Bench
from dossier.evidence.quantities.fine_path import HAS_FINE, HAS_MAIN
from dossier.evidence.records.reduced import MultipassResult
from dossier.evidence.records.usable import usable_runs
from dossier.evidence.registry import Side
from dossier.evidence.statistics.estimate import NotDemonstrated
from dossier.physics import dust

Floats = NDArray[np.float64]


def class_efficiency(runs: Sequence[MultipassResult]) -> Floats:
    """Return the mean efficiency (k,) [-] of each class: between sizes, and above the largest.

    From the differences of the cumulative counts; a class in which noise leaves more downstream
    than upstream counts as not filtered.
    """
    found = []
    for run in runs:
        up = _classes(run.up.sum(axis=0))
        down = _classes(run.down.sum(axis=0))
        found.append(np.clip(1.0 - down / np.where(up > 0, up, 1.0), 0.0, 1.0))
    mean: Floats = np.mean(found, axis=0)
    return mean


def _classes(cumulative: Floats) -> Floats:
    """Return the content of each class of cumulative counts (k,) that fall with size."""
    result: Floats = cumulative - np.append(cumulative[1:], 0.0)
    return result


def class_over_cumulative(bench: Bench, side: Side, size: float, share: float) -> float | None:
    """Return the concentration summed over size classes over that of one cumulative balance [-].

    A cumulative efficiency holds for the size distribution it was measured with; in a sump the
    coarse classes are thinned out more.  None where the paths were counted at different sizes, a
    size lies beyond the table of the dust, or a class is not removed at all.
    """
    arrangement = bench.case.application.circuit.arrangement
    paths = ["full_flow"] * (arrangement in HAS_MAIN) + ["fine"] * (arrangement in HAS_FINE)
    runs = [usable_runs(bench, side, path) for path in paths]
    found = [each for each in runs if not isinstance(each, NotDemonstrated)]
    if len(found) < len(paths):
        return None
    sizes = found[0][0].sizes
    if any(not np.array_equal(one.sizes, sizes) for each in found for one in each):
        return None
    start = int(np.argmin(np.abs(sizes - size)))
    try:
        counts = np.array([dust.counts_per_mass(float(x)) for x in sizes[start:]])
    except ValueError:  # a size beyond the table of the dust
        return None
    weights = [1.0 - share, share] if len(paths) == 2 else [share if paths == ["fine"] else 1.0]
    by_class: Floats = np.zeros(len(counts))
    together = 0.0
    for weight, each in zip(weights, found, strict=True):
        by_class = by_class + weight * class_efficiency(each)[start:]
        whole = [1.0 - one.down[:, start].sum() / one.up[:, start].sum() for one in each]
        together += weight * float(np.mean(whole))
    if not (by_class > 0).all() or not together > 0:
        return None
    return float((_classes(counts) / by_class).sum() / (counts[0] / together))
