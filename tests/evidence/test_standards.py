"""Designations of standards, however they are written, and the methods that are known."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dossier.evidence.limits import (
    designation_of,
    international,
    method_of,
    same_method,
)
from dossier.make.decide import limits
from tests.small_case import outcome, record

METHODS = limits().methods
HOUSE = "house method 7"


@pytest.mark.parametrize(
    "text",
    [
        "ISO 4548-12:2017",
        "DIN EN ISO 4548-12:2018-03",
        "BS ISO 4548-12:2017",
        "NF EN ISO 4548-12:2017-09",
        "\u00d6NORM EN ISO 4548-12:2018",
        "iso4548-12:2017",
        "ISO 4548\u201312 : 2017 (E)",
        "ISO\u00a04548\u201112:2017",
        "ISO\u200b 4548-12 2017",
        "ISO 4548 Part 12:2017",
        "ISO 4548-12-2017",
        "ISO 4548-12:2017+A1",
        "ISO 4548-12:2017/Amd 1:2020",
        "\u0406S\u041e 4548-12:2017",
        "\uff29\uff33\uff2f 4548-12:2017",
    ],
)
def test_each_spelling_names_the_same_method(text):
    assert same_method(text, "ISO 4548-12:2017", METHODS)
    assert str(international(text, METHODS)) == "ISO 4548-12:2017"


@pytest.mark.parametrize(
    "text",
    [
        "based on ISO 4548-12:2017", "ISO 4548-12:2017 without counting", "ISO 4548-12 modified",
        "ISO/DIS 4548-12", "IS0 4548-l2", "ISO 4548-12 and ISO 16889", "4548-12", "", HOUSE,
    ],
)  # fmt: skip
def test_what_is_more_or_less_than_a_designation_is_none(text):
    assert designation_of(text) is None
    assert method_of(text, METHODS) is None


@pytest.mark.parametrize(
    ("one", "other"),
    [
        ("ISO 4548-12:2017", "ISO 4548-12:2000"),
        ("ISO 4548-12:2017", "ISO 4548-12"),
        ("ISO 4548-1:1997", "ISO 4548-12:1997"),
        ("DIN EN ISO 4548-12:2016", "ISO 4548-12:2017"),
        (HOUSE, "house method 8"),
    ],
)
def test_another_edition_part_or_house_method_is_another(one, other):
    assert not same_method(one, other, METHODS)


@given(
    st.sampled_from(METHODS),
    st.sampled_from(["", " ", "\u00a0", "  "]),
    st.sampled_from("-\u2010\u2011\u2013\u2014\u2212"),
    st.booleans(),
)
def test_blanks_dashes_and_case_change_nothing(method, blank, dash, lower):
    text = f"{method.standard}:{method.editions[-1]}"
    written = text.replace(" ", blank).replace("-", dash)
    written = written.lower() if lower else written
    assert method_of(written, METHODS) is method
    assert same_method(written, text, METHODS)


def test_no_method_is_listed_twice_and_each_is_normalised():
    names = [each.standard for each in METHODS]
    assert len(set(names)) == len(names)
    assert all(designation_of(name).standard == name for name in names)
    assert all(list(each.editions) == sorted(each.editions) for each in METHODS)


@pytest.mark.parametrize(
    ("standard", "expected"),
    [
        ("ISO 4548-6:2021", "met"), ("ISO 4548-13:2023", "met"), ("ISO 4548-9:2008", "not met"),
        ("ISO 4548-12:2017", "not met"), (HOUSE, "not met"),
    ],
)  # fmt: skip
def test_a_method_stands_for_its_own_result(standard, expected):
    made = record("M1", "measurement", "specimen,burst pressure [bar]\nC1,20\n", standard=standard)
    assert outcome([made], "known method") == expected


@pytest.mark.parametrize(
    ("standard", "expected"),
    [
        ("ISO 4548-6:2021", "met"), ("ISO 4548-6", "not met"), ("ISO 4548-6:1905", "not met"),
        ("ISO 4548-6:2024", "not met"), ("DIN ISO 4548-6:2024-05", "met"),
        ("ISO 4548-6:2012", "warning"), ("ISO 4548-6:2021+A1", "warning"),
    ],
)  # fmt: skip
def test_an_edition_that_is_not_known_is_not_met_and_an_older_one_warns(standard, expected):
    made = record("M1", "measurement", "specimen,burst pressure [bar]\nC1,20\n", standard=standard)
    assert outcome([made], "edition of the method") == expected


def test_an_inspection_goes_by_a_plan_of_the_house():
    table = "characteristic,specimen,found,lower,upper,unit\ngasket,C1,yes,,,\n"
    made = record("I1", "inspection", table)
    with pytest.raises(StopIteration):
        outcome([made], "known method")
    assert outcome([made], "method in scope of the laboratory") == "met"
