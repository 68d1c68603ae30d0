"""What WeasyPrint's PDF/A-3a lacks: the PDF/UA mark, and one mention of each attachment."""

from typing import Any

PRINTED, LOCKED = 4, 128


def make_signature_fields(pdf: Any) -> None:
    """Turn every form input of `pdf` into an empty, visible signature field.

    The page has boxes to tick there, which need no font.  A signature field has no value and an
    empty appearance (ISO 32000-1:2008, 12.7.4.5).  Its structure element mentions it by one bare
    reference, so that a later signature changes the field alone and not the structure tree.
    """
    form = pdf.catalog.get("AcroForm")
    if form is None:
        return
    for key in ("DR", "NeedAppearances"):
        form.pop(key, None)
    for each in list(pdf.objects):
        if isinstance(each, dict) and each.get("Subtype") == "/Widget":
            _empty_field(pdf, each)
        elif isinstance(each, dict) and each.get("S") == "/Form" and len(each["K"]) == 1:
            each["K"] = each["K"][0]
    form["SigFlags"] = 1


def _empty_field(pdf: Any, field: Any) -> None:
    import pydyf

    x1, y1, x2, y2 = field["Rect"]
    left, right, low, high = min(x1, x2), max(x1, x2), min(y1, y2), max(y1, y2)
    look = field["AP"]["N"]["on"]
    stream = next(each for each in pdf.objects if each.reference == look)
    stream.stream = []
    stream.extra["BBox"] = pydyf.Array((0, 0, right - left, high - low))
    stream.extra.pop("Resources", None)
    for key in ("AS", "V", "MK", "Border"):
        field.pop(key, None)
    field["FT"] = "/Sig"
    field["F"] = PRINTED + LOCKED
    field["Rect"] = pydyf.Array((left, low, right, high))
    field["AP"] = pydyf.Dictionary({"N": look})


def write_plainly(pdf: Any) -> None:
    """Have `pdf` write each object by itself, with a plain table of where they are.

    Signatures are added behind the file as increments.  What an increment changes can be read off
    such a table object by object, by any program.
    """
    write = pdf.write

    def plainly(output: Any, version: Any = b"1.7", identifier: Any = False, _: bool = True) -> Any:
        return write(output, version, identifier, False)

    pdf.write = plainly


PDFUAID = "http://www.aiim.org/pdfua/ns/id/"

_DESCRIPTIONS = b"""
<rdf:Description rdf:about="" xmlns:pdfuaid="http://www.aiim.org/pdfua/ns/id/">
<pdfuaid:part>1</pdfuaid:part></rdf:Description>
<rdf:Description rdf:about="" xmlns:pdfaExtension="http://www.aiim.org/pdfa/ns/extension/"
 xmlns:pdfaSchema="http://www.aiim.org/pdfa/ns/schema#"
 xmlns:pdfaProperty="http://www.aiim.org/pdfa/ns/property#">
<pdfaExtension:schemas><rdf:Bag><rdf:li rdf:parseType="Resource">
<pdfaSchema:schema>PDF/UA Universal Accessibility Schema</pdfaSchema:schema>
<pdfaSchema:namespaceURI>http://www.aiim.org/pdfua/ns/id/</pdfaSchema:namespaceURI>
<pdfaSchema:prefix>pdfuaid</pdfaSchema:prefix>
<pdfaSchema:property><rdf:Seq><rdf:li rdf:parseType="Resource">
<pdfaProperty:name>part</pdfaProperty:name>
<pdfaProperty:valueType>Integer</pdfaProperty:valueType>
<pdfaProperty:category>internal</pdfaProperty:category>
<pdfaProperty:description>Part of ISO 14289 the file conforms to</pdfaProperty:description>
</rdf:li></rdf:Seq></pdfaSchema:property>
</rdf:li></rdf:Bag></pdfaExtension:schemas></rdf:Description>
"""
"""The identifier, and its declaration, which PDF/A-3 wants (ISO 19005-3:2012, 6.6.2.3)."""


def declare_accessible(document: Any) -> None:
    """Add the PDF/UA-1 identifier to the metadata that `document` will write."""
    original = document.metadata.generate_rdf_metadata

    def generate(variant: str, version: int, conformance: str) -> bytes:
        written: bytes = original(variant, version, conformance)
        head, end, tail = written.rpartition(b"</rdf:RDF>")
        return head + _DESCRIPTIONS + end + tail

    document.metadata.generate_rdf_metadata = generate


def tidy(_document: Any, pdf: Any) -> None:
    """Mention each attached file once; make the fields to sign; write objects one by one."""
    files = pdf.catalog.get("AF")
    if files is not None:
        unique = list(dict.fromkeys(files))
        files[:] = unique
    make_signature_fields(pdf)
    write_plainly(pdf)
