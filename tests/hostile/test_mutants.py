"""Mutants of the demo cases: see mutants.py for the three kinds and what must hold for each."""

import itertools
import random

import pytest

from tests.hostile import fuzz, mutants
from tests.hostile.__main__ import table


@pytest.mark.slow
@pytest.mark.long
def test_two_thousand_mutants_gain_nothing_and_stop_nothing():
    told = fuzz.run_all(2100)
    print(table(told))
    assert len(told) >= 2000
    assert {each.kind for each in told} == {"broken", "changed", "signed"}
    assert not [(each.told, each.outcome, each.fault) for each in told if each.fault]
    assert max(each.seconds for each in told) < fuzz.SLOWEST


@pytest.mark.filterwarnings("ignore::RuntimeWarning")
@pytest.mark.usefixtures("remembered")
@pytest.mark.parametrize("case", mutants.CASES)
def test_some_mutants_of_each_case(case):
    told = fuzz.run(range(9000, 9005), case)
    assert not [(each.told, each.outcome, each.fault) for each in told if each.fault]


def test_a_mutant_is_the_same_for_the_same_number():
    files = mutants.intact_files("polder-pumps")
    assert mutants.mutant("polder-pumps", files, 7) == mutants.mutant("polder-pumps", files, 7)


def test_every_operator_touches_some_case():
    files = {case: mutants.intact_files(case) for case in mutants.CASES}

    def touches(operate, seed, case):
        made = operate(random.Random(f"{case} {seed}"), files[case])
        return made is not None and any(files[case].get(k) != v for k, v in made[2].items())

    for name, (weight, operate) in mutants.OPERATORS.items():
        assert weight > 0, name
        tries = itertools.product(range(50), mutants.CASES)
        assert any(touches(operate, *each) for each in tries), name


SIGNED = {"signoff.toml": b'[[signed]]\nrole = "x"\ndigest = "1"\n'}
VERDICTS = fuzz.Verdicts(
    frozenset({"A"}), (("A", "pass"), ("B", "fail")), "approved with conditions", True
)


@pytest.mark.parametrize(
    ("kind", "now", "fault"),
    [
        (
            "broken",
            fuzz.Verdicts(frozenset({"A", "B"}), (), "approved with conditions", False),
            True,
        ),
        ("broken", fuzz.Verdicts(frozenset({"A"}), (), "approved", False), True),
        ("broken", fuzz.Verdicts(frozenset(), (), "undecided", False), False),
        ("changed", fuzz.Verdicts(frozenset({"A", "B"}), (), "approved", False), False),
        ("changed", fuzz.Verdicts(frozenset({"A"}), (), "approved", True), True),
        ("signed", fuzz.Verdicts(frozenset({"A"}), (), "approved", False), True),
        ("signed", VERDICTS, True),
    ],
)
def test_the_judgement_itself(kind, now, fault):
    """A judge that never finds a fault would pass every program."""
    files = {"signoff.toml": b'[[signed]]\nrole = "x"\ndigest = "0"\n'}
    made = mutants.Mutant("polder-pumps", "by hand", kind, "", files)
    assert bool(fuzz.compared(made, VERDICTS, now, SIGNED)[1]) is fault
