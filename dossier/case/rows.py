"""Tables that stand in for TOML: one row a run, an instrument or a fluid, one column a key.

The columns are the fields of the models, so that what a model knows can be written either way.
"""

import difflib
import re
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass, field
from datetime import date, datetime
from typing import Annotated, Any

from pydantic import BaseModel

from dossier.case.fields import dimension_of, model_in, types_in
from dossier.case.tables.column_names import lowered
from dossier.case.tables.numerals import cleaned, number
from dossier.case.tables.raw_table import Column, RawTable, filled
from dossier.case.units import DIMENSIONS, usual_unit

_BARE = re.compile(r"[-+0-9.,' eE]+")
_PLAIN = re.compile(r"[-+0-9.eE]+")
_DAY = re.compile(r"\d{4}-\d{2}-\d{2}")

Path = tuple[str | int, ...]
"""Keys that lead to a value of a document."""


@dataclass(frozen=True, slots=True)
class Leaf:
    """One key that a cell can give."""

    path: tuple[str, ...]
    form: str
    """A dimension, or "text", "date", "list", "number"."""

    @property
    def unit(self) -> str:
        """The unit that its column is headed with, '' for what has none."""
        if self.form not in DIMENSIONS or self.form == "number":
            return ""
        return usual_unit(self.form)


@dataclass(slots=True)
class Entry:
    """What one row says: a document, and the cell of each of its keys."""

    document: dict[str, Any] = field(default_factory=dict)
    cells: dict[Path, str] = field(default_factory=dict)
    row: str = ""


def leaves(model: type[BaseModel]) -> dict[str, Leaf]:
    """Return the keys of a model by the name of their column, as `lowered` writes it."""
    return {_name(leaf.path): leaf for leaf in _leaves(model, ())}


def _name(path: tuple[str, ...]) -> str:
    kept = [step for step in path if step not in {"conditions", "value"}]
    return lowered(" ".join({"U": "expanded u"}.get(step, step) for step in kept).replace("_", " "))


def _leaves(model: type[BaseModel], above: tuple[str, ...]) -> Iterator[Leaf]:
    for key, each in model.model_fields.items():
        path = (*above, key)
        dimension, measured = dimension_of(Annotated[each.annotation, *each.metadata, ""])
        kinds, inner = set(types_in(each.annotation)), model_in(each.annotation)
        if measured:
            for step in ("value", "u", "U", "k"):
                form = "number" if step == "k" else dimension
                yield Leaf((*path, step), form)
        elif dimension:
            yield Leaf(path, dimension)
        elif inner is not None:
            yield from () if tuple in kinds else _leaves(inner, path)
        elif dict not in kinds:
            forms = ((tuple, "list"), (date, "date"), (float, "number"), (int, "number"))
            form = next((form for kind, form in forms if kind in kinds), "text")
            yield Leaf(path, form)


def entries(raw: RawTable, model: type[BaseModel]) -> list[Entry]:
    """Return what each row of a table says of a model; columns it has not are problems of `raw`.

    An empty cell says nothing.  A number takes the unit in its column's brackets.
    """
    known = leaves(model)
    made = [Entry(row=f"row {line}") for line in raw.lines]
    for column in raw.columns:
        leaf = known.get(lowered(column.name))
        if leaf is None:
            near = difflib.get_close_matches(lowered(column.name), known, n=1)
            hint = f"did you mean {near[0]!r}?" if near else f"columns: {', '.join(known)}"
            raw.complain("header", f"column {column.name!r} is not known here", hint)
            continue
        for row, (entry, cell) in enumerate(zip(made, raw.cells[column.index], strict=True)):
            value = _value(cell, leaf, raw, column)
            if value not in ("", []):
                _put(entry.document, leaf.path, value)
                entry.cells[leaf.path] = raw.place(row, column)
    return [entry for entry in made if entry.document]


def _value(cell: Any, leaf: Leaf, raw: RawTable, column: Column) -> Any:
    """Return a cell as it would be written in TOML: a day, a list, a number with its unit."""
    if isinstance(cell, date):
        return cell.date() if isinstance(cell, datetime) and leaf.form == "date" else cell
    text = filled(cell)
    if leaf.form == "list":
        return [part.strip() for part in re.split("[,;]", text) if part.strip()]
    if leaf.form == "date" and _DAY.fullmatch(text):
        with suppress(ValueError):
            return date.fromisoformat(text)
    if not text or leaf.form == "date" or (leaf.form == "text" and not column.unit):
        return text
    value = number(cleaned(text), raw.decimal)
    if value is None:
        # it has a unit of its own, or is wrong, which the model says
        return f"{text} {column.unit}".strip() if _BARE.fullmatch(text) else text
    if leaf.form == "number":
        return int(value) if value.is_integer() else value
    pointed = cleaned(text).replace(raw.decimal, ".")
    return f"{pointed if _PLAIN.fullmatch(pointed) else repr(value)} {column.unit}".strip()


def _put(document: dict[str, Any], path: tuple[str, ...], value: Any) -> None:
    for step in path[:-1]:
        document = document.setdefault(step, {})
    document[path[-1]] = value
