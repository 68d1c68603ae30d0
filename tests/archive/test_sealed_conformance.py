"""After three seals the file is still archival and accessible, by the reference validator."""

import os

import pytest

from tests.verapdf import engine


@pytest.mark.conformance
def test_a_dossier_sealed_three_times_is_still_pdf_a_3a_and_pdf_ua_1(dossier):
    if engine.class_path() is None and not os.environ.get("CONFORMANCE_MUST_RUN"):
        pytest.skip(f"the validator is not installed: {engine.INSTALL}")
    results = engine.validate([dossier.pdf])
    assert len(results) == 2
    assert all(result.compliant for result in results.values()), results
    assert all(result.assertions > 20_000 for result in results.values())
