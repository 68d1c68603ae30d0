"""Draws that several quantities share."""

import math

import numpy as np
from numpy.typing import NDArray

from dossier.evidence.bench import Bench
from dossier.evidence.estimate import Estimate, NotDemonstrated
from dossier.words import say

__all__ = ["DRAWS", "as_samples", "ingression", "positive_normal"]

Floats = NDArray[np.float64]
DRAWS = 100_000
EXAMPLE = 'ingression = { value = "0.1 g/h", u = "0.02 g/h" }'


def ingression(bench: Bench) -> tuple[float, float] | NotDemonstrated:
    """Return the contaminant reaching the filter and its standard uncertainty [kg/s]."""
    stated = bench.case.application.duty.ingression
    if stated is None or not stated.value > 0:
        return NotDemonstrated(reason=say("the application states no ingression above zero"))
    if stated.u is None:
        return NotDemonstrated(
            reason=say("the ingression carries no uncertainty: write {example}", example=EXAMPLE)
        )
    return stated.value, stated.u


def positive_normal(rng: np.random.Generator, value: float, u: float) -> Floats:
    """Draw from a normal distribution, drawing again where the value is not above zero."""
    draws = rng.normal(value, u, DRAWS)
    for _ in range(100):
        wrong = ~(draws > 0)
        if not wrong.any():
            return draws
        draws[wrong] = rng.normal(value, u, int(wrong.sum()))
    raise ValueError("the uncertainty is too large for its value")


def as_samples(estimate: Estimate, rng: np.random.Generator) -> Floats:
    """Return draws of an estimate: its own, else each component by t (JCGM 101:2008, 6.4.9)."""
    if estimate.samples is not None:
        return estimate.samples
    deviation: Floats = np.zeros(DRAWS)
    for part in estimate.components:
        if part.u > 0:
            t = (
                rng.standard_normal(DRAWS)
                if math.isinf(part.dof)
                else rng.standard_t(part.dof, DRAWS)
            )
            deviation = deviation + part.u * t
    if estimate.scale == "reciprocal":
        inner = 1.0 / estimate.value + deviation / estimate.value**2
        return 1.0 / np.maximum(inner, 1e-300)
    samples: Floats = estimate.value + deviation
    return samples
