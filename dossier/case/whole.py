"""case.toml made whole: what stands in workbooks, in a table of runs and under [defaults].

Tables stand in for TOML: one row a run, an instrument or a fluid, one column a key.  The columns
are the fields of the models, so that what a model knows can be written either way.
"""

import copy
import re
from collections.abc import Callable, Iterator, Mapping
from contextlib import suppress
from dataclasses import dataclass, field, replace
from datetime import date, datetime
from pathlib import PurePosixPath
from typing import TYPE_CHECKING, Annotated, Any, get_args

from pydantic import BaseModel

from dossier.case.application import Fluid
from dossier.case.certificate import CertificateError, Relied, certificate_of
from dossier.case.certified import held_against
from dossier.case.fields import dimension_of, model_in, types_in
from dossier.case.model import Instrument, Laboratory, RecordEntry, Specimen
from dossier.case.problems import CaseProblem, suggested
from dossier.case.tables.raw_table import RawColumn, RawTable, TableError, filled
from dossier.case.tables.tables import read_table
from dossier.case.tables.written import MEASURED, cleaned, lowered, number
from dossier.case.units import DIMENSIONS, usual_unit

if TYPE_CHECKING:
    from dossier.case.compared import Source


_BARE = re.compile(r"[-+0-9.,' eE]+")
_PLAIN = re.compile(r"[-+0-9.eE]+")
_DAY = re.compile(r"\d{4}-\d{2}-\d{2}")

Path = tuple[str | int, ...]
"""Keys that lead to a value of a document."""


@dataclass(frozen=True, slots=True)
class Leaf:
    """One key that a cell can give."""

    path: tuple[str, ...]
    form: str
    """A dimension, or "text", "date", "list", "number"."""

    @property
    def unit(self) -> str:
        """The unit that its column is headed with, '' for what has none."""
        if self.form not in DIMENSIONS or self.form == "number":
            return ""
        return usual_unit(self.form)


@dataclass(slots=True)
class Entry:
    """What one row says: a document, and the cell of each of its keys."""

    document: dict[str, Any] = field(default_factory=dict)
    cells: dict[Path, str] = field(default_factory=dict)
    row: str = ""


def leaves(model: type[BaseModel]) -> dict[str, Leaf]:
    """Return the keys of a model by the name of their column, as `lowered` writes it."""
    return {_name(leaf.path): leaf for leaf in _leaves(model, ())}


def _name(path: tuple[str, ...]) -> str:
    kept = [step for step in path if step not in {"conditions", "value"}]
    return lowered(" ".join({"U": "expanded u"}.get(step, step) for step in kept).replace("_", " "))


def _leaves(model: type[BaseModel], above: tuple[str, ...]) -> Iterator[Leaf]:
    for key, each in model.model_fields.items():
        path = (*above, key)
        dimension, measured = dimension_of(Annotated[each.annotation, *each.metadata, ""])
        kinds, inner = set(types_in(each.annotation)), model_in(each.annotation)
        if measured:
            for step in ("value", "u", "U", "k"):
                yield Leaf((*path, step), "number" if step == "k" else dimension)
        elif dimension:
            yield Leaf(path, dimension)
        elif inner is not None:
            yield from () if tuple in kinds else _leaves(inner, path)
        elif dict not in kinds:
            forms = ((tuple, "list"), (date, "date"), (float, "number"), (int, "number"))
            form = next((form for kind, form in forms if kind in kinds), "text")
            yield Leaf(path, form)


def entries(raw: RawTable, model: type[BaseModel]) -> list[Entry]:
    """Return what each row of a table says of a model; columns it has not are problems of `raw`.

    An empty cell says nothing.  A number takes the unit in its column's brackets.
    """
    known = leaves(model)
    made = [Entry(row=f"row {line}") for line in raw.lines]
    for column in raw.columns:
        leaf = known.get(lowered(column.name))
        if leaf is None:
            hint = suggested(lowered(column.name), known, "columns")
            raw.complain("header", f"column {column.name!r} is not known here", hint)
            continue
        for row, (entry, cell) in enumerate(zip(made, raw.cells[column.index], strict=True)):
            value = _value(cell, leaf, raw, column)
            if value not in ("", []):
                _put(entry.document, leaf.path, value)
                entry.cells[leaf.path] = raw.place(row, column)
    return [entry for entry in made if entry.document]


def _value(cell: Any, leaf: Leaf, raw: RawTable, column: RawColumn) -> Any:
    """Return a cell as it would be written in TOML: a day, a list, a number with its unit."""
    if isinstance(cell, date):
        return cell.date() if isinstance(cell, datetime) and leaf.form == "date" else cell
    text = filled(cell)
    if leaf.form == "list":
        return [part.strip() for part in re.split("[,;]", text) if part.strip()]
    if leaf.form == "date" and _DAY.fullmatch(text):
        with suppress(ValueError):
            return date.fromisoformat(text)
    if not text or leaf.form == "date" or (leaf.form == "text" and not column.unit):
        return text
    value = number(cleaned(text), raw.decimal)
    if value is None:
        # it has a unit of its own, or is wrong, which the model says
        return f"{text} {column.unit}".strip() if _BARE.fullmatch(text) else text
    if leaf.form == "number":
        return int(value) if value.is_integer() else value
    pointed = cleaned(text).replace(raw.decimal, ".")
    return f"{pointed if _PLAIN.fullmatch(pointed) else repr(value)} {column.unit}".strip()


def _put(document: dict[str, Any], path: tuple[str, ...], value: Any) -> None:
    for step in path[:-1]:
        document = document.setdefault(step, {})
    document[path[-1]] = value


SHEETS: dict[str, tuple[str, type[BaseModel]]] = {
    "Laboratory": ("laboratory", Laboratory),
    "Instruments": ("instrument", Instrument),
    "Fluids": ("fluid", Fluid),
    "Specimens": ("specimen", Specimen),
    "Runs": ("record", RecordEntry),
}
"""Sheets of a laboratory's workbook, with the key of case.toml that each stands for."""
KINDS: tuple[str, ...] = get_args(RecordEntry.model_fields["kind"].annotation)
BY_LABORATORY = frozenset({"tested", "instruments", "fluid", "finished"})
"""Keys of a run that the request leaves to the laboratory."""

Fetch = Callable[[str], bytes | None]
"""Gets a file of the case; None, with a problem on record, where there is none."""


@dataclass(slots=True)
class Whole:
    """A document with all that its parts say, and where each part stands."""

    document: dict[str, Any]
    origins: dict[Path, tuple[str, str]] = field(default_factory=dict)
    """File and place of each key, or of each table, that does not stand in case.toml."""
    problems: list[CaseProblem] = field(default_factory=list)
    idle: list[tuple[str, str]] = field(default_factory=list)
    """Runs that a workbook lists and its laboratory did not make: file and record."""
    relied: list[Relied] = field(default_factory=list)
    """Certificates that instruments name, and what was taken from each."""
    inside: dict[str, bytes] = field(default_factory=dict)
    """Files of records that are carried over, by their names inside the PDF."""
    sources: list["Source"] = field(default_factory=list)
    """The dossier that evidence is carried from."""

    def origin(self, path: Path) -> tuple[str, str] | None:
        """Return file and place of a key that does not stand in case.toml."""
        for size in range(len(path), 0, -1):
            found = self.origins.get(path[:size])
            if found is not None:
                if found[0].endswith(".toml"):
                    return found[0], " . ".join([found[1], *map(str, path[size:])])
                named = (step for step in path[size:] if isinstance(step, str))
                rest = " ".join(step for step in named if step != "conditions")
                words = rest.replace("_", " ")
                return found if not rest else (found[0], f"{found[1]}, column {words!r}")
        return None

    def complain(self, place: str, what: str, hint: str) -> None:
        """Record what is wrong in case.toml, where its key really stands."""
        self.problems.append(self.relocated(CaseProblem("case.toml", place, what, hint)))

    def relocated(self, problem: CaseProblem) -> CaseProblem:
        """Return a problem of case.toml at the place where its key really stands."""
        match = re.match(r"(\w+) '([^']*)'(?: \. (.*))?$", problem.place)
        if problem.file != "case.toml" or match is None:
            return problem
        for at, each in enumerate(tables(self.document, match[1])):
            if each.get("id") == match[2]:
                steps = match[3].split(" . ") if match[3] else []
                found = self.origin((match[1], at, *steps))
                return replace(problem, file=found[0], place=found[1]) if found else problem
        return problem


def made_whole(document: Mapping[str, Any], fetch: Fetch) -> Whole:
    """Return case.toml with the records, and the rest, that stand elsewhere.

    What is wrong with their files is on record in the result; whether the whole makes sense is
    for the model to say.
    """
    whole = Whole(copy.deepcopy(dict(document)))
    for named, sheet in (("instruments", "Instruments"), ("runs", "Runs")):
        key, model = SHEETS[sheet]
        file = document.get(named)
        if isinstance(file, str):
            for entry in _read(whole, file, model, fetch):
                _add(whole, key, entry, file)
    for each in tables(document, "workbook"):
        if isinstance(each.get("file"), str):
            _workbook(whole, each["file"], fetch)
    _certify(whole, fetch)
    _inherit(whole)
    return whole


def tables(document: Mapping[str, Any], key: str) -> list[dict[str, Any]]:
    """Return the tables under a key; none where there is something else."""
    found = document.get(key)
    return [t for t in found if isinstance(t, dict)] if isinstance(found, list) else []


def _read(whole: Whole, file: str, model: type[BaseModel], fetch: Fetch) -> list[Entry]:
    """Return what a table says of a model; its problems are on record."""
    path, _, sheet = file.partition("#")
    content = fetch(path)
    if content is None:
        return []
    try:
        raw = read_table(file, content, decimal="." if sheet else "")
    except TableError as error:
        if "no data rows" not in error.what or model in {Laboratory, RecordEntry}:
            whole.problems.append(error.of(file))
        return []
    found = entries(raw, model)
    whole.problems += raw.problems
    return found


def _add(whole: Whole, key: str, entry: Entry, file: str) -> None:
    held = whole.document.setdefault(key, [])
    if isinstance(held, list):
        at: Path = (key, len(held))
        held.append(entry.document)
        whole.origins[at] = (file, entry.row)
        whole.origins |= {(*at, *path): (file, cell) for path, cell in entry.cells.items()}


def _workbook(whole: Whole, file: str, fetch: Fetch) -> None:
    """Add what a laboratory's workbook says; ids that another one uses otherwise get its name."""
    names: dict[tuple[str, str], str] = {}
    laboratory = ""
    for sheet, (key, model) in SHEETS.items():
        shown = f"{file}#{sheet}"
        for entry in _read(whole, shown, model, fetch):
            document = entry.document
            if key == "laboratory":
                document.setdefault("id", document.get("name", ""))
            if key == "record":
                if not _idle(whole, document, file, fetch):
                    _complete(document, file, laboratory, names)
                    _add(whole, key, entry, shown)
                continue
            if set(document) == {"id", "filter"}:
                continue  # a specimen that never came here
            name = str(document.get("id", ""))
            known = next((t for t in tables(whole.document, key) if t.get("id") == name), None)
            if known not in (None, document):
                document["id"] = f"{name} ({PurePosixPath(file).stem})"
            names[key, name] = document.get("id", "")
            laboratory = names[key, name] if key == "laboratory" else laboratory
            if known != document:
                _add(whole, key, entry, shown)


def _complete(
    document: dict[str, Any], file: str, laboratory: str, names: dict[tuple[str, str], str]
) -> None:
    """Give a run of a workbook its laboratory, the sheet of its readings, and unique ids."""
    document.setdefault("laboratory", laboratory)
    document.setdefault("file", f"{file}#{readings_sheet(str(document.get('id', '')))}")
    used = document.get("instruments", [])
    document["instruments"] = [names.get(("instrument", each), each) for each in used]
    if "fluid" in document:
        document["fluid"] = names.get(("fluid", document["fluid"]), document["fluid"])


def readings_sheet(record: str) -> str:
    """Return the name of the sheet that holds the readings of a record."""
    return record[:31]


def _idle(whole: Whole, document: dict[str, Any], file: str, fetch: Fetch) -> bool:
    """Return whether a run was not made here: neither its day nor a reading is filled in."""
    if not BY_LABORATORY.isdisjoint(document) or "file" in document:
        return False
    name = str(document.get("id", ""))
    content = fetch(file)
    try:
        raw = None if content is None else read_table(f"{file}#{readings_sheet(name)}", content)
    except TableError as error:
        raw = None
        if "no data rows" not in error.what:
            return False
    if raw is not None:  # a result is more than the names that were in it
        results = [c for c in raw.columns if lowered(c.name) in {*MEASURED, "found"}]
        if not results or any(filled(cell) for c in results for cell in raw.cells[c.index]):
            return False
    whole.idle.append((file, name))
    return True


def _certify(whole: Whole, fetch: Fetch) -> None:
    """Hold each instrument against the certificate that it names, which says what is not typed."""
    for at, each in enumerate(tables(whole.document, "instrument")):
        file = each.get("certificate_file")
        content = fetch(file) if isinstance(file, str) and file else None
        if content is None:
            continue
        names = [str(each[key]) for key in ("serial", "id") if each.get(key)][:1]
        try:
            found = certificate_of(content, names)
        except CertificateError as error:
            whole.problems.append(error.of(str(file)))
            continue
        relied, faults = held_against(each, str(file), found)
        whole.relied.append(relied)
        for key, what, hint in faults:
            whole.complain(f"instrument {each.get('id')!r} . {key}", what, hint)
        whole.origins |= {("instrument", at, key): (str(file), key) for key in relied.taken}


def _inherit(whole: Whole) -> None:
    """Give every record the defaults that it does not set itself, and those of its layout."""
    defaults = whole.document.get("defaults")
    defaults = defaults if isinstance(defaults, dict) else {}
    records = tables(whole.document, "record")
    files = {t.get("id"): t["file"] for t in tables(whole.document, "layout") if "file" in t}
    kinds = {str(each.get("kind", defaults.get("kind"))) for each in records}
    for kind in set(defaults) & set(KINDS) - kinds if records else ():
        what = f"no record is of kind {kind!r}"
        whole.complain(f"defaults . {kind}", what, "leave this table out")
    for at, record in enumerate(records):
        kind = str(record.get("kind", defaults.get("kind")))
        common = {key: value for key, value in defaults.items() if key not in KINDS}
        for above, part in (((kind,), defaults.get(kind)), ((), common)):
            if isinstance(part, dict):
                _fill(whole, record, part, ("record", at), ("defaults", *above))
        if record.get("layout") in files:
            record.setdefault("file", files[record["layout"]])


def _fill(
    whole: Whole, record: dict[str, Any], part: Mapping[str, Any], at: Path, above: tuple[str, ...]
) -> None:
    for key, value in part.items():
        if key == "conditions" and isinstance(value, dict):
            held = record.setdefault(key, {})
            if isinstance(held, dict):
                _fill(whole, held, value, (*at, key), (*above, key))
        elif key not in record:
            record[key] = copy.deepcopy(value)
            whole.origins[*at, key] = ("case.toml", " . ".join([*above, key]))
