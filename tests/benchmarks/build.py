"""A whole build against bare WeasyPrint on the HTML that the build made, charts ready."""

import pickle
import re
import tempfile
from pathlib import Path

from dossier.report.assets import CHART, data_uri
from tests.benchmarks.timing import INPUTS, PYTHON, heading, race, ratio

BARE = """
import pickle, sys
import weasyprint
from dossier.report.assets import fetcher
html, style, attached = pickle.load(open(sys.argv[1], "rb"))
weasyprint.HTML(string=html, base_url="asset:", url_fetcher=fetcher(style, None, {})).write_pdf(
    sys.argv[2], pdf_variant="pdf/a-3a", pdf_forms=True,
    attachments=[weasyprint.Attachment(string=body, name=name) for name, body in attached],
)
"""


def captured(case):
    """Return (HTML, style sheet, attachments) that a build of `case` hands to WeasyPrint."""
    from dossier.make import api
    from dossier.report import render
    from dossier.report.layout.pdf import Rendered

    kept = []

    def keep(sheet, picture=None):
        html = re.sub(f"{CHART}[0-9]+", lambda found: data_uri(picture(found[0])), sheet.html)
        kept.append((html, sheet.style, [(name, body) for name, body, *_ in sheet.attached]))
        return Rendered(b"", ())

    original, render.lay_out = render.lay_out, keep  # type: ignore[attr-defined]
    try:
        with tempfile.TemporaryDirectory() as out:
            api.build(case, out)
    finally:
        render.lay_out = original  # type: ignore[attr-defined]
    return kept[0]


def main(rounds=5):
    for case in ("polder-pumps", "chain-ferry"):
        heading(f"build of {case} against bare WeasyPrint")
        with tempfile.TemporaryDirectory() as folder:
            kept = Path(folder, "kept")
            kept.write_bytes(pickle.dumps(captured(INPUTS / case)))
            build = [PYTHON, "-m", "dossier", "build", INPUTS / case, "--out", folder]
            bare = [PYTHON, "-c", BARE, kept, Path(folder, "bare.pdf")]
            medians = race({"build": build, "bare WeasyPrint": bare}, rounds)
        ratio(medians, "build", "bare WeasyPrint", 1.25)


if __name__ == "__main__":
    main()
