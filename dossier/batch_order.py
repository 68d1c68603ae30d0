"""What holds for all cases of a batch, and the outcome of one of them."""

from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path

from dossier.batch_outcome import BUILT, DRAFT, SEALED, UP_TO_DATE, Outcome
from dossier.case.problems import CaseError
from dossier.decision.finding import Assessment
from dossier.outcome import WRONG_INPUT, decided, explained
from dossier.report.signing import SignOff

__all__ = ["Order", "build_one", "failed", "left_alone", "succeeded"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Order:
    """What holds for all cases of a batch."""

    out: Path
    issued: date | None = None
    house: Path | None = None
    only_stale: bool = False
    """Leave a dossier alone that is up to date."""
    replace: bool = False
    """Write over a sealed dossier."""
    debug: bool = False


def build_one(case: Path, order: Order) -> Outcome:
    """Build one case and return what became of it; every error is an outcome."""
    from dossier.api import build

    try:
        built = build(case, order.out, order.issued, house=order.house, replace=order.replace)
    except Exception as error:  # noqa: BLE001  one bad case never stops the rest
        return failed(case, error, debug=order.debug)
    return succeeded(case, built.assessment, built.signoff, (built.pdf, built.json))


def succeeded(
    case: Path, assessment: Assessment, signoff: SignOff, files: tuple[Path, ...] = ()
) -> Outcome:
    """Return the outcome of a case whose dossier was made."""
    return _decided(case, assessment.decision.value, signoff, files, BUILT)


def failed(case: Path, error: Exception, *, debug: bool) -> Outcome:
    """Return the outcome of a case for which no dossier was made."""
    code, lines = explained(error, debug=debug)
    count = len(error.problems) if isinstance(error, CaseError) else 1
    return Outcome(case, code, problems=tuple(lines), count=count)


def left_alone(case: Path, order: Order) -> Outcome | None:
    """Return the outcome of a case that is not to be built; None where it is.

    A dossier that is up to date is left as it is.  One that is sealed but not up to date is a
    problem, unless the order is to replace it.  In doubt, and where the case has problems, it is
    to be built: that says what they are.
    """
    from dossier.api import day_of, house_of
    from dossier.archive.found import look
    from dossier.case.read import gather
    from dossier.report.house import read_house

    try:
        gathered = gather(case)
        templates = house_of(case, gathered.qualification, order.house)
        house = read_house(templates) if templates is not None else None
        found = look(order.out, gathered, day_of(gathered.qualification, order.issued), house)
    except Exception:  # noqa: BLE001  whatever is wrong, building tells
        return None
    if not found.why:
        done = SEALED if found.sealed else UP_TO_DATE
        return _decided(case, found.decision, found.signoff, (found.pdf, found.json), done)
    if not found.sealed or order.replace:
        return None
    words = (
        f"{found.pdf}: is sealed, but not up to date ({found.why}): raise 'revision' in case.toml, "
        "or give --replace to lose the sealed file"
    )
    return Outcome(case, WRONG_INPUT, problems=(words,), count=1)


def _decided(
    case: Path, decision: str, signoff: SignOff, files: tuple[Path, ...], done: str
) -> Outcome:
    from dossier.terminal import stated

    line = stated(decision, signoff)
    standing = "signed off" if signoff.complete else DRAFT
    made = Outcome(case, decided(decision), decision, line, files, standing=standing, done=done)
    return replace(made, name=files[0].stem if files else "")
