"""Steps that only read one record, or compare two, taken once for all variants of a case in a file.

A variant that changes one cell leaves all other records as they are; that they are read, reduced
and compared anew shows nothing.  What is given decides: a record by its entry and the bytes of its
files.  For files that judge cases as wholes; tests of these steps take them anew.
"""

import hashlib
import pickle
from dataclasses import fields
from functools import wraps
from pathlib import Path

import numpy as np

from dossier.case import read, requested
from dossier.case.case import Record
from dossier.case.toml_text import parse_toml
from dossier.evidence import prepare
from dossier.evidence.limits import Limits
from dossier.evidence.records.reduced import MultipassResult, PressureDropResult
from dossier.evidence.validity import balance, copies, pressures
from dossier.evidence.validity.readings import CountedSide
from dossier.record import decision_record

STEPS = (
    (copies, "_noise"), (copies, "_follows"), (copies, "_twins"), (pressures, "same_curve"),
    (copies, "_same_row"), (copies, "_same_class"), (copies, "_in_between"), (balance, "_slopes"),
)  # fmt: skip
KEPT = Record | MultipassResult | PressureDropResult | Limits
"""What is known by itself: one made twice is taken for another."""


def key(given):
    if isinstance(given, KEPT):
        return id(given)
    if isinstance(given, np.ndarray):
        return given.shape, hashlib.blake2b(np.ascontiguousarray(given).tobytes()).digest()
    if isinstance(given, CountedSide):
        return tuple(key(getattr(given, each.name)) for each in fields(CountedSide))
    return tuple(map(key, given)) if isinstance(given, tuple | list) else given


def once(step, of=key):
    """Return `step`, taken once for what `of` makes of its arguments."""
    known = {}

    @wraps(step)
    def taken(*given, **named):
        asked = of(given), *named.items()
        if asked not in known:
            known[asked] = step(*given, **named), given  # kept, so that nothing takes its id
        return known[asked][0]

    return taken


def run_of(given):
    """Key of a record that is reduced: what it holds, and its fluid."""
    case, record, *limits = given
    fluid = record.entry.fluid and pickle.dumps(case.fluid(record.entry.fluid))
    return id(record), fluid, key(limits)


def record_of(reader, entry, layouts):
    """Key of a record that is read: its entry and its files; None where one is missing."""
    files = [each.partition("#")[0] for each in (entry.file, *(j.file for j in entry.join))]
    if not all(Path(reader.folder, file).is_file() for file in files):
        return None
    found = [reader.fetch(file, "case.toml") for file in files]
    return pickle.dumps((entry, layouts, [file and (file.name, file.sha256) for file in found]))


def read_once(step):
    """Return what reads a record, once; one with a problem anew each time, so that it is told."""
    known = {}

    def taken(reader, entry, layouts):
        asked, before = record_of(reader, entry, layouts), len(reader.problems)
        if asked not in known or asked is None:
            found = step(reader, entry, layouts)
            if found is None or len(reader.problems) > before:
                return found
            known[asked] = found
        return known[asked]

    return taken


def parsed_once():
    """Return what parses TOML, once for each text; a copy each time, as a reader may change it."""
    known = {}

    def taken(content):
        if content not in known:
            known[content] = pickle.dumps(parse_toml(content))
        return pickle.loads(known[content])

    return taken


def remember(patch):
    """Take each of these steps once for what it is given."""
    for module, name in STEPS:
        patch.setattr(module, name, once(getattr(module, name)))
    for name in ("reduce_multipass", "reduce_pressure_drop"):
        patch.setattr(prepare, name, once(getattr(prepare, name), run_of))
    patch.setattr(read, "_record", read_once(read._record))
    parsed = parsed_once()
    for module in (read, requested, decision_record):
        patch.setattr(module, "parse_toml", parsed)
