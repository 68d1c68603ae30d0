"""The commands that make a dossier stand, and those that test whether it does."""

import os
import sys
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Annotated

import typer

from dossier.shown import shown, shown_json

__all__ = ["identity", "seal", "sign", "verify"]

DONE, WRONG_INPUT, NOT_VERIFIED = 0, 2, 3
PASSPHRASE = "DOSSIER_PASSPHRASE"


def sign(
    case: Annotated[Path, typer.Argument(metavar="CASE", help="Case folder.")],
    role: Annotated[str, typer.Option(help="prepared, checked, approved, or a role of the case.")],
    name: Annotated[str, typer.Option(help="Who signs.")],
    meaning: Annotated[str, typer.Option(help="What the signature says; a role has its own.")] = "",
    day: Annotated[
        datetime | None,
        typer.Option("--date", formats=["%Y-%m-%d"], help="Day of signing; today if not given."),
    ] = None,
    issued: Annotated[
        datetime | None,
        typer.Option(formats=["%Y-%m-%d"], help="Date of issue, if the dossier is built with one."),
    ] = None,
    digest: Annotated[
        str, typer.Option(help="Digest that check or build printed: refuse to sign another.")
    ] = "",
) -> None:
    """Sign a case off in a role.

    Shows decision, verdicts and the digest of inputs, findings and decision; on a terminal, asks,
    unless that digest is given. Then CASE/signoff.toml is written, bound to it.

    Example: dossier sign inputs/polder-pumps --role prepared --name "Test Engineer (invented)"
    """
    from dossier.api import sign as sign_off
    from dossier.api import today

    when = day.date() if day else today()
    entry = {"role": role, "name": name, "meaning": meaning, "date": when}
    stated = issued.date() if issued else None
    seen = _seen(case, stated)
    if not digest and sys.stdin.isatty():
        typer.confirm("Sign this?", abort=True, err=True)
    state = sign_off(case, entry, stated, digest=digest or seen)
    typer.echo(shown(f"{role}: {name}, {when.isoformat()}, bound to {state.digest}"))
    void = [each for each in state.signed if not each.holds]
    for each in void:
        typer.echo(shown(f"{each.role}: {each.name}: no longer holds: {each.note}"))
    rest = ", ".join(state.missing)
    typer.echo(f"still to sign: {rest}" if rest else "all sign-offs are given and hold")


def _seen(case: Path, issued: date | None) -> str:
    """Print what is about to be signed and return its digest."""
    from dossier.api import assess, issue_date, read_case, sign_off, today
    from dossier.terminal import bound_line, tally_line, until_lines

    read = read_case(case, today())
    on = issue_date(read, issued)
    assessment = assess(read, on, pages=False)
    state = sign_off(read, assessment, on, today())
    name = f"{read.qualification.number} revision {read.qualification.revision}"
    typer.echo(shown(f"{name}: calculated: {assessment.decision.value}"))
    for line in (tally_line(assessment), *until_lines(read, assessment, state, on)):
        typer.echo(shown(line))
    typer.echo(bound_line(state))
    return state.digest


def seal(
    pdf: Annotated[Path, typer.Argument(metavar="PDF", help="A dossier that is signed off.")],
    role: Annotated[str, typer.Option(help="The role whose field is signed.")],
    key: Annotated[Path, typer.Option(help="PKCS#12 file, or private key in PEM.")],
    cert: Annotated[
        Path | None, typer.Option(help="Certificate in PEM, where the key is in PEM.")
    ] = None,
    timestamp: Annotated[
        str, typer.Option(metavar="URL", help="Time-stamp service (RFC 3161), for level B-T.")
    ] = "",
    out: Annotated[Path | None, typer.Option(help="Where to write; in place if not given.")] = None,
) -> None:
    """Seal a dossier: sign it digitally.

    The signature goes into the field of a role, in the order of the sign-offs. The passphrase
    is asked for, or taken from the environment variable DOSSIER_PASSPHRASE.

    Example: dossier seal out/LFQ-0412-r0.pdf --role prepared --key test-engineer.p12
    """
    from dossier.archive.attached import NotADossierError
    from dossier.archive.files import write_whole
    from dossier.archive.signature import load_keys, seal_pdf

    try:
        keys = load_keys(key, cert, _passphrase())
        content, made = seal_pdf(pdf, role, keys, timestamp)
    except NotADossierError as error:
        typer.echo(shown(f"{pdf}: {error}"), err=True)
        raise typer.Exit(WRONG_INPUT) from None
    target = out or pdf
    write_whole(target, content)
    remark = " (test identity, proves nothing)" if made.test else ""
    words = f"{target}: sealed as {role} by {made.signer}{remark}, level reached: {made.level}"
    typer.echo(shown(words))


def _passphrase() -> str:
    given = os.environ.get(PASSPHRASE)
    if given is not None:
        return given
    return str(typer.prompt("Passphrase", hide_input=True, err=True))


def identity(
    name: Annotated[str, typer.Argument(metavar="NAME", help="Name as it signs off.")],
    out: Annotated[Path, typer.Option(help="Folder for key and certificates.")],
) -> None:
    """Make a test identity, to try seals.

    The first time, a test authority is made too. Both are marked TEST in the certificate: they
    prove nothing. The passphrase is asked for, or taken from DOSSIER_PASSPHRASE.

    Example: dossier identity "Test Engineer (invented)" --out identities
    """
    from dossier.archive.identity import make_identity

    made = make_identity(name, out, _passphrase())
    typer.echo(f"{made.key}: key and certificate of {name}, marked as a test")
    typer.echo(f"{made.authority}: certificate to trust while testing")


def verify(
    files: Annotated[list[Path], typer.Argument(metavar="FILE...", help="Dossiers (PDF).")],
    trust: Annotated[
        list[Path] | None,
        typer.Option(metavar="CERT", help="Certificate of a trusted authority; repeatable."),
    ] = None,
    json: Annotated[bool, typer.Option("--json", help="Print the facts as JSON.")] = False,
    note: Annotated[
        Path | None, typer.Option(metavar="OUT.pdf", help="Write a verification note of one page.")
    ] = None,
    at: Annotated[
        datetime | None,
        typer.Option(formats=["%Y-%m-%d"], help="Judge certificates as of this day."),
    ] = None,
    quick: Annotated[
        bool, typer.Option("--quick", help="Do not rebuild the pages; then nothing is verified.")
    ] = False,
) -> None:
    """Verify dossiers from their PDFs alone.

    Signatures, digests, every number, every page.

    Exit code 0: verified; 3: verification failed or not proven; 2: not a dossier.

    Example: dossier verify out/LFQ-0412-r0.pdf --trust identities/test-authority.pem
    """
    from dossier.archive.attached import NotADossierError
    from dossier.archive.files import write_whole
    from dossier.archive.verify import verify as verify_file
    from dossier.terminal_verify import facts_json, print_verification

    trusted = [path.read_bytes() for path in trust or ()]
    moment = at.replace(hour=12, tzinfo=UTC) if at else None
    codes, results = [], []
    for path in files:
        try:
            result = verify_file(path, trust=trusted, at=moment, pages=not quick)
        except NotADossierError as error:
            typer.echo(shown(f"{path}: not a dossier: {error}"), err=True)
            codes.append(WRONG_INPUT)
            continue
        codes.append(DONE if result.verified else NOT_VERIFIED)
        results.append(result)
        if not json:
            print_verification(result)
    if json:
        sys.stdout.write(shown_json(facts_json(results)))
    if note is not None and results:
        from dossier.archive.verification_note import note_pdf

        write_whole(note, note_pdf(results[0], (moment or datetime.now(UTC)).date()))
    raise typer.Exit(NOT_VERIFIED if NOT_VERIFIED in codes else max(codes))
