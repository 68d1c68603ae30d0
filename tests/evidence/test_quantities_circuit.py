"""Turnover and cleanliness code, from the share and the concentrations by hand."""

import math

import numpy as np
import pytest

from dossier.evidence.quantities import all_quantities
from dossier.evidence.statistics.estimate import NotDemonstrated
from tests.evidence.test_fine_path import FINE, WARM, circuit, fine
from tests.evidence.test_sump import DUTY, one_pass
from tests.made_bench import application, bench, exact, run

approx = pytest.approx


def computed(quantity, *results, at=None, arrangement="partial_flow", **changes):
    app = application(duty=DUTY, circuit=circuit(arrangement, **changes))
    made = bench(results, app=app, limits=exact())
    return all_quantities()[quantity].compute(made, "candidate", {"temperature": WARM} | (at or {}))


SUMP = {"sump_volume": "30 L"}


def test_the_turnover_is_the_sump_over_the_fine_flow():
    spread = [[(0.01 * FINE) ** 2, 0.0], [0.0, 0.0]]
    two = (fine(covariance=spread), fine("F2", "C2", a=1.001 * FINE, covariance=spread))
    share = computed("partial_flow_share", *two)
    found = computed("turnover_time", *two, **SUMP)
    once = 0.030 / (60 / 6e4)
    assert found.value == approx(once / share.value)
    assert found.u / found.value == approx(share.u / share.value)
    assert [s.value for s in found.per_specimen] == approx(
        [once / s.value for s in share.per_specimen]
    )
    assert [s.u / s.value for s in found.per_specimen] == approx(
        [s.u / s.value for s in share.per_specimen]
    )
    pairs = list(zip(found.components, share.components, strict=True))
    assert all(f.u / found.value == approx(s.u / share.value) for f, s in pairs)
    assert pairs[0][1].scatter > 0
    assert pairs[0][0].scatter / found.value == approx(pairs[0][1].scatter / share.value)


def test_without_a_sump_or_a_share_there_is_no_turnover():
    assert "sump volume" in computed("turnover_time", fine()).reason
    assert isinstance(computed("turnover_time", fine(), arrangement="full_flow", **SUMP),
                      NotDemonstrated)  # fmt: skip


def test_the_code_is_that_of_the_worst_size():
    # ISO 4406:2021, table 1: 20 is up to 10 000, 19 to 5000, 18 to 2500 particles in 1 mL.
    sizes = np.array([4.0, 6.0, 14.0])
    one = run(sizes=sizes, passes=0.1)
    found = computed("sump_cleanliness", one, at={"code": "12/10/5"}, arrangement="full_flow")
    limits = {4.0: 40.0, 6.0: 10.0, 14.0: 0.32}
    over = [math.log2(one_pass(0.9, size) / limit) for size, limit in limits.items()]
    assert found.value == approx(max(over), abs=2e-3)
    assert found.per_specimen[0].value == approx(max(over), abs=2e-3)
    assert found.per_specimen[0].u == found.u  # in classes, as its value is
    assert found.samples.mean() == approx(max(over), abs=0.05)
    # Close together the three are judged by one ingression: 10 % is a seventh of a class.
    assert found.u == approx(math.hypot(0.1, 0.12 / math.sqrt(3.0)) / math.log(2.0), rel=0.1)
    parts = {part.name: part.u for part in found.components}
    assert parts["ingression"] == approx(0.1 / math.log(2.0), rel=0.02)
    assert found.details["code"] == "13/11/7"


def test_a_code_that_is_none_and_a_size_that_is_missing():
    no = computed("sump_cleanliness", run(), at={"code": "99/1/1"}, arrangement="full_flow")
    assert "wanted code" in no.reason
    few = run(sizes=np.array([4.0, 14.0]))
    assert (
        "no counts at 6"
        in computed("sump_cleanliness", few, at={"code": "12/10/5"}, arrangement="full_flow").reason
    )
