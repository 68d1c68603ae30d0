"""The commands before there is a dossier: a new case, its test request, and what words mean."""

import difflib
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

import typer

from dossier.command.calls import Day, stop
from dossier.make.outcome import DONE, WRONG_INPUT
from dossier.start.questions import QUESTIONS, signature_of

if TYPE_CHECKING:
    from dossier.evidence.registry import Quantity, StatedAt
    from dossier.evidence.requirement import Demand
    from dossier.request.counted import Assumptions
    from dossier.request.plan import TestRequest


def new(folder: Path, yes: bool, **answers: str | None) -> None:
    """Start a case of your own.

    Writes application.toml, case.toml and a folder for records. What is not given as an option
    is asked for; nothing is taken for granted, and no file is overwritten. What is not known
    yet can stay open and becomes a comment that says what to write.

    Example: dossier new inputs/my-case
    """
    from dossier.start.scaffold import next_steps, write_case

    given = {key: text for key, text in answers.items() if text is not None}
    ask = None if yes or not sys.stdin.isatty() else _asked
    for path in write_case(folder, given, ask):
        typer.echo(str(path))
    typer.echo(next_steps(folder))


new.__signature__ = signature_of(QUESTIONS)  # type: ignore[attr-defined]  # read by typer
new.__annotations__ = {p.name: p.annotation for p in signature_of(QUESTIONS).parameters.values()}


def _asked(words: str) -> str:
    return str(typer.prompt(words, default="", show_default=False, err=True)).strip()


def request(
    case: Annotated[Path, typer.Argument(metavar="CASE")],
    scatter: list[str] | None = None,
    margin: list[str] | None = None,
    share: str = "",
    criterion_flow: str = "",
    terminal: str = "",
    terminal_fine: str = "",
    language: str = "",
    contact: str = "",
    reply_by: Day = None,
    sampling: str = "",
    out: Path | None = None,
    issued: Day = None,
    yes: Annotated[bool, typer.Option("--yes")] = False,
) -> None:
    r"""Write the test request for laboratories.

    Pages (PDF), and a workbook for everything that the laboratory knows, which 'dossier take'
    reads back. Tests, points, columns and conditions follow from the requirements; the number of
    specimens from the decision rule and the assumptions given here, which the request prints.

    What is asked goes on file with today's date, as CASE/requested.toml: the dossier names what
    changes in application.toml afterwards.

    Example: dossier request inputs/polder-pumps --scatter "4 %" --margin "10 %" \
        --scatter "B2=1 K" --margin "B2=3 K" --share "50 %" --criterion-flow "1 L/min"

    Options:
      case: Case folder; needs no records, nor case.toml.
      scatter: Standard deviation assumed between specimens, in percent of the limit (of what
        passes, for an efficiency) or in the quantity's unit: '4 %' for all, 'B2=1.5 K' for a
        requirement, 'service_life=8 %' for a quantity; repeatable.
      margin: Distance expected between result and limit, written like --scatter.
      share: Part of the margin that the scatter may take up, such as '50 %'.
      criterion_flow: Flow at which a bypass valve counts as open, such as '1 L/min'.
      terminal: Differential pressure of the element at which a run ends; otherwise from the bypass
        valve and the requirements.
      terminal_fine: The same for the fine path.
      language: Language of the request where there is no case.toml, which states its own: en or de;
        otherwise English.
      contact: Whom a laboratory asks; otherwise a line to fill in by hand.
      reply_by: Last day for an answer; otherwise such a line.
      sampling: How specimens are drawn from their lots and by whom, such as 'at random from stock,
        by goods inspection'; otherwise such a line.
      out: Folder to write to; otherwise CASE/request.
      issued: Day that the pages carry; otherwise today.
      yes: Ask nothing: what is missing is an error.
    """
    from dossier.case.requested import REQUEST_FILE
    from dossier.make import request_files as files
    from dossier.make.api import today
    from dossier.record.dossier_file import write_whole

    asked, demands = files.asked_of(case, language)
    latest = today()
    day = issued or latest
    if day > latest:
        stop(f"--issued {day} is a day that has not come: no earlier request could follow it")
    ask = not yes and sys.stdin.isatty()
    assumed = _assumptions(demands, scatter or [], margin or [], share, ask)
    valve = files.settings_of(
        demands, asked, criterion_flow, terminal, terminal_fine, _asked if ask else None
    )
    told = files.with_reply(valve, day, reply_by, contact, sampling)
    made = files.make_request(asked, demands, assumed, told)
    on_file = files.filed(asked, latest, made.names)  # a day before shows nothing of its writing
    for path in files.write_request(made, out or case / "request"):
        typer.echo(str(path))
    if on_file is None:
        typer.echo(f"requirements are on file since {asked.requests[-1].day}, unchanged")
    else:
        write_whole(case / REQUEST_FILE, on_file)
        typer.echo(f"{case / REQUEST_FILE}")
    _plan(case / "case.toml", made)


def _plan(path: Path, made: "TestRequest") -> None:
    """Write the plan of specimens into case.toml, or say that it belongs there."""
    from dossier.make.request_files import planned
    from dossier.record.dossier_file import write_whole

    text = path.read_text(encoding="utf-8") if path.exists() else ""
    written = planned(text, made)
    if written != text:
        write_whole(path, written.encode())
        typer.echo(f"{path}: specimens as planned")
    elif not text or "\nspecimens" not in text:
        told = "write into case.toml, or a specimen that is left out does not show"
        typer.echo(f"{told}: {dict(made.names)}")


def take(
    case: Annotated[Path, typer.Argument(metavar="CASE")],
    files: Annotated[list[Path], typer.Argument(metavar="FILE...")],
    accept: Annotated[bool, typer.Option("--accept")] = False,
) -> None:
    """Take a laboratory's file into the case, as it is.

    The workbook of 'dossier request' is read whole. For any other file it shows which tables
    it found and why, and writes into case.toml how each is read: the file itself is copied
    to CASE/records and never changed.

    Example: dossier take inputs/my-case delivered.xlsx

    Options:
      case: Case folder with case.toml.
      files: What a laboratory delivered: XLSX or CSV; a run's counts and its pressure log in one
        call.
      accept: Ask nothing: take what is sure, name the rest.
    """
    from dossier.start.take import take_files

    lines, sure = take_files(case, files, None if accept or not sys.stdin.isatty() else _asked)
    for line in lines:
        typer.echo(line)
    raise typer.Exit(DONE if sure else WRONG_INPUT)


def _assumptions(
    demands: "list[Demand]", scatter: list[str], margin: list[str], share: str, ask: bool
) -> "Assumptions":
    from dossier.request.counted import Assumptions, assumptions_of, needs_scatter

    if not any(needs_scatter(demand) for demand in demands):
        return Assumptions(scatter={}, margin={}, share=1.0)  # no number follows from any
    if ask:
        scatter = scatter or [_asked("Scatter assumed between specimens, such as 4 %")]
        margin = margin or [_asked("Margin expected between result and limit, such as 10 %")]
        share = share or _asked("Part of the margin that the scatter may take up, such as 50 %")
    return assumptions_of(scatter, margin, share, demands)


def _quantities() -> list[str]:
    from dossier.evidence.quantities import all_quantities

    return list(all_quantities())


def explain(
    quantity: Annotated[str, typer.Argument(metavar="QUANTITY", autocompletion=_quantities)] = "",
) -> None:
    """Say what a quantity means.

    Formula, standard, conditions, records needed, and an example of a requirement.

    Example: dossier explain filtration_ratio

    Options:
      quantity: Name of a quantity; without one, all.
    """
    if not quantity:
        typer.echo(all_listed())
        return
    text = meaning_of(quantity)
    typer.echo(text or nearest(quantity), err=not text)
    raise typer.Exit(DONE if text else WRONG_INPUT)


def schema(
    file: Annotated[Literal["application", "case", "decision"], typer.Argument(metavar="FILE")],
) -> None:
    """Print the JSON Schema of a case file, or of decision.json.

    For editors and other programs.

    Example: dossier schema application

    Options:
      file: application, case or decision: for the file of that name.
    """
    if file == "decision":
        from dossier.record.decision_record import canonical, decision_schema

        sys.stdout.write(canonical(decision_schema()).decode())
    else:
        from dossier.start.scaffold import schema_text

        sys.stdout.write(schema_text(file))


BETTER = {
    "higher": "more is better",
    "lower": "less is better",
    "neither": "neither more nor less is better: give between = { min, max }",
}


def all_listed() -> str:
    """Return a line for each quantity: name, unit and title."""
    from dossier.evidence.quantities import all_quantities

    known = all_quantities()
    wide = max(map(len, known))
    lines = [
        f"{name:<{wide}}  {_unit(each) or 'number':<8}  {each.title}"
        for name, each in known.items()
    ]
    return "\n".join([*lines, "", "dossier explain QUANTITY says what one of them means"])


def meaning_of(name: str) -> str | None:
    """Return everything that is declared of one quantity; None where there is none."""
    from dossier.evidence.quantities import all_quantities

    each = all_quantities().get(name)
    if each is None:
        return None
    conditions = [_condition(one) for one in each.conditions] or ["none"]
    better = "write must_hold = true" if each.dimension == "statement" else BETTER[each.better]
    parts = [
        f"{each.name}: {each.title}",
        "",
        each.meaning,
        "",
        f"formula     {each.formula}",
        f"            {each.symbol}: {each.title.lower()}",
        f"source      {each.standard}",
        f"unit        {_unit(each) or 'none, a bare number'}; {better}",
        f"at          {conditions[0]}",
        *(f"            {one}" for one in conditions[1:]),
        f"records     {', '.join(each.records)}",
        "",
        "[[requirement]]",
        'id = "R1"',
        'text = "..."',
        f'quantity = "{name}"',
        each.example,
        'source = "document and clause"',
        'severity = "mandatory"',
    ]
    return "\n".join(parts)


def nearest(name: str) -> str:
    """Return the words for a quantity that is not known: the closest names, else where to look."""
    from dossier.evidence.quantities import all_quantities

    near = difflib.get_close_matches(name.lower().replace("-", "_"), all_quantities(), 3, 0.6)
    hint = f"did you mean {' or '.join(near)}?" if near else "'dossier explain' lists them all"
    return f"{name!r} is not a quantity: {hint}"


def _unit(each: "Quantity") -> str:
    if each.dimension == "statement":
        return "yes/no"
    return "" if each.unit == "1" else each.unit


def _condition(one: "StatedAt") -> str:
    from dossier.case.units import DIMENSIONS

    example = DIMENSIONS[one.dimension][1] if one.dimension in DIMENSIONS else "a name"
    default = f"; otherwise {one.default} of the application" if one.default else "; needed"
    return f"{one.name}, such as {example}{default}"
