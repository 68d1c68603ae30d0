"""A case before its tests: requirements that are settled, and as much of case.toml as is known."""

from dataclasses import dataclass

from dossier.case.application import Application
from dossier.case.case import InputFile
from dossier.case.model import Laboratory, Qualification, RecordEntry
from dossier.case.requested import RequestEntry


class Draft(Qualification):
    """case.toml while laboratories and records are still to come."""

    laboratory: tuple[Laboratory, ...] = ()
    record: tuple[RecordEntry, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """What a case asks for, before any record of it exists."""

    name: str
    """Name of the case folder."""
    application: Application
    file: str
    """Name of the application file as the case names it."""
    source: InputFile
    """The application file as it was read."""
    requests: tuple[RequestEntry, ...]
    """The requests that are on file already."""
    draft: Draft | None
    """case.toml as far as it goes; None where there is none yet."""
    language: str
    """Language of what is asked, as in ISO 639-1; empty where there is no case.toml to say it."""
