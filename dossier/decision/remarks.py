"""Conditions for what a laboratory writes beside its readings, and the case does not."""

import re
from collections.abc import Collection, Iterator, Sequence

from dossier.case.model import RecordEntry
from dossier.case.seen import plain
from dossier.decision.finding import Condition
from dossier.evidence.bench import Bench
from dossier.evidence.records.usable import named_in_plan
from dossier.words import later, say

DISOWNED = re.compile(
    r"\b((in|not )valid|void(ed)?(?! vol)|discarded|aborted|do not use|not to be used|ungültig|"
    r"verworfen|nicht verwenden|nicht verwertbar)\b", re.IGNORECASE,
)  # fmt: skip
"""Words by which a laboratory takes back what it measured."""
TAKEN_BACK = later("{record}: the laboratory writes “{text}”: see that it stands by its readings")
ANOTHERS = later(
    "{record}: is given as specimen {specimen}, and the laboratory writes “{text}”: see whose "
    "readings these are"
)


def of_remarks(bench: Bench) -> Iterator[Condition]:
    """Yield a condition for each record that counts though a remark takes it back.

    Or though what its remarks name is another specimen than the case says.
    """
    case = bench.case
    known = {name for side in bench.sides for name in named_in_plan(case, side)}
    known |= {each.entry.specimen for each in case.records if each.entry.specimen}
    for each in (one for one in case.records if one.id not in bench.excluded):
        of_rows = getattr(each.table, "remarks", ())
        said = [each.entry.remark, *(remark.text for remark in each.remarks), *of_rows]
        words, text = TAKEN_BACK, next(filter(DISOWNED.search, said), "")
        if not text:
            words, text = ANOTHERS, _of_another(each.entry, said, known)
        if text:
            specimen = each.entry.specimen or ""
            told = say(words, record=each.id, specimen=specimen, text=text[:200])
            yield Condition("disowned record", each.id, told)


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
