"""The texts of a new case: what is known is written, what is not is a comment that says what."""

from collections.abc import Iterator, Mapping

from dossier.case.toml_text import inline, quoted
from dossier.start.questions import QUESTIONS

Answers = Mapping[str, str]
EXAMPLES = {question.key: question.example for question in QUESTIONS}
WIDE = 44
"""Column at which a comment behind a value begins."""


def _line(key: str, value: str, note: str = "") -> str:
    text = f"{key} = {value}"
    return f"{text:<{WIDE}} # {note}" if note else text


def _known(answers: Answers, answer: str, key: str, note: str) -> str:
    """Return the line of one value, or a comment that says what to write."""
    if answer in answers:
        return _line(key, quoted(answers[answer]), note)
    return f"# {_line(key, quoted(EXAMPLES[answer]))}   # not known yet: {note}"


def application_text(answers: Answers, schema: str) -> str:
    """Return application.toml for the answers; `schema` is the path of its schema."""
    parts = (_head, _circuit, _oil, _duty, _rule, _requirements)
    lines = [line for part in parts for line in (*part(answers), "")]
    return f"#:schema {schema}\n" + "\n".join(lines)


def _head(answers: Answers) -> Iterator[str]:
    yield "# Where the filter works and what it must do. Many cases may share this file."
    yield "# A line that begins with '# ' and a name is not known yet: write the value, take the"
    yield "# '# ' away."
    yield ""
    yield _line("title", quoted(answers["title"]))
    yield _line("revision", '"A"', "count up with every change")
    yield _line("issued", answers["issued"])
    yield _known(answers, "owner", "owner", "who may change the requirements")
    machines = [name.strip() for name in answers.get("equipment", "").split(",") if name.strip()]
    if "extends" in answers:
        files = [name.strip() for name in answers["extends"].split(",") if name.strip()]
        yield _line("extends", inline(files), "requirements that are taken as well")
    if machines:
        listed = ", ".join(quoted(name) for name in machines)
        yield _line("equipment", f"[{listed}]", "what an approval will cover")
    else:
        yield '# equipment = ["PMP-101", "PMP-102"]   # not known yet: what an approval will cover'


def _circuit(answers: Answers) -> Iterator[str]:
    yield "[circuit]"
    kinds = "full_flow | partial_flow | full_and_partial_flow | combined | combined_through_flow"
    yield f"# arrangement: {kinds}"
    yield _line("arrangement", quoted(answers["arrangement"]))
    yield _line("rated_flow", quoted(answers["rated_flow"]), "through the full-flow path")
    if answers["arrangement"] != "full_flow":
        yield _known(answers, "pump_flow", "pump_flow", "of the pump, where it is another")
        yield _known(answers, "partial_flow_share", "partial_flow_share",
                     "of the pump's flow, through the fine path")  # fmt: skip
        yield _known(answers, "gallery_pressure", "gallery_pressure",
                     "regulated, at the bearings; drives a fine path to the sump")  # fmt: skip
    yield _known(answers, "sump_volume", "sump_volume", "oil in the whole circuit")
    yield _known(answers, "system_pressure", "system_pressure",
                 "highest working pressure at the filter")  # fmt: skip
    if answers["valve"] == "none":
        yield _line("bypass_valve", '{ location = "none" }')
        return
    ends = f"min = {quoted(answers['valve_min'])}, max = {quoted(answers['valve_max'])}"
    place = quoted(answers["valve"])
    yield _line("bypass_valve", f"{{ location = {place}, opening = {{ {ends} }} }}")


def _oil(answers: Answers) -> Iterator[str]:
    yield "[oil]"
    yield _known(answers, "oil", "description", "name and base of the oil")
    yield _line("kv40", quoted(answers["kv40"]), "kinematic viscosity at 40 degC")
    yield _line("kv100", quoted(answers["kv100"]), "and at 100 degC, from the data sheet")
    yield _line("density15", quoted(answers["density15"]), "at 15 degC")


def _duty(answers: Answers) -> Iterator[str]:
    yield "[duty]"
    yield _line("hot_oil", quoted(answers["hot_oil"]))
    yield _line("normal_oil", quoted(answers["normal_oil"]))
    yield _line("cold_start", quoted(answers["cold_start"]))
    yield _line("service_interval", quoted(answers["interval"]))
    reaches = "contaminant that reaches the filter; no life without it"
    if "ingression" in answers:
        value, u = quoted(answers["ingression"]), quoted(answers["ingression_u"])
        yield _line("ingression", f"{{ value = {value}, u = {u} }}", reaches)
    else:
        example = 'ingression = { value = "0.10 g/h", u = "0.02 g/h" }'
        yield f"# {example}   # not known yet: {reaches}"
    yield _known(answers, "dust", "ingression_dust", "test dust that stands for it")
    factor = answers.get("life_factor")
    note = "the filter must last so many service intervals; a requirement by itself"
    yield (
        _line("life_factor", factor, note)
        if factor
        else f"# life_factor = 1.5   # not known yet: {note}"
    )


def _rule(answers: Answers) -> Iterator[str]:
    yield "[decision_rule]"
    yield "# kind: simple_acceptance | guard_band | graded; agreed before the first test"
    yield _line("kind", quoted(answers["rule"]))
    yield _line("confidence", quoted(answers["confidence"]))
    yield _line("agreed", answers["agreed"])


def _requirements(answers: Answers) -> Iterator[str]:
    yield "# One table for each thing that the filter must do. 'dossier explain' lists what can be"
    yield "# asked for. severity: mandatory | advisory. basis: mean | every_specimen | population"
    if "size" in answers:
        share, size = answers["efficiency"], answers["size"]
        yield from _requirement(
            answers, "E1", f"Removes at least {share} of particles of {size} and larger",
            "efficiency", f'at = {{ size = {quoted(size)} }}', f"min = {quoted(share)}",
        )  # fmt: skip
    if "capacity" in answers:
        mass = answers["capacity"]
        yield from _requirement(answers, "C1", f"Holds at least {mass} of contaminant",
                                "retained_capacity", f"min = {quoted(mass)}")  # fmt: skip
    else:
        yield from _open("C1", "retained_capacity", f"min = {quoted(EXAMPLES['capacity'])}",
                         "contaminant that the filter must hold")  # fmt: skip
    hot = f"at = {{ temperature = {quoted(answers['hot_oil'])} }}"
    if "max_drop" in answers:
        drop = answers["max_drop"]
        words = f"The clean filter takes at most {drop} with hot oil at rated flow"
        yield from _requirement(answers, "P1", words, "clean_pressure_drop", hot,
                                f"max = {quoted(drop)}")  # fmt: skip
    else:
        yield from _open("P1", "clean_pressure_drop", f"max = {quoted(EXAMPLES['max_drop'])}",
                         "largest pressure drop of the clean filter", hot)  # fmt: skip


def _requirement(answers: Answers, name: str, text: str, quantity: str, *more: str
                 ) -> Iterator[str]:  # fmt: skip
    yield ""
    yield "[[requirement]]"
    yield _line("id", quoted(name))
    yield _line("text", quoted(text))
    yield _line("quantity", quoted(quantity))
    yield from more
    yield _line("source", quoted(answers["source"]), "document and clause")
    yield _line("severity", '"mandatory"')
    yield _line("basis", quoted(answers["basis"]))


def _open(name: str, quantity: str, limit: str, note: str, *more: str) -> Iterator[str]:
    yield ""
    yield f"# not known yet: {note}"
    yield "# [[requirement]]"
    yield f"# id = {quoted(name)}"
    yield '# text = "..."'
    yield f"# quantity = {quoted(quantity)}"
    yield from (f"# {line}" for line in (*more, limit))
    yield '# source = "..."'
    yield '# severity = "mandatory"'


def case_text(answers: Answers, schema: str) -> str:
    """Return case.toml for the answers; `schema` is the path of its schema."""
    parts = (_case, _filters, _laboratory)
    lines = [line for part in parts for line in (*part(answers), "")]
    return f"#:schema {schema}\n" + "\n".join(lines)


def _case(answers: Answers) -> Iterator[str]:
    yield "# This qualification: filters, laboratory, instruments, test fluids, records."
    yield ""
    yield _line("number", quoted(answers["number"]))
    yield _line("revision", "0", "count up with every new issue of the dossier")
    title = f"{answers['candidate']} for: {answers['title']}"[:200]
    yield _line("title", quoted(title))
    yield '# purpose = "..."   # why another filter is wanted, such as "Second source"'
    yield _line("application", '"application.toml"')
    yield "# review_due = YYYY-MM-DD   # day on which the decision is to be looked at again"
    yield '# language = "de"           # of the dossier and the test request; otherwise English'
    yield '# paper = "US Letter"       # of the dossier; otherwise A4'
    yield '# units = "US customary beside"   # psi, US gal/min, °F and in beside; SI decides'


def _filters(answers: Answers) -> Iterator[str]:
    yield "[candidate]"
    yield _line("part_number", quoted(answers["candidate"]))
    yield _known(answers, "candidate_maker", "maker", "who makes it")
    yield '# description = "..."   # form, medium, thread'
    yield '# lots = ["..."]   # lots that the specimens are taken from'
    yield '# specimens = ["C1", "C2", "C3"]   # names; dossier request calculates how many'
    yield ""
    note = "the filter now fitted; needed by not_worse_than_reference"
    if "reference" in answers:
        yield f"[reference]   # {note}"
        yield _line("part_number", quoted(answers["reference"]))
        yield '# specimens = ["R1", "R2", "R3"]'
    else:
        yield f"# not known yet: {note}"
        yield "# [reference]"
        yield f"# part_number = {quoted(EXAMPLES['reference'])}"


def _laboratory(answers: Answers) -> Iterator[str]:
    yield "# Laboratory, instruments, test fluids, specimens and records come with the workbook"
    yield "# that 'dossier request CASE' writes and 'dossier take CASE FILE' reads."
    yield "# Files of a laboratory's own making are taken the same way."
