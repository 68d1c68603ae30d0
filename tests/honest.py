"""How often rules of validity stop or warn honest campaigns by chance, rule by rule.

`python -m tests.honest 2000` simulates so many campaigns of six runs and sweeps at seven sizes and
prints the rates.  Laboratories and filters differ from campaign to campaign: dust anywhere in its
accepted band, counters off by 5 % in one of 20 cases, the injection unsteady by up to 1 %, and an
efficiency that falls or rises during the run.
"""

import sys
from collections import Counter
from dataclasses import replace

import numpy as np

from tests import campaign as sim


def honest(base, seed):
    """Return the bench of one honest campaign, in which everything is as it should be."""
    rng = np.random.default_rng([seed, 7])
    stated = replace(sim.STATED, counts=0.025, injection_wander=rng.uniform(0.0, 0.01))
    drift = rng.uniform(-0.3, 0.5)
    kinds = tuple(replace(kind, drift=drift) for kind in (sim.CANDIDATE, sim.REFERENCE))
    return sim.campaign(base, seed, stated=stated, kinds=kinds, batches=True)


def rates(campaigns, first=0):
    """Return how many campaigns each rule stopped and warned, and how many were stopped."""
    base = sim.template()
    stopped, warned, whole = Counter(), Counter(), 0
    for seed in range(first, first + campaigns):
        bench = honest(base, seed)
        stops = {c.rule for c in bench.checks if _stops(c)}
        stops |= {"not reduced"} if bench.unreduced else set()
        stopped.update(stops)
        warned.update({c.rule for c in bench.checks if c.outcome == "warning"})
        whole += bool(stops)
    return stopped, warned, whole


def _stops(check):
    """Return whether a check stops its record, or is a condition on page one."""
    stops = check.mandatory and check.outcome in {"not met", "not checked"}
    return stops or (check.weighs and check.outcome == "warning")


def table(campaigns, stopped, warned, whole):
    """Return the rates as lines of text."""
    yield f"{campaigns} honest campaigns: {whole} stopped, {1000 * whole / campaigns:.2f} in 1000"
    yield f"{'rule':<32}{'stopped':>9}{'warned':>9}"
    for rule in sorted(stopped | warned, key=lambda each: (-stopped[each], -warned[each])):
        yield f"{rule:<32}{stopped[rule]:>9}{warned[rule]:>9}"


if __name__ == "__main__":
    number = int(sys.argv[1]) if len(sys.argv) > 1 else 200
    start = int(sys.argv[2]) if len(sys.argv) > 2 else 0
    sys.stdout.write("\n".join([*table(number, *rates(number, start)), ""]))
