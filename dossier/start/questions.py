"""What a new case has to know: each question once, for the command line and for asking."""

import inspect
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import KW_ONLY, dataclass
from datetime import date
from pathlib import Path
from typing import Annotated

import typer

from dossier.case.problems import CALL, CaseProblem, refuse
from dossier.case.units import UnitError, parse_quantity

FINE = ("partial_flow", "full_and_partial_flow", "combined", "combined_through_flow")


@dataclass(frozen=True, slots=True)
class Question:
    """One question with its option."""

    key: str
    """Key of the answer; the option is the same with hyphens."""
    words: str
    """What is asked, as the help of the option and as the prompt."""
    kind: str
    """A dimension of the case format, or "text", "date", "number", "identifier"."""
    example: str
    _: KW_ONLY
    needed: bool = True
    choices: tuple[str, ...] = ()
    only: tuple[str, tuple[str, ...]] | None = None
    """Asked only where the answer of that key is one of these; without any, where there is one."""
    unless: str = ""
    """May stay open where that key is answered,"""
    still: tuple[str, ...] = ()
    """and then is asked only where one of these is answered too."""

    @property
    def flag(self) -> str:
        """The option on the command line."""
        return f"--{self.key.replace('_', '-')}"


WITH_VALVE = ("valve", ("filter", "head"))
WITH_FINE = ("arrangement", FINE)
WITH_INGRESSION: tuple[str, tuple[str, ...]] = ("ingression", ())
OWN = ("size", "capacity", "max_drop")
"""Answers that make a requirement of the case's own."""

_q = Question
QUESTIONS = (
    _q("number", "Number of the case", "identifier", "FQ-2026-014"),
    _q("candidate", "Part number of the alternate filter", "text", "ALT-7731"),
    _q("candidate_maker", "Its maker", "text", "Maker of the candidate", needed=False),
    _q("reference", "Part number of the filter now fitted", "text", "REF-2040", needed=False),
    _q("title", "What the filter is for", "text", "Main lube circuit, pump engines"),
    _q("owner", "Who owns the requirements", "text", "Fleet engineering", needed=False),
    _q("equipment", "Machines that an approval will cover, separated by commas", "text",
       "PMP-101, PMP-102", needed=False),
    _q("issued", "Day on which the requirements are issued", "date", "2026-03-02"),
    _q("arrangement", "Arrangement of the circuit", "text", "full_flow",
       choices=("full_flow", *FINE)),
    _q("rated_flow", "Rated flow through the full-flow path", "flow", "95 L/min"),
    _q("pump_flow", "Flow of the pump, where it is another", "flow", "110 L/min", needed=False,
       only=WITH_FINE),
    _q("partial_flow_share", "Share of the pump's flow through the fine path", "fraction", "10 %",
       needed=False, only=WITH_FINE),
    _q("gallery_pressure", "Regulated pressure at the bearings", "pressure", "350 kPa",
       needed=False, only=WITH_FINE),
    _q("sump_volume", "Volume of the sump", "volume", "38 L", needed=False),
    _q("valve", "Where the bypass valve is", "text", "filter",
       choices=("filter", "head", "none")),
    _q("valve_min", "Lowest pressure at which the valve may open", "pressure", "150 kPa",
       only=WITH_VALVE),
    _q("valve_max", "Highest pressure at which the valve may open", "pressure", "190 kPa",
       only=WITH_VALVE),
    _q("system_pressure", "Highest working pressure at the filter", "pressure", "550 kPa",
       needed=False),
    _q("oil", "Name of the oil", "text", "SAE 15W-40, mineral", needed=False),
    _q("kv40", "Viscosity of the oil at 40 degC", "kinematic viscosity", "110 mm2/s"),
    _q("kv100", "Viscosity of the oil at 100 degC", "kinematic viscosity", "14.5 mm2/s"),
    _q("density15", "Density of the oil at 15 degC", "density", "0.880 kg/L"),
    _q("hot_oil", "Temperature of hot oil", "temperature", "100 degC"),
    _q("normal_oil", "Usual temperature of the oil", "temperature", "90 degC"),
    _q("cold_start", "Temperature of the oil at a cold start", "temperature", "-10 degC"),
    _q("interval", "Service interval", "time", "500 h"),
    _q("ingression", "Contaminant that reaches the filter", "mass rate", "0.10 g/h", needed=False),
    _q("ingression_u", "Standard uncertainty of that", "mass rate", "0.02 g/h",
       only=WITH_INGRESSION),
    _q("dust", "Test dust that stands for it", "text", "ISO 12103-1 A3", needed=False,
       only=WITH_INGRESSION),
    _q("life_factor", "Service intervals that the filter must last", "number", "1.5",
       needed=False, only=WITH_INGRESSION),
    _q("rule", "Decision rule", "text", "guard_band",
       choices=("guard_band", "graded", "simple_acceptance")),
    _q("confidence", "Confidence of the decision", "fraction", "95 %"),
    _q("agreed", "Day on which the rule was agreed, before the tests", "date", "2026-03-02"),
    _q("extends", "Files of requirements to take as well, separated by commas", "text",
       "../library/engine-x.toml", needed=False),
    _q("size", "Particle size at which an efficiency is wanted", "size", "20 um(c)",
       unless="extends"),
    _q("efficiency", "Efficiency wanted there", "fraction", "95 %", unless="extends",
       still=("size",)),
    _q("capacity", "Contaminant that the filter must hold", "mass", "36 g", needed=False),
    _q("max_drop", "Largest pressure drop of the clean filter with hot oil", "pressure", "35 kPa",
       needed=False),
    _q("basis", "What has to reach it", "text", "mean",
       choices=("mean", "every_specimen", "population"), unless="extends", still=OWN),
    _q("source", "Where the requirements are written", "text", "Engine specification, clause 4.2",
       unless="extends", still=OWN),
)  # fmt: skip


def applies(question: Question, answers: Mapping[str, str]) -> bool:
    """Return whether a question makes sense after the answers so far."""
    if question.still and question.unless in answers:
        return any(key in answers for key in question.still)
    if question.only is None:
        return True
    key, values = question.only
    return answers.get(key) in values if values else key in answers


def needed(question: Question, answers: Mapping[str, str]) -> bool:
    """Return whether a question may not stay open after the answers so far."""
    return question.needed and (bool(question.still) or question.unless not in answers)


YES = "Ask nothing: what is missing is an error."
"""What --yes means, wherever it is given."""


def signature_of(questions: Sequence[Question]) -> inspect.Signature:
    """Return the signature of a command that takes a folder, --yes and every answer."""
    keyword = inspect.Parameter.KEYWORD_ONLY
    folder = Annotated[Path, typer.Argument(metavar="FOLDER", help="Folder of the new case.")]
    yes = Annotated[bool, typer.Option("--yes", help=YES)]
    made = [
        inspect.Parameter("folder", keyword, annotation=folder),
        inspect.Parameter("yes", keyword, annotation=yes, default=False),
    ]
    for question in questions:
        form = " | ".join(question.choices) or f"such as '{question.example}'"
        words = f"{question.words}: {form}{'' if question.needed else '; may stay open'}."
        kind = Annotated[str | None, typer.Option(question.flag, help=words)]
        made.append(inspect.Parameter(question.key, keyword, annotation=kind, default=None))
    return inspect.Signature(made, return_annotation=None)


Ask = Callable[[str], str]
"""Asks a person one question; nobody is there where it is None."""
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
        if text and (wrong := refused(question, text, answers)):
            problems.append(CaseProblem(CALL, question.flag, wrong, _hint(question)))
        if not text and ask is not None:
            text = _from(ask, question, answers)
        if not text and needed(question, answers):
            what = f"is missing: {question.words[0].lower()}{question.words[1:]}"
            problems.append(CaseProblem(CALL, question.flag, what, _hint(question)))
        if text:
            answers[question.key] = text
    refuse(problems)
    return answers


def _misplaced(question: Question) -> CaseProblem:
    key, values = question.only or (question.still[0], ())
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
    must = needed(question, answers)
    open_end = "" if must else ", empty if not known yet"
    wrong = ""
    while True:
        words = f"{question.words} ({form}{open_end})"
        text = ask(f"{wrong}\n{words}" if wrong else words).strip()
        if not text and not must:
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
"""Answers that must be larger than another."""


def _out_of_order(question: Question, value: float, answers: Mapping[str, str]) -> str:
    """Return what is wrong where one answer must be larger than another."""
    for large, small in LARGER.items():
        other = {large: small, small: large}.get(question.key, "")
        if other not in answers:
            continue
        bound = parse_quantity(answers[other], question.kind)
        above = question.key == large
        if not (value > bound if above else value < bound):
            words = f"is not {'above' if above else 'below'}"
            return f"{words} the {answers[other]} given for --{other.replace('_', '-')}"
    return ""
