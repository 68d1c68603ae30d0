"""A restart leaves alone what is up to date; in every doubt it builds, and never over a seal."""

import json
import shutil
from dataclasses import dataclass
from datetime import date
from pathlib import Path

import pytest

from dossier import CaseError, build
from dossier.archive import found, record
from dossier.archive.files import NOTES, is_sealed, note_of
from dossier.batch import build_many
from dossier.batch_order import Order, left_alone
from dossier.batch_outcome import NONE, SEALED, UP_TO_DATE
from tests.archive import sealed

INPUTS = Path(__file__).parents[1] / "inputs"
STEM = "LFQ-0412-r0"


@dataclass
class Place:
    """A case with its dossier, both to be spoilt at will."""

    case: Path
    out: Path

    @property
    def pdf(self):
        return self.out / f"{STEM}.pdf"

    @property
    def json(self):
        return self.out / f"{STEM}.json"

    @property
    def note(self):
        return self.out / NOTES / f"{STEM}.json"

    def left(self, **order):
        return left_alone(self.case, Order(out=self.out, only_stale=True, **order))


@pytest.fixture(scope="module")
def built(tmp_path_factory):
    folder = tmp_path_factory.mktemp("built")
    shutil.copytree(INPUTS / "polder-pumps", folder / "inputs" / "polder-pumps")
    build(folder / "inputs" / "polder-pumps", folder / "out")
    return folder


@pytest.fixture
def place(built, tmp_path):
    shutil.copytree(built, tmp_path, dirs_exist_ok=True)
    return Place(tmp_path / "inputs" / "polder-pumps", tmp_path / "out")


def test_what_is_up_to_date_is_left_alone_and_reads_as_it_was_built(place):
    before = {path: path.read_bytes() for path in (place.pdf, place.json, place.note)}
    outcome = place.left()
    assert outcome.done == UP_TO_DATE
    assert (outcome.decision, outcome.line) == ("approved", "decision: approved")
    assert (outcome.code, outcome.files) == (0, (place.pdf, place.json))
    (again,) = build_many([place.case], Order(out=place.out, only_stale=True))
    assert (again.done, again.name) == (UP_TO_DATE, STEM)
    assert before == {path: path.read_bytes() for path in before}


def append(path, text):
    with path.open("a") as file:
        file.write(text)


def flip(path, at):
    data = path.read_bytes()
    path.write_bytes(sealed.flipped(data, int(at * len(data))))


def record_file(place):
    return next((place.case / "records").glob("*.csv"))


SPOILT = {
    "no PDF": lambda p: p.pdf.unlink(),
    "half a PDF": lambda p: p.pdf.write_bytes(p.pdf.read_bytes()[: p.pdf.stat().st_size // 2]),
    "an empty PDF": lambda p: p.pdf.write_bytes(b""),
    "all but the last byte": lambda p: p.pdf.write_bytes(p.pdf.read_bytes()[:-1]),
    "one bit early": lambda p: flip(p.pdf, 0.01),
    "one bit in the middle": lambda p: flip(p.pdf, 0.5),
    "one bit late": lambda p: flip(p.pdf, 0.99),
    "an annotation added": lambda p: p.pdf.write_bytes(
        sealed.appended(p.pdf.read_bytes(), sealed.add_annotation)
    ),
    "no JSON": lambda p: p.json.unlink(),
    "another JSON": lambda p: p.json.write_text(p.json.read_text().replace("not ", "", 1) + " "),
    "no note": lambda p: p.note.unlink(),
    "a note of no kind": lambda p: p.note.write_text("[]"),
    "half a note": lambda p: p.note.write_text(p.note.read_text()[:50]),
    "a note of another program": lambda p: p.note.write_text(
        json.dumps(json.loads(p.note.read_text()) | {"program": "0" * 64})
    ),
    "a comment in case.toml": lambda p: append(p.case / "case.toml", "# seen\n"),
    "a comment in application.toml": lambda p: append(p.case / "application.toml", "# seen\n"),
    "a space in a record": lambda p: append(record_file(p), "\n"),
    "no sign-offs": lambda p: (p.case / "signoff.toml").unlink(),
    "a comment among the sign-offs": lambda p: append(p.case / "signoff.toml", "# seen\n"),
}


@pytest.mark.parametrize("spoil", SPOILT.values(), ids=SPOILT)
def test_whatever_is_spoilt_or_changed_is_built(place, spoil):
    spoil(place)
    assert place.left() is None


def test_another_date_of_issue_is_built(place):
    stated = date.fromisoformat(json.loads(place.json.read_text())["case"]["issued"])
    assert place.left(issued=stated).done == UP_TO_DATE
    assert place.left(issued=date(2030, 1, 1)) is None


def test_house_templates_that_came_are_built(place, tmp_path):
    house = tmp_path / "house"
    house.mkdir()
    (house / "house.toml").write_text('name = "Invented works"\n')
    assert place.left(house=house) is None


def test_another_version_of_a_library_is_built(place, monkeypatch):
    versions = record.versions()
    monkeypatch.setattr(record, "versions", lambda: versions | {"numpy": "0.1"})
    assert place.left() is None


def test_the_note_alone_is_not_enough(place, tmp_path):
    """The note fits the files, byte by byte, but they were made from other inputs."""
    append(place.case / "case.toml", "# seen\n")
    note = note_of(place.pdf.read_bytes(), place.json.read_bytes())
    assert json.loads(place.note.read_text()) == note
    assert place.left() is None


def test_a_case_folder_of_another_name_is_built(place):
    place.case = place.case.rename(place.case.with_name("other"))
    assert place.left() is None


def test_a_case_with_problems_is_built_to_tell_them(place):
    record_file(place).unlink()
    assert place.left() is None
    (told,) = build_many([place.case], Order(out=place.out, only_stale=True))
    assert (told.code, told.done, told.count) == (2, NONE, 1)


def test_a_restart_builds_what_was_spoilt_and_no_more(place):
    shutil.copytree(place.case, place.case.with_name("second"))
    second = place.case.with_name("second")
    text = (second / "case.toml").read_text().replace('"LFQ-0412"', '"LFQ-0001"')
    (second / "case.toml").write_text(text)
    order = Order(out=place.out, only_stale=True)
    done = [each.done for each in build_many([place.case, second], order)]
    assert done == [UP_TO_DATE, "built"]
    whole = place.pdf.read_bytes()
    place.pdf.write_bytes(whole[:1000])
    done = [each.done for each in build_many([place.case, second], order)]
    assert done == ["built", UP_TO_DATE]
    assert place.pdf.read_bytes() == whole


@pytest.fixture(scope="module")
def with_seals(tmp_path_factory):
    folder = tmp_path_factory.mktemp("sealed")
    case = sealed.case_copy(folder / "inputs")
    made = build(case, folder / "out")
    keys = sealed.identities(folder / "ids")
    sealed.seal_all(made.pdf, keys, sealed.ROLES[:1])
    return folder


@pytest.fixture
def seal(with_seals, tmp_path):
    shutil.copytree(with_seals, tmp_path, dirs_exist_ok=True)
    return Place(tmp_path / "inputs" / "polder-pumps", tmp_path / "out")


def test_a_sealed_dossier_that_is_up_to_date_is_left_alone(seal):
    assert is_sealed(seal.pdf)
    assert seal.left().done == SEALED
    assert seal.left(replace=True).done == SEALED


def test_nothing_builds_over_a_seal_unless_it_is_told_to(seal):
    before = seal.pdf.read_bytes()
    with pytest.raises(CaseError, match="take its digital signatures away"):
        build(seal.case, seal.out)
    append(seal.case / "case.toml", "# seen\n")
    refused = seal.left()
    assert refused.code == 2
    assert "is sealed, but not up to date (polder-pumps/case.toml is another)" in str(refused)
    assert seal.pdf.read_bytes() == before
    assert seal.left(replace=True) is None
    build(seal.case, seal.out, replace=True)
    assert not is_sealed(seal.pdf)


def cut_behind_the_signature(data):
    return data[: data.rindex(b"/ByteRange") + 500]


DAMAGE = {
    "its end is gone": lambda data: data[:-20],
    "half of its seal is gone": cut_behind_the_signature,
    "a bit was changed": lambda data: sealed.flipped(data, len(data) // 3),
}


@pytest.mark.parametrize("damage", DAMAGE.values(), ids=DAMAGE)
def test_a_damaged_seal_is_neither_up_to_date_nor_built_over(seal, damage):
    seal.pdf.write_bytes(damage(seal.pdf.read_bytes()))
    (told,) = build_many([seal.case], Order(out=seal.out, only_stale=True))
    assert told.code == 2
    assert "sealed" in str(told.problems)
    with pytest.raises(CaseError, match="take its digital signatures away"):
        build(seal.case, seal.out)


def test_what_is_found_out_never_trusts_a_forged_decision(seal, monkeypatch):
    monkeypatch.setattr(found, "_other", lambda *_: "")
    monkeypatch.setattr(found.json, "loads", lambda _: {"decision": "approved"})
    assert seal.left() is None
