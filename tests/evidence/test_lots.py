"""Where carried and new specimens are mixed, lots are counted: whatever they differ by."""

import math
from types import SimpleNamespace

import numpy as np
import pytest

from dossier.evidence.statistics.combine import over_lots
from dossier.evidence.statistics.estimate import Component, Estimate, SpecimenValue
from dossier.evidence.statistics.uncertainty import reach
from tests.carried_tally import WAYS, CarriedTally

BEFORE = SimpleNamespace(name="OLD rev 0")


def bench(lots=()):
    """A bench whose records that begin with O are carried over; `lots` of specimens, if stated."""
    stated = tuple(
        SimpleNamespace(filter="candidate", id=name, lot=lot) for name, lot in dict(lots).items()
    )
    names = [f"{side}{n}" for side in "ON" for n in range(1, 5)]
    return SimpleNamespace(
        seed=1,
        case=SimpleNamespace(
            carried=(BEFORE,),
            source=lambda record: BEFORE if record.startswith("O") else None,
            qualification=SimpleNamespace(specimen=stated),
        ),
        entries={name: SimpleNamespace(filter="candidate", specimen=name) for name in names},
    )


def estimate(old, new):
    values = [*old, *new]
    names = [f"O{n}" for n in range(1, len(old) + 1)] + [f"N{n}" for n in range(1, len(new) + 1)]
    scatter = float(np.std(values, ddof=1)) / math.sqrt(len(values)) if len(values) > 1 else 1.0
    part = Component(name="scatter", u=scatter, dof=len(values) - 1.0, source="")
    rows = tuple(
        SpecimenValue(specimen=n, record=n, value=v, u=0.0)
        for n, v in zip(names, values, strict=True)
    )
    return Estimate(
        value=float(np.mean(values)), u=scatter, dof=part.dof, per_specimen=rows,
        components=(part,),
    )  # fmt: skip


def test_specimens_that_are_all_new_or_all_carried_are_left_as_they_are():
    for found in (estimate([1.0, 2.0, 3.0], []), estimate([], [1.0, 2.0])):
        assert over_lots(bench(), found) is found


def test_two_lots_have_one_degree_of_freedom_and_the_scatter_of_their_means():
    found = over_lots(bench(), estimate([10.0, 12.0, 14.0], [16.0, 18.0, 20.0]))
    assert found.components[-1].dof == 1
    assert found.components[-1].u == pytest.approx(abs(12 - 18) / 2)  # half of what they differ by
    assert found.value == 15.0


def test_lots_that_are_stated_count_each():
    lots = {"O1": "a", "O2": "a", "O3": "b", "O4": "b"}
    found = over_lots(bench(lots), estimate([1.0, 3.0, 5.0, 7.0], [4.0, 6.0]))
    means, shares = [2.0, 6.0, 5.0], [1 / 3] * 3
    assert found.components[-1].dof == 2
    assert found.components[-1].u == pytest.approx(np.std(means, ddof=1) * math.hypot(*shares))


@pytest.mark.parametrize("apart", [0.0, 1.0, 5.0])
@pytest.mark.parametrize(("old", "new"), [(3, 3), (2, 4), (1, 3)])
def test_a_type_at_the_limit_passes_no_more_often_than_stated_whatever_lots_differ_by(
    apart, old, new
):
    rng, here, number = np.random.default_rng(5), bench(), 1000
    passed = plain = 0
    for _ in range(number):
        a, b = apart * rng.standard_normal(2)
        given = estimate(a + rng.standard_normal(old), b + rng.standard_normal(new))
        found = over_lots(here, given)
        passed += given.value - reach(found.parts, 0.95) > 0
        plain += given.value - reach(given.parts, 0.95) > 0
    error = math.sqrt(0.05 * 0.95 / number)
    assert passed / number <= 0.05 + 3 * error
    if apart == 5.0:
        assert plain / number > 0.10  # without counting lots it would not hold


@pytest.mark.slow
@pytest.mark.parametrize("spread", [0.0, 0.12])
def test_carried_evidence_passes_no_more_often_than_a_new_test(spread):
    told = CarriedTally(40, spread)
    shares = {way: np.array(list(told.passed[way].values())) / 40 for way in WAYS}
    assert shares["both"].mean() <= 0.05 + told.error
    assert shares["both"].max() <= 0.05 + 3 * told.error
    if not spread:  # one lot tells nothing of what lots differ by, carried or new
        assert shares["carried"].mean() <= 0.05 + told.error
        assert shares["carried"].max() <= 0.05 + 3 * told.error
