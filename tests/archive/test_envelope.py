"""The value of a signature, over bytes alone: one form, one digest, the certificates it needs."""

import asyncio
import hashlib

import pytest

from dossier.record.increment import DIGEST, RESERVED, enveloped, opened
from dossier.record.seals import CHANGED, NOT_OURS, _problem
from dossier.seal.signature import load_keys, make_identity

SECRET = "a phrase for tests only"
COVERED = b"all of a file but the value of its signature"


@pytest.fixture(scope="module")
def signer(tmp_path_factory):
    key = make_identity("A. One (invented)", tmp_path_factory.mktemp("ids"), SECRET).key
    return load_keys(key, None, SECRET)


@pytest.fixture(scope="module")
def value(signer):
    digest = hashlib.sha256(COVERED).digest()
    return enveloped(signer, digest).dump().ljust(RESERVED, b"\0")


def problem(value, covered=COVERED, *, same=True):
    return _problem(opened(value), value, covered, same=same)


def test_what_was_signed_holds_and_any_other_byte_does_not(value):
    assert problem(value) == ""
    assert problem(value, COVERED + b".") == CHANGED
    assert problem(value, same=False) == NOT_OURS
    assert opened(value).digest == hashlib.sha256(COVERED).digest()


@pytest.mark.parametrize("kind", ["sha1", "sha512"])
def test_a_digest_of_another_kind_is_none_of_ours(signer, kind):
    assert DIGEST == "sha256"
    digest = hashlib.new(kind, COVERED).digest()
    other = asyncio.run(signer.async_sign(digest, kind, use_pades=True)).dump()
    assert problem(other.ljust(RESERVED, b"\0")) == CHANGED
    full = hashlib.sha256(COVERED).digest()  # the right digest, said to be of another kind
    posed = asyncio.run(signer.async_sign(full, kind, use_pades=True)).dump()
    assert problem(posed.ljust(RESERVED, b"\0")) == "the signature itself was changed"


def test_padding_and_attributes_outside_of_any_digest_are_compared(value):
    envelope = opened(value)
    digest = hashlib.sha256(COVERED).digest()
    assert envelope.canonical(value, digest)
    assert not envelope.canonical(value[:-1] + b"\1", digest)
    assert not envelope.canonical(value[:-1], digest)
    assert not envelope.canonical(value, hashlib.sha256(b"other").digest())


def test_it_carries_what_leads_to_the_authority(value, signer):
    envelope = opened(value)
    assert envelope.certificate.dump() == signer.signing_cert.dump()
    assert [each.subject.native["common_name"] for each in envelope.others]
    assert envelope.stamp_others == ()
