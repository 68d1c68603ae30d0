"""Honest campaigns of the simulated laboratory are stopped by chance in at most 1 of 200 cases."""

import pytest

from tests import honest

pytestmark = pytest.mark.slow
CAMPAIGNS = 60


def test_honest_campaigns_are_not_stopped():
    # At 1 in 200, one of 60 is stopped with a probability of 26 %, three with 0.3 %.
    stopped, warned, whole = honest.rates(CAMPAIGNS)
    assert whole < 3, "\n".join(honest.table(CAMPAIGNS, stopped, warned, whole))
