"""What a call says when it is wrong, and what its help says: in words of its user, all at once."""

import pytest
import typer.main
from pydantic import BaseModel
from typer.testing import CliRunner

from dossier.case.application import Application
from dossier.case.case import Draft
from dossier.case.fields import example_of
from dossier.case.model import Qualification, RecordEntry
from dossier.case.toml_text import problems_in
from dossier.command import building
from dossier.command.calls import help_of
from dossier.command.cli import app

COMMANDS = typer.main.get_command(app).commands  # type: ignore[attr-defined]


def called(*words):
    return CliRunner().invoke(app, list(words))


def test_every_error_of_a_call_is_told_at_once():
    told = called("sign", "--jobs", "3", "--date", "5").output
    for words in ("4 problems", "--jobs", "'--role'", "'--name'", "YYYY-MM-DD"):
        assert words in told
    assert "%Y" not in told
    call = "sign", "x", "--date", "2026-01-01"
    assert "2 problems" in called(*call).output
    assert "problems" not in called(*call, "--role", "prepared").output


@pytest.mark.parametrize("more", [[], ["--debug"]])
def test_where_an_error_is_from_is_told_to_who_asks_alone(more, tmp_path, monkeypatch):
    monkeypatch.setattr("sys.argv", ["dossier", "build", "x", *more])
    asked = []
    monkeypatch.setattr(building, "build_one", lambda _, order: asked.append(order.debug))
    CliRunner().invoke(app, ["build", "x", "--out", str(tmp_path / "out")])
    assert asked == [bool(more)]


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (("build", "x", "--jobs", "0"), "'--jobs': give at least 1"),
        (("register", "x", "--jobs", "many"), "'--jobs': give a number"),
        (("check", "x", "--issued", "soon"), "'soon' is no day: write YYYY-MM-DD"),
        (("check", "x", "y"), "Nothing takes 'y'"),
        (("schema", "none"), "'none' is not one of 'application', 'case', 'decision'"),
    ],
)
def test_a_wrong_value_is_told_in_words_of_its_user(call, words):
    done = called(*call)
    assert done.exit_code == 2
    assert words in done.output
    assert "Input should" not in done.output


def test_without_a_terminal_no_passphrase_is_asked_for(tmp_path, monkeypatch):
    monkeypatch.delenv("DOSSIER_PASSPHRASE", raising=False)
    done = called("identity", "Somebody", "--out", str(tmp_path / "keys"))
    assert done.exit_code == 2
    assert "Give the passphrase in DOSSIER_PASSPHRASE" in done.output


def test_an_option_that_asks_nothing_means_one_thing():
    said = {p.help for c in COMMANDS.values() for p in c.params if "--yes" in p.opts}
    assert len(said) == 1


@pytest.mark.parametrize("name", COMMANDS)
def test_every_parameter_says_what_it_does_and_no_other_is_described(name):
    _, told = help_of(COMMANDS[name].callback.__doc__)
    params = {each.name: each for each in COMMANDS[name].params}
    assert set(told) <= set(params)
    assert all(each.help for each in params.values())


@pytest.mark.parametrize("name", COMMANDS)
@pytest.mark.parametrize("flag", ["-h", "--help"])
def test_help_speaks_of_no_types_of_a_programmer(name, flag):
    done = called(name, flag)
    assert done.exit_code == 0
    for word in ("list[", "<str>", "<path>", "%Y", "int range", "<int>", "x>="):
        assert word not in done.output, word


def test_a_role_and_a_quantity_are_completed():
    for name, place, wanted in (
        ("sign", "role", "approved"),
        ("seal", "role", "approved"),
        ("explain", "quantity", "efficiency"),
    ):
        command = COMMANDS[name]
        given = {"sign": ["x", "--role", "r", "--name", "n"],
                 "seal": ["x", "--role", "r", "--key", "k"]}  # fmt: skip
        context = command.make_context(name, given.get(name, []))
        found = next(p for p in command.params if p.name == place).shell_complete(context, "")
        assert wanted in [each.value for each in found]


def faults(model, document):
    try:
        model.model_validate(document)
    except ValueError as error:
        return problems_in("case.toml", error, model, document)
    return []


WRONG = {
    "number": "", "revision": "x", "title": 5, "language": "xx", "candidate": {"lots": "a"},
    "instrument": [{"id": "A", "measures": ["x"]}], "record": [{"conditions": 3}],
}  # fmt: skip


def test_no_fault_of_a_case_is_told_in_words_of_a_library():
    told = [str(each) for each in (*faults(Draft, WRONG), *faults(Application, {}))]
    assert len(told) > 15
    for each in told:
        for word in ("string", "input should", "valid", "tuple", "dictionary", "add this key"):
            assert word not in each.lower().replace("bypass_valve", ""), each


def every_field(model):
    for key, each in model.model_fields.items():
        yield key, each
        inner = each.annotation
        if isinstance(inner, type) and issubclass(inner, BaseModel):
            yield from every_field(inner)


@pytest.mark.parametrize("model", [Draft, Application, RecordEntry])
def test_the_example_of_a_missing_key_is_toml(model):
    import tomllib

    for key, each in every_field(model):
        tomllib.loads(f"{key} = {example_of(each.annotation, each.metadata)}")


def test_a_list_whose_entries_are_wrong_is_not_called_empty():
    told = [each.place for each in faults(Qualification, {"record": [{"id": "MP-1"}]})]
    assert "record 'MP-1' . tested" in told
    assert "record" not in told
    assert "record" in [each.place for each in faults(Qualification, {"record": []})]
