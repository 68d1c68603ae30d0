"""The words of a house are bound into sign-offs, and believed only where its digest is trusted."""

import json
import shutil
from dataclasses import replace

import pytest

from dossier import CaseError, build, verify
from dossier.case.attached import open_pdf
from dossier.make.recompute import recompute
from dossier.record.dossier_file import dossier_in
from dossier.report.house.house import ATTACHED, attached_house, read_house
from tests.archive import sealed

FILES = {
    "house.toml": 'name = "Invented works"\n[[caution]]\n'
    'title = "House rule"\ntext = "Two people sign the work card."\n'
    '[[section]]\ntitle = "Work card"\nfile = "card.html"\n',
    "card.html": "<p>Two people sign.</p>",
}


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    made = tmp_path_factory.mktemp("style") / "works house"
    made.mkdir()
    for name, text in FILES.items():
        (made / name).write_text(text, encoding="utf-8")
    (made / "notes.md").write_text("not read, not attached")
    return made


@pytest.fixture(scope="module")
def styled(folder, tmp_path_factory):
    """A dossier that names a house, signed off and sealed three times; and its authority."""
    target = tmp_path_factory.mktemp("sealed")
    case = sealed.short_case(target)
    shutil.copytree(folder, target / "works house")
    (case / "case.toml").write_text('house = "../works house"\n' + (case / "case.toml").read_text())
    sealed.sign_all(case)
    pdf = build(case, target / "out").pdf
    sealed.seal_all(pdf, sealed.identities(target / "ids"))
    return pdf, (target / "ids" / "test-authority.pem").read_bytes()


@pytest.fixture(scope="module")
def built(folder, tmp_path_factory):
    target = tmp_path_factory.mktemp("built")
    return build(sealed.short_case(target), target / "out", house=folder).pdf


def test_a_house_is_proven_only_where_its_digest_is_trusted_and_the_seals_hold(styled, folder):
    pdf, authority = styled
    digest = read_house(folder).digest
    trusted = verify(pdf, trust=[authority], trust_house=[digest.upper()])
    assert trusted.verdict == "verified, by TEST identities, which prove nothing", (
        trusted.failures,
        trusted.gaps,
    )
    assert trusted.recomputed.pages == "identical"
    assert trusted.recomputed.house_digest == digest
    for given in ((), ["0" * 64], ["works house"], [digest[:63]]):
        found = verify(pdf, trust=[authority], trust_house=given)
        assert found.verdict == "not proven"
        assert any(digest in line for line in found.gaps)
        assert found.recomputed.pages.startswith("not rebuilt: a house is read only")
    unvouched = verify(pdf, trust_house=[digest])
    assert unvouched.verdict == "not proven"
    assert unvouched.recomputed.pages.startswith("not rebuilt: a house is read only")


def test_files_of_a_house_are_not_read_before_it_is_trusted(styled, monkeypatch):
    def forbidden(*_):
        raise AssertionError("the files of the house were read")

    monkeypatch.setattr("dossier.make.recompute.attached_house", forbidden)
    pdf, authority = styled
    assert verify(pdf, trust=[authority]).recomputed.identical


def test_a_dossier_names_its_house_by_the_digest_of_its_files(built, folder):
    files = open_pdf(built.read_bytes()).files
    own = {name: content for name, content in files.items() if name.startswith(ATTACHED)}
    assert {name: each.decode() for name, each in own.items()} == {
        f"{ATTACHED}{name}": text for name, text in FILES.items()
    }
    assert attached_house("works house", files).digest == read_house(folder).digest
    found = verify(built, trust_house=[read_house(folder).digest])
    assert found.failures == ()
    assert found.recomputed.identical
    assert found.recomputed.pages.startswith("not rebuilt")  # no seal vouches for it


def again(built, files, *, trusted=True):
    dossier = dossier_in(replace(open_pdf(built.read_bytes()), files=files))
    return recompute(dossier, pages=True, house_taken=lambda _: trusted)


def test_other_files_of_a_house_than_those_that_were_signed_are_told(built):
    files = dict(open_pdf(built.read_bytes()).files)
    files[f"{ATTACHED}card.html"] = b"<p>One person signs.</p>"
    found = again(built, files)
    assert found.pages.startswith("made with house files ")
    assert any(line.startswith("house: ") for line in found.moved)


def test_a_house_that_the_manifest_conceals_is_told(built):
    files = dict(open_pdf(built.read_bytes()).files)
    manifest = json.loads(files["manifest.json"])
    del manifest["layout"]["house folder"], manifest["layout"]["house files"]
    files["manifest.json"] = json.dumps(manifest).encode()
    found = again(built, files)
    assert any(line.startswith("house: ") for line in found.moved)
    assert found.pages == "different"


def test_files_of_a_house_that_cannot_be_read_are_told(built):
    files = dict(open_pdf(built.read_bytes()).files)
    files[f"{ATTACHED}house.toml"] = b"name = \n"
    found = again(built, files)
    assert found.pages.startswith("not rebuilt: works house/house.toml")
    files |= {f"{ATTACHED}{number}.html": b"" for number in range(100)}
    assert "more or larger files than a house may have" in again(built, files).pages


def test_inputs_under_the_name_of_the_files_of_a_house_are_refused(folder, tmp_path):
    case = sealed.short_case(tmp_path).rename(tmp_path / ATTACHED.rstrip("/"))
    with pytest.raises(CaseError, match="is kept for the files of a house"):
        build(case, tmp_path / "out", house=folder)
    plain = build(case, tmp_path / "out").pdf
    assert verify(plain).recomputed.pages == "identical"
