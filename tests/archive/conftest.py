"""One sealed dossier for all tests of this folder."""

from functools import cache
from types import SimpleNamespace

import pytest

from dossier.make import recompute
from tests.archive import sealed


@pytest.fixture(scope="session")
def dossier(tmp_path_factory):
    """A dossier sealed three times, with its authority and its versions on the way."""
    folder = tmp_path_factory.mktemp("sealed")
    pdf, authority, keys, versions = sealed.made(folder)
    return SimpleNamespace(
        pdf=pdf, data=versions[-1], unsigned=versions[0], versions=versions, keys=keys,
        trust=[authority.read_bytes()], authority=authority, folder=folder,
    )  # fmt: skip


@pytest.fixture
def unchanged(dossier, monkeypatch):
    """Have the pages come out as they did: a layout takes seconds and gives the same bytes.

    Their words are read out once, if at all.
    """
    monkeypatch.setattr("dossier.make.api.compose", lambda *_, **__: (dossier.unsigned, b""))
    monkeypatch.setattr("dossier.make.recompute._texts", words_of)


words_of = cache(recompute._texts)
