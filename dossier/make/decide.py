"""Decide a case that was read, compose its dossier, and say what differs between two decisions."""

import json
import tomllib
from collections.abc import Iterator, Mapping, Sequence
from datetime import date
from functools import cache
from importlib.resources import files
from typing import TYPE_CHECKING, Any

from dossier.case.case import Case
from dossier.case.consistency import consistency_problems
from dossier.case.problems import CaseProblem, refusal, refuse
from dossier.decision.finding import Assessment
from dossier.evidence.limits import Limits, limits_from
from dossier.evidence.requirement import resolve
from dossier.record.signoff import SAID, last_test
from dossier.report.signing import SignOff
from dossier.words import speaking

if TYPE_CHECKING:
    from dossier.record.dossier_file import DossierFile
    from dossier.report.house.house import House

MOST_MOVED, LONG_TEXT = 12, 60
"""Differences that are told, and characters of each side."""


@cache
def limits() -> Limits:
    """Return the limits of validity that come with the package."""
    text = files("dossier").joinpath("evidence/limits.toml").read_text(encoding="utf-8")
    return limits_from(tomllib.loads(text))


def issue_date(case: Case, issued: date | None = None) -> date:
    """Return the date the dossier carries: as given, else the case's, else its last test's."""
    return issued or case.qualification.issued or last_test(case)


def assess(case: Case, issued: date | None = None, *, pages: bool = True) -> Assessment:
    """Return the findings and the decision on `case`, judged on its date of issue.

    Without `pages`, what only the pages of a dossier show is not computed.
    """
    from dossier.decision.assess import assess_case
    from dossier.decision.together import decided_together

    on = issue_date(case, issued)
    with speaking(case.qualification.language):
        problems, parts = _issue_problems(case, issued), []
        asked = [resolve(p.application, p.qualification.application, p.mark) for p in case.each]
        problems += [problem for _, found in asked for problem in found]
        refuse(problems)
        for part, (demands, _) in zip(case.each, asked, strict=True):
            parts.append(assess_case(part, demands, limits(), on, pages=pages))
        return decided_together(case, parts, on) if case.parts else parts[0]


def _issue_problems(case: Case, issued: date | None) -> list[CaseProblem]:
    """Return what does not fit another date of issue than the case itself gives."""
    asked = case.qualification
    if issued is None or issued == issue_date(case):
        return []
    moved = asked.model_copy(update={"issued": issued})
    own = {part.qualification.application: part.application for part in case.each}
    return [*consistency_problems(case.application, moved, own)]


def decision_json(
    case: Case, assessment: Assessment, issued: date | None = None, on: date | None = None
) -> bytes:
    """Return decision.json of an assessment; `on` is the day it is, the day of issue if not given.

    On a day after the last of an approval it says that the approval is over.
    """
    return _documented(case, assessment, issue_date(case, issued), on)[0]


def undrawn(case: Case, document: bytes) -> "DossierFile":
    """Return the dossier that a case and its decision.json make, without its pages."""
    from dossier.record.dossier_file import DECISION, dossier_of

    files = {each.name: each.content for each in (*case.inputs, case.signoff) if each}
    return dossier_of(files | {DECISION: document}, case.name)


def _documented(
    case: Case, assessment: Assessment, issued: date, on: date | None
) -> tuple[bytes, SignOff]:
    """Return decision.json, and the sign-offs that it tells of."""
    from dossier.record.decision_record import canonical, decision_document

    with speaking(case.qualification.language):
        told, state = decision_document(case, assessment, issued, on)
    return canonical(told), state


def compose(
    case: Case,
    assessment: Assessment,
    issued: date,
    house: "House | None" = None,
    libraries: Mapping[str, str] | None = None,
    on: date | None = None,
) -> tuple[bytes, bytes, SignOff]:
    """Return the dossier as PDF, before any digital signature, its decision.json and sign-offs.

    `house` is the one that `case` was read with; `libraries` are versions that its manifest is to
    state instead of those here; `on` is the day it is, as of `decision_json`.
    """
    from dossier.record.decision_record import canonical, manifest_of
    from dossier.report.house.house import ATTACHED
    from dossier.report.render import prepared, rendered

    if case.house != (house.digest if house else ""):
        raise ValueError("the case was read with another house")
    taken = [each.name for each in case.inputs if each.name.startswith(ATTACHED)]
    if house is not None and taken:
        what = f"the name {ATTACHED!r} is kept for the files of a house, attached under it"
        raise refusal(taken[0], "", what, "rename the folder")
    document, state = _documented(case, assessment, issued, on)
    manifest = manifest_of(case, document, assessment, house, libraries)
    with prepared(
        case, assessment, issued=issued, decision_json=document,
        manifest_json=canonical(manifest), signoff=state, house=house,
    ) as ready:  # fmt: skip
        return rendered(ready), document, state


def sign_off(
    case: Case, assessment: Assessment, issued: date | None = None, on: date | None = None
) -> SignOff:
    """Return who has signed the case off, whether each sign-off holds, and what is over by `on`."""
    from dossier.record.decision_record import decided_content
    from dossier.record.signoff import sign_off_state

    content = decided_content(case, assessment, issue_date(case, issued))
    return sign_off_state(case, assessment, content, on)


KINDS = ("numbers", "verdicts", "checks", "conditions", "cautions", "sentences", "sign-offs")
"""What may move of a decision, what weighs most first."""
PARTS = {"verdict": "verdicts", "decision": "verdicts"} | dict.fromkeys(
    ("signed", "signoff", "standing"), "sign-offs"
)
MORE = "and more"


def kinds_moved(moved: Sequence[str]) -> set[str]:
    """Return of which kinds lines of `differences` are."""
    return {_kind(line) for line in moved if line != MORE}


def what_moved(moved: Sequence[str]) -> str:
    """Return of which kinds lines of `differences` are, and whether a number is among them."""
    kinds = kinds_moved(moved)
    told = ", ".join(kind for kind in KINDS if kind in kinds)
    none = "" if "numbers" in kinds else ", no number"
    return f"{told} moved{none}" if kinds else "no number moved"


def _kind(line: str) -> str:
    *above, end = line.partition(": ")[0].split(".")
    if "cautions" not in above and any(end in SAID.get(part, ()) for part in above):
        return "sentences"
    first = (*above, end)[0]
    return first if first in KINDS else PARTS.get(end, PARTS.get(first, "numbers"))


def differences(then: Any, now: Any) -> tuple[str, ...]:
    """Return what differs between two decision documents, versions aside, as lines.

    What weighs more comes first: where lines are left out, they are of no kind that does.
    """
    lines = sorted(_walk("", then, now), key=lambda line: KINDS.index(_kind(line)))
    return tuple(lines[:MOST_MOVED] + [MORE] * (len(lines) > MOST_MOVED))


def _walk(place: str, then: Any, now: Any) -> Iterator[str]:
    if isinstance(then, dict) and isinstance(now, dict):
        for key in sorted({*then, *now} - ({"versions"} if not place else set())):
            yield from _walk(f"{place}.{key}".strip("."), then.get(key), now.get(key))
    elif isinstance(then, list) and isinstance(now, list) and len(then) == len(now):
        for index, (one, other) in enumerate(zip(then, now, strict=True)):
            name = one.get("requirement", index) if isinstance(one, dict) else index
            yield from _walk(f"{place}.{name}", one, other)
    elif then != now or type(then) is not type(now):
        texts = [json.dumps(each, ensure_ascii=False) for each in (then, now)]
        pairs = enumerate(zip(*texts, strict=False))
        alike = next((place for place, (one, other) in pairs if one != other), LONG_TEXT)
        start = max(0, alike - 20) if max(map(len, texts)) > LONG_TEXT else 0
        one, other = (_short(each, start) for each in texts)
        yield f"{place}: {one} became {other}"


def _short(text: str, start: int) -> str:
    """Return a part of a text from a place on, so that two show where they begin to differ."""
    end = start + LONG_TEXT
    return f"{'…' if start else ''}{text[start:end]}{'…' if end < len(text) else ''}"
