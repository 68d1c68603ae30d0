"""What `dossier check` says of the tests themselves."""

from dossier.evidence.limits import Check
from dossier.make.verdict_text import MOST_CHECKS, check_lines


def check(outcome, record="M1", deviation=""):
    return Check(
        record=record, rule="enough counts", standard="own", limit="at least 20", found="7",
        outcome=outcome, mandatory=False, deviation=deviation,
    )  # fmt: skip


def test_warnings_and_what_was_not_met_are_told_and_the_rest_is_counted():
    made = [check("met"), check("met"), check("warning"), check("not checked")]
    made += [check("not met", record=""), check("covered by a deviation", deviation="agreed")]
    assert check_lines(made) == [
        "checks: 2 met, 1 warning, 1 not checked, 1 not met, 1 covered by a deviation",
        "M1: enough counts: warning: 7",
        "M1: enough counts: not checked: 7",
        "whole case: enough counts: not met: 7",
        "M1: enough counts: covered by a deviation: 7; agreed",
    ]


def test_many_warnings_end_in_their_number():
    lines = check_lines([check("warning")] * (MOST_CHECKS + 3))
    assert lines[0] == f"checks: {MOST_CHECKS + 3} warnings"
    assert len(lines) == 1 + MOST_CHECKS + 1
    assert lines[-1] == "and 3 more: the dossier lists them all"
    assert check_lines([]) == ["checks: none"]
