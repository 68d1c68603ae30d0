"""What must fit together in the case files, each fault by its words."""

import re
import shutil
from pathlib import Path

import pytest

from dossier import CaseError, read_case
from dossier.case.consistency import _of_others
from tests.spelled import INPUTS

FAULTS = [
    ('specimen = "C2"', 'specimen = "C1"', "'C1' has a multipass record already, 'MP-C1'"),
    ('file = "records/mp-c2.csv"', 'file = "records/mp-c1.csv"', "as in record 'MP-C1'"),
    ("issued = 2026-03-30", "issued = 2026-02-01", "before the last test"),
    ('reading_u = "0.3 K"', 'reading_u = "0.5 %"', "'0.5 %' of a temperature"),
    ('reading_u = "0.5 %"', 'reading_u = "3 kg"', "not a unit of flow"),
    ('id = "APC-22"', 'id = "APC-21"', "instrument 'APC-21': occurs 2 times"),
    ('["C1", "C2", "C3"]', '["C1", "C2", "C2"]', "specimen 'C2': occurs 2 times"),
    ('"records/mp-c2.csv"', '"records/R1.csv"', "has by name the readings of 'R1'"),
    ('"records/mp-c2.csv"', '"records/run 2_r1.csv"', "has by name the readings of 'R1'"),
    ('name = "Invented Test House"', 'name = "n/a"', "'n/a' names no laboratory"),
    ('name = "Invented Test House"', 'name = "- _"', "'- _' names no laboratory"),
    ('laboratory = "ITH"', 'laboratory = "XYZ"', "'XYZ' is not defined"),
    ('lots = ["lot 24-118"]', 'lots = ["Los Nr. 25/311"]', "'25311' is the candidate's too"),
    ("due = 2026-12-07", "due = 2025-12-07", "due before it was calibrated"),
    ('record = "MP-C1"', 'record = "MP-X"', "names record 'MP-X', which does not exist"),
    ('value = "15 mm2/s"', 'value = "1 mm2/s"', "kv40 must be larger than kv100"),
]


@pytest.mark.parametrize(("old", "new", "words"), FAULTS)
def test_the_fault_is_named(old, new, words, tmp_path):
    case = Path(shutil.copytree(INPUTS / "polder-pumps", tmp_path / "case"))
    text = (case / "case.toml").read_text()
    assert old in text
    (case / "case.toml").write_text(text.replace(old, new, 1))
    with pytest.raises(CaseError) as caught:
        read_case(case)
    assert any(words in str(problem) for problem in caught.value.problems), caught.value


def test_a_file_of_several_specimens_is_that_of_each(tmp_path):
    case = Path(shutil.copytree(INPUTS / "polder-pumps", tmp_path / "case"))
    for name in ("records/mp c1-c3.csv", "records/r-21 mp.csv"):
        text = (case / "case.toml").read_text()
        old = re.search(r'"MP-C2"(?:.|\n)*?file = "(.*)"', text)[1]
        (case / old).rename(case / name)
        (case / "case.toml").write_text(text.replace(f'"{old}"', f'"{name}"'))
        read_case(case)


@pytest.mark.parametrize(
    ("file", "other"),
    [("records/a.csv#C2:L", False), ("records/a.csv#C2", False), ("records/a.xlsx#C2!A1", True)],
)
def test_cells_are_no_name_of_a_specimen_and_a_sheet_is(file, other):
    asked = read_case(INPUTS / "polder-pumps").qualification
    first, *more = asked.record
    moved = asked.model_copy(update={"record": (first.model_copy(update={"file": file}), *more)})
    assert first.specimen == "C1"
    assert bool(list(_of_others(moved))) is other


def test_all_faults_are_named_at_once(tmp_path):
    case = Path(shutil.copytree(INPUTS / "polder-pumps", tmp_path / "case"))
    text = (case / "case.toml").read_text()
    consistent = [f for f in FAULTS if f[2].startswith(("'C1'", "as in", "before", "'XYZ'"))]
    for old, new, _ in consistent:
        text = text.replace(old, new, 1)
    (case / "case.toml").write_text(text)
    with pytest.raises(CaseError) as caught:
        read_case(case)
    said = str(caught.value)
    assert all(words in said for _, _, words in consistent)


def test_two_files_with_the_same_bytes_are_refused(tmp_path):
    case = Path(shutil.copytree(INPUTS / "polder-pumps", tmp_path / "case"))
    shutil.copy(case / "records" / "mp-c1.csv", case / "records" / "mp-c2.csv")
    with pytest.raises(CaseError, match="holds the same bytes"):
        read_case(case)


def test_the_same_readings_in_another_file_are_refused(tmp_path):
    case = Path(shutil.copytree(INPUTS / "polder-pumps", tmp_path / "case"))
    copied = (case / "records" / "mp-c1.csv").read_text().replace("\n", "\n# copied by hand\n", 1)
    (case / "records" / "mp-c2.csv").write_text(copied)
    with pytest.raises(CaseError, match="holds the same readings as record 'MP-C1'"):
        read_case(case)


def test_records_that_share_the_first_and_last_readings_alone_are_two(tmp_path):
    case = Path(shutil.copytree(INPUTS / "polder-pumps", tmp_path / "case"))
    rows = (case / "records" / "mp-c1.csv").read_text().splitlines()
    for place in range(5, len(rows) - 1):
        cells = rows[place].split(",")
        if not rows[place].startswith("#"):
            moved = [f"{float(each or 30) + 0.01:.2f}" for each in cells[1:4]]
            rows[place] = ",".join([cells[0], *moved, *cells[4:]])
    (case / "records" / "mp-c2.csv").write_text("\n".join(rows) + "\n")
    assert len(read_case(case).records) == 13


@pytest.mark.parametrize(
    ("number", "maker", "change", "refused"),
    [
        ("fit 0412", "Present maker (invented)", "", True), ("FIT-0412", "Another", "", False),
        ("FIT-0412", "Present maker (invented)", "glue", False),
        ("FIT-0412", "Present maker (invented)", "lot", True),
        ("FIT-0412-A", "Present maker (invented)", "", False),
    ],
)  # fmt: skip
def test_the_candidate_is_not_the_filter_now_fitted(number, maker, change, refused, tmp_path):
    case = Path(shutil.copytree(INPUTS / "polder-pumps", tmp_path / "case"))
    text = (case / "case.toml").read_text()
    text = text.replace("CAN-0412-A", number).replace("Candidate maker (invented)", maker)
    if change:
        text += f'\n[change]\nwhat = ["{change}"]\ntext = "Another glue, as the maker wrote."\n'
    (case / "case.toml").write_text(text)
    try:
        read_case(case)
        said = ""
    except CaseError as error:
        said = str(error)
    assert ("is the filter now fitted as well" in said) is refused


def test_one_laboratory_is_not_two(tmp_path):
    """By what laboratories differ by, its results would be those of two."""
    case = Path(shutil.copytree(INPUTS / "canal-locks", tmp_path / "case"))
    text = (case / "case.toml").read_text()
    for name, refused in (("invented test  house", True), ("Invented Test House, North", False)):
        (case / "case.toml").write_text(text.replace("North Test House (invented)", name))
        if refused:
            with pytest.raises(CaseError, match="is the name of laboratory 'NTH' as well"):
                read_case(case)
        else:
            assert len(read_case(case).qualification.laboratory) == 3
