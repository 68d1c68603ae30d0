"""Conditions for what a laboratory writes beside its readings, and the case does not."""

import re
from collections.abc import Collection, Iterator, Sequence
from contextlib import suppress
from datetime import date

from dossier.case.fields import SIDES
from dossier.case.model import Qualification, RecordEntry
from dossier.case.seen import plain
from dossier.decision.finding import Condition
from dossier.evidence.bench import Bench
from dossier.evidence.records.usable import named_in_plan
from dossier.words import later, say

DISOWNED = re.compile(
    r"\b((in|not )valid|void(ed)?(?! vol)|discarded|aborted|do not use|not to be used|ungültig|"
    r"verworfen|nicht verwenden|nicht verwertbar)\b",
    re.IGNORECASE,
)
"""Words by which a laboratory takes back what it measured."""
TAKEN_BACK = later("{record}: the laboratory writes “{text}”: see that it stands by its readings")
ANOTHERS = later(
    "{record}: is given as specimen {specimen}, and the laboratory writes “{text}”: see whose "
    "readings these are"
)


OTHER_FILTER = later(
    "{record}: is given as of the {side}, and the laboratory writes “{text}”: see whose readings "
    "these are"
)
OTHER_DAY = later(
    "{record}: is given as tested on {tested}, and the laboratory writes “{text}”: see when it was"
)
TESTED = re.compile(
    r"\b(?:tested|swept|inspected|measured|test date|date of test|geprüft|vermessen|Prüfdatum|"
    r"Prüftag)(?: on| am)?[ :=;,]{1,3}(?:(\d{4})-(\d\d)-(\d\d)|(\d\d?)[./](\d\d?)[./](\d{4}))\b",
    re.IGNORECASE,
)
"""A day of a test as laboratories write it: year first, or last."""


def of_remarks(bench: Bench) -> Iterator[Condition]:
    """Yield a condition for each record that counts though a remark takes it back.

    Or though what its remarks name is another specimen, filter or day than the case says.
    """
    case = bench.case
    known = {name for side in bench.sides for name in named_in_plan(case, side)}
    known |= {each.entry.specimen for each in case.records if each.entry.specimen}
    for each in (one for one in case.records if one.id not in bench.excluded):
        of_rows, entry = getattr(each.table, "remarks", ()), each.entry
        said = [entry.remark, *(remark.text for remark in each.remarks), *of_rows]
        found = {
            TAKEN_BACK: next(filter(DISOWNED.search, said), ""),
            ANOTHERS: _of_another(entry, said, known),
            OTHER_FILTER: _of_other_filter(case.qualification, entry, said),
            OTHER_DAY: _of_other_day(entry, said),
        }
        if words := next(filter(found.get, found), ""):
            told = {"specimen": entry.specimen or "", "side": say(entry.filter), "record": each.id}
            day, text = entry.tested, found[words][:200]
            yield Condition("disowned record", each.id, say(words, tested=day, text=text, **told))


def _of_other_filter(case: Qualification, entry: RecordEntry, said: Sequence[str]) -> str:
    """Return the first remark with part number or lot of the other filter, where none has its own.

    A name without a digit, or that both bear, tells nothing.
    """
    own, others = set[str](), set[str]()
    for side in SIDES:
        names = own if side == entry.filter else others
        names |= {plain(each) for each in (case.filter_of(side).part_number, *case.lots_of(side))}

    def named(text: str, names: set[str]) -> bool:
        alike = (rf"(?<!\w){re.escape(name)}(?!\w)" for name in names if re.search(r"\d", name))
        return any(re.search(each, plain(text)) for each in alike)

    if any(named(text, own) for text in said):
        return ""
    return next((text for text in said if named(text, others - own)), "")


def _of_other_day(entry: RecordEntry, said: Sequence[str]) -> str:
    """Return the first remark with a day of testing, where none is one on which it was tested."""
    named = {text: set(_days(text)) for text in said}
    told = set[date]().union(*named.values())
    last = entry.finished or entry.tested
    if any(entry.tested <= day <= last for day in told):
        return ""
    return next(filter(named.get, named), "")


def _days(text: str) -> Iterator[date]:
    """Yield the days of testing in a text; both that 02/03/2026 may be."""
    for y, m, d, one, two, year in TESTED.findall(text):
        for numbers in ((y, m, d), (year, two, one), (year, one, two)):
            with suppress(ValueError):
                yield date(*map(int, numbers))


def _of_another(entry: RecordEntry, said: Sequence[str], known: Collection[str]) -> str:
    """Return the first remark with the name of a specimen, where all name one, and not its own.

    A name is a word with letters and digits that is none of the dust or of an instrument.
    """
    dust = entry.conditions.dust
    others = _words(" ".join([dust.kind if dust else "", *entry.instruments]))
    names = {name for name in map(plain, known) if _words(name) == {name}} - others
    named = {text: names & _words(text) for text in said}
    told, own = set[str]().union(*named.values()), plain(entry.specimen or "")
    if own not in names or own in told or len(told) != 1:
        return ""
    return next(text for text in said if named[text])


def _words(text: str) -> set[str]:
    found = re.findall(r"[^\W_]+", plain(text))
    return {word for word in found if not (word.isalpha() or word.isdigit())}
