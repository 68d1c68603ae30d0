"""The command line: parse, call one function, print."""

import gc
import inspect
import sys
from datetime import date, datetime
from pathlib import Path
from typing import Annotated

import typer

from dossier.command.building import build
from dossier.command.calls import Call
from dossier.command.registering import compare, register
from dossier.command.sealing import constraints, identity, seal, sign, verify
from dossier.command.starting import explain, new, request, schema, take
from dossier.make.outcome import DEBUG, decided
from dossier.words.terminal_safe import shown_json

HELP = {"help_option_names": ["-h", "--help"]}

app = typer.Typer(
    name="dossier",
    help="From a filter laboratory's raw test data to a decided dossier: may this alternate "
    "filter be fitted here, and how do we know?",
    no_args_is_help=True,
    add_completion=True,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    context_settings=HELP,
)

CaseFolder = Annotated[
    Path, typer.Argument(metavar="CASE", help="Case folder with application.toml and case.toml.")
]
Issued = Annotated[
    datetime | None,
    typer.Option(
        formats=["%Y-%m-%d"],
        help="Date of issue, YYYY-MM-DD; otherwise the case's own, else that of its last test.",
    ),
]


def _version(wanted: bool) -> None:
    if wanted:
        from importlib.metadata import version

        typer.echo("dossier " + version("dossier"))
        raise typer.Exit


@app.callback()
def _root(
    version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Print the version.")
    ] = False,
    debug: Annotated[bool, typer.Option(DEBUG, help="Show the traceback of an own bug.")] = False,
) -> None:
    """Hold the options that stand before a command."""


@app.command(cls=Call, context_settings=HELP)
def check(
    case: CaseFolder,
    json: Annotated[bool, typer.Option("--json", help="Print decision.json instead.")] = False,
    issued: Issued = None,
    house: Annotated[
        Path | None, typer.Option(metavar="DIR", help="Folder of a house, if built with one.")
    ] = None,
    quiet: Annotated[bool, typer.Option("--quiet", help="Print the decision alone.")] = False,
) -> None:
    """Decide a case and print the verdicts; make no PDF.

    Example: dossier check inputs/polder-pumps
    """
    from dossier.system.allocator import keep_freed_memory

    keep_freed_memory()
    from dossier.make.api import assess, decision_json, issue_date, read_case, sign_off, today
    from dossier.record.signoff import reads

    read = read_case(case, house, today())
    day = issue_date(read, _day(issued))
    assessment = assess(read, day, pages=False)
    state = sign_off(read, assessment, day, today())
    if json:
        sys.stdout.write(shown_json(decision_json(read, assessment, day, today()).decode()))
    elif quiet:
        from dossier.make.verdict_text import decision_line

        typer.echo(decision_line(assessment, state))
    else:
        from dossier.make.verdict_text import print_assessment

        print_assessment(read, assessment, state, day)
    raise typer.Exit(decided(reads(assessment.decision.value, state)))


def _day(issued: datetime | None) -> date | None:
    return None if issued is None else issued.date()


for _command in (
    build, sign, seal, identity, verify, constraints, register, compare,
    new, request, take, explain, schema,
):  # fmt: skip
    app.command(cls=Call, context_settings=HELP)(_command)
for _registered in app.registered_commands:
    # Examples keep their lines, so that they can be copied from the help of a narrow terminal.
    _doc = inspect.cleandoc(getattr(_registered.callback, "__doc__", None) or "")
    _registered.help = _doc.replace("\n\nExample:", "\n\n\b\nExample:")


def main() -> None:
    """Run the command line; every expected error becomes a line, not a traceback."""
    # A command makes many objects and few cycles, and ends: collecting often costs a tenth of it,
    # and what is left at its end need not be looked through.
    gc.set_threshold(250_000, 20, 50)
    try:
        app()
    except Exception as error:  # noqa: BLE001  the one boundary between errors and people
        sys.exit(_told(error))
    finally:
        gc.freeze()


def _told(error: Exception) -> int:
    """Print what a person can act on and return the exit code."""
    from dossier.make.outcome import explained

    code, lines = explained(error, debug=DEBUG in sys.argv)
    for line in lines:
        typer.echo(line, err=True)
    return code
