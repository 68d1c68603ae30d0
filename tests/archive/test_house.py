"""Pages in the style of a house are built again from what is attached, and compared."""

import json
import shutil
from pathlib import Path

import pytest

from dossier import CaseError, build, verify
from dossier.archive.pdf_file import open_pdf
from dossier.archive.recompute import recompute
from dossier.report.house import ATTACHED, attached_house, read_house

INPUTS = Path(__file__).parents[2] / "inputs"
SHAPES = (
    '<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 60 20" width="60" height="20">'
    '<circle cx="10" cy="10" r="8" fill="#0072b2"/></svg>'
)
FILES = {
    "house.css": "h1 { color: #003366; }\n",
    "logo.svg": SHAPES,
    "house.toml": 'name = "Invented works"\nlogo = "logo.svg"\n[[caution]]\n'
    'title = "House rule"\ntext = "Two people sign the work card."\n',
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
def built(folder, tmp_path_factory):
    return build(INPUTS / "polder-pumps", tmp_path_factory.mktemp("out"), house=folder).pdf


def test_a_dossier_in_the_style_of_a_house_is_built_again_to_the_byte(built, folder):
    files = open_pdf(built.read_bytes()).files
    own = {name: content for name, content in files.items() if name.startswith(ATTACHED)}
    assert {name: each.decode() for name, each in own.items()} == {
        f"{ATTACHED}{name}": text for name, text in FILES.items()
    }
    assert attached_house("works house", files).digest == read_house(folder).digest
    found = verify(built)
    assert found.failures == ()
    assert found.recomputed.identical
    assert found.recomputed.pages == "identical"


def test_other_templates_than_those_of_the_manifest_are_told(built):
    data = built.read_bytes()
    files = dict(open_pdf(data).files)
    files[f"{ATTACHED}house.css"] = b"h1 { color: #003367; }\n"
    again = recompute(data, files, "polder-pumps", pages=True)
    assert again.pages.startswith("made with house templates ")


def test_templates_that_take_the_decision_away_are_not_rendered(built):
    data = built.read_bytes()
    files = dict(open_pdf(data).files)
    files[f"{ATTACHED}house.css"] = b".answer { display: none; }\n"
    manifest = json.loads(files["manifest.json"])
    house = attached_house("works house", files)
    manifest["layout"]["house templates"] = house.digest
    files["manifest.json"] = json.dumps(manifest).encode()
    again = recompute(data, files, "polder-pumps", pages=True)
    assert again.pages.startswith("not rebuilt: house works house")
    assert "page one lacks" in again.pages


def test_templates_that_cannot_be_read_are_told(built):
    data = built.read_bytes()
    files = dict(open_pdf(data).files)
    files[f"{ATTACHED}house.toml"] = b"name = \n"
    again = recompute(data, files, "polder-pumps", pages=True)
    assert again.identical
    assert again.pages.startswith("not rebuilt: works house/house.toml")
    files |= {f"{ATTACHED}{number}.html": b"" for number in range(100)}
    again = recompute(data, files, "polder-pumps", pages=True)
    assert "more or larger files than a house may have" in again.pages


def test_inputs_under_the_name_of_the_templates_are_refused(folder, tmp_path):
    case = Path(shutil.copytree(INPUTS / "polder-pumps", tmp_path / ATTACHED.rstrip("/")))
    with pytest.raises(CaseError, match="is kept for house templates"):
        build(case, tmp_path / "out", house=folder)
    plain = build(case, tmp_path / "out").pdf
    assert verify(plain).recomputed.pages == "identical"
