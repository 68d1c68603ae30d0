"""Verify a dossier from its PDF alone: gather the facts, what fails fastest first."""

import tempfile
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date, datetime
from functools import partial
from pathlib import Path
from typing import TypedDict, Unpack

from dossier.case.attached import NotADossierError, open_pdf, read_pdf
from dossier.decision.conditions import APPROVES, expired
from dossier.make.decide import what_moved
from dossier.make.read import Recomputed
from dossier.make.recompute import recompute
from dossier.record.dossier_file import DossierFile, dossier_in
from dossier.record.program import other_versions
from dossier.record.recall import FALLS, Recalls
from dossier.record.rests import rests_on
from dossier.record.seals import Seal, read_seals
from dossier.record.signoff import same_person, standing
from dossier.record.standing import RECALLED, mismatches, reading_of, sign_offs
from dossier.record.trust import Trust, trust_of
from dossier.report.layout.pdf import MissingLibraryError
from dossier.report.signing import SignOff, field_name
from dossier.system.confined import FAMILIAR, StoppedError, confined, stranger
from dossier.verification.questions import AuditAnswer, answers
from dossier.words.catalogue import ENGLISH

NOTHING = "nothing, as it failed; of itself it says"
"""How a dossier reads that contradicts itself, before what it states."""
UNREAD = "not known"
"""What is left of an approval where a recall cannot be read: that may be of it, or not."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Verification:
    """The facts about one dossier, read from its PDF alone."""

    file: str
    sha256: str
    number: str
    revision: int
    decision: str
    """What decision.json states."""
    standing: str
    """How it states to stand."""
    seals: tuple[Seal, ...]
    trust_given: bool
    """Whether certificates to trust were given."""
    trust_house: tuple[str, ...] = ()
    """SHA-256 of the houses that are trusted here."""
    named: tuple[str, ...] = ()
    """Roles for which a person's certificate was given."""
    signoff: SignOff
    """The sign-offs, judged again on the attached decision."""
    day: date
    """Day of judgement."""
    attached: int
    """How many files are attached."""
    faults: tuple[str, ...]
    """Where attachments, manifest and decision.json contradict each other."""
    recomputed: Recomputed = field(repr=False)
    answers: tuple[AuditAnswer, ...] = ()
    sources: tuple[tuple[str, bytes], ...] = field(default=(), repr=False)
    """The PDFs that it carries evidence from, with their names."""
    carried: tuple["Verification", ...] = ()
    """What was found out about them, each by itself."""
    recalled: str = ""
    """What a register says was recalled of its evidence; empty where nothing was."""
    recall_leaves: str = ""
    """How it reads without that evidence, or `FALLS`, or `UNREAD`; empty if nobody decided."""
    beside: str = ""
    """How it reads beside the other dossiers of a register where one has taken its place."""
    beside_why: str = ""
    """What has taken its place; or what else of the register refuses, or that none was asked."""
    language: str = ENGLISH
    """Language of the dossier."""

    @property
    def failures(self) -> tuple[str, ...]:
        """Return what contradicts the dossier: any one of these fails the verification."""
        fallen = (self.recalled,) if self.recall_leaves == FALLS else ()
        return *self._contradictions(), *fallen

    @property
    def gaps(self) -> tuple[str, ...]:
        """Return what is not proven: with one of these nothing is wrong, but it is not verified."""
        return *self._gaps(), *self._below("gaps")

    def _contradictions(self) -> Iterator[str]:
        """Yield what fails by the file itself, whatever was recalled of it since."""
        yield from self._failures()
        yield from self._below("failures")

    def _below(self, kind: str) -> Iterator[str]:
        """Yield the same of the dossiers that it carries evidence from."""
        return (f"{each.file}: {line}" for each in self.carried for line in getattr(each, kind))

    @property
    def remarks(self) -> tuple[str, ...]:
        """Return what a person should know though it does not change the verdict."""
        return tuple(self._remarks())

    @property
    def reads(self) -> str:
        """Return the decision as it reads on the day of judgement: the bare word if it stands."""
        if any(self._contradictions()):
            return f"{NOTHING}: {self.standing}"
        reading = self.beside or standing(self.decision, self.signoff)
        if not self.recalled or reading not in APPROVES:
            return reading
        if not self.fallen:
            return self.recall_leaves
        return reading_of(self.decision, UNREAD if self.recall_leaves == UNREAD else RECALLED)

    @property
    def fallen(self) -> bool:
        """Return whether a recall on file leaves no approval, or was not decided on."""
        return bool(self.recalled) and self.recall_leaves in ("", FALLS, UNREAD)

    @property
    def verified(self) -> bool:
        """Return whether nothing contradicts the dossier and nothing is left unproven."""
        return not self.failures and not self.gaps

    @property
    def verdict(self) -> str:
        """Return "verified", "not proven" or "failed", and whether by test identities."""
        if not self.verified:
            return "failed" if self.failures else "not proven"
        return "verified, by TEST identities, which prove nothing" if self._tests else "verified"

    @property
    def _tests(self) -> list[str]:
        return [*(seal.field for seal in self.seals if seal.test), *self._below("_tests")]

    def _failures(self) -> Iterator[str]:
        for seal in self.seals:
            if not seal.sound:
                yield f"{seal.field}: {seal.problem}"
            elif self.trust_given and not seal.trusted:
                yield f"{seal.field}: the certificate of {seal.signer!r} {seal.distrust}"
        yield from self.faults
        yield from mismatches(self.seals, self.signoff)
        carried = (self.decision, expired(self.decision)) if self.signoff.complete else ("draft",)
        if self.standing not in carried:
            yield f"it says it stands as {self.standing!r}, which its sign-offs do not carry"
        yield from self._recomputation()
        for answer in self.answers:
            if answer.binding and answer.word == "no":
                yield f"{answer.question} no: {answer.detail}"

    def _recomputation(self) -> Iterator[str]:
        again = self.recomputed
        if again.why_not and any(not seal.sound for seal in self.seals):
            return
        if again.why_not:
            yield f"it cannot be decided again from what is attached: {again.why_not}"
        elif again.same_version and not again.identical:
            what = "; ".join(again.moved) or "its form"
            yield f"decided again with the same version, decision.json differs: {what}"
        if again.pages == "different":
            yield f"the pages are not those that the attached data give: {again.words}"

    def _gaps(self) -> Iterator[str]:
        if self.fallen and self.recall_leaves != FALLS:
            yield self.recalled
        if self.beside:
            yield f"it does not count any more: {self.beside_why}"
        if not self.seals:
            yield "no digital signature: nobody can tell who made this file, or changed it"
        elif not self.trust_given:
            yield "no certificate to trust was given: whose the signatures are is not proven"
        for role in sorted(set(self.named) - set(self.signoff.roles)):
            yield f"a person is named for the role {role!r}, which this dossier does not have"
        sealed = {seal.field for seal in self.seals}
        if not self.signoff.complete:
            yield f"draft: {', '.join(self.signoff.missing) or 'a sign-off'} is missing or void"
        for role in self.signoff.roles if self.seals else ():
            if field_name(role) not in sealed:
                yield f"nobody has sealed it as {role}"
        yield from self._not_rebuilt()
        for seal in self.seals:
            if seal.sound and seal.revocation == "not known":
                yield f"{seal.field}: no list given tells whether its certificate was revoked"

    def _not_rebuilt(self) -> Iterator[str]:
        again = self.recomputed
        if again.made_with and not again.same_version and again.moved:
            told = f"{what_moved(again.moved)}: {'; '.join(again.moved)}"
            yield f"decided again with another version, {told}"
        if again.house_digest and again.house_digest not in self.trust_house:
            yield (
                f"its pages carry words of the house {again.house!r}: read them, then name it as "
                f"trusted by its SHA-256 {again.house_digest}"
            )
        if again.pages.startswith("not rebuilt") and not again.why_not:
            yield f"the pages were {again.pages}"
        if again.pages.startswith("made with"):
            yield f"the pages did not come out the same to the byte ({again.pages}): {again.words}"

    def _remarks(self) -> Iterator[str]:
        if self.recalled and not self.fallen:
            yield self.recalled
        if self.beside_why and not self.beside:
            yield self.beside_why
        again = self.recomputed
        if again.made_with and not again.same_version:
            changed = ", ".join(other_versions(again.made_with, again.here))
            yield f"made with another version ({changed}); {what_moved(again.moved)}"
        for name in self._tests:
            yield f"{name}: a test identity, which proves nothing"
        if any(seal.sound and not seal.stamped for seal in self.seals):
            yield "when it was sealed is only what the seals say: no trusted time-stamp proves it"
        if any(seal.revocation == "not consulted" for seal in self.seals):
            yield "whether certificates were revoked was not consulted: no list given (--crl)"
        for seal in self.seals:
            if seal.revocation == "not listed":
                yield f"{seal.field}: not in a list given, but whether one covers it is not known"
        names = [each.name for each in self.signoff.signed]
        if any(same_person(a, b) for i, a in enumerate(names) for b in names[i + 1 :]):
            yield "by the names, one person may have signed off in more than one role"
        if len(self.signoff.roles) == 1:
            yield "its case asks for one sign-off alone: nobody approved what another prepared"
        for answer in self.answers:
            if answer.word in ("no", "open") and not answer.binding:
                yield f"{answer.question} {answer.word}: {answer.detail}"


CHANGED = "the file was changed after signing, so nothing more was tried"


class How(TypedDict, total=False):
    """How a dossier is judged; what is left out is not given."""

    trust: Sequence[bytes]
    """Certificates of authorities (PEM or DER) that signatures may lead to."""
    persons: Mapping[str, bytes]
    """By role, the certificate of the very person who has it."""
    revoked: Sequence[bytes]
    """Lists of revoked certificates."""
    at: datetime | None
    """Moment at which certificates, concessions and review dates are judged; else now."""
    pages: bool
    """Whether the PDF is built again and compared to the byte; without, nothing is verified."""
    trust_house: Sequence[str]
    """SHA-256 of houses whose files may be read, and only once the signatures hold."""
    recalls: Recalls | None
    """Those of a register."""


def verify(path: Path | str, **how: Unpack[How]) -> Verification:
    """Return what can be found out about the dossier at `path` from its PDF alone.

    Raises NotADossierError for any other file, CaseError for a certificate or list that is unfit,
    OSError where the file cannot be read.
    """
    return _with_below(_alone(Path(path), how), partial(verify, **_sources(how)))


def _sources(how: How) -> How:
    """Return how what evidence is carried from is judged: a recall names that evidence itself."""
    return {**how, "recalls": None}


def _trusted(how: How) -> Trust:
    return trust_of(how.get("trust", ()), how.get("persons"), how.get("revoked", ()), how.get("at"))


def _alone(path: Path, how: How) -> Verification:
    """Return what `verify` does of one dossier, without those that it carries evidence from."""
    trusted = _trusted(how)
    pdf = open_pdf(read_pdf(path))
    dossier = dossier_in(pdf)
    seals = read_seals(pdf, trusted)
    vouched = trusted.given and _all_trusted(seals)
    taken = tuple(each.strip().lower() for each in how.get("trust_house", ()))
    pages = how.get("pages", True)
    again = _again(dossier, seals, pages, lambda digest: vouched and digest in taken)
    today = trusted.moment.date()
    recalled, leaves = _recalled(dossier, how.get("recalls"), today)
    decided = again.case and again.assessment and answers(again.case, again.assessment, today)
    return Verification(
        file=path.name, sha256=dossier.sha256,
        number=dossier.decision.case.number, revision=dossier.decision.case.revision,
        decision=dossier.decision.decision, standing=str(dossier.decision.standing),
        day=today, seals=seals, trust_given=trusted.given, named=tuple(trusted.persons),
        trust_house=taken, signoff=sign_offs(dossier, today) or SignOff(), attached=len(pdf.files),
        faults=dossier.faults, recomputed=again,
        recalled=recalled, recall_leaves=leaves, answers=decided or (), language=dossier.language,
        sources=tuple((e.file, e.content) for e in (again.case.carried if again.case else ())),
    )  # fmt: skip


def _all_trusted(seals: Sequence[Seal]) -> bool:
    return bool(seals) and all(seal.sound and seal.trusted for seal in seals)


def _recalled(dossier: DossierFile, recalls: Recalls | None, today: date) -> tuple[str, str]:
    """Return what a register says is recalled of a dossier, and what is left of its approval.

    That is how it reads on a day, `FALLS` or `UNREAD`; nothing where it was not decided again.
    """
    if recalls is None:
        return "", ""
    for file, why in recalls.faults.items():
        return f"{file} of the register cannot be read ({why}): it may recall this one", UNREAD
    found, head = recalls.of(dossier), dossier.decision.case
    if found is None:
        told = recalls.given_back(head.number, head.revision, rests_on(dossier))
        return told, dossier.decision.decision if told else ""
    fell = FALLS if found.outcome and found.outcome.outcome == FALLS else ""
    return found.text, found.reads(dossier.decision.decision, today) or fell


def _with_below(found: Verification, judge: Callable[[Path], Verification]) -> Verification:
    """Return it with what `judge` finds out about each dossier that it carries evidence from."""
    if not found.sources:
        return found
    below = []
    with tempfile.TemporaryDirectory(prefix="dossier-") as folder:
        for name, content in found.sources:
            path = Path(folder, "carried.pdf")
            path.write_bytes(content)
            below.append(replace(judge(path), file=name))
    return replace(found, carried=tuple(below))


def verify_confined(path: Path, **how: Unpack[How]) -> Verification:
    """Return what `verify` does, found out within the limits for a stranger's file.

    A file that meets one of them is given more only if all its seals hold and are trusted.  The
    case that was read is left behind.  Raises StoppedError beside what `verify` raises.
    """
    trusted, limits = _trusted(how), stranger(path.stat().st_size if path.exists() else 0)

    def work() -> Verification:
        found = _alone(path, how)
        return replace(found, recomputed=replace(found.recomputed, case=None, assessment=None))

    def familiar() -> bool:
        return trusted.given and confined(
            lambda: _all_trusted(read_seals(open_pdf(read_pdf(path)), trusted)), limits
        )

    try:
        found = confined(work, limits)
    except StoppedError:
        if not familiar():
            raise
        found = confined(work, FAMILIAR)
    return _with_below(found, partial(verify_confined, **_sources(how)))


def _again(
    dossier: DossierFile, seals: Sequence[Seal], pages: bool, house_taken: Callable[[str], bool]
) -> Recomputed:
    """Return the second decision; none where a signature already tells that the file changed."""
    if any(not seal.sound for seal in seals):
        return Recomputed(why_not=CHANGED)
    try:
        return recompute(dossier, pages=pages, house_taken=house_taken)
    except (NotADossierError, MissingLibraryError, MemoryError):
        raise
    except Exception as error:  # noqa: BLE001  what is attached may come from anyone
        return Recomputed(why_not=f"{type(error).__name__}: {error}"[:300])
