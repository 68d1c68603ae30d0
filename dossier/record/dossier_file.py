"""A dossier as files: read back from its PDF, and written whole, never over a seal."""

import hashlib
import json
import os
import posixpath
import re
import tempfile
import time
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import suppress
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path, PurePosixPath
from typing import TYPE_CHECKING, Any, NoReturn, TypeVar

from pydantic import BaseModel, ValidationError

from dossier.case.agreed import SIGNOFF_FILE
from dossier.case.application import mark_of
from dossier.case.attached import (
    MAX_PDF,
    NotADossierError,
    NotReadError,
    PdfFile,
    open_pdf,
    read_pdf,
    read_regular,
)
from dossier.case.compared import Source
from dossier.case.problems import CaseProblem, refusal
from dossier.case.toml_text import TomlError, parse_toml
from dossier.record.document import MAX_NAME, DecisionDocument, ManifestDocument, plain_part
from dossier.report.house.house import ATTACHED
from dossier.words.catalogue import ENGLISH, LANGUAGES

if TYPE_CHECKING:
    from dossier.case.model import Qualification


MAX_JSON = 32 * 2**20
DECISION, MANIFEST = "decision.json", "manifest.json"

M = TypeVar("M", bound=BaseModel)


@dataclass(frozen=True, slots=True, kw_only=True)
class DossierFile:
    """What a dossier says, read from the PDF alone; nothing is recomputed here."""

    pdf: PdfFile | None = field(repr=False)
    """None for a case folder."""
    manifest: ManifestDocument = field(repr=False)
    """Of a case folder its name alone."""
    decision: DecisionDocument
    document: Mapping[str, Any] = field(repr=False)
    """decision.json as it stands."""
    files: Mapping[str, bytes] = field(repr=False)
    case: Mapping[str, Any] | None = field(repr=False)
    """case.toml with its tables and workbooks; None where one of them cannot be read."""
    application: Mapping[str, Any] | None = field(repr=False)
    """application.toml, or each of several by its mark; None where one cannot be read."""
    content: str
    """SHA-256 of manifest.json, which stands for all attachments of an intact dossier."""
    faults: tuple[str, ...]
    """Where attachments, manifest and decision.json contradict each other; empty when intact."""
    carried: tuple[Source, ...] = ()
    """The dossier that it carries evidence from, by what is attached."""
    inside: Mapping[str, str] = field(default_factory=dict, repr=False)
    """SHA-256 of each file that is carried over, by the path that its records name."""

    @property
    def case_name(self) -> str:
        """Return the name of the case folder, the first part of the names of its files."""
        return self.manifest.case

    @property
    def issued(self) -> date:
        """Return its day of issue."""
        return self.decision.case.issued

    @property
    def language(self) -> str:
        """Return the language that its pages are in."""
        stated = str((self.case or {}).get("language"))
        return stated if stated in LANGUAGES else ENGLISH

    @property
    def reads_on(self) -> date | None:
        """Return a day on which it reads as it says: any after its end, or None, that of issue."""
        return date.max if self.decision.expired else None

    @property
    def applied(self) -> Mapping[str, Any]:
        """Each application by its mark, the only one without one; empty where one is not read."""
        several = isinstance((self.case or {}).get("applications"), list)
        return (self.application or {}) if several else {"": self.application}

    @property
    def sha256(self) -> str:
        """Return the SHA-256 of the PDF; empty for a case folder."""
        return self.pdf.sha256 if self.pdf else ""


def read_dossier(path: Path) -> DossierFile:
    """Return the dossier in the PDF at `path`.

    Raises NotADossierError with the reason where it is none, OSError where it cannot be read.
    """
    return dossier_in(open_pdf(read_pdf(path)))


def dossier_in(pdf: PdfFile) -> DossierFile:
    """Return the dossier in a PDF; NotADossierError with the reason where it is none."""
    if MANIFEST not in pdf.files:
        raise NotADossierError("no manifest.json is attached")
    manifest, _ = _model(pdf.files, MANIFEST, ManifestDocument)
    return dossier_of(pdf.files, manifest.case, manifest, pdf)


def dossier_of(
    files: Mapping[str, bytes],
    case_name: str,
    manifest: ManifestDocument | None = None,
    pdf: PdfFile | None = None,
) -> DossierFile:
    """Return the dossier made of `files`: decision.json and the inputs under their names.

    `manifest` is what the files are held against; a case folder has none.  Raises NotADossierError
    where decision.json is absent or not of a form that this version reads.
    """
    if DECISION not in files:
        raise NotADossierError("no decision.json is attached")
    decision, document = _model(files, DECISION, DecisionDocument)
    case, carried, inside = _case(files, case_name)
    return DossierFile(
        pdf=pdf, decision=decision, document=document, files=files, case=case, inside=inside,
        manifest=manifest or ManifestDocument.model_construct(schema_="", case=case_name, files={}),
        application=_asked(files, case_name, case or {}),
        content=hashlib.sha256(files.get(MANIFEST, b"")).hexdigest(),
        faults=tuple(_faults(files, decision, manifest)) if manifest else (), carried=carried,
    )  # fmt: skip


def _asked(
    files: Mapping[str, bytes], name: str, case: Mapping[str, Any]
) -> Mapping[str, Any] | None:
    """Return the application of a case, or each of several by its mark; None where one lacks."""
    named = case.get("applications")
    if not isinstance(named, list):
        return _application(files, name, str(case.get("application", "application.toml")))
    found = {mark_of(str(each)): _application(files, name, str(each)) for each in named}
    return None if None in found.values() else found


def _application(files: Mapping[str, bytes], case: str, named: str) -> Mapping[str, Any] | None:
    """Return the application with the requirements that it extends; None where one lacks."""
    from dossier.case.applied import extended

    document, lost = _toml(files, posixpath.normpath(f"{case}/{named}")), list[str]()
    made = extended(document, named, _fetch(files, case, lost)) if document is not None else None
    return None if made is None or lost or made.problems else made.document


def _case(
    files: Mapping[str, bytes], name: str
) -> tuple[Mapping[str, Any] | None, tuple[Source, ...], Mapping[str, str]]:
    """Return case.toml with what stands in tables of its own, and where evidence is carried from.

    None where one of them cannot be read.  Last come the digests of the files that are carried.
    """
    from dossier.case.carried import with_carried

    document, lost = _toml(files, f"{name}/case.toml"), list[str]()
    whole = with_carried(document, _fetch(files, name, lost)) if document is not None else None
    if whole is None or lost or whole.problems:
        return None, (), {}
    inside = {path: hashlib.sha256(content).hexdigest() for path, content in whole.inside.items()}
    return whole.document, tuple(whole.sources), inside


def _fetch(files: Mapping[str, bytes], case: str, lost: list[str]) -> Callable[[str], bytes | None]:
    """Return what gets a file of the case by its path; those that are absent are `lost`."""

    def fetch(path: str) -> bytes | None:
        content = files.get(posixpath.normpath(f"{case}/{path}"))
        lost.extend([path] if content is None else [])
        return content

    return fetch


def _model(files: Mapping[str, bytes], name: str, model: type[M]) -> tuple[M, Mapping[str, Any]]:
    """Return a JSON attachment as a model and as it stands."""
    if len(files[name]) > MAX_JSON:
        raise NotADossierError(f"{name} is larger than {MAX_JSON // 2**20} MiB")
    try:
        document = json.loads(files[name], parse_constant=_no_constant, object_pairs_hook=_once)
        return model.model_validate(document), document
    except ValidationError as error:
        first = error.errors(include_url=False, include_context=False, include_input=False)[0]
        place = ".".join(str(part) for part in first["loc"])[:120]
        raise NotADossierError(f"{name} is not of a known form: {place}: {first['msg']}") from None
    except (ValueError, RecursionError):
        raise NotADossierError(f"{name} is not valid JSON, or says something twice") from None


def _no_constant(name: str) -> NoReturn:
    raise ValueError(name)


def _once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    """Return an object in which every key stands once: of two, readers differ in which counts."""
    found = dict(pairs)
    if len(found) < len(pairs):
        raise ValueError
    return found


def _toml(files: Mapping[str, bytes], name: str) -> Mapping[str, Any] | None:
    """Return a TOML attachment; None where it is absent, too large or not valid."""
    with suppress(KeyError, TomlError):
        return parse_toml(files[name])
    return None


def _faults(
    files: Mapping[str, bytes], decision: DecisionDocument, manifest: ManifestDocument
) -> Iterator[str]:
    """Yield where attachments, manifest and decision.json do not agree."""
    for name, digest in sorted(manifest.files.items()):
        if name not in files:
            yield f"{name} of the manifest is not attached"
        elif hashlib.sha256(files[name]).hexdigest() != digest:
            yield f"{name} does not have the digest of the manifest"
    for name in sorted(set(files) - set(manifest.files) - {MANIFEST}):
        yield f"{name} is attached but not in the manifest"
    for name, digest in sorted(decision.inputs.items()):
        if manifest.files.get(name) != digest:
            yield f"{name} has another digest in decision.json than in the manifest"
    beside = {MANIFEST, DECISION, f"{manifest.case}/{SIGNOFF_FILE}"}
    housed = decision.house and f"{manifest.case}/" != ATTACHED
    for name in sorted(set(files) - set(decision.inputs) - beside):
        if not (housed and name.startswith(ATTACHED)):
            yield f"{name} is attached but no input that decision.json rests on"
    if DECISION not in manifest.files:
        yield "the manifest does not hold decision.json"


BUILT, UP_TO_DATE, SEALED = "built", "up to date", "sealed, up to date"
"""What became of a dossier on the disk."""
LEFT_OVER = 3600.0
"""Age [s] from which a temporary file belongs to no process any more."""
_TEMPORARY = re.compile(r"\.[A-Za-z0-9][A-Za-z0-9._-]*-r\d+\.(pdf|json)\.[a-z0-9_]{8}")


@dataclass(frozen=True, slots=True)
class Saved:
    """The files of a dossier, and what became of them."""

    pdf: Path
    json: Path
    done: str
    """BUILT, UP_TO_DATE or SEALED."""


def stem_of(qualification: "Qualification") -> str:
    """Return the name of a dossier's files: its number and revision."""
    return f"{qualification.number}-r{qualification.revision}"


def save_files(
    stem: str,
    pdf: bytes,
    document: bytes,
    out: Path,
    *,
    replace: bool = False,
    only_stale: bool = False,
) -> Saved:
    """Write `<stem>.pdf` and `<stem>.json` into `out`, each whole.

    With `only_stale`, a file is not touched that holds to the byte what is to be written, nor a
    PDF that begins with it and adds whole seals alone, in the names of those who signed off:
    nothing else that lies there is believed.  Raises CaseError, unless `replace`, where any other
    sealed PDF lies there.
    """
    paths = out / f"{stem}.pdf", out / f"{stem}.json"
    there = _there(paths[0], pdf) if only_stale else BUILT
    if there == BUILT and not replace:
        refuse_sealed(paths[0], ", and it is not what the case gives now" if only_stale else "")
    out.mkdir(parents=True, exist_ok=True)
    _clear(out)
    if there == BUILT:
        write_whole(paths[0], pdf)
    if not only_stale or _read(paths[1]) != document:
        write_whole(paths[1], document)
        there = BUILT if there == UP_TO_DATE else there
    return Saved(*paths, there)


def _there(path: Path, pdf: bytes) -> str:
    """Return UP_TO_DATE where a file holds `pdf`, SEALED where seals alone follow, or BUILT."""
    data = _read(path)
    if data == pdf or not data.startswith(pdf):
        return UP_TO_DATE if data == pdf else BUILT
    from dossier.record.dossier_file import dossier_in
    from dossier.record.standing import seals_of

    try:
        return BUILT if seals_of(dossier_in(open_pdf(data))).faults else SEALED
    except NotADossierError:
        return BUILT


def _read(path: Path) -> bytes:
    """Return what a file holds, nothing where there is none; CaseError for what is no file."""
    try:
        return read_regular(path, MAX_PDF)
    except FileNotFoundError:
        return b""
    except NotReadError as error:
        raise refusal(str(path), "", error.what, error.hint) from None


def is_sealed(path: Path) -> bool:
    """Return whether the PDF at `path` carries a digital signature, whole or damaged.

    Raises OSError where there is a file that cannot be read, CaseError where it is none.
    """
    return b"/ByteRange" in _read(path)


def refuse_sealed(pdf: Path, why: str = "") -> None:
    """Raise CaseError where the PDF is sealed: to build over it would take its seals away."""
    if is_sealed(pdf):
        what = f"is sealed{why}; building it again would take its digital signatures away"
        hint = "raise 'revision' in case.toml, or give --replace to lose the sealed file"
        raise refusal(str(pdf), "", what, hint)


def write_whole(path: Path, content: bytes, mode: int = 0o644) -> None:
    """Write to a temporary name beside `path`, then rename: the old file or the new, never half."""
    handle, name = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.")
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        Path(name).chmod(mode)
        Path(name).replace(path)
    except BaseException:
        Path(name).unlink(missing_ok=True)
        raise


def _clear(folder: Path) -> None:
    """Remove temporary files of runs that were stopped before they could rename them."""
    with os.scandir(folder) as entries:
        for entry in entries:
            if not _TEMPORARY.fullmatch(entry.name):
                continue
            with suppress(OSError):  # another run may have removed it
                if time.time() - entry.stat(follow_symlinks=False).st_mtime > LEFT_OVER:
                    Path(entry.path).unlink()


def unpack(files: Mapping[str, bytes], folder: Path) -> None:
    """Write the inputs among `files` under `folder`; NotADossierError for a name that may not be.

    Every name is a plain relative path; none leaves the folder, and none is written twice.
    """
    for name, content in files.items():
        if name in (DECISION, MANIFEST):
            continue
        if not safe_name(name):
            raise NotADossierError(f"an attachment has a name that is no plain path: {name[:80]!r}")
        target = folder.joinpath(*PurePosixPath(name).parts)
        try:
            target.parent.mkdir(parents=True, exist_ok=True)
            with target.open("xb") as file:
                file.write(content)
        except OSError:
            raise NotADossierError(f"the attachment {name[:80]!r} cannot be unpacked") from None


def name_problems(names: Iterable[str]) -> Iterator[CaseProblem]:
    """Yield each name of a file that `unpack` would refuse: it could not be verified, or sent."""
    what = f"has a name that is no plain path of 2 to 8 parts and at most {MAX_NAME} bytes"
    hint = 'put it in a folder, or rename it: without \\ : * ? " < > | and hidden letters'
    return (CaseProblem(name, "", what, hint) for name in names if not safe_name(name))


def safe_name(name: str) -> bool:
    """Return whether a name is a plain relative path of at most eight parts."""
    parts = name.split("/")
    whole = len(name.encode("utf-8", "replace")) <= MAX_NAME and 2 <= len(parts) <= 8
    return whole and all(plain_part(part) for part in parts)
