"""Provenance of a limit: from memory until somebody has compared it with the standard's text."""

import tomllib
from dataclasses import replace
from datetime import date
from importlib import resources

import pytest

from dossier.evidence.limits import limits_from
from dossier.make.decide import limits

FROM_MEMORY = next(each for each in limits().limits if each.mark.startswith("memory"))
CHECKED = {"checked_by": "A. Reader", "checked_on": date(2026, 1, 31)}


def test_a_limit_from_memory_is_one_until_it_is_checked():
    assert FROM_MEMORY.from_memory
    checked = replace(FROM_MEMORY, **CHECKED)
    assert not checked.from_memory
    assert checked.origin.endswith("checked against the text by A. Reader on 2026-01-31")
    assert not replace(FROM_MEMORY, mark="seen").from_memory


@pytest.mark.parametrize("given", [{"checked_by": "A. Reader"}, {"checked_on": date(2026, 1, 31)}])
def test_who_checked_says_when(given):
    with pytest.raises(ValueError, match="checked_by and checked_on go together"):
        replace(FROM_MEMORY, **given)


def test_no_limit_claims_to_have_been_checked():
    assert not [each.rule for each in limits().limits if each.checked_by]


def test_every_figure_that_stands_in_names_where_it_is_from():
    document = tomllib.loads(
        (resources.files("dossier.evidence") / "limits.toml").read_text("utf-8")
    )
    found = limits_from(document)
    assert found.assumed.keys() == document["assumed"].keys() <= found.accuracy.keys()
    for name, entry in document["assumed"].items():
        assert found.assumed[name] == entry["mark"]
        assert found.accuracy[name] == entry["half_width"]
