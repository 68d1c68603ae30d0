"""What laboratories are asked to report is what the readers and the reductions use."""

import ast
from pathlib import Path
from typing import get_args

import pytest

import dossier
from dossier.case.consistency import NEEDED
from dossier.case.model import Conditions, Measurand
from dossier.case.tables.written import MEASURED, METHODS
from dossier.evidence.quantities import all_quantities
from dossier.request.reported import conditions_of, instruments_of, measured_column

EVIDENCE = Path(dossier.__file__).parent / "evidence"
KINDS = ("multipass", "pressure_drop", "bypass_valve", "measurement", "inspection")


def asked_for():
    return {each.name for kind in KINDS for each in conditions_of(kind, ("collapse_pressure",))}


def read_by_the_reductions():
    """Every field of a record's conditions that the source of the evidence room names."""
    names = set(Conditions.model_fields)
    found = set()
    for path in EVIDENCE.rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Attribute) and node.attr in names:
                base = node.value
                plain = base.attr if isinstance(base, ast.Attribute) else getattr(base, "id", "")
                if plain == "conditions":
                    found.add(node.attr)
    return found


def test_every_condition_that_a_reduction_reads_is_asked_for():
    used = read_by_the_reductions()
    assert {"terminal_pressure_drop", "criterion_flow", "dilution"} <= used
    assert used == asked_for()


@pytest.mark.parametrize("kind", NEEDED)
def test_what_a_record_cannot_do_without_is_asked_for_as_needed(kind):
    needed = {each.name for each in conditions_of(kind) if each.needed}
    assert set(NEEDED[kind]) <= needed


def test_every_measured_column_belongs_to_a_quantity_of_measurements():
    names = [n for n, q in all_quantities().items() if q.records == ("measurement",)]
    assert {measured_column(name) for name in names} | {"valve leakage"} == set(MEASURED)


@pytest.mark.parametrize("kind", KINDS)
def test_instruments_measure_what_a_case_can_state(kind):
    names = [n for n, q in all_quantities().items() if q.records == ("measurement",)]
    for name in names:
        asked = instruments_of(kind, (name,))
        assert asked
        assert set(asked) <= set(get_args(Measurand))


@pytest.mark.parametrize(("kind", "path"), METHODS)
def test_methods_are_those_that_the_quantities_declare(kind, path):
    declared = " ".join(q.standard for q in all_quantities().values() if kind in q.records)
    assert METHODS[kind, path] in declared
