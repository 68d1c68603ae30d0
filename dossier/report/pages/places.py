"""Where things stand in the dossier, so that a verdict leads to its chart, record and checks."""

import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import groupby

from dossier.decision.finding import Assessment, Finding
from dossier.decision.together import leading
from dossier.report.blocks import Line, Link, Section
from dossier.system.grouped import grouped
from dossier.words import later, say

_NAME = re.compile(r"(.*?)(\d+)", re.DOTALL)
_NUMBER = re.compile(r"(?<![A-Za-z\d-])[+−A-Z-]?\d[\d.,:\u202f-]*")
BLANK = "…"


def runs_of(names: Iterable[str]) -> Iterator[tuple[str, tuple[str, ...]]]:
    """Yield names in runs, each as its text and its members: MP-C1, MP-C2, MP-C3 → MP-C1 to C3.

    Only three or more that count up by one are a run; kinds keep the order they came in.
    """
    each = ((name, _NAME.fullmatch(name)) for name in dict.fromkeys(names))
    stems = grouped((m[1], (int(m[2]), name)) if m else (name, (0, name)) for name, m in each)
    for members in stems.values():
        for group in _consecutive(sorted(members)):
            if len(group) < 3:
                yield from [(name, (name,)) for name in group]
            else:
                last = group[-1].rpartition("-")[2]
                yield say("{first} to {last}", first=group[0], last=last), tuple(group)


def _consecutive(members: Sequence[tuple[int, str]]) -> Iterator[list[str]]:
    """Yield names whose numbers count up by one: as do their places, so that both differ alike."""
    for _, own in groupby(enumerate(members), lambda each: each[1][0] - each[0]):
        yield [name for _, (_, name) in own]


def named(names: Iterable[str]) -> str:
    """Return names in runs as one text: "MP-C1 to C3, PD-C1"."""
    return ", ".join(text for text, _ in runs_of(names))


def condensed(found: Iterable[tuple[str, str]]) -> tuple[str, ...]:
    """Return a line for each thing that was found, `found` being name and sentence.

    Equal sentences are said once with all their names.  Sentences that differ only between a
    common beginning and a common end are said once with a blank: "retained … g (A 3.1; B 3.2)".
    """
    same = grouped((text, name) for name, text in found)
    frames = grouped((_NUMBER.sub(BLANK, text), text) for text in same)
    return tuple(line for texts in frames.values() for line in _said(texts, same))


def _said(texts: Sequence[str], same: dict[str, list[str]]) -> list[str]:
    """Return one line for all texts; one for each where they are lists of their own."""
    if len(texts) > 1 and not any(";" in text[:-1] for text in _middles(texts)[1]):
        return [_line(texts, same)]
    return [f"{text} ({named(same[text])})" for text in texts]


def _line(texts: Sequence[str], same: dict[str, list[str]]) -> str:
    frame, middles = _middles(texts)
    each = "; ".join(
        f"{named(same[text])}\u00a0{middle}" for text, middle in zip(texts, middles, strict=True)
    )
    return f"{frame} ({each})" if frame != BLANK else each


def _middles(texts: Sequence[str]) -> tuple[str, list[str]]:
    """Return what all texts share, with a blank, and what fills the blank in each."""
    words = [text.split(" ") for text in texts]
    head = _common(words)
    tail = _common([list(reversed(each[head:])) for each in words])
    middles = [" ".join(each[head : len(each) - tail]) for each in words]
    last = {middle[-1:] for middle in middles}
    stop = last.pop() if len(last) == 1 and last <= set(",;:") else ""
    middles = [middle.removesuffix(stop) for middle in middles]
    tails = words[0][-tail:] if tail else []
    return " ".join([*words[0][:head], BLANK + stop, *tails]), middles


def _common(words: Sequence[Sequence[str]]) -> int:
    """Return how many words all begin with, leaving each at least one of its own."""
    count = 0
    while count < min(map(len, words)) - 1 and len({each[count] for each in words}) == 1:
        count += 1
    return count


CHECKS = "checks"
TENTHS = "chart-tenths"
CHARTS = {
    "chart-size": ("efficiency", "size_at_ratio", "size_at_efficiency"),
    TENTHS: ("lowest_efficiency", "filtration_ratio"),
    "chart-loading": ("injected_capacity", "retained_capacity"),
    "chart-hours": ("service_life", "pressure_drop_at_interval", "bypass_margin"),
    "chart-flow": ("clean_pressure_drop",),
    "chart-temperature": ("cold_bypass_temperature",),
    "chart-share": ("partial_flow_share", "turnover_time"),
}
"""Quantities that a chart shows; any other is on page one or in the table of requirements."""
OF_PRESSURE = ("chart-hours", "chart-flow", "chart-temperature")
OF_APPLICATION = (*OF_PRESSURE, "chart-share")
"""Charts with the oil, flow and hours of one application."""


def chart_of(finding: Finding) -> str:
    """Return the anchor of the chart that shows what a requirement asks for, or nothing."""
    name = finding.demand.quantity.name
    return next((chart for chart, shown in CHARTS.items() if name in shown), "")


@dataclass(frozen=True, slots=True, kw_only=True)
class Places:
    """Anchors of what a reader may want to follow."""

    requirements: Mapping[str, str]
    """Requirement -> its row in the table of requirements."""
    records: Mapping[str, str]
    """Record -> its row in the list of records."""
    has_share: bool
    """Whether the share through the fine path is drawn."""
    drawn: str
    """Mark of the application that the curves are drawn for; empty where there is one."""

    def chart(self, finding: Finding) -> str:
        """Return the anchor of the chart that shows a finding; empty where none does."""
        anchor = chart_of(finding)
        other = anchor in OF_APPLICATION and finding.demand.mark != self.drawn
        return "" if other or (anchor == "chart-share" and not self.has_share) else anchor

    def asked(self, ids: Iterable[str]) -> Line:
        """Return requirements, each leading to its row in the table of requirements."""
        return _joined([Link(each, self.requirements[each]) for each in ids])

    def listed(self, records: Iterable[str]) -> Line:
        """Return records in runs, each leading to its row in the list of records."""
        known = [record for record in records if record in self.records]
        links = [Link(text, self.records[group[0]]) for text, group in runs_of(known)]
        return _joined(links, small=True)


def _joined(links: Sequence[Link], *, small: bool = False) -> Line:
    parts: list[str | Link] = []
    for link in links:
        parts += [", ", link]
    return Line(tuple(parts[1:]), small)


def places_of(assessment: Assessment) -> Places:
    """Return the anchors of a dossier: numbered, since names are free text."""
    findings = assessment.findings
    records = (record.id for record in assessment.bench.case.records)
    return Places(
        requirements={f.demand.id: f"requirement-{i}" for i, f in enumerate(findings, start=1)},
        records={record: f"record-{i}" for i, record in enumerate(records, start=1)},
        drawn=leading(assessment.parts).bench.case.mark if assessment.parts else "",
        has_share=any(side.share_curve is not None for side in assessment.circuit),
    )


def _found(finding: Finding) -> tuple[float, float] | None:
    """Return a result: it differs between applications, and where laboratories are compared."""
    found = finding.estimate
    return None if found is None else (found.value, found.u)


def alike(findings: Iterable[Finding]) -> list[tuple[tuple[str, ...], list[Finding]]]:
    """Return findings on the same quantity and conditions together, with their identifiers."""
    asked = grouped(((f.demand.quantity.name, f.demand.at_text, _found(f)), f) for f in findings)
    return [(tuple(f.demand.id for f in group), group) for group in asked.values()]


def same_as(findings: Sequence[Finding]) -> dict[str, str]:
    """Return requirements that ask just what an earlier one asks, with the name of that one."""
    first: dict[tuple[object, ...], str] = {}
    again = {}
    for finding in findings:
        asked = finding.demand
        key = (
            asked.quantity.name, asked.at_text, asked.lower, asked.upper, asked.not_worse,
            asked.basis, asked.coverage, asked.severity, asked.must_hold, asked.not_applicable,
            finding.verdict.value, finding.concession and finding.concession.text,
            asked.confidence, _found(finding),
        )  # fmt: skip
        if first.setdefault(key, asked.id) != asked.id:
            again[asked.id] = first[key]
    return again


MAIN = (
    ("decision", later("Decision")),
    ("cautions", later("Cautions")),
    ("requirements", later("Requirements and results")),
    ("application", later("Application, filters and specimens")),
    ("curves", later("What the tests show")),
    ("comparison", later("Comparison with the filter now fitted")),
    ("circuit", later("Behaviour in the circuit")),
    ("validity", later("Validity of the tests")),
    ("uncertainty", later("Uncertainty and decision rule")),
    ("method", later("Method, digests and versions")),
    ("signoff", later("Sign-off")),
)


def section_of(finding: Finding) -> str:
    """Return the section that shows a finding, as its quantity declares."""
    return finding.demand.quantity.section


def findings_of(findings: Iterable[Finding], key: str) -> list[Finding]:
    """Return the findings that a section shows."""
    return [finding for finding in findings if section_of(finding) == key]


FAMILIES = {
    "efficiency": later("efficiency"),
    "pressure": later("pressure drop"),
    "capacity": later("capacity or life"),
}
"""What a filter is for, by the section that shows it."""


def unasked(findings: Sequence[Finding]) -> str:
    """Return on what nothing was asked, so that an approval tells nothing of it."""
    asked = [f for f in findings if not f.demand.not_applicable]
    left = [say(text) for key, text in FAMILIES.items() if not findings_of(asked, key)]
    words = later("Nothing was asked on {families}.")
    return say(words, families="; ".join(left)) if left else ""


def number_sections(has: Mapping[str, bool], own: Sequence[str] = ()) -> dict[str, Section]:
    """Return the sections this dossier has, by key, numbered without gaps.

    `has` tells of some whether there is anything to say in them; `own` are the titles of a house's
    sections, which come last.
    """
    present = ((key, say(title)) for key, title in MAIN if has.get(key, True))
    sections = [Section(key, str(n), title) for n, (key, title) in enumerate(present, 1)]
    for number, title in enumerate(own, 1):
        sections.append(Section(f"house-{number}", say("House {number}", number=number), title))
    return {each.key: each for each in sections}
