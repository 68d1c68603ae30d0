"""What people agreed to beside the tests: deviations and concessions, and whether they say it."""

import difflib
import unicodedata
from collections import Counter
from collections.abc import Iterator
from datetime import date

from dossier.case.application import Application
from dossier.case.model import Concession, Deviation, Qualification
from dossier.case.problems import CaseProblem

KNOWN_METHOD = "known method"
"""The rule whose deviation accepts a house method, which may be agreed before the test."""
NOBODY = {"none", "nobody", "no one", "n/a", "unknown", "tbd", "tba", "niemand", "keiner",
          "unbekannt", "somebody", "someone", "jemand"}  # fmt: skip
A_SENTENCE = "say in a sentence what happened, or what is agreed, and why"
A_PERSON = "name the responsible person, or their role"


ALIKE = str.maketrans("АВСЕІКМНОРЅТХаесіорѕухΑΒΕΗΙΚΜΝΟΡΤΧο‐‑‒–—―−",
                      "ABCEIKMHOPSTXaeciopsyxABEHIKMNOPTXo-------")  # fmt: skip
"""Letters of other alphabets, and dashes, that look as Latin ones do."""


def plain(text: str) -> str:
    """Return text as a reader sees it: in one case, without full stops and hidden marks."""
    shown = (c for c in unicodedata.normalize("NFKC", text) if not _hidden(c))
    seen = "".join(shown).translate(ALIKE)
    return " ".join(seen.casefold().replace(".", " ").split())


def _hidden(character: str) -> bool:
    """Return whether a character is seen as nothing: format marks, fillers and blank patterns."""
    filler = "FILLER" in unicodedata.name(character, "") or character == "\u2800"
    return filler or unicodedata.category(character) in {"Cf", "Cn", "Co"}


def says_something(text: str) -> bool:
    """Return whether text is a sentence: three words, twelve letters, five of them different.

    A letter of a script that is written without spaces counts as a word.  A rule of our own: it
    cannot tell whether a sentence is true, only that there is one.
    """
    words = plain(text).split()
    letters = [c for word in words for c in word if c.isalpha()]
    wide = sum(unicodedata.east_asian_width(c) == "W" for c in letters)
    if wide:
        return wide >= 6 and len(set(letters)) >= 5
    said = {word for word in words if sum(c.isalpha() for c in word) >= 2}
    return len(said) >= 3 and len(letters) >= 12 and len(set(letters)) >= 5


def _names_somebody(name: str) -> bool:
    """Return whether a name has letters enough to be that of a person or a role."""
    seen = plain(name)
    letters = [c for c in seen if c.isalpha()]
    least = 2 if any(unicodedata.east_asian_width(c) == "W" for c in letters) else 3
    return len(letters) >= least and len(set(letters)) >= 2 and seen not in NOBODY


def agreement_problems(
    application: Application, qualification: Qualification
) -> Iterator[CaseProblem]:
    """Yield what is wrong with the deviations and concessions of a case."""
    for number, deviation in enumerate(qualification.deviation, 1):
        for key, what, hint in _of_deviation(deviation, qualification):
            yield CaseProblem("case.toml", f"deviation number {number}{key}", what, hint)
    for number, concession in enumerate(qualification.concession, 1):
        for key, what, hint in _of_concession(concession, application, qualification):
            yield CaseProblem("case.toml", f"concession number {number}{key}", what, hint)
    yield from _twice(qualification)


Fault = tuple[str, str, str]
"""Key, what is wrong, what to do."""


def _said(each: Deviation | Concession, issued: date | None) -> Iterator[Fault]:
    """Yield what is wrong with text, name and day of either."""
    if not says_something(each.text):
        yield " . text", f"{each.text[:60]!r} says nothing", A_SENTENCE
    if not _names_somebody(each.agreed_by):
        yield " . agreed_by", f"{each.agreed_by[:60]!r} names nobody", A_PERSON
    if issued is not None and each.agreed > issued:
        what = f"is {each.agreed}, after the date of issue, {issued}"
        yield " . agreed", what, "what is agreed later belongs into the next revision"


def _of_deviation(each: Deviation, qualification: Qualification) -> Iterator[Fault]:
    yield from _said(each, qualification.issued)
    tested = {entry.id: entry.tested for entry in qualification.record}
    if each.record not in tested:
        what = f"names record {each.record!r}, which does not exist"
        yield "", what, f"records are {', '.join(sorted(tested))}"
    elif each.agreed < tested[each.record] and each.rule != KNOWN_METHOD:
        what = f"is {each.agreed}, before the test on {tested[each.record]} that it excuses"
        yield " . agreed", what, "give the day on which what was found at the test was accepted"
    if each.effect == "record excluded" and not says_something(each.cause):
        yield " . cause", f"{each.cause[:60]!r} is no physical cause", A_SENTENCE


def _of_concession(
    each: Concession, application: Application, qualification: Qualification
) -> Iterator[Fault]:
    yield from _said(each, qualification.issued)
    known = sorted(requirement.id for requirement in application.requirement)
    if each.requirement not in known:
        what = f"names requirement {each.requirement!r}, which does not exist"
        yield "", what, f"requirements are {', '.join(known)}"
    if each.until is not None and each.until < each.agreed:
        what = f"is {each.until}, before the day it was agreed on, {each.agreed}"
        yield " . until", what, "give the day on which it ends"
    first = min(entry.tested for entry in qualification.record)
    if each.agreed < application.issued:
        what = f"is {each.agreed}, before the application was issued, {application.issued}"
        yield " . agreed", what, "leave is given for requirements as they stand: agree on it again"
    elif each.agreed < first:
        what = f"is {each.agreed}, before the first test, {first}"
        yield " . agreed", what, "leave is given for what was found: agree on it after the tests"
    yield from _machines(each, application)


def _machines(each: Concession, application: Application) -> Iterator[Fault]:
    if each.machines and not application.equipment:
        hint = "name the machines of the application in its 'equipment'"
        yield " . machines", "cannot be checked: the application names no equipment", hint
        return
    names = ", ".join(map(repr, application.equipment))
    for machine in each.machines:
        if machine in application.equipment and plain(machine):
            continue
        near = difflib.get_close_matches(machine, application.equipment, n=1)
        meant = f"did you mean {near[0]!r}? " if near else ""
        hint = f"{meant}equipment of the application: {names}; narrow it further in the text"
        yield " . machines", f"{machine!r} is outside the application", hint


def _twice(qualification: Qualification) -> Iterator[CaseProblem]:
    """Yield what is agreed on twice, so that it is not clear who answers for it."""
    rules = Counter((each.record, each.rule) for each in qualification.deviation if each.rule)
    for (record, rule), times in rules.items():
        if times > 1:
            what = f"rule {rule!r} of record {record!r} has {times} deviations"
            yield CaseProblem("case.toml", "deviation", what, "make one of them")
    conceded = Counter(each.requirement for each in qualification.concession)
    for requirement, times in conceded.items():
        if times > 1:
            what = f"requirement {requirement!r} has {times} concessions"
            yield CaseProblem("case.toml", "concession", what, "make one of them, or leave one out")
