"""What a build comes to: an exit code, and lines that a person can act on."""

import os
from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

from dossier.case.problems import CaseError
from dossier.words.terminal_safe import shown

if TYPE_CHECKING:
    from dossier.decision.finding import Assessment
    from dossier.record.dossier_file import Saved
    from dossier.record.recall import Recalled, Recalls
    from dossier.report.signing import SignOff

DONE, OTHERWISE, WRONG_INPUT, OUR_BUG = 0, 1, 2, 70
DEBUG = "--debug"
MOST_LINES = 200
"""Problems that are printed; a person corrects the first ones first."""


def one_thread() -> None:
    """Have the numerical libraries, not yet loaded, start no threads unless the environment does.

    For one case threads take a tenth more processor time and save none; without them a sum is
    added up in the same order on every machine.
    """
    for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
        os.environ.setdefault(name, "1")


def decided(decision: str) -> int:
    """Return the exit code of a decision."""
    return DONE if decision == "approved" else OTHERWISE


def explained(error: Exception, *, debug: bool) -> tuple[int, list[str]]:
    """Return the exit code of an error and what to print of it; `debug` adds the traceback."""
    if isinstance(error, CaseError):
        count = len(error.problems)
        head = f"{count} problem{'s' if count != 1 else ''}:"
        lines = [f"  {shown(problem)}" for problem in error.problems[:MOST_LINES]]
        more = [f"  and {count - MOST_LINES} more"] if count > MOST_LINES else []
        return WRONG_INPUT, [head, *lines, *more]
    if isinstance(error, OSError):
        return WRONG_INPUT, [shown(f"{error.filename or 'file'}: {error.strerror or error}")]
    if type(error).__name__ == "MissingLibraryError":  # by name: its module is slow to import
        return WRONG_INPUT, [shown(error)]
    import traceback

    lines = traceback.format_exception(error) if debug else []
    return OUR_BUG, [
        *"".join(lines).splitlines(),
        f"an error of this program, not of your case: {type(error).__name__}: {shown(error)} "
        f"(run again with 'dossier {DEBUG} ...' and report it)",
    ]


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
    note: str = ""
    """What to look at although a dossier was made."""
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


@dataclass(frozen=True, slots=True, kw_only=True)
class Order:
    """What holds for all cases of a run."""

    out: Path
    issued: date | None = None
    house: Path | None = None
    only_stale: bool = False
    """Do not touch a dossier that holds what is built."""
    replace: bool = False
    """Write over a sealed dossier."""
    on: date | None = None
    """The day it is."""
    recalls: "Recalls | None" = None
    """Those on file beside the dossiers."""
    debug: bool = False


def build_one(case: Path, order: Order) -> Outcome:
    """Build a case in this process and return what became of it; every error is an outcome."""
    from dossier.make.api import build

    how = {key: getattr(order, key) for key in ("house", "replace", "only_stale", "on", "recalls")}
    try:
        built = build(case, order.out, order.issued, **how)
    except Exception as error:  # noqa: BLE001  one bad case never stops the rest
        return failed(case, error, debug=order.debug)
    told = succeeded(case, built.assessment, built.signoff)
    return written(told, built, built.recalled, order.on)


def succeeded(case: Path, assessment: "Assessment", signoff: "SignOff") -> Outcome:
    """Return the outcome of a case whose dossier was made and is not yet written."""
    from dossier.make.verdict_text import decision_line, language_note
    from dossier.record.signoff import reads

    decision = reads(assessment.decision.value, signoff)
    standing = "signed off" if signoff.complete else DRAFT
    line = decision_line(assessment, signoff)
    return Outcome(
        case, decided(decision), decision, line, standing=standing, digest=signoff.digest,
        note=language_note(assessment),
    )  # fmt: skip


def written(
    outcome: Outcome, saved: "Saved", recalled: "Recalled | None", on: date | None
) -> Outcome:
    """Return the outcome of a case whose dossier lies on the disk, without what is recalled."""
    files = saved.pdf, saved.json
    note = "; ".join(filter(None, (outcome.note, _later(saved.pdf))))
    made = replace(outcome, files=files, done=saved.done, name=saved.pdf.stem, note=note)
    return made if recalled is None else _recalled(made, recalled, on)


def _later(pdf: Path) -> str:
    """Return which later revisions lie beside a dossier; empty without one."""
    number, _, revision = pdf.stem.rpartition("-r")
    ends = {each: each.stem.rpartition("-r")[2] for each in pdf.parent.glob(f"{number}-r*.pdf")}
    later = sorted(
        e.name for e, end in ends.items() if end.isdecimal() and int(end) > int(revision)
    )
    return f"where {', '.join(later)} stands, beside it, this counts no more" if later else ""


def _recalled(made: Outcome, found: "Recalled", on: date | None) -> Outcome:
    """Return an outcome without what is recalled: an approval of which nothing is left is none."""
    from dossier.decision.conditions import APPROVES
    from dossier.record.standing import RECALLED, reading_of

    told = replace(made, note="; ".join(filter(None, (made.note, shown(found.text)))))
    if made.decision not in APPROVES:
        return told
    left = found.reads(made.decision, on)
    told = replace(told, code=decided(left))
    if made.standing == DRAFT:
        return told
    reads = left or reading_of(made.decision, RECALLED)
    return replace(told, decision=reads, line=f"decision: {reads}")


def failed(case: Path, error: Exception, *, debug: bool) -> Outcome:
    """Return the outcome of a case for which no dossier was made."""
    code, lines = explained(error, debug=debug)
    count = len(error.problems) if isinstance(error, CaseError) else 1
    return Outcome(case, code, problems=tuple(lines), count=count)
