"""A batch on the terminal: how far it is on standard error, what became of it on the other."""

import sys
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager

from dossier.batch.outcomes import Outcome
from dossier.words.terminal_safe import shown

WIDTH = 100


def print_summary(outcomes: Sequence[Outcome]) -> None:
    """Print a table of what became of each case, at most 100 columns wide."""
    from rich.console import Console
    from rich.table import Table
    from rich.text import Text

    console = Console(highlight=False, markup=False, emoji=False, width=WIDTH, no_color=True)
    table = Table(box=None, pad_edge=False, header_style="")
    for heading in ("case", "dossier", "decision", "standing", "done"):
        table.add_column(heading, overflow="fold")
    table.add_column("problems", justify="right", no_wrap=True)
    for each in outcomes:
        cells = (str(each.case), each.name, each.reads, each.standing, each.done)
        table.add_row(*(Text(shown(cell)) for cell in cells), str(each.count or ""))
    with console.capture() as printed:
        console.print(table)
    for line in printed.get().splitlines():
        print(line.rstrip())  # noqa: T201  this is a terminal


@contextmanager
def following(total: int) -> Iterator[Callable[[Iterable[Outcome]], Iterator[Outcome]]]:
    """Give a function that passes outcomes through and shows on standard error how many came.

    The bar is drawn only where standard error is a terminal, and taken away while the caller
    prints what came.
    """
    if not sys.stderr.isatty():
        yield iter
        return
    from rich.console import Console
    from rich.progress import (
        BarColumn,
        MofNCompleteColumn,
        Progress,
        TextColumn,
        TimeElapsedColumn,
        TimeRemainingColumn,
    )

    progress = Progress(
        TextColumn("dossiers"), BarColumn(), MofNCompleteColumn(), TimeElapsedColumn(),
        TextColumn("left"), TimeRemainingColumn(), console=Console(stderr=True),
        transient=True, redirect_stdout=False, redirect_stderr=False,
    )  # fmt: skip
    task = progress.add_task("", total=total)

    def through(outcomes: Iterable[Outcome]) -> Iterator[Outcome]:
        progress.start()
        for each in outcomes:
            progress.stop()
            yield each
            progress.advance(task)
            progress.start()

    try:
        yield through
    finally:
        progress.stop()
