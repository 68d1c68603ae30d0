"""Mutants of a sealed dossier by a seeded generator: python -m tests.hostile.seals [COUNT].

Bytes, objects, rows of tables, streams, trailers and whole seals are changed, doubled, moved and
left out.  No mutant may be verified, stop the program, or take long.  That the pages come out as
they did is taken for granted here: a layout takes seconds and gives the same bytes.
"""

import os
import random
import re
import sys
import tempfile
from collections import Counter
from dataclasses import dataclass
from pathlib import Path
from unittest.mock import patch

from dossier import verify
from dossier.case.attached import NotADossierError
from dossier.make.outcome import OUR_BUG, explained

SLOWEST = 20.0
"""Seconds of computing that a mutant may take."""
OBJECT = re.compile(rb"(?s)\d+ 0 obj\n.*?\nendobj\n")
ROW = re.compile(rb"\d{10} \d{5} [nf] \n")
TRAILER = re.compile(rb"(?s)trailer\n.*?%%EOF\n")
STREAM = re.compile(rb"(?s)stream\n.*?\nendstream")
VALUE = re.compile(rb"/Contents <[0-9A-F]+>")
NUMBER = re.compile(rb"\b\d{1,10}\b")
WORDS = re.compile(rb"/[A-Z][A-Za-z]{2,12}\b")


@dataclass(frozen=True)
class Sealed:
    """A dossier sealed some times, from unsealed on, and what is trusted."""

    versions: tuple[bytes, ...]
    trust: tuple[bytes, ...]


@dataclass(frozen=True)
class Told:
    """What became of a mutant."""

    kind: str
    outcome: str
    seconds: float
    fault: str = ""


def mutant(made, seed):
    """Return kind and bytes of the mutant of that number; never the whole file as it was."""
    draw = random.Random(seed)
    while True:
        kind = draw.choice(sorted(KINDS))
        data = KINDS[kind](draw, made, made.versions[-1])
        if data not in made.versions:
            return kind, data


def somewhere(draw, made, data):
    """Return a place: half of them behind the first revision, where a hundredth of a file lies."""
    first = len(made.versions[0])
    return draw.randrange(first if first < len(data) and draw.random() < 0.5 else 0, len(data))


def one_byte(draw, made, data):
    place = somewhere(draw, made, data)
    return data[:place] + bytes([(data[place] + draw.randrange(1, 256)) % 256]) + data[place + 1 :]


def some_bytes(draw, made, data):
    place, size = somewhere(draw, made, data), draw.choice((1, 2, 7, 30, 400, 9000))
    what = draw.choice((b"", draw.randbytes(size), b" " * size, data[place : place + size] * 2))
    return data[:place] + what + data[place + draw.choice((0, size)) :]


def part(pattern):
    """Return an operator on the parts of a file that match: changed, doubled, moved, left out."""

    def change(draw, made, data):
        found = list(pattern.finditer(data, 0 if draw.random() < 0.4 else len(made.versions[0])))
        if not found:
            return data
        one, other = draw.choice(found), draw.choice(found)
        body = draw.choice(
            (b"", one[0] * 2, other[0], other[0] + one[0], one[0][:-1] + b"\n\n", one[0].lower())
        )
        return data[: one.start()] + body + data[one.end() :]

    return change


def numbers(draw, made, data):
    """Another number in a table, a trailer or an object."""
    found = list(NUMBER.finditer(data, len(made.versions[0]))) or list(NUMBER.finditer(data))
    if not found:
        return data
    one = draw.choice(found)
    new = draw.choice((b"0", b"1", b"%d" % draw.randrange(10**10), b"00" + one[0], b"-1"))
    return data[: one.start()] + new + data[one.end() :]


def seals(draw, made, _data):
    """Seals, or what they cover, in another order, left out, doubled."""
    after = zip(made.versions, made.versions[1:], strict=False)
    parts = [b[len(a) :] for a, b in after]
    chosen = [draw.choice(parts) for _ in range(draw.randrange(5))]
    return b"".join([draw.choice((made.versions[0], b"")), *chosen, draw.choice((b"", b"\n"))])


def cut(draw, made, data):
    return data[: somewhere(draw, made, data)]


def appended(draw, made, data):
    behind = (b"\n", b"%%EOF\n", data, made.versions[0], draw.randbytes(50))
    found = TRAILER.findall(data) + OBJECT.findall(data, len(made.versions[0]))
    return data + draw.choice((*behind, *found))


def twice(draw, made, data):
    """Two changes at once, one of which may hide the other."""
    names = sorted(set(KINDS) - {"two at once"})
    for _ in range(2):
        data = KINDS[draw.choice(names)](draw, made, data) or b"%PDF-1.7\n"
    return data


KINDS = {
    "byte": one_byte, "bytes": some_bytes, "object": part(OBJECT), "row": part(ROW),
    "trailer": part(TRAILER), "stream": part(STREAM), "value": part(VALUE), "name": part(WORDS),
    "number": numbers, "seals": seals, "cut": cut, "appended": appended, "two at once": twice,
}  # fmt: skip


def judged(made, seed, path):
    """Return what becomes of one mutant; a fault where a property does not hold."""
    kind, data = mutant(made, seed)
    path.write_bytes(data)
    start, fault = _busy(), ""
    try:
        found = verify(path, trust=made.trust)
        outcome = found.verdict
        fault = "verified" if found.verified else ""
    except NotADossierError:
        outcome = "not a dossier"
    except Exception as error:  # noqa: BLE001  the property under test
        code, lines = explained(error, debug=True)
        outcome = "traceback" if code == OUR_BUG else "refused"
        fault = " ".join(lines)[-500:] if code == OUR_BUG else ""
    seconds = _busy() - start
    fault = fault or ("slow" if seconds > SLOWEST else "")
    return Told(kind, outcome, seconds, f"#{seed} {kind}: {fault}" if fault else "")


def _busy():
    """Return the time [s] that this process and those that it waited for have computed."""
    return sum(os.times()[:4])


def run(made, seeds, folder):
    """Return what became of the mutants of these numbers."""
    same = patch("dossier.make.recompute.compose", lambda *_, **__: (made.versions[0], b""))
    with same:
        return [judged(made, seed, folder / "mutant.pdf") for seed in seeds]


def main(count=5000, first=0):
    from tests.archive import sealed

    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        _, authority, _, versions = sealed.made(folder)
        made = Sealed(tuple(versions), (authority.read_bytes(),))
        told = run(made, range(first, first + count), folder)
    for (kind, outcome), number in sorted(Counter((t.kind, t.outcome) for t in told).items()):
        print(f"{kind:12} {outcome:14} {number}")
    print(f"{len(told)} mutants, slowest {max(t.seconds for t in told):.1f} s")
    faults = [t.fault for t in told if t.fault]
    print("\n".join(faults) or "none verified, no traceback, none slow")
    return bool(faults)


if __name__ == "__main__":
    sys.exit(main(*map(int, sys.argv[1:3])))
