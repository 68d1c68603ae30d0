"""From an assessment to a PDF that carries its own proof: PDF/A-3a, tagged, the same bytes."""

import gc
import io
import json
import logging
import re
import warnings
from collections.abc import Iterator
from contextlib import contextmanager, redirect_stderr, redirect_stdout
from dataclasses import dataclass
from datetime import date, datetime, time
from pathlib import Path
from typing import Any

from dossier.case.case import Case
from dossier.decision.finding import Assessment
from dossier.report.assets import fetcher, template_folders
from dossier.report.content import Content, build_content
from dossier.report.drawn import drawn_later
from dossier.report.format import clean
from dossier.report.house import House, read_house
from dossier.report.house_pages import filled, refused, require
from dossier.report.pdf_marks import declare_accessible, tidy
from dossier.report.signing import SignOff
from dossier.words import language, say, speaking

__all__ = [
    "MissingLibraryError",
    "RenderError",
    "Rendered",
    "load_weasyprint",
    "page_pdf",
    "render_dossier",
    "render_pdf",
]

MISSING_PANGO = (
    "the PDF cannot be made: a system library of WeasyPrint is missing. On Debian or Ubuntu: "
    "apt-get install libpango-1.0-0 libpangoft2-1.0-0 libharfbuzz-subset0"
)


_UNIT = "(?:m?L/min|mm²/s|m²/s|kg/m³|g/h|mg/L|m³/s)"
_COMPOUND = re.compile(
    rf"(?:[0-9][0-9.,\u202f]*[ \u00a0])?{_UNIT}"
    r"|\([^() ]*\u00a0±[^() ]*\)|\([^()\n]{1,18}\)|\b[A-Z]{2,5}-[A-Z]*[0-9]+\b"
)
"""Compound units, numbers with uncertainty or interval, and names: no line breaks inside one."""


class RenderError(Exception):
    """The PDF cannot be made; the message says what to do."""


class MissingLibraryError(RenderError):
    """A system library is not installed; the message names the packages."""


@dataclass(frozen=True, slots=True)
class Rendered:
    """A PDF, and what was said while it was made."""

    pdf: bytes
    warnings: tuple[str, ...]
    """Warnings and errors of the layout, such as a refused picture or a rule not understood."""


def render_pdf(
    case: Case,
    assessment: Assessment,
    *,
    issued: date,
    decision_json: bytes,
    manifest_json: bytes,
    signoff: SignOff | None = None,
    templates: Path | None = None,
) -> bytes:
    """Return the dossier as PDF bytes: the same for the same arguments and versions.

    `issued` is the only date the program adds; `decision_json` and `manifest_json` are attached
    as they are, beside every input file; without `signoff` the dossier is a draft; `templates` is
    a folder whose files stand in for those of the same name.  Raises RenderError when a system
    library is missing, or when the layout gives a warning: a dossier must not lose a picture or a
    font in silence.  Raises CaseError when the fault is in the house's files, or when they take
    away what no house may remove.
    """
    rendered = render_dossier(
        case, assessment, issued=issued, decision_json=decision_json,
        manifest_json=manifest_json, signoff=signoff, templates=templates,
    )  # fmt: skip
    if rendered.warnings and templates is not None:
        raise refused(templates, rendered.warnings, "use what comes with the dossier only")
    if rendered.warnings:
        raise RenderError(f"the layout of the PDF has a fault: {'; '.join(rendered.warnings)}")
    return rendered.pdf


def render_dossier(
    case: Case,
    assessment: Assessment,
    *,
    issued: date,
    decision_json: bytes,
    manifest_json: bytes,
    signoff: SignOff | None = None,
    templates: Path | None = None,
) -> Rendered:
    """Return the PDF with the warnings of its layout; arguments as for `render_pdf`."""
    house = None if templates is None else read_house(templates)
    environment = _environment(house)
    with speaking(case.qualification.language), drawn_later() as charts:
        content = build_content(
            case, assessment, issued=issued, decision_json=decision_json,
            manifest=json.loads(manifest_json), signoff=signoff or SignOff(),
            style=_source(environment, "charts.mplstyle"), house=house,
        )  # fmt: skip
        with _without_collector(), charts.started():
            load_weasyprint()
            html = filled(environment, content, house)
            attached = _attached(case, decision_json, manifest_json)
            assets = fetcher(lambda name: _source(environment, name), charts.picture)
            return _write(html, assets, attached, content, house)


def page_pdf(template: str, **values: Any) -> bytes:
    """Return a PDF of one of the package's templates; RenderError when its layout gives a warning.

    `values` are what the template prints; text in them stays text.
    """
    environment = _environment(None)
    html = environment.get_template(template).render(**values)
    weasyprint = load_weasyprint()
    with _without_collector(), _listening() as heard:
        assets = fetcher(lambda name: _source(environment, name))
        pdf: bytes = weasyprint.HTML(string=html, base_url="asset:", url_fetcher=assets).write_pdf(
            pdf_variant="pdf/a-3a"
        )
    if heard:
        raise RenderError(f"the layout of the page has a fault: {'; '.join(heard)}")
    return pdf


def _environment(house: House | None) -> Any:
    from jinja2 import ChoiceLoader, DictLoader, FileSystemLoader, StrictUndefined
    from jinja2.sandbox import ImmutableSandboxedEnvironment

    # A house's templates come with a case: they may lay out, and nothing else.
    environment = ImmutableSandboxedEnvironment(
        loader=ChoiceLoader(
            [DictLoader(house.files if house else {}), FileSystemLoader(template_folders())]
        ),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        finalize=_plain,
    )
    environment.filters["kept"] = _kept
    environment.globals |= {"say": say, "language": language}
    return environment


def _plain(value: object) -> object:
    """Return what a template prints, without characters that hide or turn text."""
    return clean(value) if type(value) is str else value


def _kept(text: str) -> Any:
    """Return escaped text in which no line breaks between a number and its compound unit."""
    from markupsafe import Markup, escape

    safe = str(escape(clean(text)))
    return Markup(_COMPOUND.sub(r'<span class="kept">\g<0></span>', safe))


def _source(environment: Any, name: str) -> str:
    source: str = environment.loader.get_source(environment, name)[0]
    return source


def _attached(
    case: Case, decision_json: bytes, manifest_json: bytes
) -> list[tuple[str, bytes, str, str]]:
    """Return name, content, relationship and description of each file to attach."""
    files = [(each.name, each.content, *_kind(each.name)) for each in case.inputs]
    if case.signoff is not None:
        files.append((case.signoff.name, case.signoff.content, "Supplement", "Sign-offs"))
    files.append(("decision.json", decision_json, "Source", "Findings and decision"))
    files.append(("manifest.json", manifest_json, "Supplement", "Digests and versions"))
    return files


def _kind(name: str) -> tuple[str, str]:
    if name.endswith(".toml"):
        return "Source", "Case file"
    return "Data", "Test record of the laboratory"


@contextmanager
def _without_collector() -> Iterator[None]:
    """Pause the garbage collector: a layout makes many objects and frees them at its end.

    WeasyPrint leaves its colour profile to the collector to close; that is no news to a user.
    """
    was = gc.isenabled()
    gc.disable()
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", ResourceWarning)
        try:
            yield
        finally:
            if was:
                gc.enable()


def load_weasyprint() -> Any:
    """Return WeasyPrint; what it prints when a library is missing is said once, by us."""
    try:
        with redirect_stdout(io.StringIO()), redirect_stderr(io.StringIO()):
            import weasyprint
    except OSError as error:
        reason = str(error).splitlines()[0].partition(".  ")[0]
        raise MissingLibraryError(f"{MISSING_PANGO} ({reason})") from error
    return weasyprint


def _write(
    html: str,
    assets: Any,
    attached: list[tuple[str, bytes, str, str]],
    content: Content,
    house: House | None,
) -> Rendered:
    weasyprint = load_weasyprint()
    noon = datetime.combine(content.issued, time(12))
    attachments = [
        weasyprint.Attachment(
            string=body, name=name, description=description, relationship=relationship,
            created=noon, modified=noon,
        )
        for name, body, relationship, description in attached
    ]  # fmt: skip
    with _listening() as heard:
        page = weasyprint.HTML(string=html, base_url="asset:", url_fetcher=assets)
        document = page.render(pdf_variant="pdf/a-3a", attachments=attachments, pdf_forms=True)
        if house is not None:
            require(document, content, house)
        declare_accessible(document)
        pdf = document.write_pdf(
            pdf_variant="pdf/a-3a", attachments=attachments, pdf_forms=True, finisher=tidy
        )
    return Rendered(pdf, tuple(heard))


@contextmanager
def _listening() -> Iterator[list[str]]:
    """Collect what the layout logs at the level of a warning and above."""
    heard: list[str] = []

    class _Ear(logging.Handler):
        def emit(self, record: logging.LogRecord) -> None:
            heard.append(record.getMessage())

    ear = _Ear(level=logging.WARNING)
    loggers = [logging.getLogger(name) for name in ("weasyprint", "fontTools")]
    for logger in loggers:
        logger.addHandler(ear)
    try:
        yield heard
    finally:
        for logger in loggers:
            logger.removeHandler(ear)
