"""The [[record]] tables of the requested tests, ready to paste into case.toml."""

import textwrap
from collections.abc import Iterator

from dossier.case.toml_text import quoted
from dossier.case.units import from_si
from dossier.request.plan import Sheet, Test, TestRequest
from dossier.words import say

__all__ = ["record_block"]

WIDTH = 99
"""Characters of a line of comment."""


def record_block(request: TestRequest) -> str:
    """Return the tables as TOML text, its comments in the language spoken now.

    What is not known yet is a comment that says what to write.

    The lines on specimens belong under [candidate] and [reference].
    """
    lines = [*_head(request), "", *_plan(request), *_laboratory(request)]
    for test in request.tests:
        for sheet in test.sheets:
            lines += ["", *_record(request, test, sheet)]
    return "\n".join(lines) + "\n"


def _head(request: TestRequest) -> Iterator[str]:
    application = request.asked.application
    example = f'file = "records/records.xlsx#{request.tests[0].sheets[0].id}".'
    title = say(
        "Records of the test request for {title}, requirements revision {revision}.",
        title=quoted(application.title), revision=quoted(application.revision),
    )  # fmt: skip
    usage = say(
        "Paste this into case.toml. What the request settles is written; what only the laboratory "
        "knows is a line that starts with '#': take the '#' away and write the value."
    )
    sheets = say("Sheets are named as CSV files; in the workbook it is {example}", example=example)
    yield f"# {title}"
    yield from textwrap.wrap(usage, WIDTH, initial_indent="# ", subsequent_indent="# ")
    yield f"# {sheets}"


def _open(line: str, words: str) -> str:
    """Return a line to be written, as a comment that says what it is."""
    return f"# {line:<37} # {words}"


def _plan(request: TestRequest) -> Iterator[str]:
    for side, names in request.names.items():
        if names:
            listed = ", ".join(quoted(name) for name in names)
            line = f"specimens = [{listed}]"
            yield "# " + say("under {table}: {line}", table=f"[{side}]", line=line)


def _laboratory(request: TestRequest) -> Iterator[str]:
    draft = request.asked.draft
    if draft is not None and draft.laboratory:
        return
    methods = ", ".join(quoted(m) for m in dict.fromkeys(t.needed.standard for t in request.tests))
    yield "# [[laboratory]]"
    yield '# id = "L1"'
    yield '# name = "..."'
    yield _open('accreditation = "..."', say("certificate, where there is one"))
    yield f"# methods = [{methods}]"


def _record(request: TestRequest, test: Test, sheet: Sheet) -> Iterator[str]:
    needed = test.needed
    yield "[[record]]"
    yield f"id = {quoted(sheet.id)}"
    yield f"kind = {quoted(needed.kind)}"
    yield f"standard = {quoted(needed.standard)}"
    yield f"filter = {quoted(sheet.filter)}"
    if sheet.specimen:
        yield f"specimen = {quoted(sheet.specimen)}"
    if needed.path == "fine":
        yield f"path = {quoted(needed.path)}"
    yield _laboratory_line(request)
    measured = ", ".join(say(each) for each in test.instruments)
    ids = say("ids of [[instrument]] tables; {measured}", measured=measured)
    yield _open('instruments = ["..."]', ids)
    yield _open("tested = YYYY-MM-DD", say("first day of the test"))
    if needed.kind in {"multipass", "pressure_drop", "bypass_valve"}:
        yield _open('fluid = "..."', say("id of a [[fluid]] table"))
    yield f"file = {quoted(sheet.file)}"
    if test.conditions:
        yield ""
        yield "[record.conditions]"
        yield from _conditions(request, test)


def _laboratory_line(request: TestRequest) -> str:
    draft = request.asked.draft
    if draft is not None and len(draft.laboratory) == 1:
        return f"laboratory = {quoted(draft.laboratory[0].id)}"
    return _open('laboratory = "..."', say("id of a [[laboratory]] table"))


def _conditions(request: TestRequest, test: Test) -> Iterator[str]:
    known = _known(request, test)
    for each in test.conditions:
        if each.name in known:
            yield f"{each.name} = {known[each.name]}"
        else:
            yield f"# {each.name} = {each.example}   # {say(each.words)}"


def _known(request: TestRequest, test: Test) -> dict[str, str]:
    """Return the conditions that the request itself settles."""
    criterion = request.settings.criterion_flow
    if test.needed.kind == "bypass_valve" and criterion is not None:
        return {"criterion_flow": _value(criterion, "L/min", "flow")}
    if test.needed.kind != "multipass":
        return {}
    base = test.points.base_level
    known = {
        "flow": _value(test.points.flow, "L/min", "flow"),
        "terminal_pressure_drop": _value(test.points.terminal, "kPa", "pressure"),
    }
    return known | ({"base_level": _value(base, "mg/L", "concentration")} if base else {})


def _value(value: float, unit: str, dimension: str) -> str:
    return quoted(f"{from_si(value, unit, dimension):.6g} {unit}")
