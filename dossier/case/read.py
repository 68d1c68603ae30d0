"""Read a case folder; find everything that is wrong with it in one go."""

import hashlib
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import fields, replace
from functools import partial
from os.path import normpath, relpath
from pathlib import Path
from typing import Any, TypeVar

from pydantic import BaseModel, ValidationError

from dossier.case.agreed import SIGNOFF_FILE, SignOffFile
from dossier.case.application import Application, mark_of
from dossier.case.applied import (
    Extended,
    all_joined,
    extended,
    files_of,
    of_several,
    together_problems,
)
from dossier.case.attached import NotReadError, read_below
from dossier.case.carried import with_carried
from dossier.case.case import Applied, Asked, Case, Draft, InputFile, Record, Remark
from dossier.case.certified import read_beyond
from dossier.case.compared import valve_faults
from dossier.case.consistency import application_problems, consistency_problems
from dossier.case.model import Join, Layout, Qualification, RecordEntry
from dossier.case.problems import CaseError, CaseProblem, refusal
from dossier.case.records import interpret, join
from dossier.case.repeated import of_one_filter, repeated
from dossier.case.requested import (
    REQUEST_FILE,
    RequestEntry,
    RequestFile,
    no_longer_asked,
    on_file,
    request_problems,
    requests_of,
)
from dossier.case.tables.csv_rows import MAX_FILE
from dossier.case.tables.raw_table import RawTable, TableError, turned_place
from dossier.case.tables.tables import is_workbook, read_table, refuse_control_characters
from dossier.case.toml_text import MAX_TOML, TomlError, parse_toml, problems_in
from dossier.case.whole import Whole

MAX_CASE = MAX_FILE
"""Bytes of one file, and of all files of a case together."""

M = TypeVar("M", bound=BaseModel)
Q = TypeVar("Q", bound=Qualification)


class _Reader:
    """Files of one case, each read once, and the problems found on the way."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder.resolve()
        self.root = self.folder.parent
        self.files: dict[str, InputFile] = {}
        self.problems: list[CaseProblem] = []
        self.size = 0
        self.inside: dict[str, bytes] = {}
        """Files that lie in a PDF which is itself among the files."""

    def fetch(self, path: str, named_by: str, most: int = MAX_FILE) -> InputFile | None:
        """Return the file at `path`, relative to the case folder, never outside the inputs.

        It is known by the name that the case gives it, also where that is a link: under that name
        it is attached, and found again.
        """
        if path in self.inside:
            return _digested(f"{self.folder.name}/{path}", self.inside[path])
        try:
            return self._fetched(path, most)
        except NotReadError as error:
            what, hint = error.what, error.hint
        except OSError as error:
            what = f"not read ({error.strerror or 'cannot be read'})"
            hint = "check name and place"
        except (RuntimeError, ValueError):
            what, hint = "is no path", "check name and place"
        self.complain(named_by, path, what, hint)
        return None

    def content(self, path: str, named_by: str, most: int = MAX_FILE) -> bytes | None:
        """Return what the file at `path` holds, as `fetch` gets it."""
        file = self.fetch(path, named_by, most)
        return file.content if file else None

    def _fetched(self, path: str, most: int) -> InputFile:
        target, named = (self.folder / path).resolve(), Path(normpath(self.folder / path))
        if Path(path).is_absolute() and target.is_relative_to(self.root):
            hint = f"write {relpath(target, self.folder)!r}: other machines have other folders"
            raise NotReadError("is an absolute path", hint)
        if not all(each.is_relative_to(self.root) for each in (named, target)):
            hint = "put it beside the case folder, or into it: a case reaches no further"
            raise NotReadError("leads out of the inputs folder", hint)
        name, left = named.relative_to(self.root).as_posix(), MAX_CASE - self.size
        if name not in self.files:
            try:
                self.files[name] = _digested(name, read_below(self.root, target, min(most, left)))
            except NotReadError as error:
                if "larger" in error.what and left < most:
                    whole = f"all files of a case together may have {MAX_CASE // 2**20} MiB"
                    raise NotReadError(f"{error.what}: {whole}", error.hint) from None
                raise
            self.size += len(self.files[name].content)
        return self.files[name]

    def complain(self, file: str, place: str, what: str, hint: str) -> None:
        place = "" if place == file else place
        self.problems.append(CaseProblem(file, place, what, hint))

    def toml(self, path: str, named_by: str) -> dict[str, Any] | None:
        content = self.content(path, named_by, MAX_TOML)
        try:
            return None if content is None else parse_toml(content)
        except TomlError as error:
            self.problems.append(error.of(path))
        return None

    def application(self, path: str) -> tuple[Application | None, Extended]:
        """Return the application with the requirements of the sets that it extends."""
        document = self.toml(path, "case.toml")
        before = len(self.problems)
        made = extended(document or {}, path, partial(self.content, named_by=path, most=MAX_TOML))
        lost = bool(made.problems) or len(self.problems) > before
        if document is None or (lost and not made.document.get("requirement")):
            self.problems += made.problems
            return None, made
        whole = Whole(made.document, made.origins, made.problems)
        return self.valid(path, Application, whole), made

    def applied(self, files: Sequence[str], requests: Sequence[RequestEntry]) -> list[Applied]:
        """Return the applications of a case with the requests for each; their faults on record."""
        found, alone = [], len(files) == 1
        for path in files:
            application, made = self.application(path)
            source = self.fetch(path, "case.toml")
            if application is None or source is None:
                continue
            text = made.text(source.content)
            self.problems += request_problems(requests, application, text, path, alone=alone)
            own = requests_of(requests, application.title, alone=alone)
            found.append(Applied(application, path, source, text, tuple(made.libraries), own))
        self.problems += together_problems(files, {each.file: each.application for each in found})
        return found

    def written(self, name: str, model: type[M]) -> M | None:
        """Return what a file that a command writes says; None where there is none."""
        document = self.toml(name, name) if (self.folder / name).exists() else None
        return None if document is None else self.valid(name, model, Whole(document))

    def valid(self, path: str, model: type[M], whole: Whole) -> M | None:
        """Return what a document says as its model; its faults are on record."""
        self.problems += whole.problems
        try:
            return model.model_validate(whole.document)
        except ValidationError as error:
            faults = problems_in(path, error, model, whole.document, whole.origin)
            # what a file that was not read might hold is not asked for
            lacking = {"laboratory", "record"} if whole.problems else set()
            self.problems += [fault for fault in faults if fault.place not in lacking]
        except RecursionError:
            self.complain(path, "", "nested too deeply", "a case file has few levels")
        return None

    def case(self, model: type[Q]) -> tuple[Q | None, Whole]:
        """Return case.toml with what stands in its workbooks and tables, and where that stands."""
        document = self.toml("case.toml", "case.toml")
        if document is None:
            return None, Whole({})
        whole = with_carried(document, partial(self.content, named_by="case.toml"), model=model)
        self.inside = whole.inside
        return self.valid("case.toml", model, whole), whole


def _digested(name: str, content: bytes) -> InputFile:
    return InputFile(name, hashlib.sha256(content).hexdigest(), content)


def _reader_of(folder: Path) -> _Reader:
    if not folder.is_dir():
        raise refusal(str(folder), "", "no such folder", "give the folder of a case")
    return _Reader(folder)


def read_case_files(folder: Path) -> Case:
    """Return the case in `folder`, validated and in working units.

    Raises CaseError with every problem of its files, each with file, place, what is wrong and
    what to do.  Whether the quantities of the requirements exist is checked by the evidence room.
    """
    reader = _reader_of(folder)
    qualification, whole = reader.case(Qualification)
    files, requests = files_of(whole.document), _requests(reader)
    applied = reader.applied(files, requests)
    entries = qualification.record if qualification else ()
    layouts = {each.id: each for each in qualification.layout} if qualification else {}
    found = (_record(reader, entry, layouts) for entry in entries)
    records = [record for record in found if record is not None]
    for each in qualification.attachment if qualification else ():
        reader.fetch(each.file, "case.toml")
    inputs = tuple(reader.files[name] for name in sorted(reader.files))
    given = reader.written(SIGNOFF_FILE, SignOffFile)
    reader.problems += (*_copies(reader.files.values()), *repeated(records))
    if len(applied) == len(files) and qualification is not None:
        several = {each.file: each.application for each in applied}
        faults = [*consistency_problems(all_joined(several), qualification, several)]
        faults += read_beyond(qualification, records, whole.relied)
        faults += of_one_filter(qualification)
        valves = (valve_faults(each, qualification, whole.sources) for each in several.values())
        faults += [CaseProblem("case.toml", *fault) for each in valves for fault in each]
        reader.problems += map(whole.relocated, faults)
    if reader.problems or not applied or qualification is None:
        raise CaseError(dict.fromkeys(reader.problems))
    first, own = applied[0], tuple(entry for each in applied for entry in each.requests)
    tested = min(entry.tested for entry in entries)
    case = Case(
        name=reader.folder.name, application=first.application, qualification=qualification,
        records=tuple(records), inputs=inputs, certificates=tuple(whole.relied),
        carried=tuple(whole.sources), on_file=on_file(first.requests, first.text, tested),
        libraries=first.libraries, signed=given.signed if given else (),
        signoff=reader.files.get(f"{reader.folder.name}/{SIGNOFF_FILE}"),
        dropped=no_longer_asked(requests, own),
    )  # fmt: skip
    return case if len(applied) == 1 else of_several(case, applied, tested)


def read_asked_files(folder: Path) -> Asked:
    """Return the requirements in `folder`, with as much of case.toml as there is; no records.

    Raises CaseError with every problem of the two files; a case.toml without laboratories or
    records, or none at all, is none.
    """
    reader = _reader_of(folder)
    there = (reader.folder / "case.toml").exists()
    draft, said = reader.case(Draft) if there else (None, Whole({}))
    requests = _requests(reader)
    applied = reader.applied(files_of(said.document), requests)
    for each in applied:
        reader.problems += application_problems(each.application, each.file)
    if reader.problems:
        raise CaseError(dict.fromkeys(reader.problems))
    language, carried = draft.language if draft else "", tuple(said.sources)
    of_case: dict[str, Any] = {"name": reader.folder.name, "draft": draft, "language": language}
    parts = []
    for each in applied:
        own = {key.name: getattr(each, key.name) for key in fields(each)}
        parts.append(Asked(**own, **of_case, carried=carried, mark=mark_of(each.file)))
    whole = replace(parts[0], requests=requests, mark="")
    if len(parts) == 1:
        return whole
    asked = all_joined({each.file: each.application for each in applied})
    return replace(whole, application=asked, parts=tuple(parts))


def _requests(reader: _Reader) -> tuple[RequestEntry, ...]:
    """Return the requests on file; none where no request was written."""
    file = reader.written(REQUEST_FILE, RequestFile)
    return file.request if file else ()


def _copies(files: Iterable[InputFile]) -> Iterator[CaseProblem]:
    """Yield files that hold the same bytes: one measurement must not count as two."""
    first: dict[str, str] = {}
    for file in files:
        if (known := first.setdefault(file.sha256, file.name)) != file.name:
            what = f"holds the same bytes as {known}"
            yield CaseProblem(file.name, "", what, "hand in the data that belong here")


def _record(reader: _Reader, entry: RecordEntry, layouts: Mapping[str, Layout]) -> Record | None:
    raw = _raw(reader, entry, entry, layouts)
    joined = [_raw(reader, each, entry, layouts) for each in entry.join]
    path, _, place = entry.file.partition("#")
    file = reader.fetch(path, "case.toml")
    if raw is None or file is None or None in joined:
        return None
    try:
        for other, each in zip(joined, entry.join, strict=True):
            if other is not None:
                join(raw, other, each.within)
        table = interpret(raw, entry.kind, entry.size_calibration)
    except TableError as error:
        place = turned_place(error.place) if raw.turned else error.place
        reader.complain(entry.file, place, error.what, error.hint)
        return None
    reader.problems += [p for each in (raw, *joined) if each is not None for p in each.problems]
    if table is None:
        return None
    remarks = [Remark(*each, raw.remark_cells.get(each, "")) for each in raw.remarks]
    return Record(
        entry=entry, table=table, remarks=tuple(remarks), file=file.name,
        sheet=place.partition("!")[0] if is_workbook(path) else "",
        notes=raw.notes, cells=raw.cells_read, read_as=raw.read_as, others=raw.others,
    )  # fmt: skip


def _raw(
    reader: _Reader, source: RecordEntry | Join, entry: RecordEntry, layouts: Mapping[str, Layout]
) -> RawTable | None:
    """Return a table of a record before it is interpreted; None, with the problem on record."""
    named, layout = source.file, source.layout
    if layout is not None and layout not in layouts:
        what, hint = f"{layout!r} is not defined", f"layouts: {', '.join(layouts) or 'none'}"
        reader.complain("case.toml", f"record {entry.id!r} . layout", what, hint)
        return None
    content = reader.content(named.partition("#")[0], "case.toml")
    if content is None:
        return None
    cut, where = layouts[layout] if layout else None, entry.where if layout == entry.layout else {}
    names, mark = entry.columns, entry.decimal
    try:
        raw = read_table(named, content, renamed=names, decimal=mark, layout=cut, where=where)
        refuse_control_characters(raw)
    except TableError as error:
        reader.problems.append(error.of(named))
        return None
    volume, diluted = entry.conditions.sample_volume, entry.conditions.dilution
    raw.sample = {} if volume is None else {"volume": volume * 1e6}
    raw.sample |= {"upstream": diluted.upstream, "downstream": diluted.downstream}
    return raw
