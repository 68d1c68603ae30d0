"""The public interface: build the dossier of a case, and sign it off."""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import UTC, date, datetime
from pathlib import Path

from dossier.case.agreed import SIGNOFF_FILE
from dossier.case.case import Case
from dossier.case.problems import refusal, refuse
from dossier.decision.finding import Assessment
from dossier.make.decide import assess, compose, issue_date, sign_off
from dossier.make.read import case_in, house_of, read_case
from dossier.make.recompute import page_problems
from dossier.record.dossier_file import Saved, refuse_sealed, save_files, stem_of, write_whole
from dossier.record.recall import Recalled, Recalls, recalled_in, recalls_around
from dossier.report.house.house import read_house
from dossier.report.signing import SignOff
from dossier.words import speaking


@dataclass(frozen=True, slots=True)
class Built(Saved):
    """What a build wrote, or left as it was."""

    assessment: Assessment
    signoff: SignOff
    recalled: Recalled | None
    """What recalls on file name of its own evidence; None where they name nothing."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Made:
    """A dossier that is not yet written."""

    stem: str
    """Number and revision: the name of its files."""
    pdf: bytes = field(repr=False)
    document: bytes = field(repr=False)
    """decision.json."""
    assessment: Assessment
    signoff: SignOff


def today() -> date:
    """Return the day it is here; raise CaseError where the time zone is none of this world."""
    try:
        return datetime.now(UTC).astimezone().date()
    except ValueError:
        what = "is a day or more from universal time: nobody knows what day it is"
        raise refusal("the environment", "TZ", what, "set the time zone of this place") from None


def build(
    folder: Path | str,
    out: Path | str = "out",
    issued: date | None = None,
    *,
    house: Path | str | None = None,
    replace: bool = False,
    only_stale: bool = False,
    on: date | None = None,
    recalls: Recalls | None = None,
) -> Built:
    """Read, assess and write `<out>/<number>-r<revision>.pdf` and `.json`; return what was made.

    `house` is the folder of a house, before the one that the case names.  Both files appear whole
    or not at all; with `only_stale`, what holds to the byte what was built is not touched.  `on` is
    the day it is: an approval that is over by then says so; the day of issue if not given.  What
    `recalls` name, those on file in `out` and around it if not given, is not carried over; no lift
    on file is believed, that takes `register.register.recalls_of`.  Raises CaseError for problems
    of the inputs or of the house, and, unless `replace`, where the PDF there is sealed and
    not left alone: its seals would be lost.
    """
    if recalls is None:
        recalls = recalls_around(Path(out))
    case = case_in(folder, on, recalls)
    if not (replace or only_stale):
        refuse_sealed(Path(out) / f"{stem_of(case.qualification)}.pdf")
    made = make(case, issued, house=house_of(folder, case.qualification, house), on=on)
    saved = save_files(
        made.stem, made.pdf, made.document, Path(out), replace=replace, only_stale=only_stale
    )
    found = recalled_in(saved.pdf, recalls)
    return Built(saved.pdf, saved.json, saved.done, made.assessment, made.signoff, found)


def make(
    case: Case, issued: date | None = None, *, house: Path | None = None, on: date | None = None
) -> Made:
    """Return the dossier of a case that was read, with the house in `house`; write nothing."""
    refuse(page_problems(case))
    own = read_house(house) if house is not None else None
    case = replace(case, house=own.digest if own else "")
    assessment = assess(case, issued)
    pdf, document, state = compose(case, assessment, issue_date(case, issued), own, on=on)
    stem = stem_of(case.qualification)
    return Made(stem=stem, pdf=pdf, document=document, assessment=assessment, signoff=state)


def sign(
    folder: Path | str,
    entry: Mapping[str, object],
    issued: date | None = None,
    *,
    house: Path | str | None = None,
    digest: str = "",
    on: date | None = None,
) -> SignOff:
    """Add a sign-off to `<folder>/signoff.toml` and return the new state.

    `entry` has role, name, date and, if not the usual one of the role, meaning; `house` is that of
    `read_case`; `digest` is that of what the person has seen, and `on` the day it is, that of the
    clock if not given.  Raises CaseError where the case has problems or another digest, or the
    sign-off would not hold: wrong order, dated before what it signs or ahead of the clock, an
    approval that is over, the approver is the preparer, no meaning, already signed.
    """
    from dossier.record.signoff import add_sign_off, days_of, signed_entry, signoff_toml

    case = read_case(folder, house, on or today())
    assessment = assess(case, issued, pages=False)
    state = sign_off(case, assessment, issued)
    if digest and digest.strip().lower() != state.digest:
        what = f"now is {state.digest}: inputs, findings or decision are not those that were seen"
        raise refusal(SIGNOFF_FILE, "digest", what, "'dossier check' shows them")
    with speaking(case.qualification.language):
        signed = signed_entry(entry, state.digest)
    days = days_of(case, assessment, issue_date(case, issued), on or today())
    entries = add_sign_off(case, state, signed, days)
    write_whole(Path(folder) / SIGNOFF_FILE, signoff_toml(entries))
    return sign_off(replace(case, signed=entries), assessment, issued)
