"""Answers: taken from the call, asked for where a person is there, and looked at one by one."""

import re
from collections.abc import Callable, Mapping
from datetime import date

from dossier.case.problems import CaseError, CaseProblem
from dossier.case.units import UnitError, parse_quantity
from dossier.start.questions import QUESTIONS, Question, applies

Ask = Callable[[str], str]
CALL = "the call"
LONGEST = 150
"""Characters of a name that still fits where the case format puts it."""
_IDENTIFIER = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]{0,63}")


def collect(given: Mapping[str, str], ask: Ask | None) -> dict[str, str]:
    """Return every answer; `ask` gets one from a person, or is None where nobody is there.

    An open question that may stay open has no answer.  Raises CaseError that names the option of
    each answer that is missing, not understood, or given where it does not apply.
    """
    answers: dict[str, str] = {}
    problems: list[CaseProblem] = []
    for question in QUESTIONS:
        text = given.get(question.key, "").strip()
        if not applies(question, answers):
            if text:
                problems.append(_misplaced(question))
            continue
        wrong = refused(question, text, answers) if text else ""
        if wrong:
            problems.append(CaseProblem(CALL, question.flag, wrong, _hint(question)))
        if not text and ask is not None:
            text = _from(ask, question, answers)
        if not text and question.needed:
            what = f"is missing: {question.words[0].lower()}{question.words[1:]}"
            problems.append(CaseProblem(CALL, question.flag, what, _hint(question)))
        if text:
            answers[question.key] = text
    if problems:
        raise CaseError(problems)
    return answers


def _misplaced(question: Question) -> CaseProblem:
    key, values = question.only or ("", ())
    flag = f"--{key.replace('_', '-')}"
    if not values:
        return CaseProblem(CALL, question.flag, f"needs {flag}", f"give {flag} too, or neither")
    hint = f"leave it out, or give {flag} as one of {', '.join(values)}"
    return CaseProblem(CALL, question.flag, f"does not apply with this {flag}", hint)


def _hint(question: Question) -> str:
    if question.choices:
        return f"give one of {', '.join(question.choices)}"
    return f"give {question.flag} '{question.example}'"


def _from(ask: Ask, question: Question, answers: Mapping[str, str]) -> str:
    """Return an answer that is understood; an empty one where the question may stay open."""
    form = " | ".join(question.choices) or f"such as {question.example}"
    open_end = "" if question.needed else ", empty if not known yet"
    wrong = ""
    while True:
        words = f"{question.words} ({form}{open_end})"
        text = ask(f"{wrong}\n{words}" if wrong else words).strip()
        if not text and not question.needed:
            return ""
        wrong = refused(question, text, answers) if text else "an answer is needed"
        if not wrong:
            return text


def refused(question: Question, text: str, answers: Mapping[str, str]) -> str:
    """Return what is wrong with an answer after those before it, or an empty string."""
    if question.choices:
        return "" if text in question.choices else f"{text!r} is not one of the choices"
    if question.kind == "identifier":
        ok = _IDENTIFIER.fullmatch(text)
        return "" if ok else f"{text!r} is not a number made of letters, digits, '.', '_' and '-'"
    if question.kind == "text":
        return "" if len(text) <= LONGEST else f"longer than {LONGEST} characters"
    try:
        if question.kind == "date":
            date.fromisoformat(text)
        elif question.kind == "number":
            float(text)
        else:
            return _out_of_order(question, parse_quantity(text, question.kind), answers)
    except UnitError as error:
        return str(error)
    except ValueError:
        return f"{text!r} is no {question.kind}; write it like {question.example}"
    return ""


LARGER = {"valve_max": "valve_min", "kv40": "kv100"}
SMALLER = {"kv100": "kv40", "valve_min": "valve_max"}


def _out_of_order(question: Question, value: float, answers: Mapping[str, str]) -> str:
    """Return what is wrong where one answer must be larger than another."""
    for table, words in ((LARGER, "is not above"), (SMALLER, "is not below")):
        other = table.get(question.key)
        if other is None or other not in answers:
            continue
        bound = parse_quantity(answers[other], question.kind)
        fits = value > bound if table is LARGER else value < bound
        if not fits:
            return f"{words} the {answers[other]} given for --{other.replace('_', '-')}"
    return ""
