"""A command that tells every error of its call at once, in words of its user."""

from collections.abc import Iterator
from datetime import datetime
from pathlib import Path
from typing import Any

import typer
from typer.core import TyperCommand

UsageError: Any = typer.BadParameter.__mro__[1]
"""The error of a call, which typer has under no name of its own."""
WORDS: dict[Any, str] = {
    str: "TEXT", Path: "PATH", int: "NUMBER", datetime: "YYYY-MM-DD", list[str]: "TEXT",
    list[Path]: "PATH", list[int]: "NUMBER",
}  # fmt: skip
"""What stands for a value in the help."""


class Call(TyperCommand):
    """A command line of one command."""

    def get_params(self, ctx: Any) -> list[Any]:
        """Return the parameters, each with a word for its value."""
        found: list[Any] = super().get_params(ctx)
        for each in found:
            kind = getattr(getattr(each, "type_descriptor", None), "annotation", None)
            if each.metavar is None and not getattr(each, "is_flag", False):
                each.metavar = WORDS.get(kind)
            if kind in WORDS and each.param_type_name == "argument":
                each.display_type_rich = lambda **_: ""  # its name says it
        return found

    def parse_args(self, ctx: Any, args: list[str]) -> list[str]:
        """Take the call apart; raises one error that tells all that is wrong with it."""
        given = list(args)
        try:
            return super().parse_args(ctx, args)
        except UsageError as error:
            told = list(dict.fromkeys(self._faults(ctx, given)))
            head = [f"{len(told)} of them"] if len(told) > 1 else []
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
        for each in dict.fromkeys([*rest, *taken]):
            if isinstance(each, str) and each.startswith("--"):
                yield f"No such option: {each.partition('=')[0]}"
        for parameter in [p for p in self.get_params(ctx) if not p.is_eager]:
            try:
                parameter.handle_parse_result(ctx, values, [])
            except UsageError as error:
                words = error.format_message().replace("Value error, ", "")
                yield words.replace("'%Y-%m-%d'", "YYYY-MM-DD")


def _listed(value: Any) -> list[Any]:
    return list(value) if isinstance(value, (list, tuple)) else [value]
