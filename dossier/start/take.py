"""Take what a laboratory delivered into a case: the file untouched, and how it is read."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import fields
from pathlib import Path
from typing import Any

from dossier.case.attached import read_regular
from dossier.case.problems import CaseError, refusal
from dossier.case.read import read_case_files
from dossier.case.tables.csv_rows import MAX_FILE, csv_grid
from dossier.case.tables.raw_table import TableError, by_place, lettered, turned_cells, turned_place
from dossier.case.tables.tables import is_workbook, sheet_grid, sheet_names
from dossier.case.toml_text import parse_toml, quoted
from dossier.case.whole import SHEETS, tables
from dossier.start.found import tables_in
from dossier.start.propose import Proposal, completed, propose, records_of, step_of, toml_of
from dossier.start.questions import Ask

CASE = "case.toml"
_CERTIFICATE = (
    "{name}: a calibration certificate; name it where its instrument stands: "
    "certificate_file = '{name}', or under 'certificate file' of a table of instruments"
)


def take_files(case: Path, files: Sequence[Path], ask: Ask | None) -> tuple[list[str], bool]:
    """Take files into the folder `case`; return what to tell, and whether all of it is sure.

    A file is copied to ``records/`` of the case unless it is in the case already.  Raises
    CaseError where case.toml or a file cannot be read, and with all that a taken file lacks; then
    nothing is taken.
    """
    if not (case / CASE).is_file():
        raise refusal(str(case / CASE), "", "no such file", "dossier new writes one")
    before = (case / CASE).read_bytes()
    held: dict[str, bytes] = {}
    fresh: list[str] = []
    try:
        for file in files:
            content = read_regular(file, MAX_FILE)
            name, new = _kept(case, file, content)
            held[name] = content
            fresh += [name] if new else []
        papers = [name for name in held if name.lower().endswith(".xml")]
        ours = [n for n, content in held.items() if n not in papers and _is_ours(n, content)]
        told = [line for name in ours for line in _ours(case, name)]
        told += [_CERTIFICATE.format(name=name) for name in papers]
        rest = {name: each for name, each in held.items() if name not in {*ours, *papers}}
        lines, sure = _foreign(case, rest, ask) if rest else ([], True)
    except CaseError as error:
        if any(problem.file.partition("#")[0] in held for problem in error.problems):
            (case / CASE).write_bytes(before)
            for name in fresh:
                (case / name).unlink()
        raise
    return [*told, *lines], sure and not papers


def _kept(case: Path, file: Path, content: bytes) -> tuple[str, bool]:
    """Return the name of a file in the case, and whether it was copied there now."""
    folder = case.resolve()
    target = file.resolve()
    fresh = False
    if not target.is_relative_to(folder):
        target = folder / "records" / file.name
        fresh = not target.exists()
        if not fresh and target.read_bytes() != content:
            hint = "name the delivered file otherwise: what was taken before stays as it is"
            raise refusal(str(target), "", "is there already, and differs", hint)
        target.parent.mkdir(exist_ok=True)
        target.write_bytes(content)
    return target.relative_to(folder).as_posix(), fresh


def _is_ours(name: str, content: bytes) -> bool:
    try:
        return is_workbook(name) and {"Laboratory", "Runs"} <= set(sheet_names(content))
    except TableError as error:
        raise CaseError([error.of(name)]) from None


def _ours(case: Path, name: str) -> list[str]:
    """Take a workbook of 'dossier request'; return what it holds."""
    document = parse_toml((case / CASE).read_bytes())
    if name not in {each.get("file") for each in tables(document, "workbook")}:
        append(case, f"\n[[workbook]]\nfile = {quoted(name)}\n")
    read = read_case_files(case)
    told = [f"{name}: read whole, as it is"]
    own = [record for record in read.records if record.file.endswith(f"/{name}")]
    for record in own:
        first = getattr(record.table, fields(record.table)[0].name)
        told.append(f"  {record.id}: {len(first)} readings")
    sheets = ", ".join(sheet for sheet in SHEETS if sheet != "Runs")
    return [*told, f"  {sheets}: as the laboratory filled them", f"next: dossier check {case}"]


def append(case: Path, text: str) -> None:
    """Write further tables at the end of case.toml."""
    path = case / CASE
    before = path.read_text(encoding="utf-8")
    path.write_text(before.rstrip("\n") + "\n" + text, encoding="utf-8")


def _foreign(case: Path, held: dict[str, bytes], ask: Ask | None) -> tuple[list[str], bool]:
    """Take files of a laboratory's own making: say what was found, write how it is read."""
    document = parse_toml((case / CASE).read_bytes())
    made = _all_proposed(document, held, ask)
    pairs = completed(made)
    told = [line for each in made for line in _told(each)]
    known = [each.get("id") for each in tables(document, "record")]
    layouts = {each["id"]: each for each in tables(document, "layout") if "id" in each}
    there = set(layouts)
    text = ""
    for each, others in pairs:
        if any(part.open for part in (each, *others)) or not each.record:
            continue
        for record in records_of(each, _layout(each, layouts)):
            for other in others:
                layout, within = _layout(other, layouts), f"{step_of(other):g} s"
                part = {"file": other.file, "layout": layout, "within": within}
                record.setdefault("join", []).append(part)
            name = f"record {record['id']!r}"
            if record["id"] in known:
                by = toml_of("record", record).strip()
                told.append(f"{name} is there already; it reads this table by: {by}")
                continue
            text += toml_of("record", record)
            told.append(f"{name}: written into {CASE}")
    fresh = [t for key, t in layouts.items() if key not in there]
    append(case, "".join(toml_of("layout", each) for each in fresh) + text)
    doubts = [doubt for each in made for doubt in each.open]
    told += [f"not sure: {doubt}" for doubt in doubts]
    return [*told, f"next: dossier check {case}, which names what a record still lacks"], not doubts


def _all_proposed(
    document: Mapping[str, Any], held: Mapping[str, bytes], ask: Ask | None
) -> list[Proposal]:
    """Return how each table in files is read; CaseError where there is none."""
    filters = [(side, document.get(side)) for side in ("candidate", "reference")]
    known = [(side, each) for side, each in filters if isinstance(each, dict)]
    sides = {name: side for side, each in known for name in each.get("specimens", ())}
    made: list[Proposal] = []
    for name, content in held.items():
        for sheet in sheet_names(content) if is_workbook(name) else [""]:
            made += _proposed(name, sheet, content, sides, ask)
    if not made:
        hint = "a table has names, and values below or beside them; in a text file its columns "
        hint += "are parted by comma, semicolon or tab"
        raise refusal(", ".join(held), "", "no table was found", hint)
    return made


def _proposed(
    name: str, sheet: str, content: bytes, plan: Mapping[str, str], ask: Ask | None
) -> Iterator[Proposal]:
    shown = f"{name}#{sheet}" if sheet else name
    try:
        grid = sheet_grid(shown, content, sheet)[0] if sheet else csv_grid(shown, content)
        tables_found = tables_in(grid, sheet or Path(name).stem)
    except TableError as error:
        raise CaseError([error.of(shown)]) from None
    for found in tables_found:
        cells = turned_cells(found.cells) if found.turned else found.cells
        place = f"{shown}!{cells}" if sheet else f"{shown}#{cells}"
        yield propose(found, place, plan, ask)


def _layout(made: Proposal, layouts: dict[str, dict[str, Any]]) -> str:
    """Return the id of a layout that reads a table, a new one where none does."""
    for name, known in layouts.items():
        if {key: value for key, value in known.items() if key != "id"} == made.layout:
            return name
    stem = Path(made.file.partition("#")[0]).stem
    name = next(n for k in range(1, 999) if (n := f"{stem} {k}") not in layouts)
    layouts[name] = {"id": name, **made.layout}
    return name


def _told(made: Proposal) -> Iterator[str]:
    """Yield what was found of one table, with its reasons."""
    found = made.found
    yield f"{made.file}: {made.kind or 'a table'}, {len(found.rows)} rows"
    yield from (f"  {turned_place(r) if found.turned else r}" for r in found.reasons)
    columns = made.layout.get("columns", {})
    for column in found.columns:
        key = by_place(column.index, found.turned)
        letter = key if found.turned else lettered(column.index)
        read = columns.get(column.written) or columns.get(key) or column.name
        unit = f" [{column.unit}]" if column.unit else ""
        yield f"  {letter} {column.written!r}{unit}: {read or 'not known'} ({column.why})"
