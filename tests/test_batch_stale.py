"""A restart touches only what is not what it builds, believes nothing it finds, and keeps seals."""

import hashlib
import json
import os
import shutil
from dataclasses import dataclass
from datetime import date
from pathlib import Path

import pytest

from dossier import CaseError, build
from dossier.batch.run import build_many
from dossier.make.outcome import NONE, Order, build_one
from dossier.record.dossier_file import BUILT, SEALED, UP_TO_DATE, is_sealed, save_files
from tests.archive import sealed

INPUTS = Path(__file__).parents[1] / "inputs"
STEM = "LFQ-0412-r0"


@dataclass
class Place:
    """A case with its dossier, both to be spoilt at will, and what the case gives."""

    case: Path
    out: Path
    first: bytes
    document: bytes

    @property
    def pdf(self):
        return self.out / f"{STEM}.pdf"

    @property
    def json(self):
        return self.out / f"{STEM}.json"

    def build(self, **order):
        """Build as each process of a batch does."""
        return build_one(self.case, Order(out=self.out, only_stale=True, **order))

    def save(self, **order):
        """Save as a build of this very case does at its end."""
        return save_files(STEM, self.first, self.document, self.out, only_stale=True, **order).done

    def whole(self):
        return (self.pdf.read_bytes(), self.json.read_bytes()) == (self.first, self.document)


@pytest.fixture(scope="module")
def built(tmp_path_factory):
    """A dossier, and the same sealed once."""
    folder = tmp_path_factory.mktemp("built")
    case = sealed.short_case(folder / "inputs")
    made = build(case, folder / "out")
    shutil.copytree(folder / "out", folder / "sealed")
    sealed.seal_all(folder / "sealed" / made.pdf.name, sealed.identities(folder / "ids"), ROLE)
    return folder, made.pdf.read_bytes(), made.json.read_bytes()


ROLE = sealed.ROLES[:1]


def place_of(built, tmp_path, out):
    folder, *contents = built
    shutil.copytree(folder / "inputs", tmp_path / "inputs")
    shutil.copytree(folder / out, tmp_path / "out")
    return Place(tmp_path / "inputs" / "polder-pumps", tmp_path / "out", *contents)


@pytest.fixture
def place(built, tmp_path):
    return place_of(built, tmp_path, "out")


@pytest.fixture
def seal(built, tmp_path):
    return place_of(built, tmp_path, "sealed")


def test_what_is_built_and_lies_there_is_not_touched(place):
    before = [path.stat().st_mtime_ns for path in (place.pdf, place.json)]
    (told,) = build_many([place.case], Order(out=place.out, only_stale=True))
    assert (told.done, told.decision, told.line) == (UP_TO_DATE, "approved", "decision: approved")
    assert (told.code, told.files, told.name) == (0, (place.pdf, place.json), STEM)
    assert before == [path.stat().st_mtime_ns for path in (place.pdf, place.json)]


def flip(path, at):
    data = path.read_bytes()
    path.write_bytes(sealed.flipped(data, int(at * len(data))))


SPOILT = {
    "no PDF": lambda p: p.pdf.unlink(),
    "half a PDF": lambda p: p.pdf.write_bytes(p.first[: len(p.first) // 2]),
    "an empty PDF": lambda p: p.pdf.write_bytes(b""),
    "all but the last byte": lambda p: p.pdf.write_bytes(p.first[:-1]),
    "a byte more": lambda p: p.pdf.write_bytes(p.first + b"\n"),
    "one bit early": lambda p: flip(p.pdf, 0.01),
    "one bit in the middle": lambda p: flip(p.pdf, 0.5),
    "an annotation added": lambda p: p.pdf.write_bytes(
        sealed.appended(p.first, sealed.add_annotation)
    ),
    "no JSON": lambda p: p.json.unlink(),
    "another JSON": lambda p: p.json.write_bytes(p.document + b" "),
    "PDF and JSON swapped": lambda p: (p.pdf.write_bytes(p.document), p.json.write_bytes(p.first)),
}


@pytest.mark.parametrize("spoil", SPOILT.values(), ids=SPOILT)
def test_whatever_is_spoilt_is_written_anew(place, spoil):
    spoil(place)
    assert place.save() == BUILT
    assert place.whole()
    assert place.save() == UP_TO_DATE


def forge(place):
    """Lay a dossier there that says another thing, with every digest and note made to fit it."""
    other = json.loads(place.document) | {"decision": "not approved", "standing": "not approved"}
    document = json.dumps(other, sort_keys=True, indent=2, ensure_ascii=False).encode() + b"\n"
    pdf = sealed.appended(place.first, sealed.replacing({"decision.json": document}))
    place.pdf.write_bytes(pdf)
    place.json.write_bytes(document)
    notes = place.out / ".built"
    notes.mkdir()
    fits = {"json": sha256(document), "pdf": sha256(pdf), "program": "0" * 64}
    (notes / f"{STEM}.json").write_text(json.dumps(fits))


def sha256(content):
    return hashlib.sha256(content).hexdigest()


def test_a_forged_dossier_with_its_notes_gives_way_to_what_the_case_gives(place):
    forge(place)
    told = place.build()
    assert (told.done, told.decision) == (BUILT, "approved")
    assert place.whole()


def test_files_of_another_case_or_another_day_are_not_taken_for_its_own(place):
    """Whole and honest, but of another case under this one's name, or of this one before."""
    second = place.case.rename(place.case.with_name("second"))
    text = (second / "case.toml").read_text().replace('"LFQ-0412"', '"LFQ-0413"')
    (second / "case.toml").write_text(text)
    place.case = second
    (place.out / "LFQ-0413-r0.pdf").write_bytes(place.first)
    (place.out / "LFQ-0413-r0.json").write_bytes(place.document)
    told = place.build(issued=date(2026, 6, 1))
    assert told.done == BUILT
    assert told.standing == "draft"  # its sign-offs were given for the other number
    assert json.loads(told.files[1].read_bytes())["case"]["number"] == "LFQ-0413"
    assert place.whole()


def test_a_case_with_problems_tells_them_and_leaves_what_is_there(place):
    (place.case / "records" / "pd-c1.csv").unlink()
    told = place.build()
    assert (told.code, told.done, told.count) == (2, NONE, 1)
    assert place.whole()


def test_a_sealed_dossier_is_left_alone_where_it_begins_with_what_is_built(seal):
    before = seal.pdf.read_bytes()
    told = seal.build()
    assert (told.done, told.decision) == (SEALED, "approved")
    assert seal.save(replace=True) == SEALED
    seal.json.unlink()
    assert seal.save() == SEALED
    assert (seal.pdf.read_bytes(), seal.json.read_bytes()) == (before, seal.document)


def test_nothing_builds_over_a_seal_unless_it_is_told_to(seal):
    before = seal.pdf.read_bytes()
    with pytest.raises(CaseError, match="take its digital signatures away"):
        build(seal.case, seal.out)
    with (seal.case / "case.toml").open("a") as file:
        file.write("# seen\n")
    told = seal.build()
    assert told.code == 2
    assert "is sealed, and it is not what the case gives now" in str(told.problems)
    assert seal.pdf.read_bytes() == before
    assert seal.build(replace=True).done == BUILT
    assert not is_sealed(seal.pdf)


DAMAGE = {
    "its end is gone": lambda data: data[:-20],
    "half of its seal is gone": lambda data: data[: data.rindex(b"/ByteRange") + 500],
    "a bit was changed in the pages": lambda data: sealed.flipped(data, len(data) // 3),
    "a bit was changed in the seal": lambda data: sealed.flipped(
        data, data.rindex(b"/Contents <") + 5000
    ),
    "something was added behind it": lambda data: sealed.appended(data, sealed.add_annotation),
}


@pytest.mark.parametrize("damage", DAMAGE.values(), ids=DAMAGE)
def test_a_damaged_seal_is_neither_up_to_date_nor_built_over(seal, damage):
    damaged = damage(seal.pdf.read_bytes())
    seal.pdf.write_bytes(damaged)
    with pytest.raises(CaseError, match="is sealed"):
        seal.save()
    assert seal.pdf.read_bytes() == damaged
    with pytest.raises(CaseError, match="take its digital signatures away"):
        build(seal.case, seal.out)


def test_the_decision_told_is_the_one_just_made(place):
    """The dossier that lies there approves; the case, changed since, no longer does."""
    text = (place.case / "application.toml").read_text()
    (place.case / "application.toml").write_text(text.replace('max = "32 kPa"', 'max = "3 kPa"'))
    told = place.build()
    assert (told.done, told.decision) == (BUILT, "not approved")


def test_a_pipe_in_the_place_of_a_dossier_is_named_and_not_waited_for(tmp_path):
    os.mkfifo(tmp_path / "A-r0.pdf")
    for only_stale in (True, False):
        with pytest.raises(CaseError, match="is a pipe"):
            save_files("A-r0", b"%PDF-", b"{}", tmp_path, only_stale=only_stale)
