"""The command line: parse, call one function, print."""

import gc
import sys
from typing import Annotated

import typer

from dossier.command.building import build, check
from dossier.command.calls import Call
from dossier.command.registering import choose, compare, recall, register
from dossier.command.sealing import constraints, identity, seal, sign, verify
from dossier.command.starting import explain, new, request, schema, take
from dossier.make.outcome import DEBUG, explained, one_thread

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


for _command in (
    check, build, sign, seal, identity, verify, constraints, register, recall, compare,
    choose, new, request, take, explain, schema,
):  # fmt: skip
    app.command(cls=Call, context_settings=HELP)(_command)


def main() -> None:
    """Run the command line; every expected error becomes a line, not a traceback."""
    # A command makes many objects and few cycles, and ends: collecting often costs a tenth of it,
    # and what is left at its end need not be looked through.
    gc.set_threshold(250_000, 20, 50)
    one_thread()
    try:
        app()
    except Exception as error:  # noqa: BLE001  the one boundary between errors and people
        code, lines = explained(error, debug=DEBUG in sys.argv)
        typer.echo("\n".join(lines), err=True)
        sys.exit(code)
    finally:
        gc.freeze()
