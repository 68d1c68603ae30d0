"""`dossier choose`: two pages that approve nothing, and what may not stand side by side."""

import json
import shutil
from datetime import date
from io import BytesIO
from types import SimpleNamespace

import pytest
from pypdf import PdfReader

from dossier.case.problems import CaseError
from dossier.decision.choice import Difference
from dossier.make import choose
from dossier.make.choose import _row, write_choice
from dossier.make.read import read_case
from dossier.record.recall import FILE, Recall
from tests.archive.sealed import run
from tests.small_case import record, requirement, write

TODAY = date(2026, 6, 1)


def burst(folder, number, values, **more):
    """Write a small case of one candidate, whose specimens burst at `values` [kPa]."""
    rows = "".join(f"S{n},{value}\n" for n, value in enumerate(values, 1))
    table = f"specimen,burst pressure [kPa]\n{rows}"
    asked = [
        requirement("burst_pressure", "U1", basis="mean", min="1000 kPa"),
        requirement("burst_pressure", "U2", min="900 kPa"),
    ]
    made = record("B-1", "measurement", table, instruments=["PG"], standard="ISO 4548-6:2021")
    write(folder, [made], asked, **more)
    return edited(folder, "case.toml", ("SMALL-1", number), ("CAN-1", f"CAN-{number}"))


def edited(folder, name, *pairs):
    text = (folder / name).read_text("utf-8")
    for old, new in pairs:
        assert old in text
        text = text.replace(old, new)
    (folder / name).write_text(text, "utf-8")
    return folder


@pytest.fixture(scope="module")
def cases(tmp_path_factory):
    inputs = tmp_path_factory.mktemp("inputs")
    return [
        burst(inputs / "one", "N-1", (2100, 2140, 2080)),
        burst(inputs / "two", "N-2", (1700, 1740, 1690)),
    ]


@pytest.fixture(scope="module")
def chosen(cases, tmp_path_factory):
    return write_choice(cases, tmp_path_factory.mktemp("out"), TODAY)


@pytest.fixture
def again(cases, tmp_path):
    """A copy of the cases, to be edited."""
    for case in cases:
        shutil.copytree(case, tmp_path / case.name)
    return [tmp_path / case.name for case in cases]


def told(folders, tmp_path):
    with pytest.raises(CaseError) as raised:
        write_choice(folders, tmp_path / "out", TODAY)
    assert not (tmp_path / "out").exists()
    return [str(problem) for problem in raised.value.problems]


def test_the_pages_say_what_they_are_and_carry_their_numbers(cases, chosen, tmp_path):
    data = chosen.pdf.read_bytes()
    pages = PdfReader(BytesIO(data))
    words = [" ".join(page.extract_text().split()) for page in pages.pages]
    assert len(words) <= 2
    assert "A help to choosing, no approval" in words[0]
    assert "Each decision counts only by its own dossier" in words[0]
    assert words[0].count("Would qualify DRAFT") == 2
    assert "II − I" in words[-1]
    assert f"Made on {TODAY}, with dossier" in words[0]
    assert "local rules stand above these pages" in words[-1]
    (document,) = pages.attachments["choice.json"]
    assert document == chosen.json.read_bytes()
    assert write_choice(cases, tmp_path, TODAY).pdf.read_bytes() == data
    metadata = pages.root_object["/Metadata"].get_object().get_data()
    assert b"<pdfuaid:part>1</pdfuaid:part>" in metadata
    assert b"<pdfaid:part>3</pdfaid:part>" in metadata or b'pdfaid:part="3"' in metadata


def test_choice_json_holds_the_decisions_and_the_digests_of_their_inputs(cases, chosen):
    document = json.loads(chosen.json.read_bytes())
    assert document["approves"] is False
    for case, decided in zip(cases, document["candidates"], strict=True):
        assert decided["inputs"] == {f.name: f.sha256 for f in read_case(case).inputs}
        assert decided["standing"] == "draft"
    (row,) = document["pairs"][0]["differences"]
    # Means of the values above; one gauge of 8.6 kPa for both, whose error cancels, so that three
    # specimens each are left: s = 30.55 and 26.46 kPa, u = 23.3 kPa, by t some 65 kPa or less.
    assert row["requirements"] == ["U1", "U2"]
    assert row["value"] == pytest.approx(1710 - 2106.6666667)
    assert 55 < (row["high"] - row["low"]) / 2 < 80
    assert row["told apart"] is True


@pytest.mark.parametrize(
    ("number", "end"), [(1, "c0"), (4, "c0; c1; c2; c3"), (6, "c0; c1; c2; c3; and 2 more")]
)
def test_of_many_differences_of_what_is_asked_four_are_told_and_the_others_counted(
    number, end, monkeypatch
):
    changes = [f"c{n}" for n in range(number)]
    monkeypatch.setattr(choose, "_asked", lambda _: {})
    monkeypatch.setattr(choose, "field_changes", lambda *_: changes)
    monkeypatch.setattr(choose, "said", str)
    qualification = SimpleNamespace(application="application.toml", reference=None)
    case = SimpleNamespace(name="I", qualification=qualification,
                           application=SimpleNamespace(requirement=()))  # fmt: skip
    (problem,) = choose._between(case, case)
    assert problem.what.endswith(f"(numbers in SI units): {end}")


def test_a_difference_that_is_not_shown_says_why():
    demand = SimpleNamespace(quantity=SimpleNamespace(name="burst_pressure"), at_text="")
    for own, other in ((None, None), (object(), None), (None, object())):
        row = _row(Difference(
            demand=demand, requirements=("U1",), own=own, other=other, why="other methods"
        ))  # fmt: skip
        assert row == {
            "quantity": "burst_pressure", "at": "", "requirements": ("U1",),
            "not shown": "other methods",
        }  # fmt: skip


def test_nobody_chooses_by_what_is_recalled(cases, tmp_path):
    path = tmp_path / FILE.format(number=1)
    for kind, value, words in (
        ("dossier", "N-2", "recall 1 (dossier N-2)"), ("instrument", "PG", "what is recalled: B-1"),
        ("instrument", "PG-2", ""),
    ):  # fmt: skip
        recall = Recall(number=1, kind=kind, value=value, reason="A gauge stuck.", day=TODAY)
        path.write_text(recall.model_dump_json(by_alias=True))
        done = run("choose", *cases, "--out", tmp_path)
        assert done.returncode == (2 if words else 0)
        assert words in done.stderr
    path.write_text("{}")
    assert "recall-0001.json: cannot be read" in run("choose", *cases, "--out", tmp_path).stderr


def test_the_terminal_shows_a_row_a_requirement_and_approves_nothing(cases, tmp_path):
    done = run("choose", *cases, "--out", tmp_path)
    assert done.returncode == 0
    assert "U1" in done.stdout
    assert "DRAFT, not signed: no leave to fit the filter" in done.stdout
    assert "each decision counts only by its own dossier" in done.stdout
    done = run("choose", cases[0], tmp_path / "none")
    assert done.returncode == 2
    assert "none" in done.stderr


def test_a_call_that_names_one_case_or_one_twice(again, tmp_path):
    assert "1 named. name 2 to 4 cases" in " ".join(told(again[:1], tmp_path))
    assert "is named twice" in " ".join(told([again[0], again[0] / "."], tmp_path))


@pytest.mark.parametrize(
    ("file", "old", "new", "words"),
    [
        ("application.toml", '"60 L/min"', '"70 L/min"', "circuit . rated_flow"),
        ("application.toml", '"1000 kPa"', '"990 kPa"', "'U1' . min: 1000 kPa → 990 kPa"),
        ("application.toml", '"95 %"', '"90 %"', "decision_rule . confidence"),
        ("application.toml", "guard_band", "graded", "decision_rule . kind"),
        ("application.toml", 'basis = "mean"', 'basis = "population"', "'U1' . basis"),
        ("application.toml", '"Circuit (invented)"', '"Other circuit"', "title: Circuit"),
        ("application.toml", '"U2"', '"U3"', "requirement 'U2'"),
        ("case.toml", "CAN-N-2", "can-n-1", "candidate: is 'CAN-N-1', as in one"),
        ("case.toml", '"N-2"', '"N-1"', "number: and revision are 'N-1-r0', as in one"),
        ("case.toml", '["PG"]', '["PX"]', "PX"),
    ],
)
def test_what_may_not_stand_side_by_side(again, tmp_path, file, old, new, words):
    edited(again[1], file, (old, new))
    assert words in "\n".join(told(again, tmp_path))


def test_one_table_is_not_the_test_of_two_candidates(again, tmp_path):
    shutil.copy(again[0] / "records" / "B-1.csv", again[1] / "records" / "B-1.csv")
    assert "holds the same bytes as one/records/B-1.csv of one" in "\n".join(told(again, tmp_path))


def test_everything_is_told_at_once(again, tmp_path):
    edited(again[0], "case.toml", ("candidate", "candidat"))
    edited(again[1], "application.toml", ("1000 kPa", "1000 kilo"))
    found = "\n".join(told([*again, again[1]], tmp_path))
    for words in ("is named twice", "one/case.toml", "two/application.toml"):
        assert words in found


def test_who_asks_and_since_when_may_differ_and_is_shown(again, tmp_path):
    edited(again[1], "application.toml", ('revision = "A"', 'revision = "B"'))
    pdf = write_choice(again, tmp_path, TODAY).pdf.read_bytes()
    assert "II: revision B" in " ".join(PdfReader(BytesIO(pdf)).pages[0].extract_text().split())


def test_cases_of_several_languages_speak_english_and_keep_their_own_decision(again, tmp_path):
    before = write_choice(again, tmp_path / "before", TODAY)
    text = (again[1] / "case.toml").read_text("utf-8")
    (again[1] / "case.toml").write_text(f'language = "de"\n{text}', "utf-8")
    after = write_choice(again, tmp_path / "after", TODAY)
    pages = PdfReader(BytesIO(after.pdf.read_bytes())).pages
    words = " ".join(pages[-1].extract_text().split())
    assert "The cases speak several languages" in words
    german, english = (json.loads(e.json.read_bytes())["candidates"][1] for e in (after, before))
    assert german["findings"][0]["reason"] != english["findings"][0]["reason"]
    assert german["findings"][0]["verdict"] == english["findings"][0]["verdict"]


def test_the_filter_now_fitted_is_the_same_where_a_requirement_rests_on_it(again, tmp_path):
    for folder, fitted in zip(again, ("FIT-1", "FIT-2"), strict=True):
        edited(folder, "application.toml", ('min = "900 kPa"', 'not_worse_than_reference = "5 %"'))
        text = (folder / "case.toml").read_text("utf-8")
        text += f'reference = {{ part_number = "{fitted}" }}\n'
        (folder / "case.toml").write_text(text, "utf-8")
    found = "\n".join(told(again, tmp_path))
    assert "'FIT-1' and 'FIT-2'; U2 rest on it" in found
