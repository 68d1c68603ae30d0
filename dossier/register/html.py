"""The register as one HTML page that needs nothing else: no network, no server, no other file."""

import base64
import hashlib
from collections.abc import Sequence
from typing import Any
from urllib.parse import quote

from dossier.register.listing import plain
from dossier.register.query import Hit
from dossier.register.register import Outcome
from dossier.register.row import Rest
from dossier.report.assets import template_folder

GROUPS = (
    ("instrument", "Instruments"),
    ("certificate", "Certificates"),
    ("lot", "Lots"),
    ("specimen", "Specimens"),
    ("laboratory", "Laboratories"),
    ("standard", "Standards"),
    ("fluid", "Fluids"),
    ("requirement", "Requirements"),
    ("source", "Sources of requirements"),
    ("record", "Records"),
)
"""Kinds that the page lists below each dossier; filter and equipment have their own columns."""


def register_page(outcome: Outcome, hits: Sequence[Hit], *, prefix: str | None) -> str:
    """Return the page as HTML.

    `prefix` is the way from the page to the folder of the dossiers, such as "" or "../dossiers/";
    None leaves out the links.  Script and style stand in the page, and its policy allows nothing
    else to run or load.
    """
    from jinja2 import Environment, FileSystemLoader, StrictUndefined
    from markupsafe import Markup

    environment = Environment(
        loader=FileSystemLoader(template_folder()),
        autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True,
    )  # fmt: skip
    script, style = (_source(environment, f"register.{kind}") for kind in ("js", "css"))
    return environment.get_template("register.html").render(
        outcome=outcome,
        entries=[_entry(hit, prefix) for hit in hits],
        script=Markup(script),
        style=Markup(style),
        script_hash=_hash(script),
        style_hash=_hash(style),
        events=[(each.kind, plain(each.text)) for each in outcome.events],
        unreadable=[(plain(file), plain(why)) for file, why in outcome.unreadable],
        copies=[(plain(file), plain(other)) for file, other in outcome.copies],
    )


def _source(environment: Any, name: str) -> str:
    source: str = environment.loader.get_source(environment, name)[0]
    return source


def _hash(text: str) -> str:
    """Return the digest of an inline script or style as a content security policy writes it."""
    return "sha256-" + base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()


def _entry(hit: Hit, prefix: str | None) -> dict[str, Any]:
    row = hit.row
    texts = {
        name: plain(getattr(row, name))
        for name in ("title", "candidate", "reference", "application", "equipment", "remark")
    }
    return {
        **texts,
        "name": row.name,
        "decision": row.decision,
        "stands": row.decision == row.found,
        "current": row.current,
        "superseded_by": plain(row.superseded_by),
        "issued": row.issued,
        "review_due": row.review_due,
        "valid_until": row.valid_until,
        "sha256": row.sha256,
        "file": plain(row.file),
        "href": None if prefix is None else quote(f"./{prefix}{row.file}"),
        "unread": row.unread,
        "groups": [
            (title, _values(hit.rests, kind))
            for kind, title in GROUPS
            if any(rest.kind == kind for rest in hit.rests)
        ],
    }


def _values(rests: Sequence[Rest], kind: str) -> str:
    return "; ".join(plain(rest.value) for rest in rests if rest.kind == kind)
