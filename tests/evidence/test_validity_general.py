"""Which instruments a record needs, and what one instrument may stand for."""

from types import SimpleNamespace

import numpy as np
import pytest

from dossier.case.records import InspectionTable
from dossier.evidence.validity.general import _by_instruments, _measured
from tests.made_bench import case, entry, instrument, run


def held(record, made):
    return SimpleNamespace(case=made, entry=record.entry, record=record)


@pytest.mark.parametrize(
    ("units", "looked"), [(("", " "), True), (("", "mm"), False), (("mm", "mm"), False)]
)
def test_an_inspection_needs_an_instrument_where_anything_of_it_was_measured(units, looked):
    """A thread that was looked at beside a height that was measured takes no gauge away."""
    table = InspectionTable(
        characteristic=("thread", "height"), specimen=("C1", "C1"), found=("ok", "140"),
        lower=np.full(2, np.nan), upper=np.full(2, np.nan), unit=units,
    )  # fmt: skip
    record = SimpleNamespace(table=table, entry=SimpleNamespace(instruments=()))
    made = SimpleNamespace(instruments=lambda _: [])
    found = [rule(held(record, made), None) for rule in (_measured, _by_instruments(lambda *_: 1))]
    assert [each[0] for each in found] == ["does not apply" if looked else False] * 2
    assert ("no instrument of the record measures: length" in found[0][1]) is not looked


WHOLE = ["differential pressure", "flow", "injection flow", "mass", "temperature"]


@pytest.mark.parametrize(
    ("shared", "told"),
    [
        (["counts"], ""),
        (["counts", "flow"], "counts, flow"),
        (["counts", "temperature"], "counts, temperature"),
        (["flow", "injection flow"], ""),
        (["flow", "injection flow", "temperature"], ""),
        (["mass", "temperature"], ""),
        (["flow", "mass", "temperature"], "flow, mass, temperature"),
    ],
)
def test_a_counter_stands_for_nothing_else_and_no_instrument_for_three_kinds(shared, told):
    tools = [instrument("A", shared), *(instrument(name, [name]) for name in ["counts", *WHOLE])]
    names = [tool["id"] for tool in tools]
    result = run()
    made = case([entry(result, names)], instruments=tools)
    found = _measured(held(made.records[0], made), None)
    assert found[0] is not bool(told)
    assert (f"A measures {told}: name the instrument of each" in found[1]) is bool(told)
