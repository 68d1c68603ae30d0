"""The schemas of the two case files say what the models say."""

import copy
import json
import tomllib
from pathlib import Path

import jsonschema
import pytest
from pydantic import ValidationError

from dossier.case.application import Application
from dossier.case.case import Draft
from dossier.evidence.quantities import all_quantities
from dossier.record.decision_record import decision_schema
from dossier.start.scaffold import schema_of, schema_text
from tests.archive.sealed import run
from tests.spelled import INPUTS

ROOT = Path(__file__).parents[2]
FILES = [
    *(ROOT / "inputs").glob("*/application.toml"), *(ROOT / "inputs").glob("*/case.toml"),
    *(ROOT / "tests" / "case" / "contract").glob("*.toml"),
]  # fmt: skip


def plain(path):
    document = tomllib.loads(path.read_text(encoding="utf-8"))
    return json.loads(json.dumps(document, default=str))


def errors(name, document):
    return list(jsonschema.Draft202012Validator(schema_of(name)).iter_errors(document))


@pytest.mark.parametrize("path", FILES, ids=lambda p: f"{p.parent.name}-{p.stem}")
def test_every_case_at_hand_fits(path):
    assert len(FILES) >= 9
    assert not errors(path.stem, plain(path))


@pytest.mark.parametrize("name", ["application", "case"])
def test_the_command_prints_the_schema(name):
    done = run("schema", name)
    assert done.stdout == schema_text(name)
    jsonschema.Draft202012Validator.check_schema(json.loads(done.stdout))


def decided(name):
    from dossier.make.decide import assess, decision_json
    from dossier.make.read import read_case

    case = read_case(ROOT / "inputs" / name)
    return json.loads(decision_json(case, assess(case, pages=False)))


def test_the_command_prints_the_schema_of_a_decision():
    done = run("schema", "decision")
    assert json.loads(done.stdout) == decision_schema()
    jsonschema.Draft202012Validator.check_schema(decision_schema())


@pytest.mark.usefixtures("few_draws")
@pytest.mark.parametrize("name", ["polder-pumps", "ropeway-drive", "chain-ferry"])
def test_what_is_decided_fits_the_schema_of_a_decision(name):
    document = decided(name)
    schema = jsonschema.Draft202012Validator(decision_schema())
    assert not list(schema.iter_errors(document))
    one = {k: each[:1] if isinstance(each, list) else each for k, each in document.items()}
    assert schema.is_valid(one)
    for place in ((), ("case",), ("application",), ("findings", 0), ("checks", 0), ("cautions", 0),
                  ("signoff",), ("decision_rule",)):  # fmt: skip
        for key in deep(one, place):
            for broken in (removed(one, place, key), added(one, place, "more")):
                assert not schema.is_valid(broken), (place, key)
    for kind, fits in (("concession", True), ("favour", False)):
        condition = {"kind": kind, "subject": None, "text": "x"}
        assert schema.is_valid(document | {"conditions": [condition]}) == fits


def deep(document, place):
    for step in place:
        document = document[step]
    return document


def removed(document, place, key):
    copied = copy.deepcopy(document)
    del deep(copied, place)[key]
    return copied


def added(document, place, key):
    copied = copy.deepcopy(document)
    deep(copied, place)[key] = "x"
    return copied


BROKEN = [
    ("application", ("circuit", "arrangement"), "sideways"),
    ("application", ("circuit", "rated_flow"), 95),
    ("application", ("circuit", "flows"), "95 L/min"),
    ("application", ("oil", "kv40"), None),
    ("application", ("requirement", 0, "quantity"), "efficency"),
    ("application", ("requirement", 0, "severity"), "grave"),
    ("case", ("record", 0, "kind"), "multi-pass"),
    ("case", ("revision",), "A"),
    ("case", ("candidate", "lots"), "25-1"),
]


@pytest.mark.parametrize(("name", "path", "value"), BROKEN)
def test_what_the_models_refuse_an_editor_marks(name, path, value):
    document = plain(INPUTS / "polder-pumps" / f"{name}.toml")
    here = document
    for step in path[:-1]:
        here = here[step]
    if value is None:
        del here[path[-1]]
    else:
        here[path[-1]] = value
    assert errors(name, document)
    if path[-1] != "quantity":  # which quantities exist is known to the evidence room alone
        model = {"application": Application, "case": Draft}[name]
        with pytest.raises(ValidationError):
            model.model_validate_json(json.dumps(document))  # type: ignore[attr-defined]


@pytest.mark.parametrize(
    ("band", "fits"),
    [
        ({"min": "150 kPa", "max": "190 kPa"}, True),
        ({"nominal": "170 kPa", "tolerance": "20 kPa"}, True),
        ({"nominal": "170 kPa"}, False),
        ({"min": "150 kPa", "tolerance": "20 kPa"}, False),
    ],
)
def test_a_band_is_written_in_two_ways(band, fits):
    document = plain(ROOT / "inputs" / "polder-pumps" / "application.toml")
    document["circuit"]["bypass_valve"]["opening"] = band
    assert (not errors("application", document)) == fits
    try:
        Application.model_validate_json(json.dumps(document))
    except ValidationError:
        assert not fits
    else:
        assert fits


def test_an_editor_can_offer_quantities_and_say_what_keys_mean():
    schema = schema_of("application")
    names = schema["$defs"]["Requirement"]["properties"]["quantity"]["enum"]
    assert names == list(all_quantities())
    circuit = schema["$defs"]["Circuit"]["properties"]
    assert "Regulated gauge pressure" in json.dumps(circuit["gallery_pressure"])
