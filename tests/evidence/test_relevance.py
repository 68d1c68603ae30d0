"""A run held against the flow sweeps of its filter, by the two-term law."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from dossier.evidence.validity import relevance
from dossier.evidence.validity.readings import Run
from dossier.evidence.validity.relevance import _housing
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
