"""The commands on dossiers already made: register, recall and compare."""

import os
import sys
from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from dossier.command.calls import (
    Certificates,
    Date,
    Folder,
    Jobs,
    Needed,
    day_of,
    not_asked,
    recalls_at,
    spare,
    stop,
)
from dossier.make.outcome import DONE
from dossier.words.terminal_safe import shown, shown_json

if TYPE_CHECKING:
    from dossier.register.recall import Done
    from dossier.register.register import Register, Wanted

DIFFERS, NOT_WHOLE = 1, 3


def register(
    folder: Folder,
    decision: str = "",
    standing: str = "",
    part: Annotated[str, typer.Option("--filter")] = "",
    equipment: str = "",
    issued_from: Date = None,
    issued_until: Date = None,
    review_due_by: Date = None,
    resting_on: Annotated[list[str] | None, typer.Option(metavar="KIND:VALUE")] = None,
    superseded: Annotated[bool, typer.Option("--all")] = False,
    as_csv: Annotated[bool, typer.Option("--csv")] = False,
    as_json: Annotated[bool, typer.Option("--json")] = False,
    html: Annotated[Path | None, typer.Option(metavar="FILE")] = None,
    ics: Annotated[Path | None, typer.Option(metavar="FILE")] = None,
    head: str = "",
    trust: Certificates = None,
    jobs: Jobs = 1,
) -> None:
    """Keep an index of dossiers, and list them.

    Shows what is missing or replaced. Every PDF is read and judged by its own bytes. The index
    (dossier-register.sqlite in the folder) is not believed, since whoever writes in the folder can
    rewrite it; its hash chain shows a dossier that was removed or replaced since the last time.
    Keep the printed head elsewhere: with --head, what it binds is believed and not read again.

    Example: dossier register out --resting-on instrument:APC-21

    Options:
      folder: Folder of dossiers (PDF).
      decision: As it reads: approved, 'draft: would be approved', ...
      standing: signed off, expired, recalled, draft, not intact or not proven.
      part: Part number, or part of it, of either filter.
      equipment: Equipment, or part of its name.
      issued_from: Issued on this day or later.
      issued_until: Issued on this day or before.
      review_due_by: Review due, or a concession at its end, by this day.
      resting_on: Decisions to look at again, such as instrument:APC-21, lot:25-311, 'standard:ISO
        4548-12', laboratory:, requirement:, fluid:; repeated: all of them.
      superseded: Superseded ones too.
      as_csv: Print CSV.
      as_json: Print JSON.
      html: Write the whole register as a page for a browser.
      ics: Write all ends (reviews, concessions, ...) as iCalendar.
      head: A head kept elsewhere: does the chain still pass through it? What it binds is not read
        again.
      trust: Judge seals by this trusted authority too; repeatable.
      jobs: Processes that read at once, where many PDFs are read.
    """
    from dossier.register.listing import calendar_text
    from dossier.register.recall import nowhere
    from dossier.register.register import Wanted, find, parse_rest
    from dossier.register.store import RegisterError

    spare(html, ics)
    try:
        wanted = Wanted(
            decision=decision, standing=standing, filter=part, equipment=equipment,
            issued_from=issued_from, issued_until=issued_until,
            review_due_by=review_due_by, superseded=superseded,
            resting_on=tuple(parse_rest(each) for each in resting_on or ()),
        )  # fmt: skip
        outcome = _updated(folder, head, trust, jobs)
        hits = find(outcome, wanted)
        if html is not None:
            _write_page(folder, outcome, html)
        if ics is not None:
            ics.write_bytes(calendar_text(outcome).encode())
    except (RegisterError, ValueError) as error:
        stop(error)
    for line in filter(None, (nowhere(*each, outcome) for each in wanted.resting_on)):
        typer.echo(shown(line), err=True)
    _put(outcome, hits, wanted, as_csv=as_csv, as_json=as_json)
    raise typer.Exit(DONE if outcome.whole and _passes(head, outcome) else NOT_WHOLE)


def recall(
    folder: Folder,
    what: Annotated[str, typer.Argument(metavar="KIND:VALUE")],
    reason: Needed,
    out: Annotated[Path, typer.Option()],
    since: Annotated[date | None, typer.Option("--from", parser=day_of, metavar="DATE")] = None,
    until: Date = None,
    contact: str = "",
    reply_by: Date = None,
    lift: Annotated[bool, typer.Option("--lift")] = False,
    head: str = "",
    trust: Certificates = None,
    jobs: Jobs = 1,
) -> None:
    r"""Recall evidence that turned out wrong.

    Every approval that rests on a record measured with it is decided again from its attachments
    without such records; those that fall read as recalled from then on. A letter to each owner, a
    page each, and recall.json are written. The recall lies in FOLDER as recall-0001.json: leave it.

    Exit code 0: every approval stands; 1: one falls, stands under new conditions, or cannot be
    decided again; 2: nothing was recalled.

    Example: dossier recall out instrument:APC-21 --from 2025-12-08 \
    --reason "It was found to miss small particles." --out recalled

    Options:
      folder: Folder of dossiers (PDF).
      what: instrument:APC-21, or of two laboratories instrument:ITH/APC-21; certificate:,
        laboratory:, lot:, specimen:, fluid:, record:, dossier:.
      reason: What was found, in a sentence.
      out: Where letters and recall.json are written.
      since: Measured on this day or later.
      until: Measured on this day or before.
      contact: Whom owners may ask.
      reply_by: Day by which owners answer.
      lift: End a recall that is on file.
      head: As of 'dossier register'.
      trust: As of 'dossier register'.
      jobs: Processes that decide at once.
    """
    from dossier.make.api import today
    from dossier.record.dossier_file import write_whole
    from dossier.register.letters import Reply, letters_pdf, lines, recall_json
    from dossier.register.recall import RecallError, Recalling, recall_evidence
    from dossier.register.store import RegisterError

    if out.resolve().is_relative_to(folder.resolve()):
        stop(f"--out {out} lies in the folder of the dossiers: give another")
    if reply_by is not None and reply_by < today():
        stop(f"--reply-by {reply_by} is over: give a later day")
    out.mkdir(parents=True, exist_ok=True)  # before anything is on file
    asked = Recalling(
        what=what, reason=reason, day=today(), first=since, until=until, lift=lift,
        trusted=bool(trust),
    )  # fmt: skip
    try:
        outcome = _updated(folder, head, trust, jobs)
        done = recall_evidence(folder, outcome, asked, jobs=jobs)
    except (RecallError, RegisterError) as error:
        stop(*str(error).split("\n"))
    write_whole(out / "recall.json", recall_json(outcome, done, bool(trust)).encode())
    write_whole(out / "letters.pdf", letters_pdf(outcome, done, Reply(contact, reply_by)))
    for line in lines(outcome, done):
        typer.echo(shown(line))
    if done.before:
        typer.echo(f"on file already as recall {done.before}: decided again, with the same outcome")
    typer.echo(f"head: {done.head}")
    raise typer.Exit(_recalled_code(outcome, done))


def _updated(folder: Path, head: str, trust: list[Path] | None, jobs: int) -> "Register":
    """Return the register of a folder, brought up to date."""
    from dossier.make.api import today
    from dossier.register.register import update

    given = [path.read_bytes() for path in trust or ()]
    return update(folder, today=today(), head=head, trust=given, jobs=jobs)


def _write_page(folder: Path, outcome: "Register", html: Path) -> None:
    """Write the page for a browser: the whole register, whatever else was asked for."""
    from dossier.register.letters import register_page
    from dossier.register.register import Wanted, find

    hits = find(outcome, Wanted(superseded=True))
    html.write_text(register_page(outcome, hits, prefix=_prefix(folder, html)), encoding="utf-8")


def _put(outcome: "Register", hits: Any, wanted: "Wanted", *, as_csv: bool, as_json: bool) -> None:
    """Write the answer to standard output, the state of the register where it fits."""
    from dossier.register.listing import csv_text, json_text, print_register, print_state

    if as_json:
        sys.stdout.write(shown_json(json_text(outcome, hits)))
    elif as_csv:
        sys.stdout.write(csv_text(hits))
    else:
        print_register(outcome, hits, wanted)
    print_state(outcome, to_stderr=as_json or as_csv)


def _prefix(folder: Path, html: Path) -> str | None:
    """Return the way from the page to the dossiers; None where there is none (other drives)."""
    try:
        way = os.path.relpath(folder.resolve(), html.resolve().parent)
    except ValueError:
        return None
    return "" if way == "." else Path(way).as_posix() + "/"


def _recalled_code(outcome: "Register", done: "Done") -> int:
    from dossier.record.recall import STANDS
    from dossier.register.recall import AGAIN, NO_APPROVAL

    if not outcome.whole:
        return NOT_WHOLE
    good = all(each.outcome in (STANDS, AGAIN, NO_APPROVAL) for each in done.told)
    return DONE if good else DIFFERS


def _passes(head: str, outcome: "Register") -> bool:
    """Say whether the chain passes through a head that was kept elsewhere."""
    if not head:
        return True
    wanted = head.strip().lower()
    if wanted in outcome.heads:
        place = outcome.heads.index(wanted) + 1
        typer.echo(f"the chain passes through this head at link {place}", err=True)
        return True
    typer.echo(
        "the chain does not pass through this head: a dossier that was registered then has been "
        "removed, replaced or registered in another order",
        err=True,
    )
    return False


def compare(
    a: Annotated[Path, typer.Argument(metavar="A")],
    b: Annotated[Path, typer.Argument(metavar="B")],
    as_json: Annotated[bool, typer.Option("--json")] = False,
) -> None:
    """Show what differs between two dossiers.

    Also between cases, and what it changed. Ends with 0 where decision and verdicts are the
    same, 1 where one differs, 2 where one cannot be read.

    Example: dossier compare out/LFQ-0412-r0.pdf inputs/polder-pumps

    Options:
      a: Dossier (PDF) or case folder.
      b: Dossier (PDF) or case folder.
      as_json: Print JSON.
    """
    from dossier.case.attached import NotADossierError
    from dossier.make.api import today
    from dossier.register.compare import comparison_json, comparison_of
    from dossier.register.listing import print_comparison
    from dossier.system.confined import StoppedError, confined

    own = {path: _side(path) for path in (a, b) if path.is_dir()}
    day = today()
    try:
        comparison = confined(
            lambda: comparison_of(own.get(a) or _read(a), own.get(b) or _read(b), day)
        )
    except (NotADossierError, StoppedError) as error:
        stop(error)
    told = [f"{side}: {why}" for side, path in zip("AB", (a, b), strict=True)
            if path not in own and (why := not_asked(path))]  # fmt: skip
    comparison = replace(comparison, remarks=(*comparison.remarks, *told))
    if as_json:
        sys.stdout.write(shown_json(comparison_json(comparison, (str(a), str(b)))))
    else:
        print_comparison(comparison, (str(a), str(b)))
    raise typer.Exit(DONE if comparison.same else DIFFERS)


def choose(
    cases: Annotated[list[Path], typer.Argument(metavar="CASE...")], out: Path = Path("out")
) -> None:
    """Set candidates for one application side by side.

    Two pages: verdicts, the numbers that decide, what the candidates differ by, and what each
    gains and gives up, in the order in which they are named. A help to choosing: each decision
    counts only by its own dossier.

    Example: dossier choose inputs/polder-pumps inputs/polder-pumps-fine

    Options:
      cases: Case folders, two to four.
      out: Folder to write to.
    """
    from dossier.make.api import today
    from dossier.make.choose import write_choice
    from dossier.make.verdict_text import print_choice

    chosen = write_choice(cases, out, today(), recalls_at(out))
    typer.echo("\n".join(map(shown, (chosen.pdf, chosen.json))))
    print_choice(chosen.choice)


def _read(path: Path) -> Any:
    """Return the dossier in a PDF; the error of a file that is none names it."""
    from dossier.case.attached import NotADossierError
    from dossier.record.dossier_file import read_dossier

    try:
        return read_dossier(path)
    except NotADossierError as error:
        raise NotADossierError(f"{path}: {error}") from None


def _side(path: Path) -> Any:
    """Return the dossier that a case folder would make now."""
    from dossier.make.decide import assess, decision_json, undrawn
    from dossier.make.read import read_case

    case = read_case(path)
    return undrawn(case, decision_json(case, assess(case)))
