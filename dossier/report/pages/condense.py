"""Say once what many records share: runs of names, and sentences that differ in a number."""

import re
from collections.abc import Iterable, Sequence

from dossier.words import say

_NAME = re.compile(r"(.*?)(\d+)", re.DOTALL)
_NUMBER = re.compile(r"(?<![A-Za-z\d-])[+−-]?\d[\d.,:\u202f-]*")
BLANK = "…"


def runs_of(names: Iterable[str]) -> list[tuple[str, tuple[str, ...]]]:
    """Return names in runs, each as its text and its members: MP-C1, MP-C2, MP-C3 → MP-C1 to C3.

    Only three or more that count up by one are a run; kinds keep the order they came in.
    """
    stems: dict[str, list[tuple[int, str]]] = {}
    for name in dict.fromkeys(names):
        found = _NAME.fullmatch(name)
        stem, number = (found[1], int(found[2])) if found else (name, 0)
        stems.setdefault(stem, []).append((number, name))
    runs: list[tuple[str, tuple[str, ...]]] = []
    for members in stems.values():
        for group in _consecutive(sorted(members)):
            if len(group) < 3:
                runs += [(name, (name,)) for name in group]
            else:
                last = group[-1].rpartition("-")[2]
                text = say("{first} to {last}", first=group[0], last=last)
                runs.append((text, tuple(group)))
    return runs


def _consecutive(members: Sequence[tuple[int, str]]) -> list[list[str]]:
    groups: list[list[str]] = []
    before: int | None = None
    for number, name in members:
        if before is None or number != before + 1:
            groups.append([])
        groups[-1].append(name)
        before = number
    return groups


def named(names: Iterable[str]) -> str:
    """Return names in runs as one text: "MP-C1 to C3, PD-C1"."""
    return ", ".join(text for text, _ in runs_of(names))


def condensed(found: Iterable[tuple[str, str]]) -> tuple[str, ...]:
    """Return a line for each thing that was found, `found` being name and sentence.

    Equal sentences are said once with all their names.  Sentences that differ only between a
    common beginning and a common end are said once with a blank: "retained … g (A 3.1; B 3.2)".
    """
    same: dict[str, list[str]] = {}
    for name, text in found:
        same.setdefault(text, []).append(name)
    alike: dict[str, list[str]] = {}
    for text in same:
        alike.setdefault(_NUMBER.sub(BLANK, text), []).append(text)
    return tuple(line for texts in alike.values() for line in _said(texts, same))


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
