"""Whom a verifier may trust: authorities within their limits, persons by their own certificate."""

import datetime
import hashlib

import pytest
from asn1crypto import keys as form
from asn1crypto import x509 as read
from cryptography import x509
from cryptography.hazmat.primitives import hashes
from cryptography.hazmat.primitives.asymmetric import dsa, ec, ed25519, rsa
from cryptography.hazmat.primitives.serialization import Encoding, NoEncryption, PrivateFormat
from cryptography.x509.oid import ExtendedKeyUsageOID, NameOID
from pyhanko.sign.signers import SimpleSigner
from pyhanko_certvalidator.registry import SimpleCertificateStore

from dossier import CaseError
from dossier.record.increment import enveloped, opened
from dossier.record.signoff import same_name, same_person
from dossier.record.trust import TEST_MARK, chain, marked, trust_of, vouched, wrong_use

NOW = datetime.datetime.now(datetime.UTC).replace(microsecond=0)
DAY = datetime.timedelta(days=1)
WORDS = b"what is signed"


class Made:
    """A certificate with its key; by itself, or issued by another."""

    def __init__(self, name, issuer=None, *, ca=None, usage=None, purposes=(), **limits):
        self.key = limits.get("key") or ec.generate_private_key(ec.SECP256R1())
        first, last = limits.get("valid", (NOW - 9 * DAY, NOW + 90 * DAY))
        subject = named(name)
        builder = (
            x509.CertificateBuilder()
            .subject_name(subject)
            .issuer_name(issuer.certificate.subject if issuer else subject)
            .public_key(self.key.public_key())
            .serial_number(x509.random_serial_number())
            .not_valid_before(first)
            .not_valid_after(last)
        )
        if ca is not None:
            builder = builder.add_extension(x509.BasicConstraints(ca, limits.get("path")), True)
        if usage is not None:
            builder = builder.add_extension(used(*usage), True)
        if purposes:
            builder = builder.add_extension(x509.ExtendedKeyUsage(purposes), False)
        if "names" in limits:
            names = [x509.DirectoryName(named(limits["names"]))]
            builder = builder.add_extension(x509.NameConstraints(None, names), True)
        bare = issuer is None and isinstance(self.key, ed25519.Ed25519PrivateKey)
        signed = issuer.key if issuer else self.key
        self.certificate = builder.sign(signed, None if bare else hashes.SHA256())
        self.pem = self.certificate.public_bytes(Encoding.PEM)
        self.read = read.Certificate.load(self.certificate.public_bytes(Encoding.DER))

    def envelope(self, *others):
        raw = self.key.private_bytes(Encoding.DER, PrivateFormat.PKCS8, NoEncryption())
        store = SimpleCertificateStore()
        store.register_multiple([each.read for each in others])
        signer = SimpleSigner(self.read, form.PrivateKeyInfo.load(raw), store)
        return opened(enveloped(signer, hashlib.sha256(WORDS).digest()).dump())

    def crl(self, *serials, last=NOW + 9 * DAY):
        builder = (
            x509.CertificateRevocationListBuilder()
            .issuer_name(self.certificate.subject)
            .last_update(NOW - DAY)
            .next_update(last)
        )
        for serial in serials:
            entry = x509.RevokedCertificateBuilder().serial_number(serial)
            builder = builder.add_revoked_certificate(entry.revocation_date(NOW - DAY).build())
        return builder.sign(self.key, hashes.SHA256()).public_bytes(Encoding.PEM)


def named(name):
    return x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, name)])


def used(*names):
    every = (
        "digital_signature", "content_commitment", "key_encipherment", "data_encipherment",
        "key_agreement", "key_cert_sign", "crl_sign", "encipher_only", "decipher_only",
    )  # fmt: skip
    return x509.KeyUsage(**{each: each in names for each in every})


SIGNS = ("key_cert_sign", "crl_sign")


def authority(**limits):
    return Made("An authority", ca=True, usage=SIGNS, **limits)


def person(issuer=None, **limits):
    return Made("A. Person", issuer, usage=("digital_signature",), **limits)


def worth(envelope, trust, role="prepared"):
    found = vouched(envelope, WORDS, trust, role)
    assert found.holds
    assert found.trusted is (not found.distrust)
    return found


def test_an_authority_vouches_for_whom_it_issued_to():
    root = authority()
    found = worth(person(root).envelope(root), trust_of([root.pem]))
    assert found.trusted
    assert found.revocation == "not consulted"
    stranger = authority()
    assert (
        "no authority" in worth(person(stranger).envelope(stranger), trust_of([root.pem])).distrust
    )
    assert not vouched(person(root).envelope(root), b"else", trust_of([root.pem]), "x").holds


@pytest.mark.parametrize(
    ("made", "line"),
    [
        (lambda: person(), "is not of an authority"),
        (lambda: Made("X", ca=False, usage=SIGNS), "is not of an authority"),
        (
            lambda: Made("X", ca=True, usage=("digital_signature",)),
            "not meant to sign certificates",
        ),
        (lambda: authority(valid=(NOW - 9 * DAY, NOW - DAY)), "is valid to"),
        (lambda: authority(valid=(NOW + DAY, NOW + 9 * DAY)), "is valid to"),
    ],
)
def test_who_is_no_authority_is_not_trusted_as_one(made, line):
    with pytest.raises(CaseError, match=line):
        trust_of([made().pem])


def test_an_authority_is_trusted_from_its_first_second_to_its_last():
    """Both ends belong to the period (RFC 5280, 4.1.2.5)."""
    first, last = NOW, NOW + DAY
    root, second = authority(valid=(first, last)), datetime.timedelta(seconds=1)
    for at in (first, last):
        assert trust_of([root.pem], at=at).given
    for at in (first - second, last + second):
        with pytest.raises(CaseError, match="is valid to"):
            trust_of([root.pem], at=at)


def test_all_that_is_unfit_is_named_at_once():
    with pytest.raises(CaseError) as caught:
        trust_of([b"x", person().pem], {"prepared": b"y"}, [b"z"])
    assert len(caught.value.problems) == 4
    assert all(each.hint for each in caught.value.problems)
    whats = {each.file: each.what for each in caught.value.problems}
    assert whats["--trust-person prepared"] == "is no certificate that can be read"
    assert whats["--crl"] == "is no list of revoked certificates (CRL) that can be read"
    root = authority()
    with pytest.raises(CaseError, match="holds 2 certificates"):
        trust_of([], {"prepared": person(root).pem + root.pem})


def test_a_leaf_is_no_issuer():
    root = authority()
    leaf = person(root)
    below = person(leaf)
    assert worth(below.envelope(leaf, root), trust_of([root.pem])).distrust


def test_the_limits_of_an_authority_are_applied_from_it_on():
    root = authority(path=0)
    middle = Made("Middle", root, ca=True, usage=SIGNS)
    assert worth(person(middle).envelope(middle, root), trust_of([root.pem])).distrust
    assert worth(person(root).envelope(root), trust_of([root.pem])).trusted
    wide = authority(path=1)
    middle = Made("Middle", wide, ca=True, usage=SIGNS)
    assert worth(person(middle).envelope(middle, wide), trust_of([wide.pem])).trusted
    barred = authority(names="A. Person")
    assert worth(person(barred).envelope(barred), trust_of([barred.pem])).distrust


@pytest.mark.parametrize(
    ("usage", "purposes", "line"),
    [
        (("key_encipherment",), (), "is not meant for signatures"),
        (("digital_signature",), (ExtendedKeyUsageOID.SERVER_AUTH,), "other uses only"),
        (("digital_signature",), (ExtendedKeyUsageOID.CODE_SIGNING,), "other uses only"),
        (("digital_signature",), (ExtendedKeyUsageOID.EMAIL_PROTECTION,), ""),
        (("content_commitment",), (x509.ObjectIdentifier("1.3.6.1.5.5.7.3.36"),), ""),
        (None, (), ""),
    ],
)
def test_what_a_certificate_is_for_is_respected(usage, purposes, line):
    root = authority()
    leaf = Made("A. Person", root, usage=usage, purposes=purposes)
    assert line in worth(leaf.envelope(root), trust_of([root.pem])).distrust
    assert bool(line) == bool(worth(leaf.envelope(root), trust_of([root.pem])).distrust)
    named_one = worth(leaf.envelope(root), trust_of([], {"prepared": leaf.pem}))
    assert named_one.trusted is (not line)


def test_a_person_is_trusted_in_the_role_named_and_as_nobody_s_issuer():
    own = person(ca=True)
    trust = trust_of([], {"prepared": own.pem})
    assert trust.given
    assert worth(own.envelope(), trust).trusted
    assert not worth(own.envelope(), trust, "approved").trusted
    assert "named for this role" in worth(person(own).envelope(own), trust).distrust
    late = trust_of([], {"prepared": own.pem}, at=NOW + 999 * DAY)
    assert "was not valid" in worth(own.envelope(), late).distrust


def test_who_is_named_for_a_role_has_it_alone():
    root = authority()
    one, other = person(root), person(root)
    trust = trust_of([root.pem], {"prepared": one.pem})
    assert worth(one.envelope(root), trust).trusted
    assert "not the one that was named" in worth(other.envelope(root), trust).distrust


def test_lists_of_revoked_certificates_are_consulted():
    root = authority()
    leaf = person(root)
    clean = worth(leaf.envelope(root), trust_of([root.pem], revoked=[root.crl()]))
    assert (clean.trusted, clean.revocation) == (True, "consulted")
    listed = root.crl(leaf.certificate.serial_number)
    found = worth(leaf.envelope(root), trust_of([root.pem], revoked=[listed]))
    assert found.distrust == "was revoked"
    before = trust_of([root.pem], revoked=[listed], at=NOW - 2 * DAY)
    assert worth(leaf.envelope(root), before).trusted
    old = root.crl(last=NOW - datetime.timedelta(hours=1))
    both = trust_of([root.pem], revoked=[root.crl() + authority().crl()])
    assert len(both.revoked) == 2
    for no_help in (authority().crl(), old):
        found = worth(leaf.envelope(root), trust_of([root.pem], revoked=[no_help]))
        assert (found.trusted, found.revocation) == (True, "not known")


def test_only_issuers_may_come_along():
    root, stranger = authority(), authority()
    middle = Made("Middle", root, ca=True, usage=SIGNS)
    leaf = person(middle)
    every = [root.read, stranger.read, middle.read]
    assert [each.sha256 for each in chain(leaf.read, every)] == [
        middle.read.sha256,
        root.read.sha256,
    ]
    assert chain(leaf.read, [root.read]) == []


@pytest.mark.parametrize(
    ("one", "other", "person_too", "name_too"),
    [
        ("A. Berg", "a berg", True, True),
        ("Anna Berg", "\u0410nna Berg", True, False),
        ("Ingrid", "lngrid", True, False),
        ("Tom", "Torn", True, False),
        ("O\u2019Brien", "O'Brien", True, True),
        ("\u0418\u0432\u0430\u043d", "\u0418\u0432\u0430\u043d", True, True),
        ("J\u00f6rg", "Jorg", True, False),
        ("Anna", "Berta", False, False),
    ],
)
def test_letters_that_look_alike_make_one_person_but_not_one_name(one, other, person_too, name_too):
    for pair in ((one, other), (other, one)):
        assert same_person(*pair) is person_too
        assert same_name(*pair) is name_too


KEYS = {
    "1024 bits": lambda: rsa.generate_private_key(65537, 1024),
    "192 bits": lambda: ec.generate_private_key(ec.SECP192R1()),
    "kind dsa": lambda: dsa.generate_private_key(2048),
    "kind ed25519": ed25519.Ed25519PrivateKey.generate,
}


@pytest.mark.parametrize("line", KEYS)
def test_a_key_that_is_weak_or_of_another_kind_vouches_for_nobody(line):
    key, root = KEYS[line](), authority()
    leaf = person(root, key=key)
    assert line in wrong_use(leaf.read)
    with pytest.raises(CaseError, match=line):
        trust_of([authority(key=key).pem])
    if "bits" in line:
        assert line in worth(leaf.envelope(root), trust_of([root.pem])).distrust
        assert line in worth(leaf.envelope(), trust_of([], {"prepared": leaf.pem})).distrust


def test_a_certificate_signed_with_a_broken_digest_is_refused():
    leaf = person(authority()).read.copy()
    leaf["signature_algorithm"] = {"algorithm": "sha1_rsa"}
    assert "SHA1" in wrong_use(leaf)


def test_an_authority_for_other_uses_vouches_for_no_document():
    other = (ExtendedKeyUsageOID.SERVER_AUTH,)
    root = authority(purposes=other)
    assert "other uses only" in worth(person(root).envelope(), trust_of([root.pem])).distrust
    plain = authority()
    middle = Made("Middle", plain, ca=True, usage=SIGNS, purposes=other)
    assert "other uses" in worth(person(middle).envelope(middle), trust_of([plain.pem])).distrust


def test_who_is_issued_by_a_test_identity_is_one_whatever_comes_along():
    root = Made(TEST_MARK, ca=True, usage=SIGNS)
    assert not marked(person(authority()).read)
    assert marked(person(root).read)


def test_a_person_who_was_named_may_be_revoked():
    root = authority()
    leaf = person(root)
    for serial, why in ((leaf.certificate.serial_number, "was revoked"), (7, "")):
        trust = trust_of([], {"prepared": leaf.pem}, [root.crl(serial)])
        found = worth(leaf.envelope(root), trust)
        assert (found.distrust, found.revocation) == (why, "not listed")


def test_a_certificate_that_comes_along_is_the_one_that_was_issued():
    """Its issuer's name is another: it signs as before, and nothing signs it."""
    root = authority()
    leaf, der = person(root), root.read.dump()
    altered = Made("Altered")
    altered.read = read.Certificate.load(der.replace(b"An authority", b"Bn authority", 1))
    assert not altered.read.self_issued
    envelope = leaf.envelope(altered)
    for trust in (trust_of([root.pem]), trust_of([], {"prepared": leaf.pem})):
        assert "none of those above it" in worth(envelope, trust).distrust
