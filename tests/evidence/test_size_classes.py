"""Classes between sizes, and what they make of one cumulative balance."""

import numpy as np
import pytest

from dossier.evidence.quantities.sump import class_efficiency, class_over_cumulative
from tests.evidence.test_fine_path import circuit
from tests.laboratory import DUST_COUNTS, DUST_SIZES
from tests.made_bench import application, bench, exact, run

approx = pytest.approx
SIZES = np.array([4.0, 10.0, 20.0])
COMES = np.array([dict(zip(DUST_SIZES, DUST_COUNTS, strict=True))[x] for x in SIZES])


def sized(down, up=(100.0, 40.0, 10.0), **changes):
    return run(sizes=SIZES, up=np.array(up), down=np.array(down), **changes)


def test_a_class_is_what_lies_between_two_sizes():
    # classes upstream 60, 30, 10; downstream 30, 6, 1
    assert class_efficiency([sized((37.0, 7.0, 1.0))]) == approx([0.5, 0.8, 0.9])
    two = class_efficiency([sized((37.0, 7.0, 1.0)), sized((7.0, 1.0, 0.0))])
    assert two == approx([0.5 * (0.5 + 0.9), 0.5 * (0.8 + 29 / 30), 0.95])


def test_more_downstream_than_upstream_is_not_filtered():
    assert class_efficiency([sized((90.0, 10.0, 1.0))]) == approx([0.0, 0.7, 0.9])


def factor(*runs, size=4.0, share=0.0, arrangement="full_flow"):
    app = application(circuit=circuit(arrangement))
    return class_over_cumulative(bench(runs, app=app, limits=exact()), "candidate", size, share)


def classes(x):
    return np.append(x[:-1] - x[1:], x[-1])


def test_the_factor_compares_two_sums():
    one = sized((37.0, 7.0, 1.0))
    by_class = (classes(COMES) / np.array([0.5, 0.8, 0.9])).sum()
    assert factor(one) == approx(by_class / (COMES[0] / 0.63), rel=1e-6)
    coarse = (classes(COMES[1:]) / np.array([0.8, 0.9])).sum()
    assert factor(one, size=10.0) == approx(coarse / (COMES[1] / (1 - 7 / 40)), rel=1e-6)
    assert factor(run(sizes=SIZES, passes=0.3)) == approx(1.0)


def test_two_paths_are_weighted_by_their_shares():
    main, part = sized((37.0, 7.0, 1.0)), sized((7.0, 1.0, 0.0), record="M2", path="fine")
    together = 0.8 * np.array([0.5, 0.8, 0.9]) + 0.2 * np.array([0.9, 29 / 30, 1.0])
    whole = 0.8 * 0.63 + 0.2 * 0.93
    wanted = (classes(COMES) / together).sum() / (COMES[0] / whole)
    assert factor(main, part, share=0.2, arrangement="combined") == approx(wanted, rel=1e-6)
    alone = factor(sized((37.0, 7.0, 1.0), path="fine"), share=0.2, arrangement="partial_flow")
    assert alone == approx(factor(main))


def test_no_factor_where_classes_cannot_be_told():
    other = run("M2", "C2", sizes=np.array([4.0, 10.0, 25.0]))
    assert factor(sized((37.0, 7.0, 1.0)), other) is None
    assert factor(run(sizes=np.array([4.0, 10.0, 40.0]))) is None
    assert factor(sized((90.0, 10.0, 1.0))) is None  # a class that is not removed at all
    assert factor(sized((37.0, 7.0, 1.0), side="reference")) is None
    assert factor(sized((37.0, 7.0, 1.0)), arrangement="combined", share=0.1) is None
