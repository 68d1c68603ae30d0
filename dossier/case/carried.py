"""Evidence of the dossier that a case replaces, read out of its PDF and joined to the new."""

import hashlib
import json
import posixpath
from collections.abc import Callable, Mapping, Sequence
from typing import Any

from pydantic import ValidationError

from dossier.case.agreed import Carried
from dossier.case.application import Circuit
from dossier.case.applied import files_of
from dossier.case.attached import NotADossierError, open_pdf
from dossier.case.compared import Source, carrying_faults
from dossier.case.fields import SIDES
from dossier.case.model import Qualification
from dossier.case.problems import PartError
from dossier.case.toml_text import TomlError, parse_toml
from dossier.case.whole import Fetch, Whole, made_whole, tables
from dossier.system.confined import StoppedError, confined, stranger

INSIDE = "!/"
"""Marks a file inside a PDF: "carried/x.pdf!/case/records/a.csv"."""
DEEPEST = 4
"""Dossiers that evidence may have been carried through."""
SHARED = ("laboratory", "instrument", "fluid", "layout")
"""What records name by id."""
ALIKE = {"laboratory": ("id", "name", "accreditation", "methods")}
"""Keys by which two tables of one id are the same; all of them elsewhere."""


Form = type[Qualification]
"""Of case.toml: whole, or a draft."""


def with_carried(
    document: Mapping[str, Any], fetch: Fetch, depth: int = 0, model: Form = Qualification
) -> Whole:
    """Return case.toml whole, with the records that it carries over from another dossier.

    What is carried is read from the attachments of its PDF, which is itself attached: nothing is
    copied out of it.  Whether that dossier holds is for who decides.
    """
    whole = made_whole(document, fetch)
    for each in tables(whole.document, "record"):
        if INSIDE in str(each.get("file", "")):
            what = f"{str(each['file'])[:80]!r} lies inside a PDF"
            hint = "evidence of another dossier is named by [[carried]]"
            whole.complain(f"record {str(each.get('id'))!r} . file", what, hint)
    own = _case(whole.document, model) if document.get("carried") else None
    if own is None or not own.carried or whole.problems:
        return whole
    found = _source(whole, own.carried, fetch, depth)
    if found is not None:
        source, theirs = found
        for fault in carrying_faults(own, source):
            whole.complain(*fault)
        whole.sources.append(source)
        _Joined(whole, source, theirs).join()
    return whole


def _case(document: Mapping[str, Any], model: Form = Qualification) -> Qualification | None:
    """Return a case.toml as its model; None where that will say what is wrong with it."""
    try:
        return model.model_validate(document)
    except (ValidationError, RecursionError):
        return None


Read = tuple[Source, Mapping[str, Any]]
"""A dossier, and its case.toml as it stands there, whole."""


def _source(whole: Whole, given: Sequence[Carried], fetch: Fetch, depth: int) -> Read | None:
    """Return the dossier in the PDF that is named, with the files in it; None with a problem."""
    file = given[0].dossier
    try:
        if len({posixpath.normpath(each.dossier) for each in given}) > 1:
            what = "names several dossiers; evidence is carried from the one that is replaced"
            hint = "give the last one: what it carried itself can be carried on from there"
            raise PartError("carried", what, hint)
        content = fetch(file)
        if content is None:
            return None
        digest = hashlib.sha256(content).hexdigest()
        if any(each.sha256 != digest for each in given):
            hint = "find out which of them changed, and who carried what over"
            raise PartError("carried . sha256", f"is not that of {file}, which is {digest}", hint)
        if depth >= DEEPEST:
            what = f"carries evidence through more than {DEEPEST} dossiers"
            raise PartError("carried . dossier", what, "test anew what is so old")
        return _read(whole, tuple(given), file, content, digest, depth)
    except PartError as error:
        whole.problems.append(error.of("case.toml"))
    return None


def _read(
    whole: Whole, given: tuple[Carried, ...], file: str, content: bytes, digest: str, depth: int
) -> Read:
    try:
        files = confined(lambda: open_pdf(content).files, stranger(len(content)))
        folder = str(json.loads(files["manifest.json"])["case"])
        decision = json.loads(files["decision.json"])
        document = parse_toml(files[f"{folder}/case.toml"])
        findings = tuple(dict(each) for each in decision["findings"])
    except (NotADossierError, StoppedError, TomlError, LookupError, TypeError, ValueError) as error:
        raise _unfit(f"{file} is no dossier that can be read: {error}"[:300]) from None
    own = with_carried(document, _within(files, folder), depth + 1)
    if own.problems:
        raise _unfit(f"{file}: {own.problems[0]}")
    inside = _within(files, folder, own.inside)
    for record in tables(own.document, "record"):
        for part in (record, *tables(record, "join")):
            path, mark, place = str(part.get("file", "")).partition("#")
            name = f"{file}{INSIDE}{posixpath.normpath(f'{folder}/{path}')}"
            part["file"] = f"{name}{mark}{place}"
            if (found := inside(path)) is not None:
                whole.inside[name] = found
    case = _case(own.document)
    if case is None:
        raise _unfit(f"{file}: its case is not of a known form")
    return Source(
        file=file, content=content, sha256=digest, folder=folder, case=case,
        circuits=_circuits(document, file, _within(files, folder)), carried=given,
        findings=findings, earlier=tuple(own.sources),
    ), own.document  # fmt: skip


def _circuits(document: Mapping[str, Any], file: str, fetch: Fetch) -> tuple[Circuit, ...]:
    """Return the circuit of each application of a dossier; PartError where one is not in it."""
    found = []
    for name in files_of(document):
        try:
            asked = parse_toml(fetch(name) or b"")
            found.append(Circuit.model_validate(asked.get("circuit")))
        except (TomlError, ValueError):
            raise _unfit(f"{file}: its {name} is no application that can be read") from None
    return tuple(found)


def _unfit(what: str) -> PartError:
    """Return why the evidence of a PDF cannot be carried."""
    hint = "name the PDF that 'dossier build' wrote, as it was signed off"
    return PartError("carried . dossier", what, hint)


def _within(
    files: Mapping[str, bytes], folder: str, inside: Mapping[str, bytes] | None = None
) -> Callable[[str], bytes | None]:
    """Return what gets a file of the case in `folder` from the attachments of its PDF."""

    def fetch(path: str) -> bytes | None:
        found = (inside or {}).get(path)
        return files.get(posixpath.normpath(f"{folder}/{path}")) if found is None else found

    return fetch


class _Joined:
    """Puts what is carried from one dossier into the document of another."""

    def __init__(self, whole: Whole, source: Source, document: Mapping[str, Any]) -> None:
        self.whole, self.source, self.theirs = whole, source, document
        self.names: dict[tuple[str, str], str] = {}

    def join(self) -> None:
        """Add the records that are carried, with all that they name, and the plan behind them."""
        wanted = self.source.records
        found = [r for r in tables(self.theirs, "record") if r.get("id") in wanted]
        for record in found:
            for key in SHARED:
                for name in self._named(record, key):
                    self._add_shared(key, name)
        for record in found:
            self._add("record", self._with_names(record))
        for each in tables(self.theirs, "deviation"):
            if each.get("record") in wanted:
                self._add("deviation", dict(each))
        for side in {str(record.get("filter")) for record in found} & set(SIDES):
            self._add_side(side)

    @staticmethod
    def _named(record: Mapping[str, Any], key: str) -> list[str]:
        if key == "layout":
            parts = (record, *tables(record, "join"))
            return [str(part["layout"]) for part in parts if part.get("layout")]
        used = record.get("instruments" if key == "instrument" else key) or []
        return [used] if isinstance(used, str) else list(used)

    def _add_shared(self, key: str, name: str) -> None:
        """Add what a record names; one that is otherwise in the case gets a name of its own."""
        theirs = next((t for t in tables(self.theirs, key) if t.get("id") == name), None)
        if theirs is None or (key, name) in self.names:
            return
        theirs = {k: v for k, v in theirs.items() if k != "certificate_file"}
        here = next((t for t in tables(self.whole.document, key) if t.get("id") == name), None)
        self.names[key, name] = name
        keys = ALIKE.get(key, {*(here or ()), *theirs} - {"certificate_file"})
        if here is None or any(here.get(each) != theirs.get(each) for each in keys):
            new = name if here is None else f"{name} ({self.source.name})"
            self.names[key, name] = new
            self._add(key, {**theirs, "id": new})

    def _with_names(self, record: Mapping[str, Any]) -> dict[str, Any]:
        """Return a record by the names that what it uses has in the case."""
        made = dict(record)
        if joined := tables(record, "join"):
            made["join"] = [dict(each) for each in joined]
        for part in (made, *made.get("join", ())):
            for key in ("laboratory", "fluid", "layout"):
                if part.get(key):
                    part[key] = self.names.get((key, part[key]), part[key])
        used = record.get("instruments") or []
        made["instruments"] = [self.names.get(("instrument", each), each) for each in used]
        return made

    def _add(self, key: str, table: dict[str, Any]) -> None:
        held = self.whole.document.setdefault(key, [])
        place = f"{key} {str(table.get('id', table.get('record')))!r}"
        file = f"{self.source.file}!/{self.source.folder}/case.toml"
        self.whole.origins[key, len(held)] = (file, place)
        held.append(table)

    def _add_side(self, side: str) -> None:
        """Add lots and planned specimens of a filter, and what is known of these."""
        mine, theirs = self.whole.document.get(side, {}), self.theirs.get(side, {})
        for key in ("lots", "specimens"):
            if both := [*mine.get(key, ()), *theirs.get(key, ())]:
                mine[key] = list(dict.fromkeys(both))
        known = {(t.get("filter"), t.get("id")) for t in tables(self.whole.document, "specimen")}
        for each in tables(self.theirs, "specimen"):
            if each.get("filter") == side and (side, each.get("id")) not in known:
                self._add("specimen", dict(each))
