"""A case packed to be built on another machine, and what comes back from there.

The other machine need not share the disk: the files travel as bytes, both ways.
"""

import tempfile
import threading
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path

from dossier.batch.order import Order, failed, succeeded
from dossier.batch.outcomes import Outcome
from dossier.case.problems import CaseError, CaseProblem

_one_at_a_time = threading.Lock()
"""The layout changes settings of the whole process: two at once would hear each other."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Parcel:
    """All that a build reads."""

    name: str
    """Name of the case folder."""
    files: Mapping[str, bytes] = field(repr=False)
    """The case's files by their name relative to the inputs folder."""
    house: str = ""
    """Name of the folder of the house; empty without one."""
    house_files: Mapping[str, bytes] = field(default_factory=dict, repr=False)
    issued: date | None = None
    on: date | None = None
    debug: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Returned:
    """What came of a parcel."""

    outcome: Outcome
    stem: str = ""
    pdf: bytes = field(default=b"", repr=False)
    document: bytes = field(default=b"", repr=False)
    made_with: Mapping[str, str] = field(default_factory=dict)


def packed(case: Path, order: Order) -> Parcel:
    """Return a case with its files and its house.

    Raises CaseError where a file cannot be had, may not be read, or has a name that not every
    machine can give to a file.
    """
    from dossier.case.read import gather
    from dossier.make.api import house_of
    from dossier.report.house.house import read_house
    from dossier.verify.recompute import safe_name

    gathered = gather(case)
    for each in gathered.files:
        if not safe_name(each.name):
            what = "has a name that is no plain path"
            raise CaseError([CaseProblem(each.name, "", what, "rename it to send it elsewhere")])
    house = house_of(case, gathered.qualification, order.house)
    own = read_house(house) if house is not None else None
    return Parcel(
        name=gathered.name,
        files={each.name: each.content for each in gathered.files},
        house=own.called if own is not None else "",
        house_files=own.contents if own is not None else {},
        issued=order.issued,
        on=order.on,
        debug=order.debug,
    )


def build_parcel(parcel: Parcel) -> Returned:
    """Build a parcel in a temporary folder and return the files; every error is an outcome."""
    from dossier.make.api import case_in, make
    from dossier.verify.recompute import unpack

    case = Path(parcel.name)
    try:
        with _one_at_a_time, tempfile.TemporaryDirectory(prefix="dossier-") as folder:
            unpack(parcel.files, Path(folder, "inputs"))
            house = _unpacked_house(parcel, Path(folder, "house"))
            read = case_in(Path(folder, "inputs", parcel.name), parcel.on)
            made = make(read, parcel.issued, house=house, on=parcel.on)
    except Exception as error:  # noqa: BLE001  one bad case never stops the rest
        return Returned(outcome=failed(case, error, debug=parcel.debug))
    return Returned(
        outcome=succeeded(case, made.assessment, made.signoff), stem=made.stem, pdf=made.pdf,
        document=made.document, made_with=made_with(),
    )  # fmt: skip


def _unpacked_house(parcel: Parcel, folder: Path) -> Path | None:
    if not parcel.house:
        return None
    house = folder / parcel.house
    house.mkdir(parents=True)
    for name, content in parcel.house_files.items():
        (house / name).write_bytes(content)
    return house


def made_with() -> dict[str, str]:
    """Return the versions of the program and all that the bytes of a dossier depend on."""
    from dossier.record.decision_record import layout_versions, versions
    from dossier.record.program import program_digest

    return versions() | layout_versions() | {"program": program_digest()}
