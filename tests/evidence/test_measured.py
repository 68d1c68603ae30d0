"""What is said of results that are measured once on each specimen."""

import pytest

from tests import small_case as small

BURST = "specimen,burst pressure [kPa]\nC1,2000\nC2,2010\nC3,2020\n"


@pytest.mark.parametrize(
    ("plan", "said"),
    [
        ((), False),
        (("C1", "C2", "C3"), False),
        (("C7", "C8", "C9"), True),
    ],
)
def test_specimens_that_the_plan_does_not_name_are_named(plan, said):
    found = small.compute([small.record("BU", "measurement", BURST)], "burst_pressure", plan=plan)
    words = "tested on specimens of their own, C1, C2, C3, not on those that the plan names"
    assert (words in found.notes) is said
