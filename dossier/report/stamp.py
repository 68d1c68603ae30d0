"""What a signature looks like in its field: a small PDF with embedded fonts."""

import html
from dataclasses import dataclass

from dossier.report.assets import fetcher
from dossier.report.format import clean
from dossier.report.glyphs import spelled
from dossier.report.render import load_weasyprint
from dossier.words import language, say

__all__ = ["Stamp", "stamp_pdf"]

_STYLE = """
@font-face { font-family: "Dossier Sans"; font-weight: 400;
  src: url("asset:FiraSans-Regular.ttf"); }
@font-face { font-family: "Dossier Sans"; font-weight: 600;
  src: url("asset:FiraSans-SemiBold.ttf"); }
@page { size: 45mm 16mm; margin: 1mm 1.5mm; }
body { margin: 0; font: 6.2pt/1.22 "Dossier Sans"; overflow: hidden; height: 14mm; }
p { margin: 0; white-space: nowrap; overflow: hidden; text-overflow: ellipsis; }
.name { font-weight: 600; font-size: 7.5pt; }
"""


@dataclass(frozen=True, slots=True, kw_only=True)
class Stamp:
    """The lines of a signature's look."""

    signer: str
    role: str
    day: str
    issuer: str
    """Who vouches for the certificate."""
    remark: str = ""


def stamp_pdf(stamp: Stamp) -> bytes:
    """Return one page of 45 mm by 16 mm that shows who signed, as what, when, vouched by whom."""
    lines = [
        say("Signed digitally as: {role}", role=_text(say(stamp.role))),
        say("{day} (stated, UTC)", day=_text(stamp.day)),
        say("Certificate by {issuer}", issuer=_text(stamp.issuer)),
        *([_text(say(stamp.remark))] if stamp.remark else []),
    ]
    written = "".join(f"<p>{line}</p>" for line in lines)
    name = f'<p class="name">{_text(stamp.signer)}</p>'
    body = f"<style>{_STYLE}</style><body>{name}{written}</body>"
    page = f'<html lang="{language()}">{body}</html>'
    weasyprint = load_weasyprint()
    document = weasyprint.HTML(string=page, base_url="asset:", url_fetcher=fetcher(""))
    pdf: bytes = document.write_pdf()
    return pdf


def _text(value: str) -> str:
    return html.escape(spelled(clean(value)[:80], chart=True))
