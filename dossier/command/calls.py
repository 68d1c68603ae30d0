"""A command that tells every error of its call at once, in words of its user."""

import inspect
import os
import re
from collections.abc import Iterator, Sequence
from datetime import date, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, NoReturn

import typer
from typer.core import TyperCommand

from dossier.make.outcome import WRONG_INPUT
from dossier.words.terminal_safe import shown

if TYPE_CHECKING:
    from dossier.record.recall import Recalls


def day_of(text: str) -> date:
    """Return the day that somebody typed; the call ends at one that is none."""
    try:
        return datetime.strptime(text, "%Y-%m-%d").date()  # noqa: DTZ007  a day has no clock
    except ValueError:
        raise typer.BadParameter(f"{text!r} is no day: write YYYY-MM-DD.") from None


Day = Annotated[date | None, typer.Option(parser=day_of, metavar="YYYY-MM-DD")]
Date = Annotated[date | None, typer.Option(parser=day_of, metavar="DATE")]
Needed = Annotated[str, typer.Option()]
Certificates = Annotated[list[Path] | None, typer.Option(metavar="CERT")]
Jobs = Annotated[int, typer.Option(min=1)]
Folder = Annotated[Path, typer.Argument(metavar="FOLDER")]


def stop(*lines: object) -> NoReturn:
    """End the command, its input being wrong, with lines on what to do."""
    typer.echo("\n".join(map(shown, lines)), err=True)
    raise typer.Exit(WRONG_INPUT)


def recalls_at(folder: Path) -> "Recalls":
    """Return the recalls that count in a folder; the command ends where they are not known."""
    from dossier.record.recall import REGISTER, around, recalls_around

    if not (around(folder) or os.path.lexists(folder / REGISTER)):
        return recalls_around(folder)
    from dossier.register.register import recalls_of
    from dossier.register.store import RegisterError

    try:
        return recalls_of(folder)
    except RegisterError as error:
        stop(error)


def spare(*targets: Path | None, given: Sequence[Path] = ()) -> None:
    """End the command where it would write over a sealed dossier, or a file that it was given."""
    from dossier.record.dossier_file import is_sealed

    for path in targets:
        if path and path.is_file() and (is_sealed(path) or any(map(path.samefile, given))):
            stop(f"{path}: is a dossier, which would be lost: give another name")


def not_asked(pdf: Path) -> str:
    """Return that a register lies beside a dossier whose recalls do not count; else nothing."""
    from dossier.record.recall import around

    found = around(pdf)
    words = "whether it is recalled or superseded there was not asked ('dossier verify --register"
    return f"{found[0]} has a register: {words} FOLDER' does)" if found else ""


UsageError: Any = typer.BadParameter.__mro__[1]
"""The error of a call, which typer has under no name of its own."""
WORDS: dict[Any, str] = {
    str: "TEXT", Path: "PATH", int: "NUMBER", list[str]: "TEXT", list[Path]: "PATH",
}  # fmt: skip
"""What stands for a value in the help."""


PLAIN = (
    (r"Value error, ", ""),
    (r"Input should be (greater than or equal to|at least) ", "give at least "),
    (r"Input should be a valid (integer|number).*", "give a number"),
    (r"Input should be ", "give "),
)
"""What the libraries say of a value that is wrong, and what we do."""


def help_of(doc: str) -> tuple[str, dict[str, str]]:
    """Return the help of a command, and that of each parameter, as its docstring says them.

    Examples keep their lines, so that they can be copied from the help of a narrow terminal.
    """
    text, _, rows = inspect.cleandoc(doc).partition("\n\nOptions:")
    named = (row.partition(": ") for row in re.split(r"\n  (?=\w)", rows)[1:])
    options = {name: " ".join(words.split()) for name, _, words in named}
    return text.replace("\n\nExample:", "\n\n\b\nExample:"), options


def reworded(words: str) -> str:
    """Return what is wrong with a value in words of its user."""
    for said, ours in PLAIN:
        words = re.sub(said, ours, words)
    return words.replace("x>=", "at least ")


class Call(TyperCommand):
    """A command line of one command."""

    def __init__(self, *args: Any, **given: Any) -> None:
        """Make the command; its docstring says what it and its options do."""
        text, options = help_of(given["callback"].__doc__)
        super().__init__(*args, **given | {"help": text})
        params: list[Any] = self.params
        for each in params:
            kind = getattr(getattr(each, "type_descriptor", None), "annotation", None)
            each.help = options.get(each.name, each.help)
            if each.metavar is None and not getattr(each, "is_flag", False):
                each.metavar = WORDS.get(kind)
            if kind in WORDS and each.param_type_name == "argument":
                each.display_type_rich = lambda **_: ""  # its name says it
            each.get_help_record = _worded(each.get_help_record)

    def parse_args(self, ctx: Any, args: list[str]) -> list[str]:
        """Take the call apart; raises one error that tells all that is wrong with it."""
        given = list(args)
        try:
            return super().parse_args(ctx, args)
        except UsageError as error:
            told = list(dict.fromkeys(self._faults(ctx, given)))
            head = [f"{len(told)} problems"] if len(told) > 1 else []
            raise UsageError("\n  ".join([*head, *told]), ctx) from error

    def _faults(self, ctx: Any, args: list[str]) -> Iterator[str]:
        """Yield every fault of a call: options that do not exist, values missing or wrong."""
        ctx.ignore_unknown_options = True
        try:
            values, rest, _ = self.make_parser(ctx).parse_args(list(args))
        except UsageError as error:
            yield error.format_message()
            return
        finally:
            ctx.ignore_unknown_options = False
        taken = [each for value in values.values() for each in _listed(value)]
        unknown = [e for e in (*rest, *taken) if isinstance(e, str) and e.startswith("--")]
        yield from (f"No such option: {each.partition('=')[0]}" for each in unknown)
        yield from () if unknown else (f"Nothing takes {each!r}: leave it out" for each in rest)
        for parameter in [p for p in self.get_params(ctx) if not p.is_eager]:
            try:
                parameter.handle_parse_result(ctx, values, [])
            except UsageError as error:
                yield reworded(error.format_message())


def _worded(record: Any) -> Any:
    """Return what gives the help of a parameter, with its bounds in words."""

    def worded(ctx: Any) -> Any:
        found = record(ctx)
        return found and (found[0], reworded(found[1]))

    return worded


def _listed(value: Any) -> list[Any]:
    return list(value) if isinstance(value, (list, tuple)) else [value]
