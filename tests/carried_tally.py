"""How often a filter exactly at the limit passes by evidence that is carried over.

`python -m tests.carried_tally 400` simulates so many pairs of campaigns, the one before a change
and the one after it, of one truth, and prints the shares: of the new test alone, of what is
carried, of both together with their lots counted, of both with the lots not counted, and of a hand
that would take whichever passes.
"""

import sys
from dataclasses import replace
from unittest.mock import patch

import numpy as np

from dossier.case.agreed import Carried
from dossier.case.compared import Source
from dossier.decision.probability import AgainstLimit, Threshold, probability
from dossier.evidence.prepare import prepare
from dossier.evidence.quantities import all_quantities
from dossier.evidence.statistics.combine import generator, over_lots, with_trials
from dossier.make.decide import limits
from tests import campaign as sim
from tests.tally import CONFIDENCE, DRAWS, truths

WAYS = ("new", "carried", "both", "both, lots not counted", "whichever passes")
SPREADS = {"lots alike": 0.0, "lots differ": 0.12}
"""Standard deviation between lots of the logarithm of what sets a specimen apart [-]."""


def of_a_lot(kind, rng, sd):
    """Return the type as one lot of it is; the mean over all lots is the type."""
    passing, capacity, pressure = np.exp(sd * rng.standard_normal(3) - sd**2 / 2)
    return replace(
        kind,
        penetration=tuple(passing * p for p in kind.penetration),
        growth_rate=kind.growth_rate / capacity,
        element_a=pressure * kind.element_a,
        element_b=pressure * kind.element_b,
    )


def carried_over(old, new):
    """Return the records of the old campaign under other names, and the dossier they are from."""
    records = []
    for record in old.case.records:
        if record.entry.filter == "candidate" and record.entry.specimen:
            update = {"id": f"old-{record.id}", "specimen": f"O{record.entry.specimen}"}
            records.append(replace(record, entry=record.entry.model_copy(update=update)))
    entry = Carried.model_construct(  # type: ignore[call-arg]
        records=tuple(r.id for r in records)
    )
    source = Source(
        file="", content=b"", sha256="", folder="", circuits=(), carried=(entry,),
        case=old.case.qualification,
    )  # fmt: skip
    return replace(new.case, records=(*records, *new.case.records), carried=(source,))


class CarriedTally:
    """Counts over pairs of campaigns: how often each way passes a filter at the limit."""

    def __init__(self, campaigns, spread, specimens=3, first=0):
        self.campaigns = campaigns
        self.error = float(np.sqrt(0.05 * 0.95 / campaigns))
        self.truths = truths(sim.CANDIDATE)
        self.passed = {way: dict.fromkeys(self.truths, 0) for way in WAYS}
        base = sim.template()
        with with_trials(DRAWS), patch("dossier.evidence.prepare._checks", lambda *_: ()):
            for seed in range(first, first + campaigns):
                rng = np.random.default_rng([seed, 7])
                old, new = (
                    sim.campaign(
                        base, 2 * seed + turn, specimens, checked=False,
                        kinds=(of_a_lot(sim.CANDIDATE, rng, spread), sim.REFERENCE),
                    )
                    for turn in (0, 1)
                )  # fmt: skip
                self.add(old, new, prepare(carried_over(old, new), limits(), seed))

    def add(self, old, new, both):
        for name, (quantity, at, truth) in self.truths.items():
            declared = all_quantities()[quantity]
            limit = (
                Threshold(truth, None) if declared.better == "higher" else Threshold(None, truth)
            )

            def passes(bench, found, limit=limit):
                def draws(purpose):
                    return generator(bench, purpose)

                chance = probability(AgainstLimit(found, limit, "mean", 0.95, draws)).probability
                return chance >= CONFIDENCE

            found = [declared.compute(bench, "candidate", at) for bench in (old, new, both)]
            before, now, plain = (
                passes(bench, each) for bench, each in zip((old, new, both), found, strict=True)
            )
            counted = passes(both, over_lots(both, found[2]))
            for way, passed in zip(WAYS, (now, before, counted, plain, now or before), strict=True):
                self.passed[way][name] += bool(passed)


def table(name, told):
    """Return the shares of one set as lines of text, in percent."""
    yield f"{name}, {told.campaigns} pairs, one standard error of 5 %: {100 * told.error:.1f} %"
    yield f"{'':<16}" + "".join(f"{way:>24}" for way in WAYS)
    for each in told.truths:
        shares = (100 * told.passed[way][each] / told.campaigns for way in WAYS)
        yield f"{each:<16}" + "".join(f"{share:>24.1f}" for share in shares)


if __name__ == "__main__":
    for chosen, wide in SPREADS.items():
        counted = CarriedTally(int(sys.argv[1]), wide)
        sys.stdout.write("\n".join([*table(chosen, counted), ""]))
        sys.stdout.flush()
