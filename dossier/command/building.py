"""The commands that decide a case, and that build dossiers: one, or many at once."""

import sys
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from dossier.command.calls import Jobs, day_of, recalls_at, spare
from dossier.make.outcome import DEBUG, WRONG_INPUT, Order, Outcome, build_one, decided
from dossier.words.terminal_safe import shown, shown_json

if TYPE_CHECKING:
    from dossier.case.case import Case
    from dossier.decision.finding import Assessment
    from dossier.report.signing import SignOff

CaseFolder = Annotated[
    Path, typer.Argument(metavar="CASE", help="Case folder with application.toml and case.toml.")
]
ISSUED = "Date of issue, YYYY-MM-DD; otherwise the case's own, else that of its last test."
Issued = Annotated[date | None, typer.Option(parser=day_of, metavar="YYYY-MM-DD", help=ISSUED)]
HouseFolder = Annotated[
    Path | None,
    typer.Option(metavar="DIR", help="Folder of a house: its words, logo, colour, fonts."),
]


def check(
    case: CaseFolder,
    json: Annotated[bool, typer.Option("--json")] = False,
    issued: Issued = None,
    house: HouseFolder = None,
    quiet: Annotated[bool, typer.Option("--quiet")] = False,
) -> None:
    """Decide a case and print the verdicts; make no PDF.

    Example: dossier check inputs/polder-pumps

    Options:
      json: Print decision.json instead.
      quiet: Print the decision alone.
    """
    from dossier.make.api import today
    from dossier.make.decide import decision_json

    read, day, assessment, state = decide(case, issued, house)
    if json:
        sys.stdout.write(shown_json(decision_json(read, assessment, day, today()).decode()))
    elif quiet:
        from dossier.make.verdict_text import decision_line

        typer.echo(decision_line(assessment, state))
    else:
        from dossier.make.verdict_text import print_assessment

        print_assessment(read, assessment, state)
    from dossier.record.signoff import reads

    raise typer.Exit(decided(reads(assessment.decision.value, state)))


def decide(
    case: Path, issued: date | None, house: Path | None
) -> "tuple[Case, date, Assessment, SignOff]":
    """Return a case with its day of issue, what is decided without pages, and its sign-off."""
    from dossier.make.api import today
    from dossier.make.decide import assess, issue_date, sign_off
    from dossier.make.read import read_case

    read = read_case(case, house, today())
    day = issue_date(read, issued)
    assessment = assess(read, day, pages=False)
    return read, day, assessment, sign_off(read, assessment, day, today())


def build(
    cases: Annotated[list[Path], typer.Argument(metavar="CASE...")],
    out: Path = Path("out"),
    issued: Issued = None,
    jobs: Jobs = 1,
    house: HouseFolder = None,
    only_stale: Annotated[bool, typer.Option("--only-stale")] = False,
    replace: Annotated[bool, typer.Option("--replace")] = False,
    summary: Annotated[Path | None, typer.Option(metavar="FILE")] = None,
    scheduler: Annotated[str, typer.Option(metavar="ADDRESS")] = "",
) -> None:
    """Decide cases and write their dossiers.

    Each is OUT/NUMBER-rREVISION.pdf, with decision.json beside it under the same name.

    A case with problems does not stop the others; the exit code is the worst of all.

    Example: dossier build inputs/polder-pumps
    Example: dossier build inputs/polder-pumps inputs/chain-ferry --jobs 2 --only-stale

    Options:
      cases: Case folders with application.toml and case.toml.
      out: Folder to write to.
      jobs: Processes that work at once, where there are many cases.
      only_stale: Write only where what is built is not what lies there.
      replace: Build over a sealed dossier; its seals are lost.
      summary: Also write what became of each case, as JSON.
      scheduler: Dask scheduler whose workers build, for --jobs.
    """
    from dossier.make.api import today

    spare(summary)
    order = Order(
        out=out, issued=issued, house=house, only_stale=only_stale, replace=replace, on=today(),
        recalls=recalls_at(out), debug=DEBUG in sys.argv,
    )  # fmt: skip
    if len(cases) > 1 or only_stale or summary is not None or scheduler:
        raise typer.Exit(_build_many(cases, order, jobs, scheduler, summary))
    from dossier.make.verdict_text import bound_line

    made = build_one(cases[0], order)
    if made.files:
        typer.echo("\n".join((*map(shown, made.files), bound_line(made.digest), made.line)))
    for line in filter(None, (*made.problems, made.note)):
        typer.echo(line, err=True)
    raise typer.Exit(made.code)


def _build_many(
    cases: list[Path], order: Order, jobs: int, scheduler: str, summary: Path | None
) -> int:
    """Print a line for each case as it is done, and a summary; return the worst exit code."""
    from dossier.batch import run
    from dossier.batch.cluster import ClusterError
    from dossier.record.dossier_file import write_whole

    outcomes = []
    try:
        with run.following(len(cases)) as bar:
            many = run.build_many(cases, order, jobs=jobs, scheduler=scheduler, tell=bar.tell)
            for each in bar.through(many):
                outcomes.append(each)
                _print(each)
    except ClusterError as error:
        typer.echo(str(error), err=True)
        return WRONG_INPUT
    run.print_summary(outcomes)
    typer.echo(run.summary(outcomes))
    if summary is not None:
        write_whole(summary, run.summary_json(outcomes))
    return max(each.code for each in outcomes)


def _print(outcome: Outcome) -> None:
    if outcome.files:
        words = f"{outcome.case}: {outcome.files[0]}: {outcome.done}: {outcome.line}"
        typer.echo(shown(f"{words} (digest {outcome.digest})"))
        if outcome.note:
            typer.echo(shown(f"{outcome.case}: {outcome.note}"), err=True)
    else:
        typer.echo("\n".join((shown(f"{outcome.case}: no dossier"), *outcome.problems)), err=True)
