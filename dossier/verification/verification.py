"""What a verification found, fact by fact, and the one verdict that follows from the facts."""

from collections.abc import Iterator
from dataclasses import dataclass, field

from dossier.decision.conditions import expired
from dossier.record.seals import Seal
from dossier.record.signoff import same_person, standing
from dossier.record.standing import mismatches
from dossier.report.signing import SignOff, field_name
from dossier.verification.questions import Answer
from dossier.verification.recompute import Recomputed


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
    attached: int
    """How many files are attached."""
    faults: tuple[str, ...]
    """Where attachments, manifest and decision.json contradict each other."""
    recomputed: Recomputed = field(repr=False)
    answers: tuple[Answer, ...] = ()

    @property
    def failures(self) -> tuple[str, ...]:
        """Return what contradicts the dossier: any one of these fails the verification."""
        return tuple(self._failures())

    @property
    def gaps(self) -> tuple[str, ...]:
        """Return what is not proven: with one of these nothing is wrong, but it is not verified."""
        return tuple(self._gaps())

    @property
    def remarks(self) -> tuple[str, ...]:
        """Return what a person should know though it does not change the verdict."""
        return tuple(self._remarks())

    @property
    def reads(self) -> str:
        """Return the decision as it reads on the day of judgement."""
        return standing(self.decision, self.signoff)

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
        return [seal.field for seal in self.seals if seal.test]

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
        again = self.recomputed
        if again.made_with and not again.same_version and again.moved:
            yield f"decided again with another version, numbers moved: {'; '.join(again.moved)}"
        if again.house_digest and again.house_digest not in self.trust_house:
            yield (
                f"its pages carry words of the house {again.house!r}: read them, then name it as "
                f"trusted by its SHA-256 {again.house_digest}"
            )
        if again.pages.startswith("not rebuilt") and not again.why_not:
            yield f"the pages were {again.pages}"
        if again.pages.startswith("made with"):
            yield f"the pages did not come out the same to the byte ({again.pages}): {again.words}"
        for seal in self.seals:
            if seal.sound and seal.revocation == "not known":
                yield f"{seal.field}: no list given tells whether its certificate was revoked"

    def _remarks(self) -> Iterator[str]:
        again = self.recomputed
        if again.made_with and not again.same_version:
            changed = ", ".join(
                f"{name} {again.made_with.get(name, 'none')}, here {again.here.get(name, 'none')}"
                for name in sorted({*again.made_with, *again.here})
                if again.made_with.get(name) != again.here.get(name)
            )
            moved = "numbers moved" if again.moved else "no number moved"
            yield f"made with another version ({changed}); {moved}"
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
            yield "one person has signed off in more than one role"
        for answer in self.answers:
            if answer.word != "yes" and not answer.binding:
                yield f"{answer.question} {answer.word}: {answer.detail}"
