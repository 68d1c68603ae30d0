"""Every sentence that a page can say is found, can be translated and is translated."""

# mypy: disable-error-code=attr-defined

import ast
import re
from collections import Counter

import pytest

from dossier.words import decimal_mark, other_language, speaking
from dossier.words.catalogue import ENGLISH, LANGUAGES
from tests.words import messages

OTHERS = sorted(set(LANGUAGES) - {ENGLISH})


def shown(entries):
    return "\n".join(f"  {context + ': ' if context else ''}{forms}" for context, forms in entries)


@pytest.mark.parametrize("language", OTHERS)
def test_every_sentence_has_a_translation(language):
    held = messages.held(language)
    lacking = [each for each in sorted(messages.needed()) if not all(held.get(each, ("",)))]
    assert not lacking, f"{len(lacking)} sentences without words in {language}:\n{shown(lacking)}"


@pytest.mark.parametrize("language", OTHERS)
def test_no_translation_is_fuzzy_or_left_over(language):
    catalogue = messages.catalogue(language)
    known = messages.needed() | {("", forms) for forms in messages.declared()}
    left = [each for each in messages.held(language) if each not in known]
    assert not left, f"no longer said:\n{shown(left)}"
    assert not catalogue.obsolete
    assert not [message.id for message in catalogue if message.id and message.fuzzy]


@pytest.mark.parametrize("language", OTHERS)
def test_a_translation_keeps_the_places_and_their_formats(language):
    for (_, forms), translated in messages.held(language).items():
        assert len(translated) == len(forms), forms
        for form, words in zip(forms, translated, strict=True):
            assert messages.places(form) == messages.places(words), f"{form!r}: {words!r}"


@pytest.mark.parametrize("language", OTHERS)
def test_a_translation_says_the_numbers_of_the_sentence(language):
    """A limit or a share that differs is another rule; clauses of a standard keep their points."""
    with speaking(language):
        mark = decimal_mark()
    faults = []
    for (_, forms), translated in messages.held(language).items():
        for form, words in zip(forms, translated, strict=True):
            said, told = (re.sub(r"\{.*?\}", "", each) for each in (form, words))
            wanted, held = (
                Counter(re.findall(r"\d+(?:\.\d+)*", each))
                for each in (said, re.sub(rf"(?<=\d){mark}(?=\d)", ".", told))
            )
            pointed = re.search(r"\d\.\d", told) and "ISO/IEC 17025" not in told
            faults += [(form, words)] * bool(wanted - held or pointed)
    assert not faults


def test_babel_finds_every_sentence():
    # Words inside the places of an f-string are seen by Python and not by Babel's extraction.
    found = messages.found_by_babel()
    hidden = [
        f"{use.place}: {use.forms}"
        for use in messages.uses()
        if messages.literal(use) and use.forms not in found and use.forms != ("",)
    ]
    assert not hidden, "\n".join(hidden)


def test_a_sentence_is_a_literal_or_the_name_of_one():
    made = (ast.JoinedStr, ast.BinOp)
    faults = [
        f"{use.place}: {ast.unparse(form)}"
        for use in messages.uses()
        for form in use.forms
        if isinstance(form, made)
        or (isinstance(form, ast.Call) and ast.unparse(form.func) in {"str", "format", "speak"})
        or (isinstance(form, ast.Call) and ast.unparse(form.func).endswith((".format", ".join")))
    ]
    assert not faults, "\n".join(faults)


def test_later_takes_a_literal():
    faults = [u.place for u in messages.uses() if u.function == "later" and not messages.literal(u)]
    assert not faults


def test_a_sentence_gets_a_value_for_each_place_and_no_other():
    faults = []
    for use in messages.uses():
        if use.names is None or not messages.literal(use):
            continue
        wanted = {name for form in use.forms for name, _, _ in messages.places(form)}
        if use.function == "say_count":
            wanted.add("number")
        if wanted != use.names:
            faults.append(f"{use.place}: {use.forms}: given {sorted(use.names)}")
    assert not faults, "\n".join(faults)


def test_nothing_is_said_while_a_module_is_read():
    faults = []
    for path in messages.MODULES:
        tree = ast.parse(path.read_text(encoding="utf-8"))
        faults += [f"{path.name}:{line}" for line in _said_at_once(tree)]
    assert not faults, "\n".join(faults)


def _said_at_once(node):
    """Yield the lines of calls of say that stand in no function."""
    for child in ast.iter_child_nodes(node):
        if isinstance(child, ast.FunctionDef | ast.AsyncFunctionDef | ast.Lambda):
            continue
        if messages.called(child) in {"say", "say_count"}:
            yield child.lineno
        yield from _said_at_once(child)


@pytest.mark.parametrize("language", OTHERS)
def test_the_sentences_of_a_catalogue_read_as_its_language(language):
    """Nearly all, and none as the other: what was said is the witness of how a language reads."""
    held = messages.held(language).items()
    pairs = [(one[0], other[0]) for (_, one), other in held if len(one[0]) > 60]
    for spoken, at in ((language, 0), (ENGLISH, 1)):
        with speaking(spoken):
            told = [other_language(pair[at]) for pair in pairs]
            same = [other_language(pair[1 - at]) for pair in pairs]
        assert told.count("") < 0.05 * len(told)
        assert same.count("") > 0.99 * len(same)
