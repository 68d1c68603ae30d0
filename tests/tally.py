"""How often stated intervals cover the truth, and how often a filter exactly at the limit passes.

`python -m tests.tally 600` simulates so many campaigns of each set and prints the shares, with
names of sets behind the number only of these.
"""

import sys
from dataclasses import replace

import numpy as np

from dossier.case.application import Requirement
from dossier.decision.choice import set_beside
from dossier.decision.comparison import ends_of
from dossier.decision.probability import AgainstLimit, Threshold, against, probability
from dossier.evidence.quantities import all_quantities
from dossier.evidence.requirement import resolve
from dossier.evidence.statistics.combine import generator, with_trials
from dossier.make.decide import limits
from tests import campaign as sim
from tests import laboratory as lab

CONFIDENCE = 0.95
HOT = 378.15
FLOW = 80.0 / 6e4
DRAWS = 10_000
"""Draws of each distribution: a tenth of the program's, whose noise is that of the campaigns."""


def truths(kind):
    truth = lab.type_truth(kind, sim.PLAN, sim.OIL.flowing(80.0, 105.0))
    at = {size: k for k, size in enumerate(kind.sizes)}
    return {
        "efficiency 10": ("efficiency", {"size": 10.0}, truth.efficiency[at[10.0]]),
        "efficiency 20": ("efficiency", {"size": 20.0}, truth.efficiency[at[20.0]]),
        "ratio 15": ("filtration_ratio", {"size": 15.0}, 1 / (1 - truth.efficiency[at[15.0]])),
        "ratio 30": ("filtration_ratio", {"size": 30.0}, 1 / (1 - truth.efficiency[at[30.0]])),
        "injected": ("injected_capacity", {}, truth.injected_capacity / 1e3),
        "retained": ("retained_capacity", {}, truth.retained_capacity / 1e3),
        "clean drop": (
            "clean_pressure_drop",
            {"flow": FLOW, "temperature": HOT},
            truth.clean_pressure_drop * 1e3,
        ),
    }


def together(side, number):
    """Every specimen in one laboratory."""
    return "ITH"


def apart(side, number):
    """The candidate in one laboratory, the reference in another."""
    return "ITH" if side == "candidate" else "OTH"


def divided(side, number):
    """The specimens of either filter in two laboratories by turns."""
    return ("ITH", "OTH")[number % 2]


class Tally:
    """Counts over simulated campaigns: intervals that cover, filters at the limit that pass."""

    def __init__(self, campaigns, specimens=3, where=together, first=0):
        self.campaigns = campaigns
        self.error = float(np.sqrt(0.05 * 0.95 / campaigns)) if campaigns else np.inf
        self.known = all_quantities()
        self.candidate, self.reference = truths(sim.CANDIDATE), truths(sim.REFERENCE)
        self.covered = dict.fromkeys(self.candidate, 0)
        self.passed = dict.fromkeys(self.candidate, 0)
        self.population = dict.fromkeys(self.candidate, 0)
        self.not_worse = dict.fromkeys(self.candidate, 0)
        base = sim.template()
        with with_trials(DRAWS):
            for seed in range(first, first + campaigns):
                self.add(sim.campaign(base, seed, specimens, where, checked=False))

    def add(self, bench):
        assert not bench.unreduced
        for name, (quantity, at, truth) in self.candidate.items():
            declared = self.known[quantity]
            higher = declared.better == "higher"
            found = declared.compute(bench, "candidate", at)
            low, high = found.interval(CONFIDENCE)
            self.covered[name] += low <= truth <= high
            limit = Threshold(truth, None) if higher else Threshold(None, truth)

            def draws(purpose, bench=bench):
                return generator(bench, purpose)

            chance = probability(AgainstLimit(found, limit, "mean", 0.95, draws)).probability
            self.passed[name] += chance >= CONFIDENCE
            other = self.reference[name][2]
            share = 1 - truth / other if higher else truth / other - 1
            if declared.share_of == "penetration":
                share = (1 - truth) / (1 - other) - 1
            if declared.share_of == "inverse penetration":
                share = other / truth - 1
            both = replace(bench, compared=True)
            reference = declared.compute(both, "reference", at)
            limit = against(reference, share, higher, declared.share_of)
            own = declared.compute(both, "candidate", at)
            chance = probability(AgainstLimit(own, limit, "mean", 0.95, draws)).probability
            self.not_worse[name] += chance >= CONFIDENCE
            edge = self.edge(name, truth, higher)
            limit = Threshold(edge, None) if higher else Threshold(None, edge)
            chance = probability(AgainstLimit(found, limit, "population", 0.95, draws)).probability
            self.population[name] += chance >= CONFIDENCE

    def edge(self, name, truth, higher):
        """The 5 % quantile of the type on its unfavourable side (lognormal specimens)."""
        z = 1.6448536269514722
        if name.startswith(("efficiency", "ratio")):
            p = (1 - truth) if name.startswith("efficiency") else 1 / truth
            sd = sim.CANDIDATE.penetration_sd
            worst = p * np.exp(-(sd**2) / 2) * np.exp(z * sd)
            return 1 - worst if name.startswith("efficiency") else 1 / worst
        if name == "clean drop":
            stream = sim.OIL.flowing(80.0, 105.0)
            worst = lab.SpecimenFactors(1.0, 1.0, np.exp(z * sim.CANDIDATE.pressure_sd))
            drop = lab.element_drop(sim.CANDIDATE, worst, 0.0, stream)
            return 1e3 * (float(drop) + lab.housing_drop(sim.CANDIDATE, stream))
        rig = sim.PLAN.oil.flowing(sim.PLAN.flow, sim.PLAN.temperature)
        return float(np.quantile(self.masses(rig)[name], 0.05)) / 1e3

    def masses(self, rig):
        if not hasattr(self, "_masses"):
            rng = np.random.default_rng(1)
            kind, end = sim.CANDIDATE, sim.PLAN.terminal
            drawn = (lab.draw_specimen(kind, rng) for _ in range(20000))
            injected = [lab.capacity(kind, one, end, rig) for one in drawn]
            retained = [lab._retained(sim.CANDIDATE, sim.PLAN, m) for m in injected]
            self._masses = {"injected": np.array(injected), "retained": np.array(retained)}
        return self._masses


LIMITS = {
    "efficiency": {"min": "50 %"}, "filtration_ratio": {"min": 2},
    "clean_pressure_drop": {"max": "100 kPa"},
}  # fmt: skip


def asked(base):
    """Return a demand on each quantity of `truths`, by name."""
    requirements = [
        Requirement(
            id=name, text="x", quantity=quantity, source="x", severity="mandatory",
            at={key: f"{value:g} um(c)" for key, value in at.items() if key == "size"}
            | ({"flow": "80 L/min", "temperature": "105 degC"} if "flow" in at else {}),
            **LIMITS.get(quantity, {"min": "1 g"}),
        )
        for name, (quantity, at, _) in truths(sim.CANDIDATE).items()
    ]  # fmt: skip
    update = {"requirement": requirements}
    demands, problems = resolve(base.case.application.model_copy(update=update), "")
    assert not problems
    return demands[: len(requirements)]  # and what the duty asks for


class Chosen:
    """How often stated differences between two candidates cover the truth."""

    def __init__(self, campaigns, specimens=3, where=together):
        self.campaigns = campaigns
        self.error = float(np.sqrt(0.05 * 0.95 / campaigns))
        own, other = truths(sim.CANDIDATE), truths(sim.REFERENCE)
        self.covered = dict.fromkeys(own, 0)
        base = sim.template()
        demands = asked(base)
        with with_trials(DRAWS), sim.unchecked():
            for seed in range(campaigns):
                pair = sim.as_two(sim.campaign(base, seed, specimens, where, checked=False))
                found = set_beside(pair[0], pair[1], demands, limits())
                for each in found.differences:
                    name = each.demand.id
                    assert not each.why, each.why
                    a, b = own[name][2], other[name][2]
                    truth = a / b if name.startswith("ratio") else a - b
                    _, low, high = ends_of(each.own, each.other)
                    self.covered[name] += low <= truth <= high


CHOSEN = {
    "candidates of one laboratory": (3, together),
    "candidates of one laboratory, six specimens": (6, together),
    "candidates of two laboratories": (3, apart),
}
SETS = {
    "two specimens": (2, together),
    "three specimens": (3, together),
    "four specimens": (4, together),
    "six specimens": (6, together),
    "two laboratories, a filter each": (3, apart),
    "two laboratories, either filter in both": (4, divided),
}


def table(name, told):
    """Return the shares of one set as lines of text, in percent."""
    every = ("covered", "passed", "population", "not_worse")
    kinds = [kind for kind in every if hasattr(told, kind)]
    yield f"{name}, {told.campaigns} campaigns, one standard error of 5 %: {100 * told.error:.1f} %"
    yield f"{'':<16}" + "".join(f"{kind:>12}" for kind in kinds)
    for each in told.covered:
        shares = (100 * getattr(told, kind)[each] / told.campaigns for kind in kinds)
        yield f"{each:<16}" + "".join(f"{share:>12.1f}" for share in shares)


if __name__ == "__main__":
    for chosen in sys.argv[2:] or [*SETS, *CHOSEN]:
        count, sets = (Chosen, CHOSEN) if chosen in CHOSEN else (Tally, SETS)
        counted = count(int(sys.argv[1]), *sets[chosen])
        sys.stdout.write("\n".join([*table(chosen, counted), ""]))
        sys.stdout.flush()
