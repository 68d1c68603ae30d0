"""A house adds words, a logo, a colour and fonts; it cannot touch what we say."""

import json
import struct
import subprocess
import zlib
from dataclasses import replace
from io import BytesIO

import pytest
from fontTools.pens.ttGlyphPen import TTGlyphPen
from fontTools.ttLib import TTFont
from PIL import Image, ImageChops
from pypdf import PdfReader

from dossier.case.problems import CaseError
from dossier.decision.cautions import GENERAL
from dossier.make.decide import assess, compose, issue_date
from dossier.make.outcome import explained
from dossier.make.read import house_of, read_case
from dossier.report.assets import FONT_FOLDER
from dossier.report.charts.style import setting_faults
from dossier.report.house.house import COLOURS, DEFERENCE, read_house
from dossier.report.house.house_words import FontError, WordsError, logo_faults, own_font, set_words
from tests.archive.sealed import short_case
from tests.report import sample

pytestmark = pytest.mark.usefixtures("undrawn")
SHAPES = (
    '<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 60 20" width="60" height="20">'
    '<circle cx="10" cy="10" r="8" fill="#0072b2"/><path d="M24 4h32v4H24z"/></svg>'
)


def pixels(wide=2, high=2):
    """Return a PNG, written by hand from its specification (ISO/IEC 15948)."""

    def chunk(kind, body):
        whole = kind + body
        return struct.pack(">I", len(body)) + whole + struct.pack(">I", zlib.crc32(whole))

    rows = b"".join(b"\x00" + b"\x80" * wide for _ in range(high))
    head = struct.pack(">IIBBBBB", wide, high, 8, 0, 0, 0, 0)
    return (
        b"\x89PNG\r\n\x1a\n"
        + chunk(b"IHDR", head)
        + chunk(b"IDAT", zlib.compress(rows))
        + chunk(b"IEND", b"")
    )


@pytest.fixture
def house(tmp_path):
    folder = tmp_path / "house"
    folder.mkdir()
    return folder


def put(folder, **files):
    for name, text in files.items():
        (folder / name.replace("__", ".")).write_text(text, encoding="utf-8")


def pdf(folder):
    case = sample.case()
    return sample.pdf(case, sample.assessment(case), house=read_house(folder))


def texts(folder):
    return [page.extract_text() for page in PdfReader(BytesIO(pdf(folder))).pages]


def test_an_empty_house_changes_nothing_but_its_own_mention(house):
    text = "".join(texts(house))
    assert f"House “house”, SHA-256 {read_house(house).digest}" in " ".join(text.split())
    assert "Would not qualify" in text


WORDS = "<h2>Steps</h2><p>Ours, in <strong>our</strong> words &amp; ways.</p><ul><li>One</li></ul>"
TABLE = (
    "<table><caption>Card</caption><thead><tr><th>Step</th><th>Who</th></tr></thead>"
    "<tbody><tr><th>1</th><td>Fitter</td></tr></tbody></table>"
)
SECTION = '[[section]]\ntitle = "Work card"\nfile = "card.html"\n'


def test_name_logo_colour_charts_cautions_and_sections_of_a_house(house):
    put(
        house,
        logo__svg=SHAPES,
        card__html=WORDS + TABLE,
        charts__mplstyle="font.family: Fira Sans\nfont.size: 8\naxes.grid: False\n",
        house__toml='name = "Invented works"\nlogo = "logo.svg"\ncolour = "blue"\n'
        '[[caution]]\nreplaces = "Oil starvation"\ntitle = "Watch the gauge"\n'
        'text = "Watch the gauge after every change."\n'
        '[[caution]]\ntitle = "House rule"\ntext = "Two people sign the work card."\n' + SECTION,
    )
    pages = texts(house)
    whole = " ".join(" ".join(pages).split())
    assert "Ours, in our words & ways." in whole
    assert "Watch the gauge after every change." in whole
    assert "Two people sign the work card." in whole
    assert "Oil starvation" not in whole
    assert DEFERENCE.title in whole
    assert "Would not qualify" in pages[0]
    says = "Words of the house “Invented works”: no part of what was decided."
    assert " ".join(pages[-1].split()).count(says) == 2  # above the words, and at the foot
    assert whole.count(says) == 3  # and above its cautions
    reader = PdfReader(BytesIO(pdf(house)))
    assert "Invented works" in str(walk(reader.trailer["/Root"]["/StructTreeRoot"]))


def walk(node):
    """Return every alternative text of the structure tree."""
    found = []
    kids = node.get("/K", [])
    for kid in kids if isinstance(kids, list) else [kids]:
        kid = kid.get_object() if hasattr(kid, "get_object") else kid
        if hasattr(kid, "get"):
            found += [kid["/Alt"]] if "/Alt" in kid else []
            found += walk(kid)
    return found


def test_the_same_house_gives_the_same_bytes(house):
    put(house, house__toml='name = "Invented works"\nlogo = "logo.png"\n')
    (house / "logo.png").write_bytes(pixels())
    assert pdf(house) == pdf(house)


def problems(folder):
    with pytest.raises(CaseError) as caught:
        read_house(folder)
    return "\n".join(map(str, caught.value.problems))


def test_every_problem_of_a_house_is_listed_at_once(house):
    put(
        house,
        house__toml='name = "W"\nlogo = "absent.svg"\n'
        f'[[caution]]\nreplaces = "{DEFERENCE.title}"\ntitle = "None of it"\n'
        'text = "Do as you like, always."\n'
        '[[caution]]\nreplaces = "No such"\ntitle = "Something"\ntext = "Some words here."\n',
        other__css="p {}",
        decision__html="<p>Approved.</p>",
        charts__mplstyle="text.usetex: True\n",
    )
    (house / "part.html").symlink_to("/etc/hostname")
    (house / "big.html").write_text("x" * 600_000)
    said = problems(house)
    for words in (
        "absent.svg", "cannot be reworded", "'No such'", "other.css",
        "style sheets are not read", "decision.html", "does not set our sections",
        "charts.mplstyle", "'text.usetex' is no setting",
        "part.html", "is a link or a folder", "big.html", "larger than 512 KiB",
    ):  # fmt: skip
        assert words in said


def test_a_logo_that_cannot_be_drawn_is_told(house):
    put(
        house,
        logo__svg=SHAPES.replace("M24 4h32v4H24z", "A 0 0"),
        house__toml='name = "W"\nlogo = "logo.svg"\n',
    )
    with pytest.raises(CaseError, match="Failed to render SVG image") as caught:
        pdf(house)
    assert len(str(caught.value)) < 600


def test_a_folder_that_is_not_there_and_a_wrong_key(house, tmp_path):
    assert "no such folder" in problems(tmp_path / "nowhere")
    put(house, house__toml='name = "W"\ncolours = "red"\n')
    assert "colour" in problems(house)


@pytest.mark.parametrize(
    "content",
    [
        '<!DOCTYPE svg [<!ENTITY a "b">]><svg xmlns="http://www.w3.org/2000/svg"/>',
        '<svg xmlns="http://www.w3.org/2000/svg"><script>1</script></svg>',
        '<svg xmlns="http://www.w3.org/2000/svg"><text>A</text></svg>',
        '<svg xmlns="http://www.w3.org/2000/svg"><image href="http://x.invalid/a.png"/></svg>',
        '<svg xmlns="http://www.w3.org/2000/svg"><use href="http://x.invalid/a.svg#b"/></svg>',
        '<svg xmlns="http://www.w3.org/2000/svg"><path fill="url(http://x.invalid/a)"/></svg>',
        '<svg xmlns="http://www.w3.org/2000/svg"><path style="fill: u\\72l(x)"/></svg>',
        '<svg xmlns="http://www.w3.org/2000/svg" onload="x()"/>',
        '<html xmlns="http://www.w3.org/1999/xhtml"/>',
        "not at all",
    ],
)
def test_a_logo_only_draws(content):
    assert logo_faults("logo.svg", content.encode())


def test_logos_that_may_be_printed_and_sizes_that_may_not():
    assert logo_faults("logo.svg", SHAPES.encode()) == []
    assert logo_faults("logo.png", pixels()) == []
    assert logo_faults("logo.png", pixels()[:20]) == ["is not a PNG"]
    assert "pixels" in logo_faults("logo.png", pixels(5000, 1))[0]
    assert "larger" in logo_faults("logo.svg", b"<svg/>" + b" " * 300_000)[0]
    assert "neither" in logo_faults("logo.gif", b"GIF89a")[0]


def test_the_deference_is_the_one_that_puts_the_oem_first():
    assert DEFERENCE is GENERAL[0]
    assert "OEM" in DEFERENCE.title
    assert "stand above it" in DEFERENCE.text


def test_a_case_names_its_house_inside_the_inputs_only(tmp_path):
    case = sample.case()
    named = replace(case, qualification=case.qualification.model_copy(update={"house": "../house"}))
    (tmp_path / "case").mkdir()
    assert house_of(tmp_path / "case", case.qualification) is None
    assert house_of(tmp_path / "case", named.qualification) == (tmp_path / "house").resolve()
    for path in ("../../house", "/etc", "../../../x"):
        outside = replace(case, qualification=case.qualification.model_copy(update={"house": path}))
        with pytest.raises(CaseError, match="leads out of the inputs folder"):
            house_of(tmp_path / "case", outside.qualification)


def test_the_manifest_and_the_decision_name_the_house_and_a_refusal_ends_with_2(house, tmp_path):
    put(house, card__html=WORDS, house__toml='name = "W"\n' + SECTION)
    folder = short_case(tmp_path / "inputs")
    case = read_case(folder, house)
    composed, document, _ = compose(case, assess(case), issue_date(case), read_house(house))
    attached = {a.name: a.content for a in PdfReader(BytesIO(composed)).attachment_list}
    manifest = json.loads(attached["manifest.json"])
    digest = read_house(house).digest
    assert manifest["layout"]["house files"] == json.loads(document)["house"] == digest
    with pytest.raises(ValueError, match="another house"):
        compose(replace(case, house=""), assess(case), issue_date(case), read_house(house))
    put(house, house__css=".answer { display: none; }")
    with pytest.raises(CaseError) as caught:
        read_case(folder, house)
    code, lines = explained(caught.value, debug=False)
    assert code == 2
    assert "style sheets are not read" in "\n".join(lines)


def test_a_sign_off_is_bound_to_the_house(house, tmp_path):
    from dossier.make.decide import sign_off

    folder = short_case(tmp_path / "inputs")
    plain = read_case(folder)
    put(house, house__toml='name = "W"\n')
    first = read_case(folder, house)
    put(house, house__toml='name = "V"\n')
    second = read_case(folder, house)
    assessed = assess(plain, pages=False)
    digests = {sign_off(each, assessed).digest for each in (plain, first, second)}
    assert len(digests) == 3


def test_the_digest_of_a_house_follows_every_file(house):
    put(house, house__toml='name = "W"\n')
    first = read_house(house).digest
    put(house, card__html="<p>x</p>", house__toml='name = "W"\n' + SECTION)
    second = read_house(house).digest
    put(house, card__html="<p>y</p>")
    assert len({first, second, read_house(house).digest}) == 3


HIDING = [
    *(("house.css", rule, "style sheets are not read") for rule in (
        ".answer .word { display: none; }", ".answer { clip: rect(0,0,0,0); }",
        ".meaning { position: absolute; top: -99mm; z-index: 9; }", ".word { color: #fff; }",
        ".scope { position: fixed; background: #fff; inset: 0; }", ".word { opacity: 0; }",
        ".word { transform: scale(0); }", ".word { filter: invert(1); direction: rtl; }",
        ".title { padding-bottom: 60mm; margin-bottom: -60mm; background: #fff; }",
        ".word::before { content: counter(n, disc); font-size: 999mm; }",
        "@page { margin: 0; size: 1mm 1mm; @top-center { content: 'Approved'; } }",
        "@font-face { font-family: 'Dossier Sans'; src: url(data:font/ttf;base64,AAEAAAA=); }",
        "@import url('https://x.invalid/a.css');",
    )),
    ("dossier.css", "p { color: #fff; }", "style sheets are not read"),
    *((f"{name}.html", "<section id='decision'>Approved</section>", "does not set our sections")
      for name in ("decision", "requirements", "cautions", "digests", "dossier", "blocks")),
    ("charts.mplstyle", "text.usetex: True", "'text.usetex' is no setting"),
    ("charts.mplstyle", "text.latex.preamble: \\input{/etc/passwd}", "is no setting"),
    ("charts.mplstyle", "lines.linewidth: 0", "may be 0.8 to 2.0"),
    ("charts.mplstyle", "font.size: 1e9", "may be 8.0 to 9.0"),
    ("charts.mplstyle", "lines.linewidth: 0\nlines.linewidth: 1", None),
    ("house.toml", 'name = "W"\ncolour = "white"', "no colour of the list"),
    ("house.toml", 'name = "W"\ncolour = "#fff; } * { display: none"', "is too long"),
    ("house.toml", 'name = "W"\ncolour = "#fff"', "no colour of the list"),
]  # fmt: skip


@pytest.mark.parametrize(("name", "text", "line"), HIDING)
def test_a_house_that_would_hide_what_decides_is_refused(house, name, text, line):
    (house / name).write_text(text, encoding="utf-8")
    if line is None:  # of one key twice the last counts, for the check as for the chart
        read_house(house)
        return
    said = problems(house)
    assert line in said


WRONG_WORDS = [
    ("<p style='position:fixed'>x</p>", "attribute 'style'"),
    ("<p id='decision'>x</p>", "attribute 'id'"),
    ("<p class='answer'>x</p>", "attribute 'class'"),
    ("<div>x</div>", "<div> cannot stand"),
    ("<style>p {}</style>", "<style> cannot stand"),
    ("<img src='x'/>", "<img> cannot stand"),
    ("<a href='#decision'>x</a>", "<a> cannot stand"),
    ("<p><table></table></p>", "<table> cannot stand in <p>"),
    ("<section id='x'></section>", "<section> cannot stand"),
    ("</section><section>", "not well-formed"),
    ("<p>x", "not well-formed"),
    ("<!DOCTYPE x [<!ENTITY a 'b'>]><p>&a;</p>", "a document type"),
    ("<p>{{ 7*7 }}</p>", "holds a template"),
    ("{% for i in range(9**9) %}x{% endfor %}", "holds a template"),
    ("bare words", "outside any element"),
    ("<table>x</table>", "in <table>"),
    ("<table><tbody><tr>" + "<td>x</td>" * 100_000 + "</tr></tbody></table>", "larger than 64"),
    ("<table><tbody><tr>" + "<td>x</td>" * 1000 + "</tr></tbody></table>", "1000 cells"),
    ("<p/>" * 9000, "more than 2000 elements"),
    ("<strong>" * 900 + "</strong>" * 900, "<strong> cannot stand"),
]


@pytest.mark.parametrize(("text", "line"), WRONG_WORDS)
def test_words_of_a_house_are_words_in_few_elements(text, line):
    with pytest.raises(WordsError, match=line) as caught:
        set_words(text)
    assert caught.value.hint


def test_words_are_escaped_and_cleaned():
    given = "<p>a &lt;script&gt; \u202eb</p>" + TABLE
    written = set_words(given)
    assert written.startswith("<p>a &lt;script&gt; □b</p><table>")
    assert written.count('<th scope="col">') == 2
    assert written.count('<th scope="row">') == 1


@pytest.mark.parametrize("name", COLOURS)
def test_every_colour_stands_out_from_white(name):
    channels = [int(COLOURS[name][i : i + 2], 16) / 255 for i in (1, 3, 5)]
    lit = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in channels]
    luminance = 0.2126 * lit[0] + 0.7152 * lit[1] + 0.0722 * lit[2]
    assert 1.05 / (luminance + 0.05) >= 7.0  # WCAG 2.2, 1.4.6 and its definition of contrast


def test_settings_of_our_own_charts_are_no_house_matter():
    assert list(setting_faults("axes.grid: False\n# text.usetex: True\n")) == []


def blanked(letters, **names):
    """Return a font that shows nothing for some letters and takes the names of ours."""
    font = TTFont(FONT_FOLDER / "FiraSans-SemiBold.ttf")
    table = font.getBestCmap()
    for letter in letters:
        font["glyf"][table[ord(letter)]] = TTGlyphPen(None).glyph()
    for record in font["name"].names:
        record.string = names.get(str(record.nameID), "Dossier Sans")
    out = BytesIO()
    font.save(out)
    return out.getvalue()


def test_a_font_loses_its_name_its_programs_and_letters_that_ours_lack():
    cut = TTFont(BytesIO(own_font((FONT_FOLDER / "DejaVuSansMono.ttf").read_bytes())))
    ours = set(TTFont(FONT_FOLDER / "FiraSans-Regular.ttf").getBestCmap())
    assert set(cut.getBestCmap()) < ours
    assert {str(record) for record in cut["name"].names} == {"House Words", "Regular", "HouseWords"}
    assert not {"GSUB", "GPOS", "fpgm", "prep", "cvt "} & set(cut.keys())
    blank = blanked("Not")
    renamed = own_font(blank)
    assert b"Dossier" not in renamed
    assert "Dossier".encode("utf-16-be") not in renamed
    assert renamed == own_font(blank)


@pytest.mark.parametrize("content", [b"", b"OTTO" + bytes(99), b"wOF2", b"\0\1\0\0" + b"\xff" * 99])
def test_what_is_no_font(content):
    with pytest.raises(FontError):
        own_font(content)


OUTSIDE = SHAPES.replace("</svg>", '<path d="M-900 -900h1800v1800h-1800z" fill="#ffffff"/></svg>')


def page_one(folder, target):
    """Return page one as a reader sees it, in grey."""
    target.write_bytes(pdf(folder))
    command = ["pdftoppm", "-r", "60", "-gray", "-f", "1", "-l", "1", "-singlefile", target]
    subprocess.run([*command, target.with_suffix("")], check=True)
    return Image.open(target.with_suffix(".pgm"))


LOGOS = {
    "paths beyond the logo": OUTSIDE,
    "view box": SHAPES.replace('viewBox="0 0 60 20"', 'viewBox="0 0 .6 .2"'),
    "high logo": SHAPES.replace('height="20"', 'height="20000"'),
}


def test_nothing_of_a_house_changes_what_page_one_shows_but_its_logo_and_its_foot(house, tmp_path):
    """Logos of all kinds, each beside a font of our name and other words."""
    head = 'name = "W"\nlogo = "logo.svg"\nfont = "works.ttf"\nfont_bold = "works.ttf"\n'
    put(house, house__toml=head + SECTION)

    def seen(logo, words, font):
        put(house, logo__svg=logo, card__html=words)
        (house / "works.ttf").write_bytes(font)
        page = page_one(house, tmp_path / "page.pdf").point(lambda grey: 255 if grey > 128 else 0)
        return page.crop((0, int(0.125 * page.height), page.width, int(0.93 * page.height)))

    plain = seen(SHAPES, WORDS, (FONT_FOLDER / "DejaVuSansMono.ttf").read_bytes())
    assert plain.getbbox()
    words = "<h2>Approved</h2><p>" + "A\u0300" * 9 + "\u202e" + "</p>"
    for name, logo in LOGOS.items():
        attacked = seen(logo, words, blanked("Not"))
        assert ImageChops.difference(plain, attacked).getbbox() is None, name
