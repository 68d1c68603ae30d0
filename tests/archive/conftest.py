"""One sealed dossier for all tests of this folder."""

from functools import cache
from types import SimpleNamespace

import pytest
from cryptography.hazmat.primitives import serialization

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


@pytest.fixture(scope="session", autouse=True)
def _keys_checked_once():
    """Have a key that seals many files here checked once, which takes a tenth of a second."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(
            serialization, "load_der_private_key", cache(serialization.load_der_private_key)
        )
        yield


@pytest.fixture(scope="module", autouse=True)
def _in_place():
    """Read files in this process: to copy it takes longer.  `hostile/test_confined` has copies."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("dossier.system.confined._limited", True)
        yield


@pytest.fixture
def unchanged(dossier, monkeypatch):
    """Have the pages come out as they did: a layout takes seconds and gives the same bytes.

    Their words are read out once, if at all.
    """
    monkeypatch.setattr("dossier.make.recompute.compose", lambda *_, **__: (dossier.unsigned, b""))
    monkeypatch.setattr("dossier.make.recompute._texts", words_of)


words_of = cache(recompute._texts)
