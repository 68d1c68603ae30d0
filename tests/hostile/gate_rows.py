"""One row of the table of changed cases; each part of the gate has a list of them."""

from collections.abc import Callable
from pathlib import Path
from typing import NamedTuple

Change = Callable[[Path], None]


class Row(NamedTuple):
    """A case as a careless or dishonest hand would change it, and the line it must meet."""

    name: str
    tries: str
    case: str
    change: Change
    line: str


def all_of(*changes: Change) -> Change:
    """Return what does several things, one after another."""

    def change(folder: Path) -> None:
        for each in changes:
            each(folder)

    return change


def edit(name: str, *swaps: tuple[str, str], times: int = 1) -> Change:
    """Return what puts texts of a file in the place of others, `times` each, -1 for everywhere."""

    def change(folder: Path) -> None:
        text = (folder / name).read_text(encoding="utf-8")
        for old, new in swaps:
            assert old in text, (name, old)
            text = text.replace(old, new, times)
        (folder / name).write_text(text, encoding="utf-8")

    return change
