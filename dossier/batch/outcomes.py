"""What became of the cases of a batch: a bar, a table, a line, and a document that counts."""

import hashlib
import sys
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from dossier.make.outcome import DONE, Outcome
from dossier.record.decision_record import as_json
from dossier.words.terminal_safe import shown


def summary(outcomes: Sequence[Outcome]) -> str:
    """Return one line that counts what became of all cases."""
    words = Counter(each.reads or "with problems, no dossier made" for each in outcomes)
    counted = ", ".join(f"{count} {word}" for word, count in sorted(words.items()))
    return f"{len(outcomes)} case{'s' if len(outcomes) != 1 else ''}: {counted}"


def summary_json(outcomes: Sequence[Outcome]) -> bytes:
    """Return the summary for programs: the same bytes for the same outcomes.

    Keys: `schema`; `exit_code`, the worst of all; `done`, how many of each; `cases` in the order
    given, each with `case`, `dossier`, `decision`, `standing`, `digest` (what sign-offs bind),
    `done`, `exit_code`, `pdf` and `json` (path and SHA-256) and `problems`; what there is not is
    null.
    """
    document = {
        "schema": "dossier batch 1.0",
        "exit_code": max((each.code for each in outcomes), default=DONE),
        "done": dict(Counter(each.done for each in outcomes)),
        "cases": [_row(each) for each in outcomes],
    }
    return as_json(document).encode("utf-8", "surrogateescape")


def _row(outcome: Outcome) -> dict[str, Any]:
    pdf, beside = outcome.files if outcome.files else (None, None)
    return {
        "case": outcome.case.as_posix(),
        "dossier": outcome.name or None,
        "decision": outcome.decision or None,
        "standing": outcome.standing or None,
        "digest": outcome.digest or None,
        "done": outcome.done,
        "exit_code": outcome.code,
        "pdf": _file(pdf),
        "json": _file(beside),
        "problems": outcome.problems,
    }


def _file(path: Path | None) -> dict[str, str] | None:
    if path is None:
        return None
    return {"path": path.as_posix(), "sha256": hashlib.sha256(path.read_bytes()).hexdigest()}


WIDTH = 100


def print_summary(outcomes: Sequence[Outcome]) -> None:
    """Print a table of what became of each case, at most 100 columns wide."""
    from rich.console import Console

    from dossier.make.verdict_text import plain_table

    console = Console(highlight=False, markup=False, emoji=False, width=WIDTH, no_color=True)
    headings = ("case", "dossier", "decision", "standing", "done", "problems")
    rows = [
        (str(each.case), each.name, each.reads, each.standing, each.done, str(each.count or ""))
        for each in outcomes
    ]
    table = plain_table(headings, rows, right=("problems",))
    table.columns[-1].no_wrap = True
    with console.capture() as printed:
        console.print(table)
    for line in printed.get().splitlines():
        print(line.rstrip())  # noqa: T201  this is a terminal


@dataclass(frozen=True, slots=True)
class Bar:
    """What is at work and how much is done, on a terminal."""

    progress: Any
    """None where there is no terminal."""
    task: Any = None
    working: list[str] = field(default_factory=list)

    def tell(self, case: Path, ended: bool) -> None:
        """Name a case while it is built; move on when it has ended."""
        name = case.name or str(case)
        if not ended:
            self.working.append(name)
        elif name in self.working:
            self.working.remove(name)
        if self.progress is not None:
            words = shown(", ".join(self.working))
            self.progress.update(self.task, description=words, advance=int(ended), refresh=True)

    def through(self, outcomes: Iterable[Outcome]) -> Iterator[Outcome]:
        """Yield outcomes, the bar taken away while the caller prints what came."""
        for each in outcomes:
            if self.progress is not None:
                self.progress.stop()
            yield each
            if self.progress is not None:
                self.progress.start()


@contextmanager
def following(total: int) -> Iterator[Bar]:
    """Give a bar that names the cases at work, drawn only where standard error is a terminal."""
    if not sys.stderr.isatty():
        yield Bar(None)
        return
    from rich.console import Console
    from rich.progress import (
        BarColumn,
        MofNCompleteColumn,
        Progress,
        SpinnerColumn,
        TextColumn,
        TimeElapsedColumn,
        TimeRemainingColumn,
    )

    progress = Progress(
        SpinnerColumn(), BarColumn(20), MofNCompleteColumn(), TimeElapsedColumn(),
        TextColumn("left"), TimeRemainingColumn(),
        TextColumn("{task.description}", markup=False), console=Console(stderr=True),
        transient=True, redirect_stdout=False, redirect_stderr=False,
    )  # fmt: skip
    progress.start()
    try:
        yield Bar(progress, progress.add_task("", total=total))
    finally:
        progress.stop()
