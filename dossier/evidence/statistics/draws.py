"""Draws that several quantities share."""

import math

import numpy as np
from numpy.typing import NDArray

from dossier.evidence.bench import Bench
from dossier.evidence.statistics.estimate import Component, Estimate, NotDemonstrated
from dossier.words import say

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


def drawn(component: Component, rng: np.random.Generator) -> Floats:
    """Return draws of a component's error (DRAWS,), by t (JCGM 101:2008, 6.4.9).

    Where it carries a scatter as well, each draw is the farther of the two at one probability.
    """
    if component.scatter > 0:
        normal = rng.standard_normal(DRAWS)
        return farther(component.u * normal, normal, component.scatter, component.scatter_dof)
    few = component.dof < math.inf
    t = rng.standard_t(component.dof, DRAWS) if few else rng.standard_normal(DRAWS)
    errors: Floats = component.u * t
    return errors


def farther(errors: Floats, normal: Floats, scatter: float, dof: float) -> Floats:
    """Return the farther from zero of `errors` and of the scatter's t at the same probability.

    `normal` (m,) are standard normal draws that stand for the probabilities of `errors` (m,);
    `scatter` in their unit with `dof` degrees of freedom.
    """
    from scipy.special import ndtr, stdtrit

    seen = scatter * np.copysign(stdtrit(dof, ndtr(np.abs(normal))), normal)
    result: Floats = np.where(normal > 0, np.maximum(errors, seen), np.minimum(errors, seen))
    return result


def as_samples(estimate: Estimate, rng: np.random.Generator) -> Floats:
    """Return draws of an estimate: its own, else each component drawn by itself."""
    if estimate.samples is not None:
        return estimate.samples
    deviation: Floats = np.zeros(DRAWS)
    for part in estimate.components:
        if part.u > 0:
            deviation = deviation + drawn(part, rng)
    if estimate.scale == "reciprocal":
        inner = 1.0 / estimate.value + deviation / estimate.value**2
        return 1.0 / np.maximum(inner, 1e-300)
    samples: Floats = estimate.value + deviation
    return samples
