"""A person with a valid key appends more than a seal: the seals before it must tell.

The last signature covers the whole file, so it is sound in each of these; what was added lies
behind the first two.
"""

import io

import pytest
from pyhanko.pdf_utils import generic
from pyhanko.pdf_utils.generic import pdf_name
from pyhanko.pdf_utils.incremental_writer import IncrementalPdfFileWriter
from pyhanko.sign.fields import SigSeedSubFilter
from pyhanko.sign.signers import PdfSignatureMetadata, PdfSigner

from dossier.archive.pdf_file import open_pdf
from dossier.archive.seals import read_seals
from dossier.archive.signature import load_keys
from tests.archive import sealed


class Quietly(IncrementalPdfFileWriter):
    """A writer that leaves title and metadata as they are, as sealing does."""

    def _update_meta(self):
        """Change nothing."""


def sealed_with(dossier, change, writer=Quietly):
    """Return the twice sealed dossier with the third seal and `change` in one increment."""
    appending = writer(io.BytesIO(dossier.versions[2]))
    change(appending)
    about = PdfSignatureMetadata(
        field_name="signature-approved", subfilter=SigSeedSubFilter.PADES, md_algorithm="sha256"
    )
    signer = load_keys(dossier.keys["approved"], None, sealed.SECRET).signer
    out = io.BytesIO()
    PdfSigner(about, signer).sign_pdf(appending, output=out)
    return read_seals(open_pdf(out.getvalue()), dossier.trust)


def field(writer):
    return writer.root["/AcroForm"]["/Fields"][2]


def move_field(writer):
    box = generic.ArrayObject(generic.FloatObject(x) for x in (0, 0, 595, 842))
    field(writer)[pdf_name("/Rect")] = box
    writer.update_container(field(writer))


def act(writer):
    action = generic.DictionaryObject(
        {pdf_name("/S"): pdf_name("/JavaScript"), pdf_name("/JS"): generic.pdf_string("x")}
    )
    field(writer)[pdf_name("/AA")] = writer.add_object(action)
    writer.update_container(field(writer))


def open_action(writer):
    page = writer.root["/Pages"].raw_get("/Kids").raw_get(2)
    writer.root[pdf_name("/OpenAction")] = generic.ArrayObject([page, pdf_name("/Fit")])
    writer.update_root()


def orphan(writer):
    writer.add_object(generic.pdf_string("hidden"))


def other_page(writer):
    page = writer.root["/Pages"]["/Kids"][0]
    page[pdf_name("/Rotate")] = generic.NumberObject(180)
    writer.update_container(page)


def other_font(writer):
    font = next(iter(writer.root["/Pages"]["/Kids"][0]["/Resources"]["/Font"].values()))
    writer.mark_update(font.container_ref)


def rename_field(writer):
    field(writer)[pdf_name("/TU")] = generic.pdf_string("Another")
    writer.update_container(field(writer))


CHANGES = {
    "annotation": sealed.add_annotation,
    "page removed": sealed.remove_page,
    "attachment": sealed.replacing(**{"mp-c1__csv": b"x"}),
    "field over the page": move_field,
    "script in the field": act,
    "open at another page": open_action,
    "object that nothing shows": orphan,
    "page turned": other_page,
    "font written again": other_font,
    "field with another text": rename_field,
}


def test_the_seal_alone_is_allowed(dossier):
    assert [seal.problem for seal in sealed_with(dossier, lambda writer: None)] == ["", "", ""]


@pytest.mark.parametrize("kind", CHANGES)
def test_a_seal_and_something_more_is_told(kind, dossier):
    first, second, third = sealed_with(dossier, CHANGES[kind])
    for seal in (first, second):
        assert "a later increment is more than a seal" in seal.problem
    assert third.intact
    assert third.valid


def test_a_new_title_is_told(dossier):
    first, *_ = sealed_with(dossier, lambda writer: None, IncrementalPdfFileWriter)
    assert "is replaced" in first.problem


def test_the_library_s_own_policy_agrees_on_the_sound_file(dossier):
    """It walks the whole structure tree, which takes seconds; so the last two seals only."""
    from pyhanko.sign.diff_analysis import DEFAULT_DIFF_POLICY, ModificationLevel

    reader = open_pdf(dossier.data).reader
    result = DEFAULT_DIFF_POLICY.review_file(reader, 2)
    assert result.modification_level is ModificationLevel.FORM_FILLING
