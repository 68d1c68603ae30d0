"""What tests of pages share."""

from base64 import b64encode

import pytest

DOT = b'<svg xmlns="http://www.w3.org/2000/svg" width="9" height="3"><path d="M2 0h3v1H2z"/></svg>'


@pytest.fixture
def undrawn(monkeypatch):
    """Put a dot in place of every chart: they are tested elsewhere, and take half of the time."""
    dot = "data:image/svg+xml;base64," + b64encode(DOT).decode()
    monkeypatch.setattr("dossier.report.charts.style.now_or_later", lambda _: dot)
