"""Sealing: who may, in which order, with what key, and what level is reached."""

import hashlib
import io
from datetime import date
from types import SimpleNamespace

import pytest
from cryptography.hazmat.primitives import serialization
from cryptography.hazmat.primitives.serialization import pkcs12
from pypdf import PdfReader

from dossier import CaseError, build, verify
from dossier.case.attached import open_pdf
from dossier.record.seals import read_seals
from dossier.record.trust import TEST_MARK, trust_of
from dossier.seal.signature import examine, load_keys, make_identity, seal_pdf
from tests.archive import sealed


def keys_of(dossier, role):
    return sealed.keys_in(dossier.keys[role])


@pytest.fixture
def unsigned(dossier, tmp_path):
    path = tmp_path / "unsigned.pdf"
    path.write_bytes(dossier.unsigned)
    return path


def test_the_wrong_passphrase_is_told(dossier):
    with pytest.raises(CaseError, match="check passphrase and kind"):
        load_keys(dossier.keys["prepared"], None, "another")


def test_order_and_person_are_enforced(dossier, unsigned, unchanged):
    with pytest.raises(CaseError, match="waits for 'prepared' first"):
        examine(unsigned, "checked", keys_of(dossier, "checked"))
    with pytest.raises(CaseError, match="the sign-off names 'Test Engineer"):
        examine(unsigned, "prepared", keys_of(dossier, "checked"))
    with pytest.raises(CaseError, match="has no role 'witnessed'"):
        examine(unsigned, "witnessed", keys_of(dossier, "checked"))
    unsigned.write_bytes(dossier.versions[1])
    with pytest.raises(CaseError, match="is sealed already"):
        examine(unsigned, "prepared", keys_of(dossier, "prepared"))
    shown = examine(unsigned, "checked", keys_of(dossier, "checked"))
    assert (shown.decision, shown.standing) == ("approved", "approved")
    assert shown.digest.encode() in dossier_json(dossier)


def dossier_json(dossier):
    return open_pdf(dossier.unsigned).files["decision.json"]


def test_a_draft_and_a_changed_dossier_are_not_sealed(dossier, unsigned, tmp_path):
    data = dossier.versions[1]
    place = sealed.place_of(data, sealed.page_stream(data)) + 50
    unsigned.write_bytes(sealed.flipped(data, place))
    with pytest.raises(CaseError, match="what it covers was changed"):
        examine(unsigned, "checked", keys_of(dossier, "checked"))
    folder = sealed.short_case(tmp_path)
    (folder / "signoff.toml").unlink()
    draft = build(folder, tmp_path / "out").pdf
    assert "DRAFT" in PdfReader(draft).pages[0].extract_text()
    with pytest.raises(CaseError, match="is a draft"):
        examine(draft, "prepared", keys_of(dossier, "prepared"))


def test_what_could_not_have_been_built_here_is_not_sealed(dossier, unsigned, monkeypatch):
    monkeypatch.setattr(
        "dossier.make.recompute.compose", lambda *_, **__: (dossier.unsigned + b" ", b"")
    )
    with pytest.raises(CaseError, match="the pages are not those that the attached data give"):
        examine(unsigned, "prepared", keys_of(dossier, "prepared"))
    monkeypatch.setattr("dossier.record.program.zlib.ZLIB_RUNTIME_VERSION", "0.0")
    with pytest.raises(CaseError, match="cannot be built again here: made with zlib"):
        examine(unsigned, "prepared", keys_of(dossier, "prepared"))


def test_an_approval_that_is_over_is_not_sealed(dossier, unsigned, monkeypatch):
    state = SimpleNamespace(complete=True, ended=date(2026, 5, 1))
    sha256 = hashlib.sha256(dossier.unsigned).hexdigest()
    found = SimpleNamespace(signoff=state, failures=(), fallen=False, sha256=sha256)
    monkeypatch.setattr("dossier.verification.verify.verify", lambda *_, **__: found)
    with pytest.raises(CaseError, match="cannot be sealed: the approval ended on 2026-05-01"):
        examine(unsigned, "prepared", keys_of(dossier, "prepared"))


def test_a_key_in_pem_seals_as_well(dossier, unsigned, tmp_path):
    packed = dossier.keys["prepared"].read_bytes()
    key, certificate, others = pkcs12.load_key_and_certificates(packed, sealed.SECRET.encode())
    form, plain = serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8
    lock = serialization.BestAvailableEncryption(sealed.SECRET.encode())
    (tmp_path / "k.pem").write_bytes(key.private_bytes(form, plain, lock))
    chain = b"".join(each.public_bytes(form) for each in (certificate, *others))
    (tmp_path / "c.pem").write_bytes(chain)
    keys = load_keys(tmp_path / "k.pem", tmp_path / "c.pem", sealed.SECRET)
    content, made = seal_pdf(sealed.ready(dossier.unsigned, "prepared"), keys)
    assert made.level == "PAdES B-B"
    assert read_seals(open_pdf(content), trust_of(dossier.trust))[0].trusted


def test_the_first_seal_certifies_and_allows_no_more_than_further_seals(dossier):
    first, *others = read_seals(open_pdf(dossier.data), trust_of(dossier.trust))
    assert first.certifies
    assert not any(seal.certifies for seal in others)
    reader = PdfReader(io.BytesIO(dossier.data))
    certified = reader.trailer["/Root"]["/Perms"]["/DocMDP"]
    assert certified["/Reference"][0]["/TransformParams"]["/P"] == 2


def test_test_identities_are_marked_in_the_certificate(dossier):
    for seal in read_seals(open_pdf(dossier.data), trust_of(dossier.trust)):
        assert seal.test
    certificate = (dossier.folder / "ids" / "test-engineer-invented.pem").read_bytes()
    from cryptography import x509

    subject = x509.load_pem_x509_certificate(certificate).subject.rfc4514_string()
    assert TEST_MARK.replace(",", "\\,") in subject


def test_a_certificate_bids_readers_heed_what_it_may_be_used_for(dossier):
    """Critical: basic constraints and key usage; never key identifiers (RFC 5280, 4.2.1)."""
    from cryptography import x509

    for name, authority in (("test-authority", True), ("test-engineer-invented", False)):
        made = (dossier.folder / "ids" / f"{name}.pem").read_bytes()
        each = x509.load_pem_x509_certificate(made).extensions
        found = {type(extension.value): extension.critical for extension in each}
        assert found == {
            x509.BasicConstraints: True, x509.KeyUsage: True,
            x509.SubjectKeyIdentifier: False, x509.AuthorityKeyIdentifier: False,
        }  # fmt: skip
        assert each.get_extension_for_class(x509.BasicConstraints).value.ca is authority


def test_an_identity_is_made_once_and_its_key_is_the_owners_alone(tmp_path):
    made = make_identity("A. Person", tmp_path, "one")
    assert made.key.stat().st_mode & 0o077 == 0
    with pytest.raises(CaseError, match="exists already"):
        make_identity("A. Person", tmp_path, "one")
    with pytest.raises(CaseError, match="use the passphrase it was made with"):
        make_identity("B. Person", tmp_path, "two")


def test_fields_stand_on_the_page_of_sign_off_empty_until_sealed(dossier):
    reader = PdfReader(io.BytesIO(dossier.unsigned))
    fields = [each.get_object() for each in reader.trailer["/Root"]["/AcroForm"]["/Fields"]]
    assert [field["/T"] for field in fields] == [f"signature-{role}" for role in sealed.ROLES]
    for field in fields:
        assert field["/FT"] == "/Sig"
        assert "/V" not in field
        left, low, right, high = (float(number) for number in field["/Rect"])
        assert (right - left, high - low) == pytest.approx((127.6, 45.4), abs=3)


def test_the_look_of_a_seal_needs_no_font_of_the_viewer(dossier):
    reader = PdfReader(io.BytesIO(dossier.data))
    for each in reader.trailer["/Root"]["/AcroForm"]["/Fields"]:
        (font,) = each.get_object()["/AP"]["/N"]["/Resources"]["/Font"].values()
        assert font["/Subtype"] == "/Type3"
        assert len(font["/CharProcs"]) == font["/LastChar"] + 1 == len(font["/Widths"])


def stamper(folder):
    """A time-stamp service of the test authority, without a network."""
    import datetime

    from asn1crypto import keys, x509
    from cryptography import x509 as made
    from cryptography.hazmat.primitives import hashes
    from cryptography.hazmat.primitives.asymmetric import rsa
    from pyhanko.sign.timestamps import DummyTimeStamper

    form = serialization.Encoding.DER
    issuer = made.load_pem_x509_certificate((folder / "test-authority.pem").read_bytes())
    issuer_key = serialization.load_pem_private_key(
        (folder / "test-authority.key").read_bytes(), sealed.SECRET.encode()
    )
    key = rsa.generate_private_key(public_exponent=65537, key_size=2048)
    now = datetime.datetime.now(datetime.UTC)
    certificate = (
        made.CertificateBuilder()
        .subject_name(made.Name([made.NameAttribute(made.NameOID.COMMON_NAME, "TEST clock")]))
        .issuer_name(issuer.subject)
        .public_key(key.public_key())
        .serial_number(7)
        .not_valid_before(now - datetime.timedelta(days=1))
        .not_valid_after(now + datetime.timedelta(days=9))
        .add_extension(
            made.ExtendedKeyUsage([made.oid.ExtendedKeyUsageOID.TIME_STAMPING]), critical=True
        )
        .sign(issuer_key, hashes.SHA256())
    )
    plain = serialization.PrivateFormat.PKCS8, serialization.NoEncryption()
    return DummyTimeStamper(
        x509.Certificate.load(certificate.public_bytes(form)),
        keys.PrivateKeyInfo.load(key.private_bytes(form, *plain)),
        fixed_dt=now,
    )


def test_a_time_stamp_gives_the_next_level_only_where_it_is_trusted(dossier, unsigned, monkeypatch):
    clock = stamper(dossier.folder / "ids")
    monkeypatch.setattr("pyhanko.sign.timestamps.HTTPTimeStamper", lambda _: clock)
    keys = keys_of(dossier, "prepared")
    content, made = seal_pdf(
        sealed.ready(dossier.unsigned, "prepared"), keys, "http://clock.invalid"
    )
    assert made.level == "PAdES B-B, time-stamp of an authority not trusted here"
    unsigned.write_bytes(content)
    (seal,) = verify(unsigned, trust=dossier.trust, pages=False).seals
    assert (seal.level, seal.problem) == ("PAdES B-T", "")
    assert seal.stamped
    token = content.rfind(b"TEST clock".hex().upper().encode())
    assert token > len(dossier.unsigned)
    digest = content.rfind(b"0420", 0, content.rfind(b"00000000>"))
    unsigned.write_bytes(sealed.flipped(content, digest + 9))
    assert verify(unsigned, trust=dossier.trust, pages=False).failures


def test_commands_from_identity_to_verdict(dossier, tmp_path):
    folder = sealed.short_case(tmp_path)
    (folder / "signoff.toml").unlink()
    for role, name in zip(sealed.ROLES, sealed.NAMES, strict=True):
        done = sealed.run("sign", folder, "--role", role, "--name", name, "--date", "2026-03-30")
        assert done.returncode == 0, done.stderr
    assert "all sign-offs are given and hold" in done.stdout
    pdf = build(folder, tmp_path / "out").pdf
    first = "seal", pdf, "--role", "prepared", "--key", dossier.keys["prepared"]
    done = sealed.run(*first)
    assert done.returncode == 2
    assert "no terminal to ask on" in done.stderr
    told = sealed.run("check", folder).stdout
    digest = told.split("digest that sign-offs bind: ")[1].split()[0]
    assert sealed.run(*first, "--digest", digest[::-1]).returncode == 2
    assert open_pdf(pdf.read_bytes()).built == pdf.read_bytes()
    for role in sealed.ROLES:
        given = "--role", role, "--key", dossier.keys[role], "--digest", digest
        done = sealed.run("seal", pdf, *given)
        assert done.returncode == 0, done.stderr
        assert "(test identity, proves nothing), level reached: PAdES B-B" in done.stdout
    note = tmp_path / "note.pdf"
    done = sealed.run("verify", pdf, "--trust", dossier.authority, "--note", note)
    assert done.returncode == 0, done.stdout + done.stderr
    assert done.stdout.endswith("verdict: verified, by TEST identities, which prove nothing\n")
    pages = PdfReader(note).pages
    assert len(pages) == 1
    assert "Verified, by TEST identities" in pages[0].extract_text()
