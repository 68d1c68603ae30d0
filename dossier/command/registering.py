"""The commands on dossiers already made: register, recall and compare."""

import os
import sys
from datetime import date, datetime
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from dossier.command.calls import day_option
from dossier.make.outcome import DONE, WRONG_INPUT
from dossier.words.terminal_safe import shown, shown_json

if TYPE_CHECKING:
    from dossier.register.compare import Comparison
    from dossier.register.query import Wanted
    from dossier.register.recall import Done
    from dossier.register.register import Register

DIFFERS, NOT_WHOLE = 1, 3


_on = partial(day_option, metavar="DATE")


def register(
    folder: Annotated[Path, typer.Argument(metavar="FOLDER", help="Folder of dossiers (PDF).")],
    decision: Annotated[
        str, typer.Option(help="As it reads: approved, 'draft: would be approved', ...")
    ] = "",
    standing: Annotated[
        str, typer.Option(help="signed off, expired, recalled, draft, not intact or not proven.")
    ] = "",
    part: Annotated[
        str, typer.Option("--filter", help="Part number, or part of it, of either filter.")
    ] = "",
    equipment: Annotated[str, typer.Option(help="Equipment, or part of its name.")] = "",
    issued_from: Annotated[datetime | None, _on("Issued on this day or later.")] = None,
    issued_until: Annotated[datetime | None, _on("Issued on this day or before.")] = None,
    review_due_by: Annotated[
        datetime | None, _on("Review due, or a concession at its end, by this day.")
    ] = None,
    resting_on: Annotated[
        list[str] | None,
        typer.Option(
            metavar="KIND:VALUE",
            help="Decisions to look at again, such as instrument:APC-21, lot:25-311, "
            "'standard:ISO 4548-12', laboratory:, requirement:, fluid:; repeated: all of them.",
        ),
    ] = None,
    superseded: Annotated[bool, typer.Option("--all", help="Superseded ones too.")] = False,
    as_csv: Annotated[bool, typer.Option("--csv", help="Print CSV.")] = False,
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON.")] = False,
    html: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="Write the whole register as a page for a browser."),
    ] = None,
    ics: Annotated[
        Path | None,
        typer.Option(
            metavar="FILE", help="Write all ends (reviews, concessions, ...) as iCalendar."
        ),
    ] = None,
    head: Annotated[
        str,
        typer.Option(
            help="A head kept elsewhere: does the chain still pass through it? "
            "What it binds is not read again."
        ),
    ] = "",
    trust: Annotated[
        list[Path] | None,
        typer.Option(metavar="CERT", help="Judge seals by this trusted authority too; repeatable."),
    ] = None,
    jobs: Annotated[
        int, typer.Option(min=1, help="Processes that read at once, where many PDFs are read.")
    ] = 1,
) -> None:
    """Keep an index of dossiers, and list them.

    Shows what is missing or replaced. Every PDF is read and judged by its own bytes. The index
    (dossier-register.sqlite in the folder) is not believed, since whoever writes in the folder can
    rewrite it; its hash chain shows a dossier that was removed or replaced since the last time.
    Keep the printed head elsewhere: with --head, what it binds is believed and not read again.

    Example: dossier register out --resting-on instrument:APC-21
    """
    from dossier.make.api import today
    from dossier.register.calendar import calendar_text
    from dossier.register.query import Wanted, find, parse_rest
    from dossier.register.register import update
    from dossier.register.store import RegisterError

    try:
        wanted = Wanted(
            decision=decision, standing=standing, filter=part, equipment=equipment,
            issued_from=_date(issued_from), issued_until=_date(issued_until),
            review_due_by=_date(review_due_by), superseded=superseded,
            resting_on=tuple(parse_rest(each) for each in resting_on or ()),
        )  # fmt: skip
        outcome = update(
            folder, today=today(), head=head.strip().lower(), jobs=jobs,
            trust=[path.read_bytes() for path in trust or ()],
        )  # fmt: skip
        hits = find(outcome, wanted)
        if html is not None:
            _write_page(folder, outcome, html)
        if ics is not None:
            ics.write_bytes(calendar_text(outcome).encode())
    except (RegisterError, ValueError) as error:
        typer.echo(shown(error), err=True)
        raise typer.Exit(WRONG_INPUT) from None
    _put(outcome, hits, wanted, as_csv=as_csv, as_json=as_json)
    raise typer.Exit(DONE if outcome.whole and _passes(head, outcome) else NOT_WHOLE)


def recall(
    folder: Annotated[Path, typer.Argument(metavar="FOLDER", help="Folder of dossiers (PDF).")],
    what: Annotated[
        str,
        typer.Argument(
            metavar="KIND:VALUE",
            help="instrument:APC-21, or of two laboratories instrument:ITH/APC-21; certificate:, "
            "laboratory:, lot:, specimen:, fluid:, record:, dossier:.",
        ),
    ],
    reason: Annotated[str, typer.Option(help="What was found, in a sentence.")],
    out: Annotated[Path, typer.Option(help="Where letters and recall.json are written.")],
    since: Annotated[
        datetime | None,
        typer.Option(
            "--from", formats=["%Y-%m-%d"], metavar="DATE", help="Measured on this day or later."
        ),
    ] = None,
    until: Annotated[datetime | None, _on("Measured on this day or before.")] = None,
    contact: Annotated[str, typer.Option(help="Whom owners may ask.")] = "",
    reply_by: Annotated[datetime | None, _on("Day by which owners answer.")] = None,
    lift: Annotated[bool, typer.Option("--lift", help="End a recall that is on file.")] = False,
    head: Annotated[str, typer.Option(help="As of 'dossier register'.")] = "",
    trust: Annotated[
        list[Path] | None, typer.Option(metavar="CERT", help="As of 'dossier register'.")
    ] = None,
    jobs: Annotated[int, typer.Option(min=1, help="Processes that decide at once.")] = 1,
) -> None:
    r"""Recall evidence that turned out wrong, and decide again what rests on it.

    Every approval that rests on a record measured with it is decided again from its attachments
    without such records; those that fall read as recalled from then on. A letter to each owner, a
    page each, and recall.json are written. The recall lies in FOLDER as recall-0001.json: leave it.

    Exit code 0: every approval stands; 1: one falls, stands under new conditions, or cannot be
    decided again; 2: nothing was recalled.

    Example: dossier recall out instrument:APC-21 --from 2025-12-08 \
    --reason "It was found to miss small particles." --out recalled
    """
    from dossier.make.api import today
    from dossier.record.files import write_whole
    from dossier.register.letters import Reply, letters_pdf, lines, recall_json
    from dossier.register.recall import Asked, RecallError
    from dossier.register.recall import recall as put_on_file
    from dossier.register.register import update
    from dossier.register.store import RegisterError

    if out.resolve().is_relative_to(folder.resolve()):
        typer.echo(shown(f"--out {out} lies in the folder of the dossiers: give another"), err=True)
        raise typer.Exit(WRONG_INPUT)
    if reply_by is not None and reply_by.date() < today():
        typer.echo(f"--reply-by {reply_by.date()} is over: give a later day", err=True)
        raise typer.Exit(WRONG_INPUT)
    out.mkdir(parents=True, exist_ok=True)  # before anything is on file
    asked = Asked(
        what=what, reason=reason, day=today(), first=_date(since), until=_date(until), lift=lift,
        trusted=bool(trust),
    )  # fmt: skip
    try:
        outcome = update(
            folder, today=asked.day, head=head.strip().lower(), jobs=jobs,
            trust=[path.read_bytes() for path in trust or ()],
        )  # fmt: skip
        done = put_on_file(folder, outcome, asked, jobs=jobs)
    except (RecallError, RegisterError) as error:
        typer.echo("\n".join(map(shown, str(error).split("\n"))), err=True)
        raise typer.Exit(WRONG_INPUT) from None
    write_whole(out / "recall.json", recall_json(outcome, done, bool(trust)).encode())
    write_whole(out / "letters.pdf", letters_pdf(outcome, done, Reply(contact, _date(reply_by))))
    for line in lines(outcome, done):
        typer.echo(shown(line))
    if done.before:
        typer.echo(f"on file already as recall {done.before}: decided again, with the same outcome")
    typer.echo(f"head: {done.head}")
    raise typer.Exit(_recalled_code(outcome, done))


def _date(day: datetime | None) -> date | None:
    return None if day is None else day.date()


def _write_page(folder: Path, outcome: "Register", html: Path) -> None:
    """Write the page for a browser: the whole register, whatever else was asked for."""
    from dossier.register.html import register_page
    from dossier.register.query import Wanted, find

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
        print_register(outcome, hits, resting=bool(wanted.resting_on))
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
    a: Annotated[Path, typer.Argument(metavar="A", help="Dossier (PDF) or case folder.")],
    b: Annotated[Path, typer.Argument(metavar="B", help="Dossier (PDF) or case folder.")],
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON.")] = False,
) -> None:
    """Show what differs between two dossiers.

    Also between cases, and what it changed. Ends with 0 where decision and verdicts are the
    same, 1 where one differs, 2 where one cannot be read.

    Example: dossier compare out/LFQ-0412-r0.pdf inputs/polder-pumps
    """
    from dossier.case.attached import NotADossierError
    from dossier.system.confined import StoppedError, confined

    own = {path: _side(path) for path in (a, b) if path.is_dir()}
    try:
        comparison = confined(lambda: _both(a, b, own))
    except (NotADossierError, StoppedError) as error:
        typer.echo(shown(error), err=True)
        raise typer.Exit(WRONG_INPUT) from None
    if as_json:
        from dossier.register.compare import comparison_json

        sys.stdout.write(shown_json(comparison_json(comparison, (str(a), str(b)))))
    else:
        from dossier.register.listing import print_comparison

        print_comparison(comparison, (str(a), str(b)))
    raise typer.Exit(DONE if comparison.same else DIFFERS)


def choose(
    cases: Annotated[
        list[Path], typer.Argument(metavar="CASE...", help="Case folders, two to four.")
    ],
    out: Annotated[Path, typer.Option(help="Folder to write to.")] = Path("out"),
) -> None:
    """Set candidates for one application side by side.

    Two pages: verdicts, the numbers that decide, what the candidates differ by, and what each
    gains and gives up, in the order in which they are named. A help to choosing: each decision
    counts only by its own dossier.

    Example: dossier choose inputs/polder-pumps inputs/polder-pumps-fine
    """
    from dossier.make.api import today
    from dossier.make.choose import choose as write_choice
    from dossier.make.verdict_text import print_choice

    chosen = write_choice(cases, out, today())
    typer.echo("\n".join(map(shown, (chosen.pdf, chosen.json))))
    print_choice(chosen.choice)


def _both(a: Path, b: Path, own: dict[Path, Any]) -> "Comparison":
    from dossier.make.api import today
    from dossier.register.compare import compared

    return compared(own.get(a) or _read(a), own.get(b) or _read(b), today())


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
    from dossier.make.api import assess, decision_json, read_case
    from dossier.record.dossier_file import dossier_of

    case = read_case(path)
    files = {file.name: file.content for file in case.inputs}
    if case.signoff is not None:
        files[case.signoff.name] = case.signoff.content
    files["decision.json"] = decision_json(case, assess(case))
    return dossier_of(files, case.name)
