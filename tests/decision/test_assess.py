"""The seed of a case's draws."""

from types import SimpleNamespace

import pytest

from dossier.decision.assess import seed_of


@pytest.mark.parametrize(("stated", "seed"), [(7, 7), (0, 0), (None, 0xCBF43926)])
def test_the_seed_is_the_stated_one_else_of_the_number(stated, seed):
    """The check value of CRC-32 (ISO/IEC 3309), of the nine digits."""
    qualification = SimpleNamespace(seed=stated, number="123456789")
    assert seed_of(SimpleNamespace(qualification=qualification)) == seed
