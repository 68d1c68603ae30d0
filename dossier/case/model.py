"""case.toml as frozen models; names and meanings as in the case format."""

from typing import Annotated, Any, Literal

from pydantic import Field, StringConstraints

from dossier.case.agreed import BY_MAKER, Carried, Change, Number, SignOffRules
from dossier.case.application import Fluid, Name, Words
from dossier.case.fields import (
    Concentration,
    CountConcentration,
    Day,
    Dilution,
    Dust,
    Ends,
    FilterName,
    Flow,
    Fraction,
    MeasuredFlow,
    MeasuredPressure,
    MeasuredVolume,
    Model,
    Pressure,
    Sides,
    Temperature,
    Time,
    Volume,
    VolumeEnds,
)

Language = Literal["en", "de"]
File = Annotated[str, StringConstraints(min_length=1, max_length=1000, strip_whitespace=True)]
"""A file of readings; one that was carried through several PDFs bears the names of all."""


class Filter(Model):
    """The candidate, or the filter now fitted."""

    part_number: Name
    maker: Words = ""
    description: Words = ""
    lots: tuple[Name, ...] = ()
    specimens: tuple[Name, ...] = ()
    """Specimens that the test plan names; each must have every kind of record that is used."""


class Laboratory(Model):
    """A laboratory and what it is accredited for."""

    id: Name
    name: Name
    accreditation: Words = ""
    methods: tuple[Name, ...] = ()
    report: Words = ""
    """Number of the laboratory's own report (ISO/IEC 17025:2017, 7.8)."""
    reported: Day | None = None
    """Day of that report."""
    signatory: Words = ""
    """Who signed it."""


class Specimen(Model):
    """A specimen: where it is from, and how it came to the laboratory (ISO/IEC 17025, 7.8.2)."""

    id: Name
    filter: FilterName
    lot: Words = ""
    drawn: Words = ""
    """How it was drawn from the lot, such as "at random from 40"."""
    drawn_by: Words = ""
    received: Day | None = None
    """Day on which the laboratory received it."""


Measurand = Literal[
    "counts", "flow", "injection flow", "differential pressure", "temperature", "mass",
    "pressure", "volume rate", "length", "cycles", "time",
]  # fmt: skip


class Instrument(Model):
    """A measuring instrument with its calibration."""

    id: Name
    kind: Name
    calibrated: Day
    due: Day
    certificate: Words = ""
    certificate_file: Words = ""
    """Its digital calibration certificate (XML); what stands there need not be typed."""
    serial: Words = ""
    """A mark by which the certificate names the instrument, where it does not name `id`."""
    calibrated_by: Words = ""
    """Laboratory that calibrated it."""
    size_u: Fraction | None = None
    """Relative standard uncertainty of a particle count from calibration [-]."""
    diameter_u: Fraction | None = None
    """Relative standard uncertainty of the sizes that a particle counter counts at [-]."""
    reading_u: Any = None
    """Standard uncertainty of a reading: relative in percent, or absolute with its unit."""
    measures: tuple[Measurand, ...] = ()
    coincidence_limit: CountConcentration | None = None

    def _wrong(self) -> str:
        late = self.due < self.calibrated
        return f"instrument {self.id!r} is due before it was calibrated" if late else ""


class Reproducibility(Model):
    """How far results of one method differ from laboratory to laboratory."""

    method: Name
    """Standard, as the records state it."""
    quantity: Name
    u: Fraction
    """Relative standard uncertainty between laboratories [-]: of the value, and of an efficiency
    or a filtration ratio of the penetration."""
    source: Annotated[str, StringConstraints(min_length=10, max_length=4000)]
    """Interlaboratory study or clause that the figure is from."""

    def _wrong(self) -> str:
        return "" if 0 < self.u < 1 else "u must lie between 0 % and 100 %"


class Conditions(Model):
    """Conditions of one test; which are needed depends on the kind of record."""

    flow: MeasuredFlow | None = None
    temperature: Temperature | None = None
    injection_flow: MeasuredFlow | None = None
    injection_volume: VolumeEnds | None = None
    injection_concentration: Ends | None = None
    base_level: Concentration | None = None
    """Base upstream level that was agreed, where it is not the usual one."""
    final_concentration: Concentration | None = None
    system_volume: MeasuredVolume | None = None
    sample_flow: Sides | None = None
    housing_pressure_drop: MeasuredPressure | None = None
    terminal_pressure_drop: Pressure | None = None
    sample_volume: Volume | None = None
    dilution: Dilution = Dilution()
    dust: Dust | None = None
    criterion_flow: Flow | None = None
    """Flow at which a bypass valve counts as open or as reseated."""


class Stated(Model):
    """Conditions that were not recorded, and that the laboratory's signed report states."""

    report: Name
    """Number of the report."""
    conditions: tuple[Literal["flow", "temperature"], ...]

    def _wrong(self) -> str:
        numbered = any(c.isdigit() for c in self.report)
        why = f"report {self.report[:60]!r} has no number by which it can be found"
        return "" if numbered else why


class Workbook(Model):
    """A laboratory's workbook: the one that 'dossier request' wrote, filled and left as it came."""

    file: Name


class Long(Model):
    """The columns of a table that has one row a sensor and size."""

    side: Name
    size: Name
    count: Name
    unit: Literal["um(c)", "um", "um(b)"] = "um(c)"
    """Unit of the sizes; for the others see `size_calibration` of a record."""
    sides: dict[str, Literal["upstream", "downstream"]]
    """What stands in the column `side`, and the side that it means."""


class Layout(Model):
    """How tables of a file that is not in the case format are read; names as they stand there.

    A column is named as in the file, or by place: "column C".
    """

    id: Name
    range: Annotated[str, StringConstraints(pattern=r"^([A-Z]+[0-9]+(:[A-Z]+[0-9]*)?)?$")] = ""
    """Cells of the table with its names, such as "B4:H90", "B4:H" (to the end) or "B4"."""
    transposed: bool = False
    """Whether the names stand below each other and time runs to the right; a column is then named
    by place as "row 7"."""
    names: Literal[1, 2] = 1
    """Rows of names; two where groups of columns have a name of their own."""
    units: bool = False
    """Whether a row of units follows the names."""
    end: Words = ""
    """What ends the table: "blank row", or the word that the first row below it begins with."""
    columns: dict[str, str] = Field(default_factory=dict)
    """Each column's name in the case format."""
    remarks: tuple[Name, ...] = ()
    """Columns that hold remarks, which are kept and printed."""
    ignored: tuple[Name, ...] = ()
    """Columns that are not read."""
    hidden: Literal["", "read"] = ""
    """"read" where hidden rows and columns belong to the record; else they are refused."""
    carried: tuple[Name, ...] = ()
    """Columns whose empty cells hold what stands above them, as the first of a group does."""
    missing: tuple[Name, ...] = ()
    """Words that stand where nothing was measured, such as "n/a"."""
    decimal: Literal["", ".", ","] = ""
    start: Words = ""
    """Clock time at which the test began, for a column of `[clock]` times."""
    long: Long | None = None
    dilution: Literal["", "undone", "as counted"] = ""
    """Whether the counts of a diluted sample are those of the fluid, or of the diluted sample."""

    def _wrong(self) -> str:
        values = ", ".join(word for word in self.missing if any(c.isdigit() for c in word))
        return f"missing: {values} may be a reading, and is one then" if values else ""


class Join(Model):
    """A second table of a run, as of a pressure log beside the counts, joined by time."""

    file: File
    layout: Name | None = None
    within: Time
    """How far apart two readings may be that are taken for simultaneous [s]."""


class Attachment(Model):
    """A document that is evidence to read: a report, a certificate, a photograph, a drawing."""

    file: Name
    what: Name
    supports: tuple[Name, ...] = ()
    """Ids of the records, instruments or requirements that rest on it."""


class RecordEntry(Model):
    """One test record of case.toml."""

    id: Number
    kind: Literal["multipass", "pressure_drop", "bypass_valve", "measurement", "inspection"]
    standard: Name
    filter: FilterName
    specimen: Name | None = None
    path: Literal["full_flow", "fine"] = "full_flow"
    laboratory: Name
    instruments: tuple[Name, ...] = ()
    tested: Day
    finished: Day | None = None
    fluid: Name | None = None
    file: File
    layout: Name | None = None
    """The [[layout]] by which `file` is read, where it is not in the case format."""
    where: dict[str, str] = Field(default_factory=dict)
    """Columns and what stands in them in the rows of this record, as of one specimen of several."""
    join: tuple[Join, ...] = ()
    columns: dict[str, str] = Field(default_factory=dict)
    """The laboratory's own column names mapped to those of the case format."""
    decimal: Literal["", ".", ","] = ""
    """Decimal mark of the file, for the rare one that does not show it; '' elsewhere."""
    remark: Words = ""
    size_calibration: Literal["ISO 11171", "ISO 4402", "um(b)"] = "ISO 11171"
    conditions: Conditions = Conditions()
    stated: Stated | None = None

    def _wrong(self) -> str:
        if self.layout and (self.columns or self.decimal):
            return "columns and decimal belong into the [[layout]] that is named"
        lacks = self.where and not self.layout
        return "where needs the [[layout]] that its columns are in" if lacks else ""


class Deviation(Model):
    """A departure from the test plan or method, and its effect."""

    record: Name
    text: Words
    """What was done otherwise and why, in a sentence."""
    effect: Literal["none", "widens uncertainty", "record excluded"]
    agreed_by: Words
    """Who answers for it: a person or a role."""
    agreed: Day
    """Day on which it was agreed, not before the test."""
    u: Fraction | None = None
    """Relative standard uncertainty to add, where the effect widens it [-]."""
    cause: Words = ""
    """Physical cause, in a sentence, for a record that is excluded."""
    rule: Words = ""
    """Name of the check that this deviation covers; without it, none is covered."""

    def _wrong(self) -> str:
        widens = self.effect == "widens uncertainty"
        if widens and not (self.u is not None and self.u > 0):
            return "a deviation that widens the uncertainty needs u, such as u = '2 %'"
        stray = self.u is not None and not widens
        return f"u widens the uncertainty, which effect {self.effect!r} does not" if stray else ""


class Concession(Model):
    """Leave to use a filter that fails a requirement, bounded in time or machines."""

    requirement: Name
    text: Words
    agreed_by: Name
    agreed: Day
    until: Day | None = None
    machines: tuple[Name, ...] = ()

    def _wrong(self) -> str:
        bounded = self.until is not None or self.machines
        return "" if bounded else "a concession is bounded: give until, or machines, or both"


class Qualification(Model):
    """case.toml: this qualification."""

    number: Number
    revision: Annotated[int, Field(ge=0, le=9999, strict=True)]
    title: Name
    purpose: Words = ""
    application: Name = "application.toml"
    applications: Annotated[tuple[Name, ...], Field(min_length=2, max_length=20)] | None = None
    """Files of several machine groups, in place of `application`: each is decided by itself, and a
    requirement is named with the name of its file: "barge E1"."""
    replaces: Words = ""
    """Number and revision of the dossier that this one replaces."""
    changes: Words = ""
    """What changed since then and why, where nothing of filter or method did: else [change]."""
    change: Change | None = None
    carried: tuple[Carried, ...] = ()
    issued: Day | None = None
    """Date of issue that the pages carry; --issued overrides it."""
    review_due: Day | None = None
    notes: Words = ""
    language: Language = "en"
    paper: Literal["A4", "US Letter"] = "A4"
    units: Literal["SI", "US customary beside", "US customary"] = "SI"
    """Form of the pages; what decides is in the case's own units, whatever is printed."""
    seed: Annotated[int, Field(ge=0, le=2**31 - 1, strict=True)] | None = None
    candidate: Filter
    reference: Filter | None = None
    workbook: tuple[Workbook, ...] = ()
    """Workbooks that hold laboratory, instruments, fluids, specimens and records of their own."""
    instruments: Name | None = None
    """The same with a row an instrument, as `runs`."""
    runs: Name | None = None
    """A CSV file or a sheet with a row a record; its columns are the keys of [[record]]."""
    defaults: dict[str, Any] = Field(default_factory=dict)
    """Keys of every [[record]] that does not give them itself; [defaults.multipass]: of a kind."""
    layout: tuple[Layout, ...] = ()
    attachment: tuple[Attachment, ...] = ()
    specimen: tuple[Specimen, ...] = ()
    laboratory: tuple[Laboratory, ...] = Field(min_length=1)
    instrument: tuple[Instrument, ...] = ()
    fluid: tuple[Fluid, ...] = ()
    reproducibility: tuple[Reproducibility, ...] = ()
    record: tuple[RecordEntry, ...] = Field(min_length=1, max_length=2000)
    deviation: tuple[Deviation, ...] = ()
    concession: tuple[Concession, ...] = ()
    house: Name | None = None
    """Folder of a house, relative to the case folder and inside the inputs folder."""
    signoff: SignOffRules | None = None
    """Roles that sign, in their order, where they are not the usual three."""

    @property
    def changed(self) -> str:
        """Return what changed since the dossier before, and why."""
        return self.change.text if self.change else self.changes

    @property
    def remade(self) -> tuple[str, ...]:
        """Return what the maker changed of the filter since then; nothing where nobody did."""
        return tuple(each for each in (self.change.what if self.change else ()) if each in BY_MAKER)

    def _wrong(self) -> str:
        both = self.applications is not None and "application" in self.model_fields_set
        words = "give application, a file, or applications, a list of files, not both"
        return words if both else ""

    def filter_of(self, side: str) -> Filter:
        """Return one of the filters; one that has nothing to its name where there is none."""
        found = self.reference if side == "reference" else self.candidate
        return found or Filter.model_construct(part_number="")

    def lots_of(self, side: str) -> tuple[str, ...]:
        """Return the lots of a filter: those it is said to have, and those of its specimens."""
        own = [each.lot for each in self.specimen if each.filter == side and each.lot.strip()]
        return tuple(dict.fromkeys([*self.filter_of(side).lots, *own]))
