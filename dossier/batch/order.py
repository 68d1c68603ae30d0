"""What holds for all cases of a batch, and the outcome of one of them."""

from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path

from dossier.batch.outcomes import DRAFT, Outcome
from dossier.case.problems import CaseError
from dossier.decision.finding import Assessment
from dossier.make.outcome import decided, explained
from dossier.record.files import Saved
from dossier.report.signing import SignOff


@dataclass(frozen=True, slots=True, kw_only=True)
class Order:
    """What holds for all cases of a batch."""

    out: Path
    issued: date | None = None
    house: Path | None = None
    only_stale: bool = False
    """Do not touch a dossier that holds what is built."""
    replace: bool = False
    """Write over a sealed dossier."""
    on: date | None = None
    """The day it is."""
    debug: bool = False


def build_one(case: Path, order: Order) -> Outcome:
    """Build one case and return what became of it; every error is an outcome."""
    from dossier.make.api import build

    try:
        built = build(
            case, order.out, order.issued,
            house=order.house, replace=order.replace, only_stale=order.only_stale, on=order.on,
        )  # fmt: skip
    except Exception as error:  # noqa: BLE001  one bad case never stops the rest
        return failed(case, error, debug=order.debug)
    made = succeeded(case, built.assessment, built.signoff)
    return written(made, Saved(built.pdf, built.json, built.done))


def succeeded(case: Path, assessment: Assessment, signoff: SignOff) -> Outcome:
    """Return the outcome of a case whose dossier was made and is not yet written."""
    from dossier.make.verdict_text import decision_line
    from dossier.record.signoff import reads

    decision = reads(assessment.decision.value, signoff)
    standing = "signed off" if signoff.complete else DRAFT
    line = decision_line(assessment, signoff)
    return Outcome(
        case, decided(decision), decision, line, standing=standing, digest=signoff.digest
    )


def written(outcome: Outcome, saved: Saved) -> Outcome:
    """Return the outcome of a case whose dossier lies on the disk."""
    return replace(outcome, files=(saved.pdf, saved.json), done=saved.done, name=saved.pdf.stem)


def failed(case: Path, error: Exception, *, debug: bool) -> Outcome:
    """Return the outcome of a case for which no dossier was made."""
    code, lines = explained(error, debug=debug)
    count = len(error.problems) if isinstance(error, CaseError) else 1
    return Outcome(case, code, problems=tuple(lines), count=count)
