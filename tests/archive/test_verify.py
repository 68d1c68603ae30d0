"""Nobody can change an input, a number or a page of a sealed dossier without it being told."""

import hashlib
import json
import random
import re
import subprocess
import time
from io import BytesIO

import pytest
from pypdf import PdfWriter
from pypdf.generic import StreamObject

from dossier import CaseError, build, read_case, verify
from dossier.case.attached import MAX_ATTACHED, NotADossierError, open_pdf
from dossier.case.tables.csv_rows import MAX_FILE
from dossier.record.seals import read_seals
from dossier.record.trust import trust_of
from dossier.seal.signature import examine
from dossier.verification.verification_text import fact_lines
from tests.archive import sealed


def verified(path, content, dossier, **options):
    path.write_bytes(content)
    return verify(path, trust=dossier.trust, **options)


def test_a_sealed_dossier_is_verified_from_its_pdf_alone(dossier, tmp_path):
    found = verified(tmp_path / "d.pdf", dossier.data, dossier)
    assert found.failures == ()
    assert found.gaps == ()
    assert found.verdict == "verified, by TEST identities, which prove nothing"
    assert found.recomputed.identical
    assert found.recomputed.pages == "identical"
    assert [seal.signer for seal in found.seals] == list(sealed.NAMES)
    assert {seal.level for seal in found.seals} == {"PAdES B-B"}
    assert all("test identity" in line for line in found.remarks if "signature-" in line)


def test_nothing_is_written_over_a_sealed_dossier_or_what_was_given(dossier, tmp_path):
    sealed_one, plain = tmp_path / "d.pdf", tmp_path / "plain.pdf"
    sealed_one.write_bytes(dossier.data)
    plain.write_bytes(dossier.unsigned)
    for call in (
        ("verify", plain, "--quick", "--note", sealed_one), ("verify", plain, "--note", plain),
        ("register", tmp_path, "--html", sealed_one), ("register", tmp_path, "--ics", sealed_one),
        ("build", dossier.folder / "polder-pumps", "--out", tmp_path, "--summary", sealed_one),
        ("seal", plain, "--role", "prepared", "--key", dossier.keys["prepared"], "--digest", "0",
         "--out", sealed_one),
    ):  # fmt: skip
        done = sealed.run(*call)
        assert done.returncode == 2
        assert "is a dossier, which would be lost: give another name" in done.stderr
    assert (sealed_one.read_bytes(), plain.read_bytes()) == (dossier.data, dossier.unsigned)
    assert {path.name for path in tmp_path.iterdir()} == {"d.pdf", "plain.pdf"}


def test_signing_only_appends(dossier):
    for earlier, later in zip(dossier.versions, dossier.versions[1:], strict=False):
        assert later.startswith(earlier)
        assert len(later) - len(earlier) < 64_000


def test_without_a_certificate_to_trust_nothing_is_verified(dossier):
    found = verify(dossier.pdf, pages=False)
    assert found.verdict == "not proven"
    assert any("no certificate to trust" in line for line in found.gaps)


def test_a_person_named_for_a_role_that_is_not_there_is_told(dossier, unchanged):
    person = (dossier.folder / "ids" / "test-engineer-invented.pem").read_bytes()
    assert verify(dossier.pdf, trust=dossier.trust, persons={"prepared": person}).verified
    (gap,) = verify(dossier.pdf, trust=dossier.trust, persons={"Prepared": person}).gaps
    assert "the role 'Prepared', which this dossier does not have" in gap


def test_unsealed_and_partly_sealed_dossiers_are_not_verified(dossier, tmp_path):
    none = verified(tmp_path / "0.pdf", dossier.versions[0], dossier, pages=False)
    assert none.verdict == "not proven"
    assert "no digital signature" in none.gaps[0]
    two = verified(tmp_path / "2.pdf", dossier.versions[2], dossier, pages=False)
    assert two.failures == ()
    assert "nobody has sealed it as approved" in two.gaps


def edited_files(data):
    """A better number in decision.json, with its digest put right in the manifest."""
    files = open_pdf(data).files
    decision = json.loads(files["decision.json"])
    decision["findings"][0]["value"] += 1
    body = (json.dumps(decision, sort_keys=True, indent=2, ensure_ascii=False) + "\n").encode()
    manifest = json.loads(files["manifest.json"])
    manifest["files"]["decision.json"] = hashlib.sha256(body).hexdigest()
    told = (json.dumps(manifest, sort_keys=True, indent=2) + "\n").encode()
    return {"decision.json": body, "manifest.json": told}


def tampered(kind, data):
    if kind == "bit in a page":
        stream = sealed.page_stream(data)
        return sealed.flipped(data, sealed.place_of(data, stream) + len(stream) // 2)
    if kind == "bit in an attachment":
        stream = sealed.attachment_stream(data, "pd-c1.csv")
        return sealed.flipped(data, sealed.place_of(data, stream) + len(stream) // 2)
    if kind == "bit in a signature":
        place = data.rfind(b"/Contents <") + 2000
        return data[:place] + (b"1" if data[place] == ord("0") else b"0") + data[place + 1 :]
    if kind == "annotation added":
        return sealed.appended(data, sealed.add_annotation)
    if kind == "attachment replaced":
        return sealed.appended(data, sealed.replacing({"pd-c1.csv": b"time [min]\n0\n"}))
    if kind == "page removed":
        return sealed.appended(data, sealed.remove_page)
    if kind == "decision edited and attached again":
        return sealed.appended(data, sealed.replacing(edited_files(data)))
    if kind == "bytes behind the end":
        return data + b"\n% approved\n"
    if kind == "last signature cut off and a note put behind":
        return data[: data[:-8].rfind(b"%%EOF") + 6] + b"% note\n"
    if kind == "increment that changes nothing":
        return sealed.appended(data, lambda writer: writer.update_root())
    raise AssertionError(kind)


CHANGED = "what it covers was changed after signing"
ADDED = "stands what is no seal that this program writes"
TABLE = [
    ("bit in a page", CHANGED),
    ("bit in an attachment", CHANGED),
    ("bit in a signature", "signature-approved"),
    ("annotation added", ADDED),
    ("attachment replaced", ADDED),
    ("page removed", ADDED),
    ("decision edited and attached again", ADDED),
    ("bytes behind the end", ADDED),
    ("last signature cut off and a note put behind", ADDED),
    ("increment that changes nothing", ADDED),
]


@pytest.mark.parametrize(("kind", "line"), TABLE)
def test_tampering_with_a_sealed_dossier_is_told(kind, line, dossier, tmp_path):
    path = tmp_path / "tampered.pdf"
    path.write_bytes(tampered(kind, dossier.data))
    try:
        found = verify(path, trust=dossier.trust)
    except NotADossierError as error:
        assert kind.startswith("bit in"), error  # noqa: PT017
        return
    assert found.verdict == "failed"
    assert any(line in told for told in found.failures), found.failures
    assert any(told.startswith("failed: ") and line in told for told in fact_lines(found))


def test_the_printed_line_and_exit_code_of_a_tampered_dossier(dossier, tmp_path):
    path = tmp_path / "tampered.pdf"
    path.write_bytes(tampered("bit in a page", dossier.data))
    done = sealed.run("verify", path, "--trust", dossier.authority)
    assert done.returncode == 3, done.stderr
    assert f"failed: signature-prepared: {CHANGED}" in done.stdout
    assert done.stdout.endswith("verdict: failed\n")
    path.write_bytes(b"%PDF-1.7\nno dossier\n")
    assert sealed.run("verify", path).returncode == 2


def resealed(folder, dossier, unsigned, keys=None):
    path = folder / "forged.pdf"
    path.write_bytes(unsigned)
    sealed.seal_all(path, keys or dossier.keys)
    return path


def test_a_forgery_sealed_by_an_unknown_authority_is_told(dossier, tmp_path):
    folder = sealed.short_case(tmp_path)
    case = folder / "case.toml"
    case.write_text(case.read_text().replace("lot 25-311", "lot 25-999"))
    sealed.sign_all(folder)
    built = build(folder, tmp_path / "out")
    path = resealed(
        tmp_path, dossier, built.pdf.read_bytes(), sealed.identities(tmp_path / "strangers")
    )
    found = verify(path, trust=dossier.trust, pages=False)
    assert found.verdict == "failed"
    assert all(seal.sound and not seal.trusted for seal in found.seals)
    assert any("leads to no authority that is trusted here" in line for line in found.failures)


def test_people_who_seal_a_number_that_the_data_do_not_give_are_told(dossier, tmp_path):
    path = tmp_path / "edited.pdf"
    path.write_bytes(sealed.attached_anew(dossier.unsigned, edited_files(dossier.unsigned)))
    found = verify(path, trust=dossier.trust, pages=False)
    assert found.verdict == "failed"
    told = " ".join(found.failures)
    assert "decision.json differs: findings." in told
    assert re.search(r"\.value: [\d.]+ became [\d.]+", told)


def test_an_attachment_edited_before_signing_contradicts_the_manifest(dossier, tmp_path):
    path = tmp_path / "edited.pdf"
    other = {"pd-c1.csv": b"time [min]\n0\n"}
    path.write_bytes(sealed.attached_anew(dossier.unsigned, other))
    found = verify(path, trust=dossier.trust, pages=False)
    assert any("does not have the digest of the manifest" in line for line in found.failures)


def test_pages_that_say_more_than_the_data_are_told_even_if_sealed(dossier, tmp_path):
    path = tmp_path / "page.pdf"
    path.write_bytes(sealed.appended(dossier.unsigned, sealed.add_annotation))
    keys = sealed.keys_in(dossier.keys["prepared"])
    with pytest.raises(CaseError, match="no seal that this program writes"):
        examine(path, "prepared", keys)
    other = tmp_path / "other.pdf"
    data = dossier.unsigned.replace(b"/Rotate", b"/Rotatf").replace(b"WeasyPrint", b"WeasyPrimt", 1)
    assert data != dossier.unsigned
    found = verified(other, data, dossier)
    same = "the words that can be read out are the same on every page"
    assert f"the pages are not those that the attached data give: {same}" in found.failures


@pytest.mark.slow
def test_no_single_byte_of_a_sealed_dossier_can_change(dossier):
    """150 random bytes, each to a random other value: 100 in the increments, 50 anywhere.

    What stands before the increments is under one digest, whichever byte of it changes.
    """
    draw, trust = random.Random(20261125), trust_of(dossier.trust)
    size, first = len(dossier.data), len(dossier.unsigned)
    places = [draw.randrange(size) for _ in range(50)]
    places += [draw.randrange(first, size) for _ in range(100)]
    accepted = []
    for place in places:
        mutant = bytearray(dossier.data)
        mutant[place] = (mutant[place] + draw.randrange(1, 256)) % 256
        if whole(bytes(mutant), trust):
            accepted.append(place)
    assert accepted == []


def whole(data, trust):
    """Return whether every seal of a file holds, whatever else may be found against it."""
    try:
        return all(seal.sound and seal.trusted for seal in read_seals(open_pdf(data), trust))
    except NotADossierError:
        return False


def test_no_byte_of_a_signature_itself_can_change(dossier):
    """Case of a hexadecimal digit, padding, envelope: outside of what any digest covers."""
    data, trust = dossier.data, trust_of(dossier.trust)
    assert whole(data, trust)
    start = data.rfind(b"/Contents <") + len(b"/Contents <")
    end = data.index(b">", start)
    letter = next(i for i in range(start + 3000, end) if chr(data[i]) in "ABCDEF")
    cases = [(letter, data[letter] | 0x20), (end - 1, ord("1")), (end - 2, ord(" "))]
    cases += [
        (start + k, ord("0") if data[start + k] != ord("0") else ord("1")) for k in range(0, 180, 3)
    ]
    for place, value in cases:
        mutant = bytearray(data)
        mutant[place] = value
        assert not whole(bytes(mutant), trust), place - start


def test_signatures_of_three_are_judged_within_a_second_and_a_half(dossier):
    start = time.process_time()
    seals = read_seals(open_pdf(dossier.data), trust_of(dossier.trust))
    assert time.process_time() - start < 1.5
    assert len(seals) == 3


def test_a_second_validator_agrees(dossier):
    done = subprocess.run(
        ["pdfsig", "-nocert", str(dossier.pdf)],
        capture_output=True, text=True, check=False, timeout=60,
    )  # fmt: skip
    assert done.stdout.count("Signature Validation: Signature is Valid.") == 3
    assert done.stdout.count("Total document signed") == 1


@pytest.mark.parametrize("packed", [False, True])
def test_an_attachment_that_a_case_may_hold_is_read(packed):
    """The PDF library reads 75 MB of a stream unless it is told otherwise."""
    size = 80 * 10**6
    assert size < MAX_FILE < MAX_ATTACHED
    writer = PdfWriter()
    writer.add_blank_page(10, 10)
    writer.add_attachment("case/photo.bin", bytes(size))
    for number, each in enumerate(writer._objects):
        if packed and isinstance(each, StreamObject) and len(each._data) == size:
            writer._objects[number] = each.flate_encode()
    out = BytesIO()
    writer.write(out)
    assert (len(out.getvalue()) < size) is packed
    assert len(open_pdf(out.getvalue()).files["case/photo.bin"]) == size


def test_names_of_folders_and_files_may_have_any_letters(tmp_path):
    """Written as bytes they would read as other letters: nothing attached would be as named."""
    short = sealed.short_case(tmp_path)
    folder = short.rename(short.parent / "Förderpumpen №1")
    text = (folder / "case.toml").read_text("utf-8")
    (folder / "case.toml").write_text(text.replace("records/pd-c1", "records/Prüfling 漢 (1)"))
    (folder / "records/pd-c1.csv").rename(folder / "records/Prüfling 漢 (1).csv")
    sealed.sign_all(folder)
    built = build(folder, tmp_path / "out")
    found = verify(built.pdf, pages=False)
    assert found.failures == ()
    assert found.recomputed.identical
    assert "Förderpumpen №1/records/Prüfling 漢 (1).csv" in open_pdf(built.pdf.read_bytes()).files


@pytest.mark.parametrize("name", ["a:b", "1/2/3/4/5/6/7/8", "x" * 200, "a\u202eb"])
def test_a_name_that_could_not_be_verified_is_refused_before_it_is_built(name, tmp_path):
    folder = sealed.short_case(tmp_path)
    text = (folder / "case.toml").read_text("utf-8")
    (folder / "case.toml").write_text(text.replace("records/pd-c1", f"records/{name}"), "utf-8")
    (folder / f"records/{name}.csv").parent.mkdir(parents=True, exist_ok=True)
    (folder / "records/pd-c1.csv").rename(folder / f"records/{name}.csv")
    with pytest.raises(CaseError, match="is no plain path") as error:
        read_case(folder)
    assert error.value.problems[0].file == f"polder-pumps/records/{name}.csv"
