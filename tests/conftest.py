"""Settings of the whole test suite."""

import os

import pytest
from hypothesis import settings

# In CI the same examples every time: a change is judged by itself, not by the luck of the draw.
# Everywhere else new examples are drawn at every run.  How long one takes says more of the machine.
settings.register_profile("ci", derandomize=True, deadline=None)
settings.register_profile("here", deadline=None)
settings.load_profile("ci" if os.environ.get("CI") else "here")


DEAR = (
    "test_coverage", "test_conformance", "test_mutations", "test_gate", "test_inputs",
    "test_verify", "test_confined", "test_house", "test_page_one", "test_mutants",
)  # fmt: skip
"""Files that take the longest, which are begun first, so that no worker is left with one at the
end; `--no-loadscope-reorder` keeps the order."""


def pytest_collection_modifyitems(items):
    """Put the tests of the dear files first."""
    items.sort(key=lambda item: item.path.stem not in DEAR)


@pytest.fixture(scope="session", autouse=True)
def _layouts(tmp_path_factory):
    """Keep each layout for all tests, and for all workers, of this run."""
    from tests.layouts import remember_in

    base = tmp_path_factory.getbasetemp()
    folder = (base.parent if "PYTEST_XDIST_WORKER" in os.environ else base) / "layouts"
    folder.mkdir(exist_ok=True)
    with pytest.MonkeyPatch.context() as patch:
        remember_in(folder, patch)
        yield


@pytest.fixture
def laid_out_anew(monkeypatch):
    """Have this test lay out what it builds, whatever was laid out before."""
    from tests.layouts import ANEW, put

    put(ANEW, monkeypatch)


@pytest.fixture(scope="module")
def few_draws():
    """Have a file that asks for words, not for numbers, draw 2000 times in place of 100 000."""
    from dossier.evidence.statistics.combine import with_trials

    with with_trials(2000):
        yield


@pytest.fixture(scope="module")
def remembered():
    """Have a file that judges many variants of one case take what they share once."""
    from tests.remembered import remember

    with pytest.MonkeyPatch.context() as patch:
        remember(patch)
        yield
