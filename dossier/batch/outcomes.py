"""What became of the cases of a batch: one outcome each, a line, and a document that counts."""

import hashlib
import json
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from dossier.make.outcome import DONE

NONE = "no dossier"
"""What was done where nothing was."""
DRAFT = "draft"


@dataclass(frozen=True, slots=True)
class Outcome:
    """What became of one case."""

    case: Path
    code: int
    """Exit code that the case alone would give."""
    decision: str = ""
    """The decision, empty where none was reached."""
    line: str = ""
    """The decision and how far it is signed."""
    files: tuple[Path, ...] = ()
    problems: tuple[str, ...] = ()
    """What to print where no dossier was made."""
    name: str = ""
    """Number and revision, as in the name of the files; empty where they cannot be read."""
    standing: str = ""
    """"signed off" or "draft"; empty without a decision."""
    done: str = NONE
    """What was done: BUILT, UP_TO_DATE, SEALED or NONE."""
    count: int = 0
    """How many problems there are."""
    digest: str = ""
    """What sign-offs bind: SHA-256 over inputs, findings and decision."""

    @property
    def reads(self) -> str:
        """Return the decision in words that cannot be taken for more than it is."""
        drafted = self.standing == DRAFT and self.decision
        return f"would be {self.decision}" if drafted else self.decision


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
    text = json.dumps(document, sort_keys=True, indent=2, ensure_ascii=False, allow_nan=False)
    return (text + "\n").encode("utf-8", "surrogateescape")


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
        "problems": list(outcome.problems),
    }


def _file(path: Path | None) -> dict[str, str] | None:
    if path is None:
        return None
    return {"path": path.as_posix(), "sha256": hashlib.sha256(path.read_bytes()).hexdigest()}
