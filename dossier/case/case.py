"""A case as the other rooms see it: validated, in working units, with digests."""

from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from datetime import date
from functools import cached_property
from typing import TYPE_CHECKING

from dossier.case.agreed import SignOffEntry, known_as
from dossier.case.application import Application, Fluid, Library
from dossier.case.certificate import Relied
from dossier.case.model import Instrument, Laboratory, Qualification, RecordEntry
from dossier.case.records import Table
from dossier.case.requested import OnFile, RequestEntry
from dossier.case.tables.raw_table import Note, RawColumn

if TYPE_CHECKING:
    from dossier.case.compared import Source


@dataclass(frozen=True, slots=True)
class InputFile:
    """One file that the user handed in."""

    name: str
    """Path relative to the inputs folder, with forward slashes."""
    sha256: str
    content: bytes = field(repr=False, compare=False)


@dataclass(frozen=True, slots=True)
class Remark:
    """A remark of the laboratory in its own words."""

    row: int
    text: str
    cell: str = ""
    """Its cell, where a layout found it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Record:
    """A test record: its entry in case.toml and its table."""

    entry: RecordEntry
    table: Table
    remarks: tuple[Remark, ...]
    file: str
    """Name of the input file that holds it."""
    sheet: str = ""
    notes: tuple[Note, ...] = ()
    """How the file was read, where it is not written as the case format asks."""
    cells: str = ""
    """The cells of the file that hold names and values, where a layout cuts them out."""
    read_as: tuple[tuple[str, RawColumn], ...] = ()
    """Columns as the laboratory named them, and as what they were read."""
    others: frozenset[str] = frozenset()
    """What else stands in the columns of `where`, in rows that are not of this record."""

    @property
    def id(self) -> str:
        """The record's identifier."""
        return self.entry.id

    @property
    def specimens(self) -> tuple[str, ...]:
        """The specimen of each row, as the row or else the case says; none in a run or a sweep."""
        named = getattr(self.table, "specimen", ())
        return tuple(name or self.entry.specimen or "" for name in named)

    @property
    def place(self) -> str:
        """Its file, with its sheet where it is on one."""
        return f"{self.file}#{self.sheet}" if self.sheet else self.file


def lots_before(asked: Qualification, carried: "Iterable[Source]") -> tuple[str, ...]:
    """Return the candidate's lots from before the maker changed it, in this case or an earlier."""
    before = (each.case.lots_of("candidate") if asked.remade else each.gone for each in carried)
    return tuple(lot for lots in before for lot in lots)


@dataclass(frozen=True, kw_only=True)
class Case:
    """One question, whether this alternate filter may be fitted in this application."""

    name: str
    """Name of the case folder."""
    application: Application
    qualification: Qualification
    records: tuple[Record, ...]
    inputs: tuple[InputFile, ...]
    """Every file the findings rest on; the sign-offs are not among them."""
    mark: str = ""
    """What names its application among several; empty where it is the only one."""
    parts: tuple["Case", ...] = ()
    """The same case with each of several applications by itself; empty where there is but one."""
    on_file: OnFile | None = None
    """What was asked of laboratories, and what changed since; None where no request is on file."""
    signoff: InputFile | None = None
    """The file of sign-offs, where there is one."""
    signed: tuple[SignOffEntry, ...] = ()
    """The sign-offs as given; whether they still hold is found out later."""
    libraries: tuple[Library, ...] = ()
    """Requirement sets that the application extends."""
    certificates: tuple[Relied, ...] = ()
    """Digital calibration certificates that instruments rely on, and what was taken from each."""
    carried: tuple["Source", ...] = ()
    """The dossier that evidence is carried from; its records are among those of the case."""
    house: str = ""
    """SHA-256 over the files of the house whose words the dossier will carry; empty without one."""
    dropped: tuple[tuple[date, Application], ...] = ()
    """Applications that are on file, since when, and are no longer asked."""

    @property
    def each(self) -> tuple["Case", ...]:
        """The case with each of its applications by itself."""
        return self.parts or (self,)

    def of_kind(self, kind: str, side: str = "") -> list[Record]:
        """Return the records of a kind, of one filter alone where that is named."""
        records = (each for each in self.records if each.entry.kind == kind)
        return [each for each in records if side in {"", each.entry.filter}]

    def asking(self, **changed: object) -> "Case":
        """Return the case with something of what is asked changed, for each of its applications."""
        parts = tuple(each.asking(**changed) for each in self.parts)
        asked = self.qualification.model_copy(update=changed)
        return replace(self, qualification=asked, parts=parts)

    def source(self, record: str) -> "Source | None":
        """Return the dossier that a record is carried from; None for one of the case itself."""
        return next((each for each in self.carried if record in each.records), None)

    @property
    def earlier_lots(self) -> tuple[str, ...]:
        """Lots of the candidate from before the maker changed it; none where nobody did."""
        return lots_before(self.qualification, self.carried)

    def instrument(self, identifier: str) -> Instrument:
        """Return the instrument of that identifier; KeyError if there is none."""
        return self._instruments[identifier]

    def instruments(self, entry: RecordEntry) -> list[Instrument]:
        """Return the instruments of a record."""
        return [self._instruments[name] for name in entry.instruments]

    @cached_property
    def _instruments(self) -> dict[str, Instrument]:
        return {i.id: i for i in self.qualification.instrument}

    def laboratory(self, identifier: str) -> Laboratory:
        """Return the laboratory of that identifier; KeyError if there is none."""
        return {i.id: i for i in self.qualification.laboratory}[identifier]

    def laboratory_of(self, entry: RecordEntry) -> str:
        """Return the id of a record's laboratory, the same for one that is described anew since.

        Evidence that is carried over keeps the description of its day, under an id of its own.
        """
        if self.source(entry.id) is None:
            return entry.laboratory
        own = self.laboratory(entry.laboratory)
        return next(
            each.id
            for each in self.qualification.laboratory
            if each.name == own.name and known_as(each.id) == known_as(own.id)
        )

    def fluid(self, identifier: str) -> Fluid:
        """Return the test fluid of that identifier; KeyError if there is none."""
        return {i.id: i for i in self.qualification.fluid}[identifier]


class Draft(Qualification):
    """case.toml while laboratories and records are still to come."""

    laboratory: tuple[Laboratory, ...] = ()
    record: tuple[RecordEntry, ...] = ()


@dataclass(frozen=True, slots=True)
class Applied:
    """An application as the case names it."""

    application: Application
    file: str
    """Its file, as the case names it."""
    source: InputFile
    """That file as it was read."""
    text: bytes
    """What it asks for as TOML, with the requirements that it takes from elsewhere."""
    libraries: tuple[Library, ...]
    requests: tuple[RequestEntry, ...]
    """The requests that are on file for it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked(Applied):
    """What a case asks for, before any record of it exists."""

    name: str
    """Name of the case folder."""
    draft: Draft | None
    """case.toml as far as it goes; None where there is none yet."""
    language: str
    """Language of what is asked, as in ISO 639-1; empty where there is no case.toml to say it."""
    carried: tuple["Source", ...] = ()
    """The dossier that evidence is carried over from; it need not be tested again."""
    mark: str = ""
    parts: tuple["Asked", ...] = ()
    """What each of several applications asks for, with its mark; empty where there is but one."""

    @property
    def each(self) -> tuple["Asked", ...]:
        """What each application asks for."""
        return self.parts or (self,)
