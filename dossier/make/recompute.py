"""Build a dossier a second time from the raw data attached to it, and compare what comes out."""

from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass, replace
from datetime import date
from functools import lru_cache
from io import BytesIO
from itertools import zip_longest

from dossier.case.application import Application
from dossier.case.attached import open_pdf, quiet
from dossier.case.case import Case
from dossier.case.model import Deviation, Qualification
from dossier.case.problems import CaseError, CaseProblem
from dossier.decision.conditions import valid_until, what_ends
from dossier.decision.finding import Assessment, decision_of
from dossier.make.decide import assess, compose
from dossier.make.read import Recomputed, decided_again
from dossier.record.document import DecisionDocument, ManifestDocument
from dossier.record.dossier_file import DossierFile, dossier_in
from dossier.report.house.house import House, attached_house


def recompute(
    dossier: DossierFile, *, pages: bool, house_taken: Callable[[str], bool] = lambda _: False
) -> Recomputed:
    """Return what the attached inputs lead to with this version, and whether it is the same.

    With `pages`, the PDF is built again, whatever versions it states, and compared with what it was
    before any seal, byte by byte.  Files of a house are read only where `house_taken` says so of
    their digest.
    """
    result = decided_again(dossier, pages=pages)
    if not pages or result.why_not:
        return result
    if result.house_digest and not house_taken(result.house_digest):
        why = "not rebuilt: a house is read only where its digest is trusted and the seals hold"
        return replace(result, pages=why)
    return _paged(dossier, result)


@dataclass(frozen=True, slots=True, kw_only=True)
class Without:
    """What is left of a decision without some of its records."""

    why_not: str = ""
    """Why it could not be decided again, or not as it states; the rest is empty then."""
    decision: str = ""
    verdicts: tuple[tuple[str, str, str, str], ...] = ()
    """Requirements that read otherwise now: id, verdict before and now, and the reason."""
    conditions: tuple[str, ...] = ()
    """Conditions that it did not have."""
    until: date | None = None
    """Last day of the approval: never later than it was, since nothing was shown anew."""
    case: Qualification | None = None
    application: Application | None = None


def without_records(
    dossier: DossierFile, records: Collection[str], reason: str, day: date
) -> Without:
    """Decide a dossier as it stands, and again without `records`, left out for `reason` on `day`.

    Leaving them out is no condition by itself: whoever recalls a record answers for that.
    """
    then = decided_again(dossier)
    if then.case is None or then.assessment is None:
        return Without(why_not=then.why_not)
    if then.moved and (then.same_version or _turned(dossier.decision, then.assessment)):
        why = "its attachments do not give what it states: 'dossier verify' says where"
        return Without(why_not=why)
    asked = then.case.qualification
    left = {each.record for each in asked.deviation if each.effect == "record excluded"}
    said = {"text": reason, "cause": reason, "agreed_by": "recall", "agreed": day}
    said |= {"effect": "record excluded"}
    fresh = sorted(set(records) - left)
    out = [Deviation.model_validate(said | {"record": each}) for each in fresh]
    fewer = then.case.asking(deviation=(*asked.deviation, *out))
    now = assess(fewer, dossier.issued, pages=False)
    own = {("excluded record", each.record) for each in out}
    kept = [each for each in now.conditions if (each.kind, each.subject) not in own]
    decision = decision_of(now.findings, kept).value
    had = {(each.kind, each.subject) for each in then.assessment.conditions}
    covered = (*what_ends(then.assessment.findings, asked), *what_ends(now.findings, asked))
    return Without(
        decision=decision,
        until=valid_until(decision, covered, asked.review_due),
        verdicts=tuple(
            (new.demand.id, old.verdict.value, new.verdict.value, new.reason)
            for old, new in zip(then.assessment.findings, now.findings, strict=True)
            if old.verdict != new.verdict
        ),
        conditions=tuple(e.text for e in kept if (e.kind, e.subject) not in had),
        case=asked,
        application=then.case.application,
    )


def _turned(stated: DecisionDocument, now: Assessment) -> bool:
    """Return whether decision or a verdict is another than decision.json states."""
    then = {each.requirement: each.verdict for each in stated.findings}
    verdicts = {each.demand.id: each.verdict.value for each in now.findings}
    return stated.decision != now.decision.value or then != verdicts


def _paged(dossier: DossierFile, again: Recomputed) -> Recomputed:
    """Return what came out with whether the pages are those that the attached data give."""
    from dossier.record.program import plain_versions
    from dossier.report.layout.pdf import MissingLibraryError, RenderError

    if dossier.pdf is None or again.case is None or again.assessment is None:
        return again
    stated = plain_versions(dossier.manifest.libraries)
    try:
        house = attached_house(again.house, dossier.files) if again.house else None
        whole = again.case, again.assessment
        pdf, *_ = compose(*whole, dossier.issued, house, stated, dossier.reads_on)
    except MissingLibraryError:
        raise
    except (RenderError, CaseError) as error:
        told = error.problems[0] if isinstance(error, CaseError) else error
        return replace(again, pages=f"not rebuilt: {told}")
    if dossier.pdf.built == pdf:
        return replace(again, pages="identical")
    pages = _made_with(dossier.manifest, stated, house) or "different"
    return replace(again, pages=pages, words=words_differ(dossier.pdf.built, pdf))


def _made_with(manifest: ManifestDocument, stated: Mapping[str, str], house: House | None) -> str:
    """Return which versions a manifest states that are not those here; empty where none is."""
    from dossier.record.decision_record import house_entry
    from dossier.record.program import layout_versions, libraries_of, other_versions, versions

    then = {**stated, **manifest.versions, **manifest.layout}
    here = libraries_of() if stated else {}
    now = {**here, **versions(), **layout_versions(), **house_entry(house)}
    other = other_versions(then, now, "unknown")
    more = f" and {len(other) - 4} more" if len(other) > 4 else ""
    return f"made with {'; '.join(other[:4])}{more}" if other else ""


def words_differ(then: bytes, now: bytes) -> str:
    """Return on which pages of two PDFs the words differ that can be read out of them."""
    try:
        texts = [_texts(each) for each in (then, now)]
    except Exception as error:  # noqa: BLE001  a damaged PDF fails in any way
        return f"their words cannot be read out ({type(error).__name__})"
    pages = [n for n, (one, other) in enumerate(zip_longest(*texts), 1) if one != other]
    if not pages:
        return "the words that can be read out are the same on every page"
    shown = ", ".join(map(str, pages[:20])) + (" and more" if len(pages) > 20 else "")
    return f"words differ on page{'s' if len(pages) > 1 else ''} {shown} of {len(texts[0])}"


def _texts(pdf: bytes) -> list[str]:
    from pypdf import PdfReader

    with quiet("pypdf"):
        return [" ".join(page.extract_text().split()) for page in PdfReader(BytesIO(pdf)).pages]


def page_problems(case: Case) -> list[CaseProblem]:
    """Return a problem for each dossier whose pages are not what its attachments give.

    Those too that what is carried came through.  It takes as long as to build them.
    """
    found, waiting = [], [*case.carried]
    for source in waiting:
        waiting += source.earlier
        if words := _pages(source.content):
            what = f"{source.name} in {source.file} has pages that its data do not give: {words}"
            hint = "carry evidence from the PDF as it was built"
            found.append(CaseProblem("case.toml", "carried . dossier", what, hint))
    return found


@lru_cache(4)
def _pages(content: bytes) -> str:
    """Return where the pages of a dossier are not what is built again; empty where they are."""
    again = recompute(dossier_in(open_pdf(content)), pages=True)
    return again.words if again.pages == "different" else ""
