"""A run held against the flow sweeps of its filter, by the two-term law."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from dossier.evidence.validity import relevance
from dossier.evidence.validity.readings import Run
from dossier.evidence.validity.relevance import _housing, agrees, lopsided
from dossier.evidence.validity.rules import AGREES
from dossier.make.decide import limits
from tests import made_bench as made

MU, RHO, Q = made.MU, made.RHO, made.run().flow
LIMIT = SimpleNamespace(value=0.1, tolerance=0.0)


def housing(run, *sweeps):
    """What is found of the housing of a run beside these sweeps."""
    held = Run(case=None, record=None, limits=None, demands=(), against={}, result=run,
               siblings=(), sweeps=sweeps)  # fmt: skip
    return _housing(held, LIMIT)[0]


def swept(a, b, record="S1", specimen="C1"):
    return replace(made.sweep(record, specimen), housing=made.fit(a, b))


@pytest.mark.parametrize(
    ("share", "met"), [(0.89, False), (0.91, True), (1.09, True), (1.11, False)]
)
@pytest.mark.parametrize(("viscous", "inertial"), [(5e3, 0.0), (0.0, 5e3), (3e3, 2e3)])
def test_the_housing_of_a_run_is_that_of_the_sweep(viscous, inertial, share, met):
    sweep = swept(viscous / (MU * Q), inertial / (RHO * Q**2))
    assert housing(made.run(housing=share * 5e3), sweep) is met


def test_the_sweep_of_the_specimen_itself_counts_where_there_is_one():
    own, other = swept(5e3 / (MU * Q), 0.0), swept(9e3 / (MU * Q), 0.0, "S2", "C2")
    assert housing(made.run(housing=5e3), own, other)
    assert housing(made.run(housing=9e3, specimen="C2"), own, other)
    assert housing(made.run(housing=7e3, specimen="C3"), own, other)
    assert not housing(made.run(housing=7e3), own, other)


def test_without_rows_of_the_housing_nothing_is_known():
    assert housing(made.run(), made.sweep()) is None
    assert housing(made.run()) == "does not apply"


@pytest.mark.parametrize(
    ("stated", "read", "met"),
    [
        (1.0, None, True), (1.0, [np.nan, np.nan], True), (1.0, [1.04, np.nan], True),
        (1.0, [1.06, np.nan], False), (1.0, [0.94, 0.94], False), (1.06, [1.0, 1.0], False),
        (1.06, None, False),
    ],
)  # fmt: skip
def test_the_flow_as_stated_and_as_read_is_that_of_the_circuit(stated, read, met, monkeypatch):
    monkeypatch.setattr(relevance, "path_flow", lambda *_: Q)
    monkeypatch.setattr(relevance, "terms_of", lambda *_: (None,))
    table = SimpleNamespace(flow=None if read is None else Q * np.array(read))
    held = SimpleNamespace(
        entry=SimpleNamespace(path="full_flow", kind="multipass"), table=table,
        case=SimpleNamespace(application=SimpleNamespace(circuit=None)),
        result=made.run(flow=Q * stated),
    )  # fmt: skip
    assert relevance._flow(held, SimpleNamespace(value=0.05))[0] is met


def apart(own, other, laboratories=("L", "L"), swept=("C1", "R1")):
    """Runs of both filters that are `own` and `other` times what their sweeps foretell."""
    sides, entries, runs, sweeps = ("candidate", "reference"), [], [], []
    for k, (side, times, name) in enumerate(zip(sides, (own, other), swept, strict=True)):
        sweeps.append(made.sweep(f"S{k}", name, side, a=(1 + k) * 1e9))
        clean = times * sweeps[-1].assembly.at(Q, MU, RHO)
        specimen = f"{side[0].upper()}1"
        runs.append(made.run(f"M{k}", specimen, side, curve=np.array([clean, 2 * clean, 150e3])))
        entries.append(made.entry(runs[-1], laboratory=laboratories[k]))
    houses = [{"id": name, "name": f"House {name}"} for name in sorted(set(laboratories))]
    known = made.case(entries, laboratory=houses)
    return lopsided(known, list(zip(known.records, runs, strict=True)), sweeps, limits())


def test_both_filters_agree_with_their_sweeps_alike():
    assert apart(1.08, 1.04) == apart(0.91, 0.95) == apart(1.12, 1.02) == {}
    assert list(apart(1.08, 1.02)) == list(apart(1.02, 1.08)) == ["M0", "M1"]
    assert "+8.0% off their sweeps with the candidate, +2.0% with" in apart(1.08, 1.02)["M0"]


def test_what_is_of_two_laboratories_or_of_other_specimens_is_not_set_apart():
    assert apart(1.08, 1.02, laboratories=("L", "M")) == {}
    assert apart(1.08, 1.02, swept=("C2", "R1")) == {}


@pytest.mark.parametrize(
    ("times", "doubt", "outcome"),
    [(1.0, "", True), (1.15, "", "warning"), (1.0, "odd", "warning"), (1.3, "odd", False)],
)
def test_a_doubt_is_a_warning_and_hides_no_contradiction(times, doubt, outcome):
    sweep = made.sweep()
    clean = times * sweep.assembly.at(Q, MU, RHO)
    held = Run(case=None, record=None, limits=None, demands=(), against={AGREES: doubt},
               result=made.run(curve=np.array([clean])), siblings=(), sweeps=[sweep])  # fmt: skip
    found = agrees(held, SimpleNamespace(value=0.2, tolerance=0.1))
    assert found[0] == outcome
    assert (found[1] == "odd") is (doubt != "" and outcome == "warning")
