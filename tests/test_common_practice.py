"""What a practitioner takes for granted. Common practice, no source."""

from pathlib import Path

import pytest

from dossier import read_case
from dossier.evidence.prepare import prepare
from dossier.evidence.quantities import all_quantities
from dossier.make.decide import limits

INPUTS = Path(__file__).parents[1] / "inputs"
CASES = ("polder-pumps", "ropeway-drive", "chain-ferry")


@pytest.fixture(scope="module")
def benches():
    return {name: prepare(read_case(INPUTS / name), limits(), 1) for name in CASES}


@pytest.mark.parametrize("name", CASES)
@pytest.mark.parametrize("side", ["candidate", "reference"])
def test_engine_filters_work_from_about_5_to_20_micrometres(benches, name, side):
    found = all_quantities()["size_at_efficiency"].compute(
        benches[name], side, {"efficiency": 0.90}
    )
    assert 5.0 <= found.value <= 20.0
    assert found.bound == ""


def test_a_path_back_to_the_sump_takes_about_a_tenth_of_the_flow(benches):
    found = all_quantities()["partial_flow_share"].compute(
        benches["chain-ferry"], "reference", {"temperature": 363.15}
    )
    assert found.value == pytest.approx(0.10, abs=0.02)


def test_finer_usually_means_less_capacity_and_more_pressure(benches):
    """Shown on the case that is made to show it."""
    quantities, bench = all_quantities(), benches["ropeway-drive"]
    at = {"size": 10.0, "flow": 1e-3, "temperature": 373.15}
    both = {
        name: [
            quantities[name].compute(bench, side, at).value for side in ("candidate", "reference")
        ]
        for name in ("efficiency", "retained_capacity", "clean_pressure_drop")
    }
    assert both["efficiency"][0] > both["efficiency"][1]
    assert both["retained_capacity"][0] < both["retained_capacity"][1]
    assert both["clean_pressure_drop"][0] > both["clean_pressure_drop"][1]
