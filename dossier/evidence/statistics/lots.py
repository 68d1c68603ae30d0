"""What lots differ by, where specimens that are carried over count beside new ones."""

import math
from dataclasses import replace

import numpy as np

from dossier.evidence.bench import Bench
from dossier.evidence.statistics.combine import draws_of, generator
from dossier.evidence.statistics.estimate import Component, Estimate
from dossier.words import later, say

LOTS = later("scatter of {number} lots")


def over_lots(bench: Bench, found: Estimate) -> Estimate:
    """Return the estimate with the scatter of its lots, where carried and new specimens are mixed.

    Those of one lot err together: what counts is how many lots there are, and their means m of n
    specimens.  u = s(m) sqrt(sum of squares of each lot's share of n), with one degree of freedom
    less than there are lots, beside the scatter of all specimens.  Source: our own, one-way
    classification (from memory); it holds the stated risk however much lots differ.
    """
    lots = [_lot(bench, each.record) for each in found.per_specimen]
    if len({source for source, _ in lots}) < 2:
        return found
    names, values = sorted(set(lots)), np.array([each.value for each in found.per_specimen])
    groups = [values[[lot == name for lot in lots]] for name in names]
    spread = float(np.std([group.mean() for group in groups], ddof=1))
    shares = [len(group) / len(values) for group in groups]
    part = Component(
        name=LOTS.format(number=len(names)), said=say(LOTS, number=len(names)),
        u=spread * math.hypot(*shares), dof=len(names) - 1.0, source=say("the records"),
    )  # fmt: skip
    whole = Component(name=later("all else"), u=found.u, dof=found.dof, source=say("the records"))
    components = (*(found.components or (whole,)), part)
    found = replace(found, components=components, u=math.hypot(found.u, part.u), dof=part.dof)
    if found.samples is None and found.middle is None:
        return found
    errors = draws_of(part, generator(bench, "lots"))
    samples, middle = (
        None if draws is None else draws + errors for draws in (found.samples, found.middle)
    )
    return replace(found, samples=samples, middle=middle)


def _lot(bench: Bench, record: str) -> tuple[str, str]:
    """Return the dossier that a record is carried from, and its specimen's lot; may be empty."""
    source = bench.case.source(record)
    entry = bench.entries.get(record) if bench.case.carried else None
    lots = [
        each.lot
        for each in bench.case.qualification.specimen
        if entry and (each.filter, each.id) == (entry.filter, entry.specimen)
    ]
    return source.name if source else "", next(iter(lots), "")
