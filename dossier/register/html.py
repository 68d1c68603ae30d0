"""The register as one HTML page that needs nothing else: no network, no server, no other file."""

import base64
import hashlib
from collections.abc import Sequence
from urllib.parse import quote

from dossier.record.rests import KINDS
from dossier.register.listing import plain
from dossier.register.matrix import blocks
from dossier.register.query import Hit
from dossier.register.register import Register
from dossier.register.row import STATES
from dossier.report.assets import template_folder


def register_page(outcome: Register, hits: Sequence[Hit], *, prefix: str | None) -> str:
    """Return the page as HTML.

    `prefix` is the way from the page to the folder of the dossiers, such as "" or "../dossiers/";
    None leaves out the links.  Script and style stand in the page, and its policy allows nothing
    else to run or load.
    """
    from jinja2 import Environment, FileSystemLoader, StrictUndefined
    from markupsafe import Markup

    loader = FileSystemLoader(template_folder())
    environment = Environment(
        loader=loader, autoescape=True, undefined=StrictUndefined, trim_blocks=True,
        lstrip_blocks=True, finalize=lambda value: plain(value) if type(value) is str else value,
    )  # fmt: skip
    parts = {kind: loader.get_source(environment, f"register.{kind}")[0] for kind in ("js", "css")}
    return environment.get_template("register.html").render(
        outcome=outcome, hits=hits, kinds=KINDS, blocks=blocks(hits), states=_states(hits),
        script=Markup(parts["js"]), script_hash=_hash(parts["js"]),
        style=Markup(parts["css"]), style_hash=_hash(parts["css"]),
        href=lambda row: None if prefix is None else quote(f"./{prefix}{row.file}"),
    )  # fmt: skip


def _states(hits: Sequence[Hit]) -> dict[str, str]:
    """Return the states that occur on the page, each with its shape."""
    found = {hit.row.state for hit in hits}
    return {word: mark for word, mark in STATES.items() if word in found}


def _hash(text: str) -> str:
    """Return the digest of an inline script or style as a content security policy writes it."""
    return "sha256-" + base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()
