"""Small rules at their edges."""

from types import SimpleNamespace

import numpy as np
import pytest

from dossier.evidence.validity.copies import _scatter
from dossier.evidence.validity.other import _size
from tests.made_bench import case, entry, sweep


@pytest.mark.parametrize(("limit", "met"), [(60.0, True), (59.99, False), (61.0, True)])
def test_a_filter_is_inside_the_flow_of_its_standard(limit, met):
    held = SimpleNamespace(case=case([entry(sweep())]))
    assert _size(held, SimpleNamespace(value=limit / 6e4))[0] is met


def test_the_scatter_of_the_middle_is_that_of_normal_values_and_one_at_least():
    values = 3.0 * np.random.default_rng(1).standard_normal(20_001)
    assert _scatter(values) == pytest.approx(3.0, rel=0.03)
    assert _scatter(0.1 * values) == 1.0
