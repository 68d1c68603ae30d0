"""The commands that make a dossier stand, and those that test whether it does."""

import os
import sys
from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, date, datetime, time
from pathlib import Path
from typing import Annotated

import typer

from dossier.command.building import HouseFolder, Issued, decide
from dossier.command.calls import (
    Certificates,
    Day,
    Needed,
    day_of,
    not_asked,
    recalls_at,
    spare,
    stop,
)
from dossier.make.outcome import DONE, WRONG_INPUT
from dossier.words.terminal_safe import shown, shown_json

NOT_VERIFIED = 3
PASSPHRASE = "DOSSIER_PASSPHRASE"
NO_REGISTER = "whether it was superseded or recalled was not asked: no register given (--register)"


def _roles() -> list[str]:
    from dossier.report.signing import ROLES

    return [*ROLES]


Role = Annotated[str, typer.Option(autocompletion=_roles)]


def sign(
    case: Annotated[Path, typer.Argument(metavar="CASE")],
    role: Role,
    name: Needed,
    meaning: str = "",
    day: Annotated[date | None, typer.Option("--date", parser=day_of, metavar="YYYY-MM-DD")] = None,
    issued: Issued = None,
    house: HouseFolder = None,
    digest: str = "",
) -> None:
    """Sign a case off in a role.

    Shows decision, verdicts and the digest of inputs, findings and decision; on a terminal, asks,
    unless that digest is given. Then CASE/signoff.toml is written, bound to it.

    Example: dossier sign inputs/polder-pumps --role prepared --name "Test Engineer (invented)"

    Options:
      case: Case folder.
      role: prepared, checked, approved, or a role of the case.
      name: Who signs.
      meaning: What the signature says; a role has its own.
      day: Day of signing; today if not given.
      digest: Digest that check or build printed: refuse to sign another.
    """
    from dossier.make.api import sign as sign_off
    from dossier.make.api import today

    when = day or today()
    entry = {"role": role, "name": name, "meaning": meaning, "date": when}
    seen = _seen(case, issued, house)
    if not digest and sys.stdin.isatty():
        typer.confirm("Sign this?", abort=True, err=True)
    state = sign_off(case, entry, issued, house=house, digest=digest or seen)
    typer.echo(shown(f"{role}: {name}, {when.isoformat()}, bound to {state.digest}"))
    void = [each for each in state.signed if not each.holds]
    for each in void:
        typer.echo(shown(f"{each.role}: {each.name}: no longer holds: {each.note}"))
    rest = ", ".join(state.missing)
    typer.echo(f"still to sign: {rest}" if rest else "all sign-offs are given and hold")


def _seen(case: Path, issued: date | None, house: Path | None) -> str:
    """Print what is about to be signed and return its digest."""
    from dossier.make.verdict_text import bound_line, tally_line, until_lines

    read, _, assessment, state = decide(case, issued, house)
    name = f"{read.qualification.number} revision {read.qualification.revision}"
    typer.echo(shown(f"{name}: calculated: {assessment.decision.value}"))
    for line in (tally_line(assessment), *until_lines(read, assessment, state)):
        typer.echo(shown(line))
    typer.echo(bound_line(state.digest))
    return state.digest


def seal(
    pdf: Annotated[Path, typer.Argument(metavar="PDF")],
    role: Role,
    key: Annotated[Path, typer.Option()],
    cert: Path | None = None,
    timestamp: Annotated[str, typer.Option(metavar="URL")] = "",
    digest: str = "",
    out: Path | None = None,
) -> None:
    """Seal a dossier: sign it digitally.

    The dossier is built again from what is attached to it and sealed only where it comes out the
    same. Decision, standing and the digest that sign-offs bind are shown before. The signature
    goes into the field of a role, in the order of the sign-offs. The passphrase is asked for, or
    taken from the environment variable DOSSIER_PASSPHRASE.

    Example: dossier seal out/LFQ-0412-r0.pdf --role prepared --key test-engineer.p12

    Options:
      pdf: A dossier that is signed off.
      role: The role whose field is signed.
      key: PKCS#12 file, or private key in PEM.
      cert: Certificate in PEM, where the key is in PEM.
      timestamp: Time-stamp service (RFC 3161), for level B-T.
      digest: The digest that you have seen and seal; asked for if not given.
      out: Where to write; in place if not given.
    """
    from dossier.case.attached import NotADossierError
    from dossier.record.dossier_file import write_whole
    from dossier.seal.signature import examine, load_keys, seal_pdf
    from dossier.system.confined import FAMILIAR, StoppedError, confined

    spare(out if out != pdf else None)
    lacks = [] if digest else ["--digest with the digest that you have seen"]
    _answerable("nothing was sealed", *lacks)
    keys = load_keys(key, cert, _passphrase())
    try:
        recalls = recalls_at(pdf.parent)
        ready = confined(lambda: examine(pdf, role, keys, recalls), FAMILIAR)
    except (NotADossierError, StoppedError) as error:
        stop(f"{pdf}: {error}")
    typer.echo(shown(f"{pdf}: built again, the same to the byte"))
    typer.echo(shown(f"decision: {ready.decision}; standing: {ready.standing}"))
    typer.echo(f"digest: {ready.digest}")
    _agreed(ready.digest, digest)
    content, made = seal_pdf(ready, keys, timestamp)
    target = out or pdf
    write_whole(target, content)
    remark = " (test identity, proves nothing)" if made.test else ""
    words = f"{target}: sealed as {role} by {made.signer}{remark}, level reached: {made.level}"
    typer.echo(shown(words))


def _answerable(done: str, *needs: str) -> None:
    """End the command, and say what it needs, where nobody is there to answer."""
    lacks = [*needs, *([] if PASSPHRASE in os.environ else [f"the passphrase in {PASSPHRASE}"])]
    if lacks and not sys.stdin.isatty():
        stop(f"{done}: there is no terminal to ask on. Give {', and '.join(lacks)}")


def _agreed(digest: str, given: str) -> None:
    """End the command unless the digest is the one that the person has seen and means."""
    if given:
        if given.strip().lower() != digest:
            stop(f"--digest {given} is another: nothing was sealed")
    elif not typer.confirm("Is this the dossier that you have read and mean to seal?", err=True):
        stop("nothing was sealed")


def _passphrase() -> str:
    given = os.environ.get(PASSPHRASE)
    if given is not None:
        return given
    return str(typer.prompt("Passphrase", hide_input=True, err=True))


def identity(
    name: Annotated[str, typer.Argument(metavar="NAME")], out: Annotated[Path, typer.Option()]
) -> None:
    """Make a test identity, to try seals.

    The first time, a test authority is made too. Both are marked TEST in the certificate: they
    prove nothing. The passphrase is asked for, or taken from DOSSIER_PASSPHRASE.

    Example: dossier identity "Test Engineer (invented)" --out identities

    Options:
      name: Name as it signs off.
      out: Folder for key and certificates.
    """
    from dossier.seal.signature import make_identity

    _answerable("no identity was made")
    made = make_identity(name, out, _passphrase())
    typer.echo(f"{made.key}: key and certificate of {name}, marked as a test")
    typer.echo(f"{made.authority}: certificate to trust while testing")


def verify(
    files: Annotated[list[Path], typer.Argument(metavar="FILE...")],
    trust: Certificates = None,
    trust_person: Annotated[list[str] | None, typer.Option(metavar="ROLE=CERT")] = None,
    crl: Annotated[list[Path] | None, typer.Option(metavar="FILE")] = None,
    json: Annotated[bool, typer.Option("--json")] = False,
    note: Annotated[Path | None, typer.Option(metavar="OUT.pdf")] = None,
    at: Day = None,
    trust_house: Annotated[list[str] | None, typer.Option(metavar="DIGEST")] = None,
    register: Annotated[Path | None, typer.Option(metavar="FOLDER")] = None,
    quick: Annotated[bool, typer.Option("--quick")] = False,
) -> None:
    """Verify dossiers from their PDFs alone.

    Signatures, digests, every number, every page.

    Exit code 0: verified; 3: verification failed or not proven; 2: not a dossier.

    Example: dossier verify out/LFQ-0412-r0.pdf --trust identities/test-authority.pem

    Options:
      files: Dossiers (PDF).
      trust: Certificate of a trusted authority; repeatable.
      trust_person: The certificate of a role's person; repeatable.
      crl: List of revoked certificates; repeatable.
      json: Print the facts as JSON.
      note: Write a verification note of one page.
      at: Judge certificates as of this day.
      trust_house: SHA-256 of a house that is trusted; repeatable.
      register: Folder of dossiers; its recalls and later dossiers count.
      quick: Do not rebuild the pages; then nothing is verified.
    """
    from dossier.case.attached import NotADossierError
    from dossier.record.dossier_file import write_whole
    from dossier.register.register import reading_beside
    from dossier.system.confined import StoppedError, confined
    from dossier.verification.verification_text import facts_json, print_verification
    from dossier.verification.verify import verify_confined

    spare(note, given=[path for path in files if path.exists()])
    trusted = [path.read_bytes() for path in trust or ()]
    revoked = [path.read_bytes() for path in crl or ()]
    persons = _persons(trust_person or ())
    moment = datetime.combine(at, time(12), UTC) if at else None
    day = (moment or datetime.now(UTC)).date()
    recalls = recalls_at(register) if register else None
    codes, results = [], []
    for path in files:
        try:
            result = verify_confined(
                path, trust=trusted, persons=persons, revoked=revoked, at=moment,
                pages=not quick, trust_house=trust_house or (), recalls=recalls,
            )  # fmt: skip
            reading, why = "", not_asked(path) or NO_REGISTER
            if register and recalls:
                beside = register, path, result.sha256, day, trusted, recalls
                reading, why = reading_beside(*beside)
        except (NotADossierError, StoppedError) as error:
            code, what = WRONG_INPUT, "not a dossier"
            if isinstance(error, StoppedError):
                code, what = NOT_VERIFIED, "not verified, the reading was stopped"
            typer.echo(shown(f"{path}: {what}: {error}"), err=True)
            codes.append(code)
            continue
        result = replace(result, beside=reading, beside_why=why)
        codes.append(DONE if result.verified else NOT_VERIFIED)
        results.append(result)
        if not json:
            print_verification(result)
    if json:
        sys.stdout.write(shown_json(facts_json(results)))
    if note is not None and results:
        from dossier.verification.verification_text import note_pdf

        named = {
            "--trust": trust, "--trust-person": trust_person, "--crl": crl,
            "--trust-house": trust_house, "--quick": [""] if quick else [],
            "--register": [register] if register else [],
        }  # fmt: skip
        given = [(flag, str(each)) for flag, every in named.items() for each in every or ()]
        write_whole(note, confined(lambda: note_pdf(results[0], day, given)))
    raise typer.Exit(NOT_VERIFIED if NOT_VERIFIED in codes else max(codes))


def _persons(given: Sequence[str]) -> dict[str, bytes]:
    """Return the certificates of persons by role; the command ends at one of another form."""
    found: dict[str, bytes] = {}
    for each in given:
        role, equals, path = each.partition("=")
        if not equals or not role or role in found:
            raise typer.BadParameter(f"{each!r}: give ROLE=CERT, each role once")
        found[role] = Path(path).read_bytes()
    return found


def constraints(pdf: Annotated[Path, typer.Argument(metavar="PDF")]) -> None:
    """Print the exact versions that a dossier was built with.

    They are a constraints file for pip. With these and the same Python, on the same system, its
    pages come out the same to the byte.

    Example: dossier constraints out/LFQ-0412-r0.pdf

    Options:
      pdf: A dossier.
    """
    from dossier.case.attached import NotADossierError
    from dossier.record.program import constraints_text
    from dossier.system.confined import StoppedError, confined

    try:
        sys.stdout.write(confined(lambda: constraints_text(pdf)))
    except (NotADossierError, StoppedError) as error:
        stop(f"{pdf}: not a dossier: {error}")
