"""What may change behind a seal: the fields of further seals, object by object, and nothing else.

Signatures are appended, so each file holds the earlier ones.  This policy reads the table of every
increment and refuses each object that a further seal does not need.  It looks only at objects the
increment names; the thousands of the pages and of their structure are never walked, since none of
them may be among those named.
"""

from collections.abc import Iterator, Mapping
from typing import Any

from pyhanko.pdf_utils import generic
from pyhanko.pdf_utils.reader import HistoricalResolver, PdfFileReader
from pyhanko.pdf_utils.xref import XRefSectionType
from pyhanko.sign.diff_analysis import (
    DiffPolicy,
    DiffResult,
    ModificationLevel,
    SuspiciousModification,
)

__all__ = ["OnlySeals"]

SIGNATURE_KEYS = frozenset(
    {"/Type", "/Filter", "/SubFilter", "/Contents", "/ByteRange", "/M", "/Name"}
    | {"/Reason", "/Reference"}
)
TRAILER_KEYS = frozenset({"/Size", "/Root", "/Info", "/ID", "/Prev"})
FORBIDDEN = frozenset(
    {"/A", "/AA", "/JS", "/JavaScript", "/OpenAction", "/URI", "/Launch", "/EmbeddedFiles", "/EF"}
)
MOST_NEW = 200
DEEPEST = 40


class OnlySeals(DiffPolicy):
    """A policy of differences that allows one more seal in an empty field an increment."""

    def review_file(
        self,
        reader: PdfFileReader,
        base_revision: int | HistoricalResolver,
        field_mdp_spec: Any = None,
        doc_mdp: Any = None,
    ) -> DiffResult | SuspiciousModification:
        """Return the level of all changes since `base_revision`, or the first that is refused."""
        start = base_revision if isinstance(base_revision, int) else base_revision.revision
        changed: set[str] = set()
        try:
            for later in range(start + 1, reader.xrefs.total_revisions):
                old, new = (reader.get_historical_resolver(n) for n in (later - 1, later))
                changed |= self.apply(old, new, field_mdp_spec, doc_mdp).changed_form_fields
        except SuspiciousModification as refused:
            return refused
        level = ModificationLevel.FORM_FILLING if changed else ModificationLevel.NONE
        return DiffResult(level, changed)

    def apply(
        self,
        old: HistoricalResolver,
        new: HistoricalResolver,
        field_mdp_spec: Any = None,
        doc_mdp: Any = None,
    ) -> DiffResult:
        """Return the field that one increment sealed; raise SuspiciousModification otherwise."""
        _plain_increment(old, new)
        named = new.explicit_refs_in_revision()
        _require(len(named) <= MOST_NEW, "it names more objects than a seal needs")
        size = int(old.trailer_view["/Size"])
        fresh = {ref for ref in named if ref.idnum >= size}
        field, seal = _sealed_field(old, new, named, fresh)
        _root(old, new, named, seal)
        root = new.trailer_view.raw_get("/Root").reference
        others = named - fresh - {field, root}
        _require(not others, f"object {min((r.idnum for r in others), default=0)} is replaced")
        _only_what_the_field_shows(new, fresh, field, seal)
        return DiffResult(ModificationLevel.FORM_FILLING, {str(new(field)["/T"])})


def _require(holds: bool, what: str) -> None:
    if not holds:
        raise SuspiciousModification(f"a later increment is more than a seal: {what}")


def _plain_increment(old: HistoricalResolver, new: HistoricalResolver) -> None:
    """Require a plain table, no freed object, and a trailer that points where it did before."""
    xrefs, revision = new.reader.xrefs, new.revision
    meta, table = xrefs.get_xref_container_info(revision), xrefs.get_xref_data(revision)
    _require(meta.xref_section_type == XRefSectionType.STANDARD, "its table is not plain")
    _require(table.hybrid is None and not table.obj_streams_used, "it hides objects in streams")
    _require(not new.refs_freed_in_revision(), "it removes an object")
    before, after = old.trailer_view, new.trailer_view
    _require(set(after) <= TRAILER_KEYS, "its trailer has further entries")
    for key in ("/Root", "/Info"):
        _require(_same(before.raw_get(key), after.raw_get(key)), f"its trailer moves {key}")
    _require(_same(before["/ID"][0], after["/ID"][0]), "it claims to be another document")


def _sealed_field(
    old: HistoricalResolver, new: HistoricalResolver, named: set[Any], fresh: set[Any]
) -> tuple[Any, Any]:
    """Return the one field that was empty and is now sealed, and its signature's reference."""
    fields = [item.reference for item in _raw_items(old.root["/AcroForm"]["/Fields"])]
    touched = [ref for ref in fields if ref in named]
    _require(len(touched) == 1, f"it changes {len(touched)} fields")
    before, after = old(touched[0]), new(touched[0])
    _require(before.get("/FT") == "/Sig" and "/V" not in before, "the field was not empty")
    _require(set(after) == set(before) | {"/V"}, "the field has other entries than before")
    for key in set(before) - {"/AP"}:
        _require(_same(before.raw_get(key), after.raw_get(key)), f"the field has another {key}")
    seal = after.raw_get("/V")
    _require(isinstance(seal, generic.IndirectObject), "the seal is not an object by itself")
    _require(seal.reference in fresh, "the seal is not a new object")
    return touched[0], seal.reference


def _root(old: HistoricalResolver, new: HistoricalResolver, named: set[Any], seal: Any) -> None:
    """Require a catalogue that is as before but for the mark that there are signatures."""
    root = new.trailer_view.raw_get("/Root").reference
    if root not in named:
        return
    before, after = old(root), new(root)
    allowed = {"/AcroForm", "/Perms"}
    _require(set(after) | {"/Perms"} == set(before) | {"/Perms"}, "the catalogue has other entries")
    for key in set(before) - allowed:
        _require(_same(before.raw_get(key), after.raw_get(key)), f"the catalogue moves {key}")
    _form(before["/AcroForm"], after["/AcroForm"])
    if "/Perms" in before:
        _require(_same(before.raw_get("/Perms"), after.raw_get("/Perms")), "permissions change")
    elif "/Perms" in after:
        permissions = after["/Perms"]
        _require(set(permissions) == {"/DocMDP"}, "it sets further permissions")
        _require(permissions.raw_get("/DocMDP").reference == seal, "another object certifies")


def _form(before: Mapping[str, Any], after: Mapping[str, Any]) -> None:
    _require(set(before) | {"/SigFlags"} == set(after) | {"/SigFlags"}, "the form has other keys")
    for key in set(before) - {"/SigFlags"}:
        _require(_same(before.raw_get(key), after.raw_get(key)), f"the form has another {key}")  # type: ignore[attr-defined]
    _require(after.get("/SigFlags") == 3, "the form's flags are not those of a signed file")


def _only_what_the_field_shows(
    new: HistoricalResolver, fresh: set[Any], field: Any, seal: Any
) -> None:
    """Require that every new object belongs to the seal or to its picture in the field's box."""
    signature = new(seal)
    _require(set(signature) <= SIGNATURE_KEYS, "the seal has entries of its own")
    _require(signature.get("/Type") == "/Sig", "the seal is of another type")
    look = new(field).raw_get("/AP")
    _require(isinstance(look, generic.DictionaryObject), "the field's look is not its own")
    _require(set(look) == {"/N"}, "the field has more than one look")
    seen = {seal}
    _require(not _references(signature, 0), "the seal points at other objects")
    waiting = [look]
    while waiting:
        for reference in _references(waiting.pop(), 0):
            _require(reference in fresh, f"the seal's look uses object {reference.idnum}")
            if reference not in seen:
                seen.add(reference)
                waiting.append(new(reference))
    _require(seen == fresh, "it adds objects that nothing shows")


def _references(thing: Any, depth: int) -> Iterator[Any] | list[Any]:
    """Return all references inside one object, not following them."""
    _require(depth < DEEPEST, "it nests too deeply")
    if isinstance(thing, generic.IndirectObject):
        return [thing.reference]
    if isinstance(thing, generic.DictionaryObject):
        _require(not FORBIDDEN & set(thing), "a part of it acts or carries files")
        inner = [thing.raw_get(key) for key in thing]
    elif isinstance(thing, generic.ArrayObject):
        inner = list(_raw_items(thing))
    else:
        return []
    return [reference for each in inner for reference in _references(each, depth + 1)]


def _raw_items(array: Any) -> Iterator[Any]:
    """Yield the entries of an array without following references."""
    yield from (array.raw_get(index) for index in range(len(array)))


def _same(one: Any, other: Any, depth: int = 0) -> bool:
    """Return whether two objects are alike to the last entry, references not followed."""
    _require(depth < DEEPEST, "it nests too deeply")
    if type(one) is not type(other):
        return False
    if isinstance(one, generic.StreamObject):
        return bool(one.encoded_data == other.encoded_data) and _same_entries(one, other, depth)
    if isinstance(one, generic.DictionaryObject):
        return _same_entries(one, other, depth)
    if isinstance(one, generic.ArrayObject):
        pairs = zip(_raw_items(one), _raw_items(other), strict=False)
        return len(one) == len(other) and all(_same(a, b, depth + 1) for a, b in pairs)
    if isinstance(one, (generic.TextStringObject, generic.ByteStringObject)):
        return bool(one.original_bytes == other.original_bytes)
    if isinstance(one, generic.IndirectObject):
        return bool((one.idnum, one.generation) == (other.idnum, other.generation))
    return bool(one == other)


def _same_entries(one: Any, other: Any, depth: int) -> bool:
    return set(one) == set(other) and all(
        _same(one.raw_get(key), other.raw_get(key), depth + 1) for key in one
    )
