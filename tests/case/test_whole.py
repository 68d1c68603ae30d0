"""Records that stand elsewhere than in [[record]]: a table of runs, defaults; errors by cell."""

import tomllib
from datetime import date

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from dossier.case import bounded
from dossier.case.application import BypassValve, Fluid
from dossier.case.case import Draft
from dossier.case.fields import _measured
from dossier.case.model import (
    Concession,
    Instrument,
    Laboratory,
    Qualification,
    RecordEntry,
    Specimen,
)
from dossier.case.problems import CaseError
from dossier.case.read import read_case_files
from dossier.case.records import interpret
from dossier.case.tables.csv_rows import read_csv
from dossier.case.toml_text import TomlError, parse_toml
from dossier.case.whole import entries, leaves, made_whole
from tests.spelled import INPUTS, SOURCE

CASES = ("polder-pumps", "ropeway-drive", "chain-ferry")


def qualification(folder):
    document = tomllib.loads((folder / "case.toml").read_text("utf-8"))
    whole = made_whole(document, lambda name: (folder / name).read_bytes())
    assert not whole.problems
    return Qualification.model_validate(whole.document)


@pytest.mark.parametrize("name", CASES)
def test_a_case_says_the_same_by_tables_and_spelled_out(name):
    short, long = qualification(SOURCE / name), qualification(INPUTS / name)
    left_out = {"instruments", "runs", "defaults"}
    assert short.model_dump(exclude=left_out) == long.model_dump(exclude=left_out)


@pytest.mark.parametrize("name", CASES)
def test_a_demo_case_takes_a_third_of_what_it_takes_spelled_out(name):
    short, long = ((folder / name / "case.toml").read_text("utf-8").count("\n")
                   for folder in (SOURCE, INPUTS))  # fmt: skip
    assert short < long / 3


@pytest.mark.parametrize("model", [RecordEntry, Instrument, Fluid, Laboratory, Specimen])
def test_every_column_leads_to_another_key(model):
    found = leaves(model)
    assert len({leaf.path for leaf in found.values()}) == len(found)
    assert "id" in found


def whole(text, **files):
    document = tomllib.loads(text)
    return made_whole(document, lambda name: files[name.partition(".")[0]].encode())


RUNS = "id,kind,flow [L/min],dilution upstream,instruments,tested,remark\n"


def test_a_row_is_a_record_and_a_cell_its_key():
    made = whole('runs = "runs.csv"', runs=RUNS + "A,multipass,80,10,X; Y,2026-02-02,\nB,,,,,,x\n")
    assert made.document["record"] == [
        {
            "id": "A",
            "kind": "multipass",
            "conditions": {"flow": {"value": "80 L/min"}, "dilution": {"upstream": 10}},
            "instruments": ["X", "Y"],
            "tested": date(2026, 2, 2),
        },
        {"id": "B", "remark": "x"},
    ]
    assert made.origin(("record", 0, "conditions", "flow", "value")) == (
        "runs.csv", "row 2, column 'flow'")  # fmt: skip
    assert made.origin(("record", 1, "tested")) == ("runs.csv", "row 3, column 'tested'")


def test_what_a_record_says_itself_comes_before_its_kind_and_that_before_all():
    made = whole(
        '[defaults]\nfluid = "all"\nlaboratory = "L"\n[defaults.conditions]\nflow = "1 L/min"\n'
        '[defaults.multipass]\nfluid = "kind"\n[defaults.multipass.conditions]\nflow = "2 L/min"\n'
        'temperature = "40 degC"\n[[record]]\nid = "A"\nkind = "multipass"\n'
        '[[record]]\nid = "B"\nkind = "multipass"\nfluid = "own"\n'
        '[record.conditions]\nflow = "3 L/min"\n[[record]]\nid = "C"\nkind = "inspection"\n'
    )
    fluids = [record["fluid"] for record in made.document["record"]]
    flows = [record["conditions"]["flow"] for record in made.document["record"]]
    assert (fluids, flows) == (["kind", "own", "all"], ["2 L/min", "3 L/min", "1 L/min"])
    assert made.origin(("record", 0, "conditions", "flow")) == (
        "case.toml", "defaults . multipass . conditions . flow")  # fmt: skip


def test_defaults_that_no_record_takes_are_a_slip():
    made = whole('[defaults.pressure_drop]\nfluid = "x"\n[[record]]\nid = "A"\nkind = "multipass"')
    assert [problem.place for problem in made.problems] == ["defaults . pressure_drop"]


@pytest.mark.parametrize(
    ("cells", "places"),
    [
        ("A,multipass,80 kPa,10,X,2026-02-02,", {"row 2, column 'flow'"}),
        ("A,multipass,80,0.5,X,2026-02-02,", {"row 2, column 'dilution'"}),
        ("A,multipass,80,10,X,2 Feb,", {"row 2, column 'tested'"}),
        ("A,multipass,80,10,X,,", {"row 2, column 'tested'"}),
    ],
)
def test_a_fault_in_a_table_is_named_by_its_row_and_column(tmp_path, cells, places):
    (tmp_path / "runs.csv").write_text(RUNS + cells + "\n", encoding="utf-8")
    (tmp_path / "case.toml").write_text(
        'number = "N-1"\nrevision = 0\ntitle = "x"\nruns = "runs.csv"\n[candidate]\n'
        'part_number = "C"\n[defaults]\nlaboratory = "L"\nstandard = "S"\nfilter = "candidate"\n'
        'file = "r.csv"\n[[laboratory]]\nid = "L"\nname = "L"\n',
        encoding="utf-8",
    )
    with pytest.raises(CaseError) as caught:
        read_case_files(tmp_path)
    found = {p.place for p in caught.value.problems if p.file == "runs.csv"}
    assert found == places


def test_a_column_that_is_no_key_is_named_with_the_nearest():
    raw = read_csv("runs.csv", b"id,kind,injection flows [L/min]\nA,multipass,1\n")
    entries(raw, RecordEntry)
    assert [problem.hint for problem in raw.problems] == ["did you mean 'injection flow'?"]


@given(st.floats(1e-3, 1e6), st.sampled_from([",", ";"]))
def test_numbers_arrive_as_they_were_written(value, separator):
    shown = repr(value).replace(".", "," if separator == ";" else ".")
    text = f"id{separator}kind{separator}flow [L/min]\nA{separator}multipass{separator}{shown}\n"
    raw = read_csv("runs.csv", text.encode(), decimal="," if separator == ";" else "")
    said = entries(raw, RecordEntry)[0].document["conditions"]["flow"]["value"]
    assert float(said.removesuffix(" L/min")) == value


def test_a_column_of_remarks_is_kept_in_every_record():
    rows = "".join(f"{q},{q * q},{'knocked' if q == 3 else ''}\n" for q in range(1, 7))
    raw = read_csv("r.csv", f"flow [L/min],differential pressure [kPa],remark\n{rows}".encode())
    assert interpret(raw, "pressure_drop", "ISO 11171") is not None
    assert raw.remarks == ((4, "knocked"),)


def test_lots_of_specimens_are_lots_of_their_filter():
    document = tomllib.loads((SOURCE / "polder-pumps" / "case.toml").read_text("utf-8"))
    document |= {"record": [], "specimen": [
        {"id": "C1", "filter": "candidate", "lot": "L9"}, {"id": "R1", "filter": "reference"},
    ]}  # fmt: skip
    del document["defaults"]
    asked = Draft.model_validate(document)
    assert asked.lots_of("candidate") == ("lot 25-311", "lot 25-347", "L9")
    assert asked.lots_of("reference") == ("lot 24-118",)


def test_bytes_that_are_no_text_are_told_by_their_line():
    with pytest.raises(TomlError) as caught:
        parse_toml(b'a = 1\nb = 2\nc = "\xff"\n')
    assert caught.value.place == "line 3"


def test_a_concession_has_an_end_or_its_machines():
    given = {"requirement": "E1", "text": "x", "agreed_by": "A. Owner", "agreed": date(2026, 1, 5)}
    with pytest.raises(ValidationError, match="a concession is bounded"):
        Concession(**given)
    assert Concession(**given, until=date(2026, 9, 1)).machines == ()
    assert Concession(**given, machines=("Pump 3",)).until is None


def test_a_bypass_valve_has_a_band_that_it_opens_in():
    with pytest.raises(ValidationError, match="needs its opening band"):
        BypassValve(location="filter")


@pytest.mark.parametrize(
    ("size", "said"),
    [(2**28, "256 MiB"), (2**20, "1 MiB"), (2**20 - 1, "1023 KiB"), (2**16, "64 KiB")],
)
def test_the_size_that_a_file_may_have_is_said_in_round_numbers(size, said):
    assert bounded._size(size) == said


def test_a_measured_constant_keeps_what_its_uncertainty_was_stated_with():
    known = _measured({"value": "5 g", "U": "0.2 g", "k": 2}, "mass")
    assert (known.value, known.u, known.k) == pytest.approx((0.005, 0.0001, 2.0))
    known = _measured({"value": "5 g", "u": "0.1 g"}, "mass")
    assert (known.u, known.k) == (pytest.approx(0.0001), None)
