"""From a case without records to the files that laboratories get."""

import re
from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import date, datetime, time
from pathlib import Path
from typing import Any

from dossier.case.case import Asked
from dossier.case.consistency import ended
from dossier.case.problems import CALL, CaseError, CaseProblem, refusal, refuse
from dossier.case.toml_text import TomlError, inline, parse_toml
from dossier.case.units import UnitError, parse_quantity
from dossier.case.whole import readings_sheet
from dossier.evidence.requirement import Demand, resolve
from dossier.make.read import source_problems
from dossier.request.counted import Assumptions
from dossier.request.plan import TestRequest, plan_request, uses_criterion
from dossier.request.points import Settings, tests_of_all
from dossier.start.questions import Ask
from dossier.words import speaking
from dossier.words.catalogue import ENGLISH, LANGUAGES


def asked_of(folder: Path, language: str = "") -> tuple[Asked, list[Demand]]:
    """Return what a case asks for and its requirements; CaseError lists every problem.

    `language` is one of `LANGUAGES`, for a case without case.toml, which states its own; without
    either it is English.
    """
    from dossier.case.read import read_asked_files

    asked = _in_language(read_asked_files(folder), language)
    with speaking(asked.language):
        found = [resolve(each.application, each.file, each.mark) for each in asked.each]
    problems = [problem for _, problems in found for problem in problems]
    problems += [problem for source in asked.carried for problem in source_problems(source)]
    refuse(problems)
    return asked, [demand for demands, _ in found for demand in demands]


def _in_language(asked: Asked, language: str) -> Asked:
    """Return what is asked in a language; CaseError for one that is none, or not the case's."""
    what = hint = ""
    if language and language not in LANGUAGES:
        what, hint = f"{language!r} is no language here", f"give one of {', '.join(LANGUAGES)}"
    elif language and asked.draft and asked.language != language:
        what = f"{language!r} is not the language of case.toml, which is {asked.language!r}"
        hint = f'leave it out, or write language = "{language}" in case.toml'
    if what:
        raise refusal(CALL, "--language", what, hint)
    return replace(asked, language=language or asked.language or ENGLISH)


def filed(asked: Asked, day: date, plan: Mapping[Any, Sequence[str]] | None = None) -> bytes | None:
    """Return requested.toml with what is asked now; None where it is on file as it is.

    `day` is that of the request, and `plan` the specimens of each filter.  Raises CaseError where
    the day precedes the application or an earlier request, or tests that the case already names: to
    say after a test what was asked before it shows nothing.
    """
    from dossier.case import requested as file

    refuse(ended(asked.draft, day, "the day of the request") if asked.draft else ())
    tests = [entry.tested for entry in asked.draft.record] if asked.draft else []
    own = {side: tuple(names) for side, names in (plan or {}).items() if names}
    new = []
    for each in asked.each:
        last = each.requests[-1] if each.requests else None
        replanned = last is not None and not tests and own != last.specimens
        if last is None or replanned or file.changes_since(last, each.text):
            new.append(each)
    if not new:
        return None
    if tests and day <= max(tests):
        what = f"names tests up to {max(tests)}, and the request is of {day}"
        hint = "a request is written before its tests: correct their days"
        raise refusal("case.toml", "record", what, hint)
    entries = asked.requests
    for each in new:
        entries = (*entries, file.requested(entries, day, each.text.decode(), own))
    content = file.request_toml(entries)
    try:
        parse_toml(content)
    except TomlError as error:
        raise CaseError([error.of(asked.file)]) from None
    problems: list[CaseProblem] = []
    for each in asked.each:
        told = each.application, each.text, each.file
        problems += file.request_problems(entries, *told, alone=not asked.parts)
    refuse(problems)
    return content


def settings_of(
    demands: list[Demand],
    asked: Asked,
    criterion_flow: str,
    terminal: str,
    terminal_fine: str,
    ask: Ask | None,
) -> Settings:
    """Return what the call settles for all laboratories; texts with units, empty where not given.

    `ask` gets an answer where a terminal is there to ask.  Raises CaseError for what is no value.
    """
    from dossier.make.decide import limits

    swept = uses_criterion(tests_of_all(asked, demands, limits().methods))
    if ask and not criterion_flow and swept:
        criterion_flow = ask("Flow at which a bypass valve counts as open, such as 1 L/min")
    texts = {
        "criterion_flow": (criterion_flow, "flow"),
        "terminal": (terminal, "pressure"),
        "terminal_fine": (terminal_fine, "pressure"),
    }
    values: dict[str, Any] = {}
    problems = []
    for key, (text, dimension) in texts.items():
        if not text:
            continue
        flag = f"--{key.replace('_', '-')}"
        try:
            values[key] = parse_quantity(text, dimension)
        except UnitError as error:
            problems.append(CaseProblem(CALL, flag, str(error), "correct it"))
            continue
        if not values[key] > 0:
            problems.append(CaseProblem(CALL, flag, f"{text!r} is not above zero", "fix it"))
    refuse(problems)
    return Settings(**values)


def with_reply(
    settings: Settings, issued: date, reply_by: date | None, contact: str, sampling: str
) -> Settings:
    """Return the settings with who is answered until when; what is absent is filled in by hand.

    Raises CaseError for an answer that would be due before the request.
    """
    if reply_by is not None and reply_by < issued:
        what = f"is {reply_by}, before the day of the request, {issued}"
        raise refusal(CALL, "--reply-by", what, "give a later day")
    whom, drawn = contact.strip(), sampling.strip()
    return replace(settings, issued=issued, reply_by=reply_by, contact=whom, sampling=drawn)


def make_request(
    asked: Asked, demands: list[Demand], assumed: Assumptions, settings: Settings
) -> TestRequest:
    """Return the test request of a case; CaseError lists what nobody has said yet."""
    from dossier.make.decide import limits

    return plan_request(asked, demands, limits(), assumed, settings)


def write_request(request: TestRequest, out: Path) -> list[Path]:
    """Write the request into the folder `out` and return its files, the pages first.

    `test-request.pdf`, and `laboratory.xlsx` to be filled.  Raises CaseError where a workbook of an
    earlier request is there already: it may hold values by now.  The pages, and the sheet on how to
    fill the workbook, are in the language asked for; what is read back is the same in every one.
    """
    from dossier.record.dossier_file import write_whole
    from dossier.report.pages.request_page import request_pdf
    from dossier.request.sheets import workbook

    book = out / "laboratory.xlsx"
    _accept([sheet.id for test in request.tests for sheet in test.sheets], book)
    issued = datetime.combine(request.asked.application.issued, time(12))
    with speaking(request.asked.language):
        content = {out / "test-request.pdf": request_pdf(request), book: workbook(request, issued)}
    out.mkdir(parents=True, exist_ok=True)
    for path, each in content.items():
        write_whole(path, each)
    return list(content)


def _accept(records: list[str], book: Path) -> None:
    if len({readings_sheet(each).lower() for each in records}) < len(records):
        what = "two specimens have names that give the same sheet"
        raise refusal("case.toml", "specimens", what, "name them apart")
    if book.exists():
        hint = "it may hold values: move it away, or give another folder by --out"
        raise refusal(str(book), "", "exists already", hint)


PLAN = re.compile(r"^# (specimens = \[.*\]).*$", re.MULTILINE)


def planned(text: str, request: TestRequest) -> str:
    """Return case.toml with the plan of specimens where 'dossier new' left a line for it."""
    parts = re.split(r"^(?=#? ?\[)", text, flags=re.MULTILINE)
    for side, names in request.names.items():
        line = f"specimens = {inline(names)}"
        for k, part in enumerate(parts):
            if names and part.startswith(f"[{side}]"):
                parts[k] = PLAN.sub(lambda _, line=line: line, part, 1)
    return "".join(parts)
