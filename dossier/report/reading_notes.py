"""How a record was read, where its file is not written as the case format asks."""

from dossier.case.case import Record
from dossier.case.raw_table import Note
from dossier.words import later, say

__all__ = ["reading_notes"]

_SENTENCES = {
    Note.UTF16: later("read as UTF-16 text"),
    Note.LATIN: later("not UTF-8 text: read as Latin-1"),
    Note.TITLES: later("rows above the column names are kept as remarks"),
    Note.UNITS: later("units taken from the row below the column names"),
}


def reading_notes(record: Record) -> list[str]:
    """Return what a reader of the dossier should know of how a record was read."""
    return [say(_SENTENCES[note]) for note in record.notes]
