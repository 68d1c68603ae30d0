"""The command line: parse, call one function, print."""

import sys
from datetime import date, datetime
from pathlib import Path
from typing import Annotated

import typer

__all__ = ["app", "main"]

app = typer.Typer(
    name="dossier",
    help="From a filter laboratory's raw test data to a decided dossier: may this alternate "
    "filter be fitted here, and how do we know?",
    no_args_is_help=True,
    add_completion=False,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
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

DONE, OTHERWISE, WRONG_INPUT, OUR_BUG = 0, 1, 2, 70
DEBUG = "--debug"


def _version(wanted: bool) -> None:
    if wanted:
        from dossier import __version__

        typer.echo(f"dossier {__version__}")
        raise typer.Exit


@app.callback()
def _root(
    version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Print the version.")
    ] = False,
    debug: Annotated[bool, typer.Option(DEBUG, help="Show the traceback of an own bug.")] = False,
) -> None:
    """Hold the options that stand before a command."""


@app.command()
def check(
    case: CaseFolder,
    json: Annotated[bool, typer.Option("--json", help="Print decision.json instead.")] = False,
    issued: Issued = None,
) -> None:
    """Decide a case and print the verdicts; make no PDF.

    Example: dossier check inputs/polder-pumps
    """
    from dossier.api import assess, decision_json, read_case

    read = read_case(case)
    assessment = assess(read, _day(issued))
    if json:
        sys.stdout.write(decision_json(read, assessment, _day(issued)).decode())
    else:
        from dossier.terminal import print_assessment

        print_assessment(read, assessment)
    raise typer.Exit(_code(assessment.decision.value))


@app.command()
def build(
    case: CaseFolder,
    out: Annotated[Path, typer.Option(help="Folder to write to.")] = Path("out"),
    issued: Issued = None,
) -> None:
    """Decide a case and write its dossier: OUT/NUMBER-rREVISION.pdf, and .json beside it.

    Example: dossier build inputs/polder-pumps
    """
    from dossier.api import build as build_dossier

    built = build_dossier(case, out, _day(issued))
    typer.echo(str(built.pdf))
    typer.echo(str(built.json))
    typer.echo(f"decision: {built.assessment.decision.value} (draft, not signed)")
    raise typer.Exit(_code(built.assessment.decision.value))


def _day(issued: datetime | None) -> date | None:
    return None if issued is None else issued.date()


def _code(decision: str) -> int:
    return DONE if decision == "approved" else OTHERWISE


def main() -> None:
    """Run the command line; every expected error becomes a line, not a traceback."""
    try:
        app()
    except Exception as error:  # noqa: BLE001  the one boundary between errors and people
        sys.exit(_told(error))


def _told(error: Exception) -> int:
    """Print what a person can act on and return the exit code."""
    from dossier.case.problems import CaseError

    if isinstance(error, CaseError):
        count = len(error.problems)
        typer.echo(f"{count} problem{'s' if count != 1 else ''}:", err=True)
        for problem in error.problems:
            typer.echo(f"  {problem}", err=True)
        return WRONG_INPUT
    if isinstance(error, OSError):
        typer.echo(f"{error.filename or 'file'}: {error.strerror or error}", err=True)
        return WRONG_INPUT
    if DEBUG in sys.argv:
        import traceback

        traceback.print_exception(error)
    typer.echo(
        f"an error of this program, not of your case: {type(error).__name__}: {error} "
        f"(run again with 'dossier {DEBUG} ...' and report it)",
        err=True,
    )
    return OUR_BUG
