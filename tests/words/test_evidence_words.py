"""The words that stand as data: declarations of the quantities, and the limits of the tests."""

import tomllib
from collections.abc import Iterator
from dataclasses import replace
from importlib.resources import files
from pathlib import Path
from string import Formatter

import pytest

from dossier.case.tables.size_columns import certified_size
from dossier.evidence.limits import limits_from
from dossier.evidence.quantities import all_quantities
from dossier.evidence.records.usable import missing_specimens
from dossier.evidence.statistics.combine import scatter_component
from dossier.make.decide import assess
from dossier.make.read import read_case
from dossier.words import speaking
from dossier.words.catalogue import ENGLISH, LANGUAGES, tongue

SPOKEN = (ENGLISH, "de")
OTHERS = [name for name in LANGUAGES if name != ENGLISH]
CASE = Path(__file__).parents[2] / "inputs" / "ropeway-drive"
DECLARED = ("title", "meaning", "formula", "standard")
LIMIT = ("rule", "text", "clause", "mark")


def of_the_registry() -> Iterator[str]:
    for quantity in all_quantities().values():
        yield from (getattr(quantity, each) for each in DECLARED)


def of_the_limits() -> Iterator[str]:
    text = files("dossier").joinpath("evidence/limits.toml").read_text(encoding="utf-8")
    document = tomllib.loads(text)
    entries = [*document["limit"], document["accuracy"], *document["assumed"].values()]
    for entry in entries:
        yield from (entry[each] for each in LIMIT if each in entry)


MSGIDS = sorted({*of_the_registry(), *of_the_limits()})


def catalogue(language):
    """Return the sentences that a language has, without those left empty."""
    return {key for key, text in tongue(language).translations._catalog.items() if text}


def places(text):
    """Return what a sentence leaves places for; every set of them is said with the same values."""
    return sorted((n, s, c) for _, n, s, c in Formatter().parse(text) if n is not None)


@pytest.mark.parametrize("language", OTHERS)
def test_every_declaration_and_limit_is_translated(language):
    known = catalogue(language)
    assert not [msgid for msgid in MSGIDS if msgid not in known]


@pytest.mark.parametrize("language", OTHERS)
def test_a_translation_leaves_the_same_places(language):
    say = tongue(language).say
    assert not [msgid for msgid in MSGIDS if places(say(msgid, "")) != places(msgid)]


def test_there_is_something_to_translate():
    assert len(MSGIDS) > 150
    assert {"Predicted service life", "memory, high", "calibration in date"} <= set(MSGIDS)


def of_language(case, language):
    qualification = case.qualification.model_copy(update={"language": language})
    return replace(case, qualification=qualification)


@pytest.fixture(scope="module")
def both():
    case = read_case(CASE)
    return [assess(of_language(case, language)) for language in SPOKEN]


def numbers(finding):
    own = [each for each in (finding.estimate, finding.reference) if each is not None]
    return (
        finding.verdict, finding.probability, finding.interval, finding.lower, finding.upper,
        [(each.value, each.u, each.dof, each.per_specimen) for each in own],
        [(c.name, c.shared, c.u, c.dof) for each in own for c in each.components],
    )  # fmt: skip


def test_the_language_moves_no_number(both):
    english, other = both
    assert english.decision == other.decision
    assert [numbers(each) for each in english.findings] == [numbers(e) for e in other.findings]
    codes = [[(c.record, c.rule, c.outcome) for c in each.bench.checks] for each in both]
    assert codes[0] == codes[1]


def test_the_language_says_what_was_found(both):
    said = [{(c.limit, c.standard) for c in each.bench.checks} for each in both]
    assert not {limit for limit, _ in said[0]} & {limit for limit, _ in said[1]}
    names = [words_of(each, language) for each, language in zip(both, SPOKEN, strict=True)]
    assert not names[0] & names[1]


def words_of(assessment, language):
    with speaking(language):
        own = [f.estimate for f in assessment.findings if f.estimate]
        return {c.words for each in own for c in each.components}


def test_a_component_keeps_its_code_and_says_its_words():
    with speaking("de"):
        scatter = scatter_component(3, 1.0)
    assert scatter.name == "scatter of 3 specimens"
    assert scatter.words == "Streuung von 3 Prüflingen"


def test_the_stand_in_accuracy_is_said_when_it_is_used():
    text = files("dossier").joinpath("evidence/limits.toml").read_text(encoding="utf-8")
    limits = limits_from(tomllib.loads(text))
    english = limits.accuracy_source("flow")
    assert "taken over for ISO 4548; memory, high (flow, injection flow)" in english
    with speaking("de"):
        assert "aus dem Gedächtnis, recht sicher (Volumenstrom" in limits.accuracy_source("flow")
        assert "0,1 mm" in limits.accuracy_source("length")


def test_the_size_of_an_older_counter_is_said_when_it_is_printed():
    # ISO/TR 16386 (from memory): 10 um by ISO 4402 is 9.8 um(c).
    assert (
        "10 µm by ISO 4402 (ACFTD) is taken as 9.8 µm(c)" in certified_size("10 um", "ISO 4402")[1]
    )
    with speaking("de"):
        assert (
            "10 µm nach ISO 4402 (ACFTD) gelten als 9,8 µm(c)"
            in certified_size("10 um", "ISO 4402")[1]
        )


@pytest.mark.parametrize("specimens", [0, 1, 2])
def test_a_plural_has_its_own_form(specimens):
    planned, tested = ["A", "B", "C"], ["X", "Y"][:specimens]
    forms = ["0 Prüflinge", "1 Prüfling", "2 Prüflinge"]
    with speaking("de"):
        words = missing_specimens(planned, tested, others_allowed=True)
    assert words == f"{forms[specimens]}, der Prüfplan nennt 3"
