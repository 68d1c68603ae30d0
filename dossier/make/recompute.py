"""Decide a dossier a second time from the raw data attached to it, and compare what comes out."""

import json
import tempfile
from collections.abc import Callable, Collection, Iterator, Mapping
from dataclasses import dataclass, field, replace
from datetime import date
from io import BytesIO
from itertools import zip_longest
from pathlib import Path, PurePosixPath
from typing import Any

from dossier.case.application import Application
from dossier.case.attached import NotADossierError, PdfFile, quiet
from dossier.case.case import Case
from dossier.case.model import Deviation, Qualification
from dossier.case.problems import CaseError
from dossier.decision.conditions import ending, valid_until
from dossier.decision.finding import Assessment, decision_of
from dossier.record.document import MAX_NAME, plain_part
from dossier.report.house.house import ATTACHED, House, attached_house, digest_of, own_files

MOST_MOVED = 12
OWN = ("decision.json", "manifest.json")


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
    issued: date | None = None
    """Date of issue that the dossier states."""
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
    data: bytes,
    files: Mapping[str, bytes],
    case_name: str,
    *,
    pages: bool,
    house_taken: Callable[[str], bool] = lambda _: False,
) -> Recomputed:
    """Return what the attached inputs lead to with this version, and whether it is the same.

    `data` is the PDF before any seal, `files` what is attached to it.  With `pages`, the PDF is
    built again, whatever versions it states, and compared with `data`, byte by byte.  Files of a
    house are read only where `house_taken` says so of their digest.
    """
    if not plain_part(case_name):
        raise NotADossierError(f"its case has a name that is no plain path: {case_name[:80]!r}")
    document, manifest = json.loads(files["decision.json"]), json.loads(files["manifest.json"])
    with tempfile.TemporaryDirectory(prefix="dossier-") as folder:
        unpack(_inputs(files, manifest), Path(folder) / "inputs")
        try:
            place = Path(folder) / "inputs" / case_name
            result = _decided(files, document, manifest, place, pages=pages)
        except CaseError as error:
            first = error.problems[0]
            return Recomputed(why_not=f"{first.file}: {first.place}: {first.what}")
    if not pages:
        return result
    if result.house_digest and not house_taken(result.house_digest):
        why = "not rebuilt: a house is read only where its digest is trusted and the seals hold"
        return replace(result, pages=why)
    return _paged(data, files, manifest, result)


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
    pdf: PdfFile, case_name: str, records: Collection[str], reason: str, day: date
) -> Without:
    """Decide a dossier as it stands, and again without `records`, left out for `reason` on `day`.

    Leaving them out is no condition by itself: whoever recalls a record answers for that.
    """
    from dossier.make.api import assess

    then = recompute(pdf.built, pdf.files, case_name, pages=False)
    if then.case is None or then.assessment is None:
        return Without(why_not=then.why_not)
    if then.moved and (then.same_version or _turned(pdf.files, then.assessment)):
        return Without(why_not=f"its attachments do not give what it states: {then.moved[0]}")
    asked = then.case.qualification
    left = {each.record for each in asked.deviation if each.effect == "record excluded"}
    out = [
        Deviation(record=each, text=reason, cause=reason, effect="record excluded",
                  agreed_by="recall", agreed=day)
        for each in sorted(set(records) - left)
    ]  # fmt: skip
    fewer = asked.model_copy(update={"deviation": (*asked.deviation, *out)})
    now = assess(replace(then.case, qualification=fewer), then.issued, pages=False)
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
        case=asked, application=then.case.application,
    )  # fmt: skip


def _turned(files: Mapping[str, bytes], now: Assessment) -> bool:
    """Return whether decision or a verdict is another than decision.json states."""
    document = json.loads(files["decision.json"])
    then = {each["requirement"]: each["verdict"] for each in document["findings"]}
    verdicts = {each.demand.id: each.verdict.value for each in now.findings}
    return bool(document["decision"] != now.decision.value or then != verdicts)


def unpack(files: Mapping[str, bytes], folder: Path) -> None:
    """Write the inputs among `files` under `folder`; NotADossierError for a name that may not be.

    Every name is a plain relative path; none leaves the folder, and none is written twice.
    """
    for name, content in files.items():
        if name in OWN:
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


def _decided(
    files: Mapping[str, bytes], document: Any, manifest: Any, folder: Path, *, pages: bool
) -> Recomputed:
    from dossier.make.api import assess, case_in, decision_json
    from dossier.record.program import versions

    case = replace(case_in(folder), house=_house_digest(manifest, files))
    issued = date.fromisoformat(document["case"]["issued"])
    assessment = assess(case, issued, pages=pages)
    fresh = decision_json(case, assessment, issued, _on(document))
    return Recomputed(
        case=case, assessment=assessment, identical=fresh == files["decision.json"],
        made_with=document.get("versions", {}), here=versions(),
        moved=differences(document, json.loads(fresh)), issued=issued,
        house=str(manifest["layout"]["house folder"]) if case.house else "",
        house_digest=case.house,
    )  # fmt: skip


def _paged(
    data: bytes, files: Mapping[str, bytes], manifest: Mapping[str, Any], again: Recomputed
) -> Recomputed:
    """Return what came out with whether the pages are those that the attached data give."""
    from dossier.make.api import compose
    from dossier.record.program import plain_versions
    from dossier.report.layout.pdf import MissingLibraryError, RenderError

    house, fault = _house(manifest.get("layout", {}), files)
    if fault or again.case is None or again.assessment is None or again.issued is None:
        return replace(again, pages=f"not rebuilt: {fault}" if fault else "not rebuilt")
    stated = plain_versions(manifest.get("libraries"))
    try:
        on = _on(json.loads(files["decision.json"]))
        pdf, _ = compose(again.case, again.assessment, again.issued, house, libraries=stated, on=on)
    except MissingLibraryError:
        raise
    except RenderError as error:
        return replace(again, pages=f"not rebuilt: {error}")
    except CaseError as error:
        return replace(again, pages=f"not rebuilt: {error.problems[0]}")
    if data == pdf:
        return replace(again, pages="identical")
    pages = _made_with(manifest, stated, house) or "different"
    return replace(again, pages=pages, words=words_differ(data, pdf))


def _made_with(manifest: Mapping[str, Any], stated: Mapping[str, str], house: House | None) -> str:
    """Return which versions a manifest states that are not those here; empty where none is."""
    from dossier.record.decision_record import house_entry
    from dossier.record.program import layout_versions, libraries_of, versions

    then = {**stated, **manifest.get("versions", {}), **manifest.get("layout", {})}
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


def _on(document: Mapping[str, Any]) -> date | None:
    """Return a day on which the dossier reads as it says: any after its end, or that of issue."""
    return date.max if document.get("expired") is True else None


def _inputs(files: Mapping[str, bytes], manifest: Mapping[str, Any]) -> dict[str, bytes]:
    """Return the attachments without the templates of a house, if the manifest names one."""
    if "house folder" not in manifest.get("layout", {}):
        return dict(files)
    return {name: each for name, each in files.items() if not name.startswith(ATTACHED)}


def _house_digest(manifest: Mapping[str, Any], files: Mapping[str, bytes]) -> str:
    """Return the digest of the attached house, whose files are not yet read; empty without one."""
    return digest_of(own_files(files)) if "house folder" in manifest.get("layout", {}) else ""


def _house(then: Mapping[str, Any], files: Mapping[str, bytes]) -> tuple[House | None, str]:
    """Return the house whose templates are attached, and what is wrong with them."""
    if "house folder" not in then:
        return None, ""
    try:
        return attached_house(str(then["house folder"]), files), ""
    except CaseError as error:
        return None, str(error.problems[0])


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
