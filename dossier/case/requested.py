"""requested.toml: what was asked of the laboratories, kept as `dossier request` found it."""

import hashlib
import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date
from typing import Annotated, Any

from pydantic import Field, StringConstraints

from dossier.case.application import Application, Name
from dossier.case.fields import Day, Digest, FilterName, Model
from dossier.case.problems import CaseProblem
from dossier.case.seen import plain
from dossier.case.toml_text import MAX_TOML, inline, parse_toml, parsed_as

REQUEST_FILE = "requested.toml"
_HEAD = """\
# Written by 'dossier request': the application as it was when laboratories were asked, and the day.
# Each digest binds day and copy to the entry before: what is changed here by hand is refused.
"""
_NONE = "0" * 64
_BY_HAND = "put the file back as 'dossier request' wrote it; the command adds a further request"


class RequestEntry(Model):
    """One request: the day, and the application as it was asked."""

    day: Day
    digest: Digest
    specimens: dict[FilterName, tuple[Name, ...]] = Field(default_factory=dict)
    """The plan of specimens of each filter, where one was made."""
    application: Annotated[str, StringConstraints(max_length=MAX_TOML)]


Entries = Sequence[RequestEntry]
"""Requests in their order."""
Plan = Mapping[FilterName, tuple[str, ...]]
"""The planned specimens of each filter."""


class RequestFile(Model):
    """The whole file: every request, in order."""

    request: Annotated[tuple[RequestEntry, ...], Field(min_length=1, max_length=50)]


@dataclass(frozen=True, slots=True)
class FieldChange:
    """A field of the application before and after; None where it is absent."""

    field: str
    before: str | None
    after: str | None


@dataclass(frozen=True, slots=True, kw_only=True)
class OnFile:
    """The requirements as they are on file, from before the first test where there are such."""

    since: date
    first_test: date
    application: Application = field(repr=False)
    """The application as it was asked on that day."""
    changes: tuple[FieldChange, ...]
    """What is otherwise now."""
    planned: Plan = field(default_factory=dict)
    """The specimens of each filter as they were planned that day."""

    @property
    def late(self) -> bool:
        """Return whether they are on file only since after the first test."""
        return self.since > self.first_test


def requested(given: Entries, day: date, application: str, specimens: Plan) -> RequestEntry:
    """Return a further request, bound to those that were given before."""
    new = RequestEntry(day=day, digest=_NONE, application=application, specimens=dict(specimens))
    return new.model_copy(update={"digest": _digest(given, new)})


def _digest(before: Entries, each: RequestEntry) -> str:
    """Return the SHA-256 of what a request says, bound to the entry before, in hexadecimal."""
    last = before[-1].digest if before else ""
    plan = f"\n{json.dumps(each.specimens, sort_keys=True)}" if each.specimens else ""
    text = f"{last}\n{each.day.isoformat()}\n{each.application}{plan}"
    return hashlib.sha256(text.encode()).hexdigest()


def request_toml(entries: Entries) -> bytes:
    """Return requested.toml, readable for people: a table a request."""
    parts = [_HEAD]
    for entry in entries:
        text = entry.application.replace("\\", "\\\\").replace('"""', '""\\"').replace("\r", "\\r")
        text = f'{text[:-1]}\\"' if text.endswith('"') else text
        parts.append(
            f'\n[[request]]\nday = {entry.day.isoformat()}\ndigest = "{entry.digest}"\n'
            + (f"specimens = {inline(entry.specimens)}\n" if entry.specimens else "")
            + f'application = """\n{text}"""\n'
        )
    return "".join(parts).encode()


def requests_of(entries: Entries, title: str, *, alone: bool) -> tuple[RequestEntry, ...]:
    """Return the requests for the application of that title.

    Where a case has it `alone` and none bears its title, all: it was renamed.
    """
    own = tuple(each for each in entries if _titled(each) == plain(title))
    return own or (tuple(entries) if alone else ())


def _titled(entry: RequestEntry) -> str:
    application, _ = _read(entry)
    return plain(application.title) if application else ""


def request_problems(
    entries: Entries, application: Application, source: bytes, file: str, *, alone: bool
) -> Iterator[CaseProblem]:
    """Yield what is wrong with the requests on file, and with a revision that hides a change.

    `application` is the present one, `source` its text and `file` its name in the case, which has
    it `alone` or among others.
    """
    own = requests_of(entries, application.title, alone=alone)
    for number, entry in enumerate(entries):
        place, before = f"request number {number + 1}", entries[:number]
        if entry.digest != _digest(before, entry):
            what = "is not that of its day and copy: they were changed after it was written"
            yield CaseProblem(REQUEST_FILE, f"{place} . digest", what, _BY_HAND)
            return
        if before and entry.day < before[-1].day:
            what = f"is {entry.day}, before the request that precedes it, {before[-1].day}"
            yield CaseProblem(REQUEST_FILE, f"{place} . day", what, "give the day of the request")
        asked, faults = _read(entry)
        yield from faults
        if asked is None:
            return
        if entry.day < asked.issued:
            what = f"is {entry.day}, before the application that it asks for, {asked.issued}"
            yield CaseProblem(REQUEST_FILE, f"{place} . day", what, "give the day of the request")
        if entry in own:
            yield from _revised(entry, asked, application, source, file, last=entry is own[-1])


def _read(entry: RequestEntry) -> tuple[Application | None, list[CaseProblem]]:
    return parsed_as(Application, REQUEST_FILE, entry.application.encode())


def _revised(
    entry: RequestEntry, asked: Application, now: Application, source: bytes, file: str, *,
    last: bool,
) -> Iterator[CaseProblem]:  # fmt: skip
    """Yield that a changed application has the letter, or a day, of what was asked otherwise."""
    changes = changes_since(entry, source)
    if not changes:
        return
    told = "; ".join(said(change) for change in changes[:3]) + ("; …" if len(changes) > 3 else "")
    hint = "raise the revision and give its day: what was asked stays on file as it was"
    if plain(asked.revision) == plain(now.revision):
        what = f"is {now.revision!r}, as on {entry.day}, when something else was asked: {told}"
        yield CaseProblem(file, "revision", what, hint)
    if last and now.issued < entry.day:
        what = f"is {now.issued}, but on {entry.day} something else was asked: {told}"
        yield CaseProblem(file, "issued", what, hint)


def said(change: FieldChange, head: str = "") -> str:
    """Return a change in any language; `head` is left out of the name of its field."""
    before, after = (each if each is not None else "–" for each in (change.before, change.after))
    return f"{change.field.removeprefix(head)}: {before} → {after}"


def on_file(entries: Entries, source: bytes, first_test: date) -> OnFile | None:
    """Return the last request that is not after the first test, else the first one; None if none.

    What a request says after the first test is no measure for what was agreed before it.  The
    entries are those of a file without problems; `source` is the present application.
    """
    early = [entry for entry in entries if entry.day <= first_test]
    for entry in early[-1:] or entries[:1]:
        asked, _ = _read(entry)
        if asked is not None:
            made, day = changes_since(entry, source), entry.day
            return OnFile(since=day, first_test=first_test, application=asked, changes=made,
                          planned=entry.specimens)  # fmt: skip
    return None


def on_file_together(parts: Mapping[str, OnFile | None]) -> OnFile | None:
    """Return since when all applications, by their marks, are on file; None unless each is."""
    files = {mark: file for mark, file in parts.items() if file is not None}
    if not files or len(files) < len(parts):
        return None
    last = max(files.values(), key=lambda file: file.since)
    changes = (replace(c, field=f"{m} . {c.field}") for m, f in files.items() for c in f.changes)
    return replace(last, changes=tuple(changes))


def no_longer_asked(entries: Entries, asked: Entries) -> tuple[tuple[date, Application], ...]:
    """Return each application on file that none of the present ones is, since its last day."""
    found = {_titled(e): (e.day, _read(e)[0]) for e in entries if e not in asked}
    return tuple((day, each) for day, each in found.values() if each is not None)


def changes_since(entry: RequestEntry, source: bytes) -> tuple[FieldChange, ...]:
    """Return what an application, given as its text, says otherwise than the request did."""
    return field_changes(parse_toml(entry.application.encode()), parse_toml(source))


def field_changes(before: Mapping[str, Any], after: Mapping[str, Any]) -> tuple[FieldChange, ...]:
    """Return each field of two applications that differs, requirements by their id."""
    old, new = dict(_fields("", before)), dict(_fields("", after))
    # A requirement that came or went is one change, by its text; one that stayed, field by field.
    whole = {key for key in {*old, *new} if f"{key} . id" in {*old, *new}}
    moved = tuple(f"{key} . " for key in whole if key not in old or key not in new)
    every = (key for key in dict.fromkeys([*old, *new]) if old.get(key) != new.get(key))
    told = (key for key in every if not (key in whole and key in old and key in new))
    changed = (key for key in told if not key.startswith(moved))
    return tuple(FieldChange(key, old.get(key), new.get(key)) for key in changed)


def _fields(place: str, value: Any) -> Iterator[tuple[str, str]]:
    """Yield every field below `value` with what it says, as text."""
    if isinstance(value, Mapping):
        for key, each in value.items():
            yield from _fields(f"{place} . {key}" if place else str(key), each)
    elif isinstance(value, list) and value and all(isinstance(e, Mapping) for e in value):
        for number, each in enumerate(value, 1):
            name = each.get("id")
            one = f"{place} {name!r}" if isinstance(name, str) else f"{place} number {number}"
            yield one, str(each.get("text", ""))
            yield from _fields(one, each)
    else:
        yield place, "; ".join(map(str, value)) if isinstance(value, list) else str(value)
