"""The register as one HTML page that needs nothing else: no network, no server, no other file.

On it machines against filters: what is approved where, in tables that grow as the dossiers do.
"""

import base64
import hashlib
from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from urllib.parse import quote

from dossier.case.consistency import plain
from dossier.record.rests import KINDS
from dossier.register.listing import one_line
from dossier.register.register import Hit, Register
from dossier.register.row import STATES, Row
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
        lstrip_blocks=True, finalize=lambda value: one_line(value) if type(value) is str else value,
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


WIDE, SPARSE = 8, 4
"""Filters beside each other that a table may have, and empty cells for each that is not."""
NOWHERE = "machines that the application does not name"
Cells = dict[str, dict[str, list[Row]]]
"""Machine -> filter -> dossiers."""


@dataclass(frozen=True, slots=True)
class Block:
    """Machines that have filters in common, and what is said of each pair."""

    filters: tuple[str, ...]
    machines: tuple[tuple[str, tuple[tuple[Row, ...], ...]], ...]
    """Each machine with a cell for each filter."""


def blocks(hits: Sequence[Hit]) -> tuple[Block, ...]:
    """Return a table for all machines that filters connect, in the order of their names.

    What would be wide or mostly empty is taken apart, a machine each: the tables together hold
    a few cells for each dossier, however many there are.
    """
    cells: Cells = defaultdict(lambda: defaultdict(list))
    names: dict[str, str] = {}  # a machine or filter stands under the name it is first met by
    for hit in hits:
        filter_ = names.setdefault(plain(hit.row.candidate), hit.row.candidate)
        for machine in [e.value for e in hit.rests if e.kind == "equipment"] or [NOWHERE]:
            cells[names.setdefault(plain(machine), machine)][filter_].append(hit.row)
    return tuple(each for group in _connected(cells) for each in _laid_out(cells, group))


def _connected(cells: Cells) -> Iterator[list[str]]:
    """Yield machines in groups: those of one have a filter in common, or a third between them."""
    by_filter: dict[str, list[str]] = defaultdict(list)
    for machine in sorted(cells):
        for part in cells[machine]:
            by_filter[part].append(machine)
    seen: set[str] = set()
    for first in sorted(cells):
        if first in seen:
            continue
        seen.add(first)
        group, parts = [first], set[str]()
        for machine in group:  # grows as it is walked through
            for part in set(cells[machine]) - parts:
                parts.add(part)
                group += (new := [m for m in by_filter[part] if m not in seen])
                seen.update(new)
        yield sorted(group)


def _laid_out(cells: Cells, group: Sequence[str]) -> Iterator[Block]:
    filters = sorted({part for machine in group for part in cells[machine]})
    filled = sum(len(cells[machine]) for machine in group)
    if len(group) > 1 and (len(filters) > WIDE or len(group) * len(filters) > SPARSE * filled):
        for machine in group:
            yield from _laid_out(cells, [machine])
        return
    lines = [(machine, tuple(_shown(cells[machine].get(part, ())) for part in filters))
             for machine in group]  # fmt: skip
    yield Block(tuple(filters), tuple(lines))


def _shown(rows: Sequence[Row]) -> tuple[Row, ...]:
    """Return the dossiers that count for a machine and a filter: the last ones, if any is."""
    current = [row for row in rows if row.current]
    latest = max(rows, key=lambda row: (row.number, row.revision), default=None)
    return tuple(current or ([latest] if latest else []))
