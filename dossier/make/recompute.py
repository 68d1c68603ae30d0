"""Decide a dossier a second time from the raw data attached to it, and compare what comes out."""

import json
import tempfile
from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date
from io import BytesIO
from itertools import zip_longest
from pathlib import Path, PurePosixPath
from typing import Any

from dossier.case.application import Application
from dossier.case.attached import NotADossierError, quiet
from dossier.case.case import Case
from dossier.case.model import Deviation, Qualification
from dossier.case.problems import CaseError
from dossier.decision.conditions import ending, valid_until
from dossier.decision.finding import Assessment, decision_of
from dossier.record.document import MAX_NAME, DecisionDocument, ManifestDocument, plain_part
from dossier.record.dossier_file import DECISION, MANIFEST, DossierFile
from dossier.record.signoff import SAID
from dossier.report.house.house import ATTACHED, House, attached_house, digest_of, own_files

MOST_MOVED = 12


@dataclass(frozen=True, slots=True, kw_only=True)
class Recomputed:
    """What came out when the attached raw data were decided again."""

    case: Case | None = field(default=None, repr=False)
    assessment: Assessment | None = field(default=None, repr=False)
    why_not: str = ""
    """Why it could not be decided again; empty where it was."""
    made_with: Mapping[str, str] = field(default_factory=dict)
    here: Mapping[str, str] = field(default_factory=dict)
    """Versions of the program and its libraries, then and now."""
    identical: bool = False
    """Whether decision.json came out byte by byte."""
    moved: tuple[str, ...] = ()
    """What differs in it, versions aside."""
    pages: str = "not rebuilt"
    """"identical", "different", "made with" other versions, or why they were not rebuilt."""
    words: str = ""
    """Where pages are not identical, on which of them the words differ."""
    house: str = ""
    """Folder of the house whose words the pages carry; empty without one."""
    house_digest: str = ""
    """SHA-256 over the attached files of that house."""

    @property
    def same_version(self) -> bool:
        """Return whether the program and its numerical libraries are those of the dossier."""
        return bool(self.made_with) and dict(self.made_with) == dict(self.here)


def recompute(
    dossier: DossierFile, *, pages: bool, house_taken: Callable[[str], bool] = lambda _: False
) -> Recomputed:
    """Return what the attached inputs lead to with this version, and whether it is the same.

    With `pages`, the PDF is built again, whatever versions it states, and compared with what it was
    before any seal, byte by byte.  Files of a house are read only where `house_taken` says so of
    their digest.
    """
    with tempfile.TemporaryDirectory(prefix="dossier-") as folder:
        unpack(_inputs(dossier), Path(folder, "inputs"))
        try:
            result = _decided(dossier, Path(folder, "inputs", dossier.case_name), pages=pages)
        except CaseError as error:
            first = error.problems[0]
            return Recomputed(why_not=f"{first.file}: {first.place}: {first.what}")
    if not pages:
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
    """Last day of the approval."""
    case: Qualification | None = None
    application: Application | None = None


def without_records(
    dossier: DossierFile, records: Collection[str], reason: str, day: date
) -> Without:
    """Decide a dossier as it stands, and again without `records`, left out for `reason` on `day`.

    Leaving them out is no condition by itself: whoever recalls a record answers for that.
    """
    from dossier.make.api import assess

    then = recompute(dossier, pages=False)
    if then.case is None or then.assessment is None:
        return Without(why_not=then.why_not)
    if then.moved and (then.same_version or _turned(dossier.decision, then.assessment)):
        return Without(why_not=f"its attachments do not give what it states: {then.moved[0]}")
    asked = then.case.qualification
    left = {each.record for each in asked.deviation if each.effect == "record excluded"}
    out = [
        Deviation(record=each, text=reason, cause=reason, effect="record excluded",
                  agreed_by="recall", agreed=day)
        for each in sorted(set(records) - left)
    ]  # fmt: skip
    fewer = asked.model_copy(update={"deviation": (*asked.deviation, *out)})
    now = assess(replace(then.case, qualification=fewer), _issued(dossier), pages=False)
    own = {("excluded record", each.record) for each in out}
    kept = [each for each in now.conditions if (each.kind, each.subject) not in own]
    decision = decision_of(now.findings, kept).value
    had = {(each.kind, each.subject) for each in then.assessment.conditions}
    return Without(
        decision=decision,
        until=valid_until(decision, ending(now.findings, asked), asked.review_due),
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


def unpack(files: Mapping[str, bytes], folder: Path) -> None:
    """Write the inputs among `files` under `folder`; NotADossierError for a name that may not be.

    Every name is a plain relative path; none leaves the folder, and none is written twice.
    """
    for name, content in files.items():
        if name in (DECISION, MANIFEST):
            continue
        if not safe_name(name):
            raise NotADossierError(f"an attachment has a name that is no plain path: {name[:80]!r}")
        target = folder.joinpath(*PurePosixPath(name).parts)
        try:
            target.parent.mkdir(parents=True, exist_ok=True)
            with target.open("xb") as file:
                file.write(content)
        except OSError:
            raise NotADossierError(f"the attachment {name[:80]!r} cannot be unpacked") from None


def safe_name(name: str) -> bool:
    """Return whether a name is a plain relative path of at most eight parts."""
    parts = name.split("/")
    whole = len(name.encode("utf-8", "replace")) <= MAX_NAME and 2 <= len(parts) <= 8
    return whole and all(plain_part(part) for part in parts)


def _issued(dossier: DossierFile) -> date:
    return dossier.decision.case.issued


def _decided(dossier: DossierFile, folder: Path, *, pages: bool) -> Recomputed:
    from dossier.make.api import assess, case_in, decision_json
    from dossier.record.program import versions

    house = dossier.manifest.house
    digest = digest_of(own_files(dossier.files)) if house else ""
    case = replace(case_in(folder), house=digest)
    assessment = assess(case, _issued(dossier), pages=pages)
    fresh = decision_json(case, assessment, _issued(dossier), _on(dossier))
    return Recomputed(
        case=case,
        assessment=assessment,
        identical=fresh == dossier.files[DECISION],
        made_with=dossier.decision.versions,
        here=versions(),
        moved=differences(dossier.document, json.loads(fresh)),
        house=house,
        house_digest=digest,
    )


def _paged(dossier: DossierFile, again: Recomputed) -> Recomputed:
    """Return what came out with whether the pages are those that the attached data give."""
    from dossier.make.api import compose
    from dossier.record.program import plain_versions
    from dossier.report.layout.pdf import MissingLibraryError, RenderError

    if dossier.pdf is None or again.case is None or again.assessment is None:
        return again
    stated = plain_versions(dossier.manifest.libraries)
    try:
        house = attached_house(again.house, dossier.files) if again.house else None
        made = again.case, again.assessment, _issued(dossier), house, stated, _on(dossier)
        pdf, *_ = compose(*made)
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
    from dossier.record.program import layout_versions, libraries_of, versions

    then = {**stated, **manifest.versions, **manifest.layout}
    here = libraries_of() if stated else {}
    now = {**here, **versions(), **layout_versions(), **house_entry(house)}
    other = [
        f"{name} {then.get(name, 'unknown')}, here {now.get(name, 'none')}"
        for name in sorted({*then, *now})
        if then.get(name) != now.get(name)
    ]
    if not other:
        return ""
    more = f" and {len(other) - 4} more" if len(other) > 4 else ""
    return f"made with {'; '.join(other[:4])}{more}"


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


def _on(dossier: DossierFile) -> date | None:
    """Return a day on which the dossier reads as it says: any after its end, or that of issue."""
    return date.max if dossier.decision.expired else None


def _inputs(dossier: DossierFile) -> dict[str, bytes]:
    """Return the attachments without the templates of a house, if the manifest names one."""
    if not dossier.manifest.house:
        return dict(dossier.files)
    return {n: each for n, each in dossier.files.items() if not n.startswith(ATTACHED)}


def what_moved(moved: Sequence[str]) -> str:
    """Return whether lines of `differences` are of numbers, of sentences alone, or none."""
    if not moved:
        return "no number moved"
    places = [line.partition(": ")[0].split(".") for line in moved]
    said = all(any(end in SAID.get(part, ()) for part in above) for *above, end in places)
    return "sentences moved, no number" if said else "numbers moved"


def differences(then: Any, now: Any) -> tuple[str, ...]:
    """Return what differs between two decision documents, versions aside, as lines."""
    lines: list[str] = []
    for line in _walk("", then, now):
        if len(lines) == MOST_MOVED:
            return (*lines, "and more")
        lines.append(line)
    return tuple(lines)


def _walk(place: str, then: Any, now: Any) -> Iterator[str]:
    if isinstance(then, dict) and isinstance(now, dict):
        for key in sorted({*then, *now} - ({"versions"} if not place else set())):
            yield from _walk(f"{place}.{key}".strip("."), then.get(key), now.get(key))
    elif isinstance(then, list) and isinstance(now, list) and len(then) == len(now):
        for index, (one, other) in enumerate(zip(then, now, strict=True)):
            name = one.get("requirement", index) if isinstance(one, dict) else index
            yield from _walk(f"{place}.{name}", one, other)
    elif then != now or type(then) is not type(now):
        yield f"{place}: {_short(then)} became {_short(now)}"


def _short(value: Any) -> str:
    text = json.dumps(value, ensure_ascii=False)
    return text if len(text) <= 60 else text[:57] + "..."
