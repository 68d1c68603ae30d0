"""What WeasyPrint's PDF/A-3a lacks: the PDF/UA mark, and one mention of each attachment."""

from typing import Any

from dossier.report.layout.pdf_fields import make_signature_fields, write_plainly

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
