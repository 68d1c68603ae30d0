"""From a case without records to the files that laboratories get."""

from collections.abc import Callable
from dataclasses import replace
from datetime import date, datetime, time
from pathlib import Path

from dossier.case.draft import Asked
from dossier.case.problems import CaseError, CaseProblem
from dossier.case.units import UnitError, parse_quantity
from dossier.evidence.demand import Demand, resolve
from dossier.request.assumptions import Assumptions
from dossier.request.needed import needed_tests
from dossier.request.plan import TestRequest, plan_request, uses_criterion
from dossier.request.points import Settings
from dossier.words import ENGLISH, LANGUAGES, speaking

__all__ = ["asked_of", "filed", "make_request", "settings_of", "write_request"]

Ask = Callable[[str], str]


def asked_of(folder: Path, language: str = "") -> tuple[Asked, list[Demand]]:
    """Return what a case asks for and its requirements; CaseError lists every problem.

    `language` is one of `LANGUAGES`, for a case without case.toml, which states its own; without
    either it is English.
    """
    from dossier.case.read import read_asked_files

    asked = _in_language(read_asked_files(folder), language)
    with speaking(asked.language):
        demands, problems = resolve(asked.application, asked.file)
    if problems:
        raise CaseError(problems)
    return asked, demands


def _in_language(asked: Asked, language: str) -> Asked:
    """Return what is asked in a language; CaseError for one that is none, or not the case's."""
    what = hint = ""
    if language and language not in LANGUAGES:
        what, hint = f"{language!r} is no language here", f"give one of {', '.join(LANGUAGES)}"
    elif language and asked.draft and asked.language != language:
        what = f"{language!r} is not the language of case.toml, which is {asked.language!r}"
        hint = f'leave it out, or write language = "{language}" in case.toml'
    if what:
        raise CaseError([CaseProblem("the call", "--language", what, hint)])
    return replace(asked, language=language or asked.language or ENGLISH)


def filed(asked: Asked, day: date) -> bytes | None:
    """Return requested.toml with what is asked now; None where it is on file as it is.

    `day` is that of the request.  Raises CaseError where it precedes the application or an earlier
    request, or where it would precede tests that the case already names: to say after a test what
    was asked before it shows nothing.
    """
    from dossier.case.requested import changes_since, request_problems, request_toml, requested
    from dossier.case.toml_text import TomlError, parse_toml

    source = asked.source.content
    if asked.requests and not changes_since(asked.requests[-1], source):
        return None
    tests = [entry.tested for entry in asked.draft.record] if asked.draft else []
    if tests and day <= max(tests):
        what = f"is {day}, and case.toml names tests up to {max(tests)}"
        hint = "a request is written before its tests; give the day of today"
        raise CaseError([CaseProblem("the call", "--issued", what, hint)])
    entries = (*asked.requests, requested(asked.requests, day, source.decode()))
    content = request_toml(entries)
    try:
        parse_toml(content)
    except TomlError as error:
        raise CaseError([CaseProblem(asked.file, error.place, error.what, error.hint)]) from None
    problems = list(request_problems(entries, asked.application, source, asked.file))
    if problems:
        raise CaseError(problems)
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
    if ask and not criterion_flow and uses_criterion(needed_tests(asked.application, demands)):
        criterion_flow = ask("Flow at which a bypass valve counts as open, such as 1 L/min")
    texts = {
        "criterion_flow": (criterion_flow, "flow"),
        "terminal": (terminal, "pressure"),
        "terminal_fine": (terminal_fine, "pressure"),
    }
    values: dict[str, float] = {}
    problems = []
    for key, (text, dimension) in texts.items():
        if not text:
            continue
        flag = f"--{key.replace('_', '-')}"
        try:
            values[key] = parse_quantity(text, dimension)
        except UnitError as error:
            problems.append(CaseProblem("the call", flag, str(error), "correct it"))
            continue
        if not values[key] > 0:
            problems.append(CaseProblem("the call", flag, f"{text!r} is not above zero", "fix it"))
    if problems:
        raise CaseError(problems)
    return Settings(**values)


def make_request(
    asked: Asked, demands: list[Demand], assumed: Assumptions, settings: Settings
) -> TestRequest:
    """Return the test request of a case; CaseError lists what nobody has said yet."""
    from dossier.api import limits

    return plan_request(asked, demands, limits(), assumed, settings)


def write_request(request: TestRequest, out: Path) -> list[Path]:
    """Write the request into the folder `out` and return its files, the pages first.

    `test-request.pdf`, `records.toml`, and the blank sheets as `records/*.csv` and
    `records/records.xlsx`.  Raises CaseError where a sheet of an earlier request is there already:
    it may hold values by now.  The pages and the comments of `records.toml` are in the language
    asked for; the sheets are the same in every language, for they are read back.
    """
    from dossier.archive.files import write_whole
    from dossier.report.request_page import request_pdf
    from dossier.request.block import record_block
    from dossier.request.sheets import csv_sheet, workbook

    sheets = [sheet for test in request.tests for sheet in test.sheets]
    paths = [out / sheet.file for sheet in sheets]
    book = out / "records" / "records.xlsx"
    _accept(paths, [book, *paths])
    issued = datetime.combine(request.asked.application.issued, time(12))
    with speaking(request.asked.language):
        first = {
            out / "test-request.pdf": request_pdf(request),
            out / "records.toml": record_block(request).encode(),
            book: workbook(sheets, issued),
        }
    content = first | {p: csv_sheet(sheet) for p, sheet in zip(paths, sheets, strict=True)}
    book.parent.mkdir(parents=True, exist_ok=True)
    for path, each in content.items():
        write_whole(path, each)
    return list(content)


def _accept(sheets: list[Path], paths: list[Path]) -> None:
    if len(set(sheets)) < len(sheets):
        what = "two specimens have names that give the same file"
        raise CaseError([CaseProblem("case.toml", "specimens", what, "name them apart")])
    hint = "it may hold values: move it away, or give another folder by --out"
    there = [CaseProblem(str(path), "", "exists already", hint) for path in paths if path.exists()]
    if there:
        raise CaseError(there)
