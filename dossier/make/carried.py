"""Whether the dossier that evidence is carried from holds: proven from its PDF before it counts."""

from collections.abc import Iterator
from dataclasses import replace
from functools import lru_cache

from dossier.case.attached import NotADossierError, open_pdf
from dossier.case.case import Case
from dossier.case.compared import Source
from dossier.case.problems import CaseProblem
from dossier.case.repeated import HINT, repeated
from dossier.record.recall import WHOLE, Recalls

UNSEALED, MOVED = "unsealed", "moved"
"""What does not stop evidence, and is a condition."""


def proof_problems(case: Case, source: Source, recalls: Recalls | None) -> Iterator[CaseProblem]:
    """Yield why evidence of a dossier does not count, and records of it that are said to be new."""
    yield from source_problems(source, recalls)
    before = _proved(source.content)[2]
    if before is not None:
        yield from _again(case, source, before)


def source_problems(source: Source, recalls: Recalls | None = None) -> Iterator[CaseProblem]:
    """Yield why evidence of a dossier does not count, whatever case carries it over."""
    why = _proved(source.content)[0]
    hint = "carry evidence from the PDF as it was signed off, or test anew"
    recalled = "" if why or recalls is None else _recalled(source, recalls)
    if recalled:
        why, hint = f"was recalled: {recalled}", "test anew what rests on it"
    if why:
        what = f"{source.name} in {source.file} {why}"
        yield CaseProblem("case.toml", "carried . dossier", what, hint)


def _recalled(source: Source, recalls: Recalls) -> str:
    """Return which recalls name the dossier, or a record that is carried from it; else nothing."""
    from dossier.record.dossier_file import dossier_in
    from dossier.record.rests import rests_on

    dossier = dossier_in(open_pdf(source.content))
    head = dossier.decision.case
    found = recalls.recalled(source.sha256, head.number, head.revision, rests_on(dossier))
    because = found.because if found else {}
    return "; ".join(sorted({because[n] for n in (*source.records, WHOLE) if n in because}))


def _again(case: Case, source: Source, before: Case) -> Iterator[CaseProblem]:
    """Yield records of the case that hold what the dossier before had tested already."""
    own = [record for record in case.records if case.source(record.id) is None]
    known = {file.sha256: file.name for file in before.inputs}
    files = {file.name: file.sha256 for file in case.inputs}
    found = {problem.file: problem for problem in repeated([*before.records, *own])}
    for record in own:
        same = known.get(files.get(record.file, ""))
        shown = f"{record.file}#{record.sheet}" if record.sheet else record.file
        if same is not None:
            what = f"holds the same bytes as {same} of {source.name}: nothing was tested anew"
            yield CaseProblem(record.file, "", what, HINT)
        elif shown in found:
            yield replace(found[shown], what=f"{found[shown].what} of {source.name}")
    for earlier in before.carried:  # what was not carried on is no newer for that
        older = _proved(earlier.content)[2]
        if older is not None:
            yield from _again(case, earlier, older)


def doubts(source: Source) -> tuple[str, ...]:
    """Return what is not proven of a dossier whose evidence counts: codes above."""
    return _proved(source.content)[1]


@lru_cache(4)
def _proved(content: bytes) -> tuple[str, tuple[str, ...], Case | None]:
    """Return why a dossier does not hold, empty where it does, what is in doubt, and its case.

    It is intact, its seals hold, it is signed off in full, no test identity sealed it, and decided
    again from what is attached it says the same.  Whose its seals are is for `verify`, which asks
    it of every dossier that evidence was carried through.
    """
    from dossier.evidence.statistics.combine import DRAWS, with_trials
    from dossier.make.recompute import recompute
    from dossier.record.dossier_file import dossier_in
    from dossier.record.standing import SIGNED_OFF, seals_of, standing_of

    try:
        dossier = dossier_in(open_pdf(content))
        sealed = seals_of(dossier)
        standing = standing_of(dossier, sealed)
        if standing.word != SIGNED_OFF:
            return f"is {standing.word}: {standing.remark or 'nobody signed it off'}", (), None
        if sealed.test:
            return "is sealed by test identities, which prove nothing", (), None
        with with_trials(DRAWS):  # whoever asks with fewer draws
            again = recompute(dossier, pages=False)
    except NotADossierError as error:
        return f"is no dossier that can be read: {error}", (), None
    except Exception as error:  # noqa: BLE001  what is attached may come from anyone
        return f"cannot be decided again: {type(error).__name__}: {error}"[:300], (), None
    if again.why_not:
        return f"cannot be decided again from what is attached: {again.why_not}", (), None
    if again.same_version and not again.identical:
        told = "; ".join(again.moved) or "its form"
        return f"is not what its attachments give: decided again, {told[:200]} differs", (), None
    return "", tuple([UNSEALED] * (not sealed.seals) + [MOVED] * bool(again.moved)), again.case


def page_problems(case: Case) -> list[CaseProblem]:
    """Return a problem for each dossier whose pages are not what its attachments give.

    It takes as long as to build it: asked where a dossier is made or signed off, not of a check.
    """
    found = []
    for source in case.carried:
        words = _pages(source.content)
        if words:
            what = f"{source.name} in {source.file} has pages that its data do not give: {words}"
            hint = "carry evidence from the PDF as it was built"
            found.append(CaseProblem("case.toml", "carried . dossier", what, hint))
    return found


@lru_cache(4)
def _pages(content: bytes) -> str:
    """Return where the pages of a dossier are not what is built again; empty where they are."""
    from dossier.make.recompute import recompute
    from dossier.record.dossier_file import dossier_in

    again = recompute(dossier_in(open_pdf(content)), pages=True)
    return again.words if again.pages == "different" else ""
