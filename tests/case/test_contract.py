"""The examples of the case format parse, and the schema of both files comes from the models."""

import tomllib
from pathlib import Path

import pytest
from jsonschema import Draft202012Validator
from pydantic import TypeAdapter, ValidationError

from dossier.case import fields
from dossier.case.application import Application
from dossier.case.applied import files_of
from dossier.case.model import Qualification
from dossier.case.toml_text import parse_toml
from dossier.evidence.quantities import all_quantities
from dossier.evidence.requirement import resolve
from tests.small_case import application

CONTRACT = Path(__file__).parent / "contract"


def document(name):
    return tomllib.loads((CONTRACT / name).read_text(encoding="utf-8"))


def test_the_application_of_the_case_format_parses_and_its_requirements_resolve():
    application = Application.model_validate(document("application.toml"))
    demands, problems = resolve(application, "application.toml")
    assert not problems
    assert [d.id for d in demands] == ["E1", "C2", "life_factor"]
    assert demands[0].lower == pytest.approx(0.95)
    assert demands[1].not_worse == pytest.approx(0.05)
    # 1.5 intervals of 500 h.
    assert demands[2].lower == pytest.approx(750 * 3600)


def test_the_qualification_of_the_case_format_parses():
    qualification = Qualification.model_validate(document("case.toml"))
    conditions = qualification.record[0].conditions
    assert conditions.flow.value == pytest.approx(95e-3 / 60)
    assert conditions.injection_concentration.start.value == pytest.approx(3.85)
    assert qualification.deviation[0].effect == "none"


@pytest.mark.parametrize(
    ("model", "name"), [(Application, "application.toml"), (Qualification, "case.toml")]
)
def test_the_schema_made_from_the_model_is_one(model, name):
    schema = model.model_json_schema()
    Draft202012Validator.check_schema(schema)
    assert schema["additionalProperties"] is False
    assert set(document(name)) <= set(schema["properties"])


def test_every_quantity_of_the_case_format_is_declared():
    known = set(all_quantities())
    assert known >= {
        "efficiency", "lowest_efficiency", "filtration_ratio", "size_at_ratio",
        "size_at_efficiency", "injected_capacity", "retained_capacity", "clean_pressure_drop",
        "pressure_drop_at_interval", "bypass_margin", "cold_bypass_temperature", "service_life",
        "valve_opening_pressure", "valve_reseat_pressure", "valve_leakage",
        "valve_flow_pressure_drop", "collapse_pressure", "burst_pressure", "first_bubble_pressure",
        "pulse_cycles", "vibration_hours", "anti_drain_leakage", "initial_cleanliness",
        "partial_flow_share", "turnover_time", "sump_cleanliness", "sump_concentration",
        "dimension", "statement",
    }  # fmt: skip


@pytest.mark.parametrize("name", sorted(all_quantities()))
def test_the_example_of_every_quantity_resolves(name):
    declared = all_quantities()[name]
    requirement = {
        "id": "X", "text": "example", "source": "example", "severity": "mandatory",
        "quantity": name, **tomllib.loads(declared.example),
    }  # fmt: skip
    given = document("application.toml") | {"requirement": [requirement]}
    given["circuit"] |= {"arrangement": "combined"} if declared.of_fine_path else {}
    application = Application.model_validate(given)
    demands, problems = resolve(application, "application.toml")
    assert not problems
    assert demands[0].quantity is declared
    assert declared.meaning.endswith(".")
    assert declared.formula
    assert declared.standard


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"quantity": "shine"}, "'shine' is not known"),
        ({"at": {"size": "20 um"}}, "does not say how the counter was calibrated"),
        ({"at": {}}, "at . size is missing"),
        ({"at": {"size": "20 um(c)", "flow": "1 L/min"}}, "at . flow is not a condition"),
        ({"min": "95 kPa"}, "limit:"),
        ({"min": 0.95}, "has no unit"),
    ],
)
def test_a_requirement_that_cannot_be_read_says_why(change, words):
    requirement = document("application.toml")["requirement"][0] | change
    application = Application.model_validate(
        document("application.toml") | {"requirement": [requirement]}
    )
    _, problems = resolve(application, "application.toml")
    assert any(words in str(problem) for problem in problems)


def test_no_requirement_takes_the_name_of_the_one_that_the_life_factor_makes():
    asked = document("application.toml")
    asked["requirement"][0]["id"] = "life_factor"
    _, problems = resolve(Application.model_validate(asked), "application.toml")
    assert [(p.place, p.hint) for p in problems] == [
        ("requirement 'life_factor'", "give it another id")
    ]


@pytest.mark.parametrize(
    ("field", "value"),
    [("issued", "2026-04-20"), ("issued", 1776643200), ("revision", True), ("revision", "0")],
)
def test_a_day_or_a_number_in_another_form_is_none(field, value):
    """Who reads the file later finds no day there, and sign-offs that cannot be read."""
    with pytest.raises(ValidationError, match=field):
        Qualification.model_validate({**document("case.toml"), field: value})


def test_a_byte_order_mark_is_no_part_of_a_case_file():
    content = (CONTRACT / "case.toml").read_bytes()
    assert parse_toml(b"\xef\xbb\xbf" + content) == parse_toml(content)


@pytest.mark.parametrize(
    ("kind", "value", "expanded", "si"),
    [
        (fields.Concentration, "10 mg/L", "0.4 mg/L", 10e-3),
        (fields.MassRate, "6 g/h", "0.24 g/h", 6e-3 / 3600),
        (fields.MeasuredFlow, "60 L/min", "2.4 L/min", 1e-3),
        (fields.MeasuredVolume, "10 L", "0.4 L", 10e-3),
        (fields.MeasuredViscosity, "100 mm2/s", "4 mm2/s", 100e-6),
        (fields.MeasuredPressure, "2 kPa", "0.08 kPa", 2000.0),
    ],
)
def test_what_is_measured_may_say_how_well(kind, value, expanded, si):
    """An expanded uncertainty of 4 % with k = 2 is 2 % (JCGM 100:2008, 6.2.1)."""
    found = TypeAdapter(kind).validate_python({"value": value, "U": expanded, "k": 2})
    assert (found.value, found.u) == (pytest.approx(si), pytest.approx(0.02 * si))


@pytest.mark.parametrize(
    ("said", "files"),
    [
        ("", ("application.toml",)),
        ('application = "pump.toml"', ("pump.toml",)),
        ('applications = ["pump.toml", "barge.toml"]', ("pump.toml", "barge.toml")),
        ('applications = ["pump.toml", 3]', ("pump.toml",)),
        ('applications = "pump.toml"', ()),
        ("applications = 3", ()),
        ("applications.pump = 1", ()),
        ("application = 3", ()),
    ],
)
def test_of_what_is_no_list_of_files_none_is_looked_for(said, files):
    """Nor by the letters of a name: the model says what is wrong."""
    assert files_of(tomllib.loads(said)) == files


@pytest.mark.parametrize(
    ("changes", "what"),
    [
        ({"oil": {"kv100": "1.5 mm2/s"}}, "the oil, from cold start to hot: the working form"),
        ({"oil": {"kv40": "1e5 mm2/s"}}, "at 263.15 K the viscosity is above the range"),
        ({"duty": {"hot_oil": "400 degC"}}, "at 673.15 K the viscosity is below the range"),
        ({"duty": {"ingression": {"value": "0.05 g/h", "u": "8 g/h"}}}, "not be larger than its"),
    ],
)
def test_an_oil_or_duty_that_nothing_can_be_computed_from_is_refused(changes, what):
    made = application([])
    for table, keys in changes.items():
        made[table] |= keys
    with pytest.raises(ValidationError, match=what):
        Application.model_validate(made)
