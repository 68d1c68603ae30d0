"""Adversarial cases: excuses that excuse nothing, and requirements that move after the tests."""

import re
import shutil
import tempfile
from datetime import date
from pathlib import Path

from dossier.make.request_files import asked_of, filed
from tests.hostile.gate_rows import Change, Row, all_of, edit

__all__ = ["COVER"]

PUMPS, ROPEWAY, FERRY = "polder-pumps", "ropeway-drive", "chain-ferry"
WHY = "The bath ran warm that day; the viscosity was checked."
DEVIATION = {
    "record": "MP-C1",
    "text": WHY,
    "effect": "none",
    "agreed_by": "Test leader (invented)",
    "agreed": date(2026, 3, 20),
}
AFTER = "2026-03-20"
"""A day after the tests of every demo case."""


def words(text: str) -> str:
    """Return the pattern of a line that a terminal may break at any blank."""
    return r"\s+".join(re.escape(word) for word in text.split())


def deviation(**given: object) -> Change:
    """Add a deviation that is whole but for what is given; None leaves a key out."""

    def change(folder: Path) -> None:
        table = {k: v for k, v in (DEVIATION | given).items() if v is not None}
        lines = (f"{k} = {v}" if isinstance(v, date) else f'{k} = "{v}"' for k, v in table.items())
        with (folder / "case.toml").open("a", encoding="utf-8") as file:
            file.write("\n[[deviation]]\n" + "\n".join(lines) + "\n")

    return change


def revised(*pairs: tuple[str, str]) -> Change:
    """Change the application openly, as its next revision, issued after the tests."""

    def change(folder: Path) -> None:
        path = folder / "application.toml"
        text = re.sub(r'^revision = ".*"', 'revision = "F"', path.read_text("utf-8"), flags=re.M)
        path.write_text(re.sub(r"^issued = .*", f"issued = {AFTER}", text, flags=re.M), "utf-8")
        edit("application.toml", *pairs)(folder)

    return change


def severity(identifier: str, extra: str) -> Change:
    """Put `extra` in the place of a mandatory severity, in the next revision."""

    def change(folder: Path) -> None:
        revised()(folder)
        path = folder / "application.toml"
        head, mark, rest = path.read_text("utf-8").partition(f'id = "{identifier}"')
        path.write_text(head + mark + rest.replace(MANDATORY, extra, 1), "utf-8")

    return change


def left_out(identifier: str) -> Change:
    def change(folder: Path) -> None:
        revised()(folder)
        path = folder / "application.toml"
        parts = path.read_text("utf-8").split("[[requirement]]")
        kept = [part for part in parts if f'id = "{identifier}"' not in part]
        path.write_text("[[requirement]]".join(kept), "utf-8")

    return change


def without_request(folder: Path) -> None:
    (folder / "requested.toml").unlink()


def asked_again(day: date) -> Change:
    """Put the application on file anew, as if there were no request yet."""

    def change(folder: Path) -> None:
        with tempfile.TemporaryDirectory() as empty:
            shutil.copy(folder / "application.toml", empty)
            (folder / "requested.toml").write_bytes(filed(asked_of(Path(empty))[0], day) or b"")

    return change


def concession(**given: str) -> Change:
    """Change lines of the ferry's concession, which ends its case.toml."""

    def change(folder: Path) -> None:
        path = folder / "case.toml"
        head, mark, rest = path.read_text("utf-8").partition("[[concession]]")
        for key, value in given.items():
            rest = re.sub(rf"^{key} = .*$", f"{key} = {value}", rest, flags=re.M)
        path.write_text(head + mark + rest, "utf-8")

    return change


FULLER = "\u3164" * 6
HIDDEN = "\u200b".join("     ")
MANDATORY = 'severity = "mandatory"'
EARLY = {"record": "PD-C1", "agreed": date(2026, 2, 1)}

COVER = [
    Row("initial", "a deviation agreed by one letter", PUMPS, deviation(agreed_by="X"),
        words("'X' names nobody")),
    Row("fillers", "a name of letters that print as blanks", PUMPS, deviation(agreed_by=FULLER),
        words("names nobody")),
    Row("nobody", "a name that says that nobody agreed", PUMPS, deviation(agreed_by="N/A"),
        words("names nobody")),
    Row("nameless", "no name at all where the effect is none", PUMPS, deviation(agreed_by=None),
        words("agreed_by: is missing")),
    Row("undated", "no day where the effect is none", PUMPS, deviation(agreed=None),
        words("agreed: is missing")),
    Row("wordless", "a text of blanks that are not seen", PUMPS, deviation(text=HIDDEN),
        words("says nothing")),
    Row("filled", "letters that make no sentence", PUMPS, deviation(text="x" * 60),
        words("says nothing")),
    Row("early", "an excuse from before the test", PUMPS, deviation(**EARLY),
        words("before the test on 2026-02-04 that it excuses")),
    Row("late", "an excuse from after the date of issue", FERRY,
        deviation(record="PD-C1", agreed=date(2026, 5, 1)), words("after the date of issue")),
    Row("wildcard", "one excuse for every rule", PUMPS, deviation(rule="all"),
        words("'all' is no rule for a multipass record")),
    Row("other kind", "the rule of another kind of record", PUMPS,
        deviation(record="PD-C1", rule="injection level"),
        words("'injection level' is no rule for a pressure_drop record")),
    Row("nearly", "a rule but for its case", PUMPS, deviation(rule="Injection Level"),
        words("did you mean 'injection level'?")),
    Row("zero widening", "an uncertainty widened by nothing", PUMPS,
        deviation(effect="widens uncertainty", u="0 %", rule="temperature"), words("needs u")),
    Row("calibration", "an instrument out of date, excused", PUMPS,
        all_of(edit("case.toml", ("due = 2026-11-23", "due = 2026-02-01")),
               deviation(record="PD-C1", rule="calibration in date")),
        words("the recorded deviation does not cover it")),
    Row("left out", "a run left out by a plausible cause", PUMPS,
        deviation(record="MP-C2", effect="record excluded", cause="The pump of the rig stopped."),
        words("condition: MP-C2: left out of the evidence: The pump of the rig stopped.")),
    Row("no cause", "a run left out because it was not good", PUMPS,
        deviation(record="MP-C2", effect="record excluded", cause="bad run"),
        words("is no physical cause")),
    Row("covered", "a run in a bath that is too warm, excused by name", PUMPS,
        all_of(edit("case.toml", ("temperature = ", 'temperature = "42.5 degC"  # ')),
               deviation(rule="temperature"), deviation(rule="viscosity")),
        words("condition: MP-C1: temperature") + r"(?s:.*)" + words("not met") + r"(?s:.*)"
        + words("by Test leader")),
    Row("other machine", "leave for a machine of somebody else", FERRY,
        concession(machines='["Winch drive, ferry in the delta"]'),
        words("is outside the application")),
    Row("all machines", "leave for a machine written otherwise", FERRY,
        concession(machines='["winch drive, ferry at the lower crossing"]'),
        words("did you mean 'Winch drive, ferry at the lower crossing'?")),
    Row("no machines", "machines that nothing can be held against", FERRY,
        all_of(without_request, edit("application.toml", ("equipment = [", "equipment = [] # ["))),
        words("cannot be checked: the application names no equipment")),
    Row("over", "leave that ended before it was given", FERRY, concession(until="2026-04-01"),
        words("before the day it was agreed on, 2026-04-08")),
    Row("ahead", "leave from before the application", FERRY, concession(agreed="2025-12-01"),
        words("before the application was issued, 2026-01-12")),
    Row("in advance", "leave from before anything was tested", FERRY,
        concession(agreed="2026-01-20"), words("before the first test, 2026-01-27")),
    Row("no one's leave", "leave given by a full stop", FERRY, concession(agreed_by='". ."'),
        words("names nobody")),
    Row("softer limit", "a limit lowered under the same letter", PUMPS,
        edit("application.toml", ('min = "95 %"', 'min = "93 %"')),
        words("requirement 'E1' . min: 95 % → 93 %")),
    Row("softer limit, new letter", "the letter raised, the day kept", PUMPS,
        edit("application.toml", ('revision = "B"', 'revision = "C"'),
             ('min = "95 %"', 'min = "93 %"')),
        words("issued: is 2026-01-19, but on 2026-01-21 something else was asked")),
    Row("lookalike letter", "the letter raised by a mark that is not seen", PUMPS,
        edit("application.toml", ('revision = "B"', 'revision = "B\u200b"'),
             ("issued = 2026-01-19", f"issued = {AFTER}"), ('min = "95 %"', 'min = "93 %"')),
        words("when something else was asked")),
    Row("warmer oil", "a limit that fails moved to what was found", ROPEWAY,
        revised(('max = "50 degC"', 'max = "60 degC"')),
        words("condition: B2: changed since it was asked on 2026-01-28")),
    Row("harder valve", "the machine's valve moved instead of the limit", ROPEWAY,
        revised(('min = "120 kPa", max = "150 kPa"', 'min = "200 kPa", max = "230 kPa"')),
        words("condition: B2: changed since it was asked")),
    Row("softer rule", "another decision rule once the results are known", ROPEWAY,
        revised(('kind = "graded"', 'kind = "simple_acceptance"')),
        words("condition: B1: changed since it was asked")),
    Row("only advice", "a requirement that fails becomes advice", ROPEWAY,
        severity("B2", 'severity = "advisory"'), words("condition: B2: advisory, which is not")),
    Row("not for us", "a requirement that fails no longer applies", ROPEWAY,
        severity("B2", f"{MANDATORY}\nnot_applicable = 'The drive is never started cold.'"),
        words("condition: B2: not applicable, which is not on file")),
    Row("forgotten", "a requirement that fails is no longer there", ROPEWAY, left_out("B2"),
        words("condition: B2: asked on 2026-01-28 and no longer asked")),
    Row("renamed", "a requirement that fails is another one now", ROPEWAY,
        revised(('id = "B2"', 'id = "B9"'), ('max = "50 degC"', 'max = "60 degC"')),
        words("condition: B2: asked on 2026-01-28 and no longer asked")),
    Row("asked anew", "the request replaced by one from after the tests", ROPEWAY,
        all_of(revised(('max = "50 degC"', 'max = "60 degC"')), asked_again(date(2026, 4, 1))),
        words("are on file since 2026-04-01 only, after the first test on 2026-02-24")),
    Row("request gone", "advice from after the tests, and no request to hold it against", ROPEWAY,
        all_of(severity("B2", 'severity = "advisory"'), without_request),
        words("condition: B2: advisory, which is not on file")),
    Row("request by hand", "the copy on file edited to fit", PUMPS,
        all_of(edit("application.toml", ('min = "95 %"', 'min = "93 %"')),
               edit("requested.toml", ('min = "95 %"', 'min = "93 %"'))),
        words("digest: is not that of its day and copy")),
    Row("request moved", "the day of a late request edited", PUMPS,
        all_of(asked_again(date(2026, 4, 1)),
               edit("requested.toml", ("day = 2026-04-01", "day = 2026-01-21"))),
        words("digest: is not that of its day and copy")),
]  # fmt: skip
