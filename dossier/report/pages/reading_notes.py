"""How records were read, where their files are not in the case format, and what came with them."""

from collections.abc import Iterator
from posixpath import normpath

from dossier.case.case import Case, Record
from dossier.case.certificate import Certificate
from dossier.case.model import Layout, Specimen
from dossier.case.tables.raw_table import Note
from dossier.report.blocks import Column, Table, table_of
from dossier.report.format import NONE, date_text, speak
from dossier.report.pages.places import named
from dossier.system.grouped import grouped
from dossier.words import later, say

_SENTENCES = {
    Note.UTF16: later("read as UTF-16 text"),
    Note.LATIN: later("not UTF-8 text: read as Latin-1"),
    Note.TITLES: later("rows above the column names are kept as remarks"),
    Note.FORMULAS: later(
        "values of formulas are read as they were stored: calculate the workbook anew and compare"
    ),
    Note.UNITS: later("units taken from the row below the column names"),
}


def reading_notes(record: Record) -> list[str]:
    """Return what a reader of the dossier should know of how a record was read."""
    return [say(_SENTENCES[note]) for note in record.notes]


def handed_in(case: Case) -> tuple[Table, ...]:
    """Return what was read from which cells, the specimens, and the documents: what there is."""
    found = (_mappings(case), _certificates(case), _specimens(case), _attachments(case))
    return tuple(table for table in found if table.rows)


def _mappings(case: Case) -> Table:
    """Return each mapping of a laboratory's own columns, with the cells that it was used on."""
    read = (record for record in case.records if record.cells or record.read_as)
    groups = grouped(((record.entry.layout or "", _mapping(record)), record) for record in read)
    layouts = {each.id: each for each in case.qualification.layout}
    return table_of(
        say("Files of laboratories' own making: which cells were read, and as what"),
        [(layouts.get(name), words, own) for (name, words), own in groups.items()],
        (Column(say("Layout"), 12), lambda e: tuple(_stated(e[0])) or (say(NONE),)),
        (Column(say("Record: file and cells"), 36), lambda e: tuple(map(_cells, e[2]))),
        (
            Column(say("Columns as written, and as read"), 52),
            lambda e: (e[1] or say("as in the case format"), *_left_out(e[0])),
        ),
        note=_unread(case),
    )


def _stated(layout: Layout | None) -> Iterator[str]:
    """Yield the name of a layout, and what it says that changes numbers."""
    if layout is None:
        return
    yield layout.id
    if layout.start:
        yield say("start of the test: {time}", time=layout.start)
    if layout.dilution == "as counted":
        yield say("counts of diluted samples, times the dilution")
    if layout.hidden:
        yield say("hidden rows and columns are read")
    if layout.missing:
        yield say("not measured: {words}", words=", ".join(map(repr, layout.missing)))


def _left_out(layout: Layout | None) -> Iterator[str]:
    if layout is not None and layout.ignored:
        yield say("left out: {names}", names=", ".join(layout.ignored))


def _unread(case: Case) -> str:
    """Return what stands in shared tables in rows that no record reads."""
    left: dict[str, set[str]] = {}
    for record in case.records:
        if record.others:
            left.setdefault(record.entry.file, set()).update(record.others)
    for record in case.records:
        left.get(record.entry.file, set()).difference_update(record.entry.where.values())
    names = sorted({name for others in left.values() for name in others})
    return say("No record reads the rows of {names}.", names=", ".join(names)) if names else ""


def _mapping(record: Record) -> str:
    """Return the columns that a laboratory named otherwise, in words that are codes."""
    read = (f"{written} → {c.name} [{c.unit}]" for written, c in record.read_as)
    return "; ".join(each.replace(" []", "") for each in read)


def _cells(record: Record) -> str:
    """Return where a record was read, with the rows that are its own."""
    where = ", ".join(f"{key} = {value}" for key, value in record.entry.where.items())
    cells = "!".join(filter(None, (record.sheet, record.cells)))
    place = ", ".join(filter(None, (record.file.rpartition("/")[2], cells)))
    joined = "".join(f"; {each.file.rpartition('/')[2]}" for each in record.entry.join)
    return f"{record.id}: {place}{joined}{f' ({where})' if where else ''}"


def _certificates(case: Case) -> Table:
    return table_of(
        say("Digital calibration certificates that instruments rely on"),
        case.certificates,
        (Column(say("Instrument: file"), 22), lambda e: f"{e.instrument}: {e.file}"),
        (Column(say("Certificate, laboratory and day"), 26), lambda e: _stands(e.certificate)),
        (
            Column(say("Taken from it"), 20),
            lambda e: ", ".join(e.taken) or say("nothing: all of it was typed, and agrees"),
        ),
        (Column("SHA-256", 32), lambda e: _digest(case, e.file)),
        note=say("Whether these certificates are signed, and by whom, was not judged."),
    )


def _stands(found: Certificate) -> str:
    return f"{found.number}, {found.laboratory}, {date_text(found.ended)}"


def _digest(case: Case, file: str) -> str:
    """Return the SHA-256 of a file that the case names."""
    name = normpath(f"{case.name}/{file}")
    return next((each.sha256 for each in case.inputs if each.name == name), "")


def _specimens(case: Case) -> Table:
    """Return what is said of specimens, once for all of which the same is."""

    def told(each: Specimen) -> tuple[str, str, str]:
        drawn = "; ".join(filter(None, (speak(each.drawn), speak(each.drawn_by))))
        received = date_text(each.received) if each.received else say(NONE)
        return speak(each.lot) or say(NONE), drawn or say(NONE), received

    return table_of(
        say("Specimens as the laboratory received them"),
        grouped((told(each), each.id) for each in case.qualification.specimen).items(),
        (Column(say("Specimen"), 30), lambda e: named(e[1])),
        (Column(say("Lot"), 20), lambda e: e[0][0]),
        (Column(say("How and by whom it was drawn"), 34), lambda e: e[0][1]),
        (Column(say("Received"), 16), lambda e: e[0][2]),
    )


def _attachments(case: Case) -> Table:
    return table_of(
        say("Documents to read: attached as they are, no number is taken from them"),
        case.qualification.attachment,
        (Column(say("File"), 24), lambda e: e.file),
        (Column(say("What it is"), 26), lambda e: speak(e.what)),
        (Column(say("Supports"), 18), lambda e: named(e.supports) or say(NONE)),
        (Column("SHA-256", 32), lambda e: _digest(case, e.file)),
    )


def report_lines(case: Case) -> Iterator[tuple[str, str]]:
    """Yield each laboratory's id with a line on the report that it signed."""
    for each in case.qualification.laboratory:
        if each.report:
            said = say("report {number}", number=each.report)
            parts = (said, date_text(each.reported) if each.reported else "", each.signatory)
            yield each.id, ", ".join(filter(None, parts))
