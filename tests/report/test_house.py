"""A house lays the dossier out in its own way; what decides stays on the page."""

import json
import struct
import zlib
from base64 import b64encode
from dataclasses import replace
from io import BytesIO
from pathlib import Path

import pytest
from pypdf import PdfReader

from dossier.api import assess, compose, house_of, issue_date, read_case
from dossier.case.problems import CaseError
from dossier.decision.cautions import GENERAL
from dossier.outcome import explained
from dossier.report.house import DEFERENCE, read_house
from dossier.report.logo import logo_faults
from tests.report import sample

INPUTS = Path(__file__).parents[2] / "inputs"
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


@pytest.fixture(autouse=True)
def undrawn(monkeypatch):
    """Put a dot in place of every chart: they are tested elsewhere, and take most of the time."""
    dot = "data:image/svg+xml;base64," + b64encode(SHAPES.encode()).decode()
    monkeypatch.setattr("dossier.report.chart_style.now_or_later", lambda _: dot)


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


def complaints(folder):
    with pytest.raises(CaseError) as caught:
        pdf(folder)
    assert all(problem.what and problem.hint for problem in caught.value.problems)
    return "\n".join(map(str, caught.value.problems))


def test_an_empty_house_changes_nothing_but_its_own_mention(house):
    text = "".join(texts(house))
    assert "House templates" in text
    assert "Would not qualify" in text


def test_name_logo_style_cautions_and_sections_of_a_house(house):
    put(
        house,
        logo__svg=SHAPES,
        house__css="h1 { color: #003366; }",
        strength__html='{{ blocks.table(page.strength, "results") }}<p>Ours, in our words.</p>',
        charts__mplstyle="font.family: Fira Sans\nfont.size: 8\naxes.grid: False\n",
        house__toml='name = "Invented works"\nlogo = "logo.svg"\n'
        '[[caution]]\nreplaces = "Oil starvation"\ntitle = "Watch the gauge"\n'
        'text = "Watch the gauge after every change."\n'
        '[[caution]]\ntitle = "House rule"\ntext = "Two people sign the work card."\n',
    )
    pages = texts(house)
    whole = " ".join(" ".join(pages).split())
    assert "Ours, in our words." in whole
    assert "Watch the gauge after every change." in whole
    assert "Two people sign the work card." in whole
    assert "Oil starvation" not in whole
    assert DEFERENCE.title in whole
    assert "Would not qualify" in pages[0]
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


@pytest.mark.parametrize(
    ("rule", "lacks"),
    [
        (".answer .word { display: none; }", "page one lacks the decision: 'Would not qualify'"),
        (".title { background: #fff; padding-bottom: 60mm; margin-bottom: -60mm; }",
         "page one lacks the decision: 'Would not qualify'"),
        ("section.decision { break-before: page; } body::before { content: 'x'; display: block; }",
         "page one lacks the decision: 'Would not qualify'"),
        (".answer .stamp { display: none; } @page { @top-right { content: none } }",
         "page one lacks the stamp: 'DRAFT, not signed'"),
        (".requirements-table { display: none; }", "lacks a row with 'E1'"),
        (".requirements-table .mark-fail { display: none; }", "lacks a row with 'P1'"),
        (".cautions { display: none; }", f"the caution {DEFERENCE.title!r} is lacking"),
        (".digests-table td { color: #eee; }", "the digest of decision.json is lacking"),
    ],
)  # fmt: skip
def test_a_style_cannot_hide_what_decides(house, rule, lacks):
    put(house, house__css=rule)
    assert lacks in complaints(house)


@pytest.mark.parametrize(
    ("name", "text", "lacks"),
    [
        ("decision", "<section id='decision'><h1>All is well</h1></section>", "the decision"),
        ("decision",
         "<section id='decision'><h1>{{ page.decision.question }}</h1><!-- "
         "{{ page.decision.answer.word }} --></section>", "page one lacks the decision"),
        ("requirements", "<p>{% for r in page.requirements.rows %}{{ r[0] }}{% endfor %}</p>",
         "lacks a row with 'S1'"),
        ("cautions", "<p>House rules apply.</p>", f"the caution {DEFERENCE.title!r}"),
        ("cautions",
         "{% for each in page.general_cautions %}<p>{{ each.title }} {{ each.text }}</p>"
         "{% endfor %}", "the caution 'Thin margin: P1' is lacking"),
        ("digests", "<p>{{ page.digests.end }}</p>", "the digest of decision.json is lacking"),
        ("dossier", "<p>Approved.</p>", "page one lacks the question"),
    ],
)  # fmt: skip
def test_a_section_cannot_leave_out_what_decides(house, name, text, lacks):
    put(house, **{f"{name}__html": text})
    assert lacks in complaints(house)


def test_a_table_of_requirements_laid_out_otherwise_is_allowed(house):
    put(
        house,
        requirements__html="<table><caption>Ours</caption><thead><tr><th scope='col'>Id</th>"
        "<th scope='col'>Words</th><th scope='col'>Verdict</th><th scope='col'>Limit</th>"
        "<th scope='col'>Result</th></tr>"
        "</thead><tbody>{% for r in page.requirements.rows %}<tr>"
        "<th scope='row'>{{ blocks.cell(r[0]) }}</th><td>{{ blocks.cell(r[1]) }}</td>"
        "<td>{{ blocks.cell(r[5]) }}</td>"
        "<td>{{ blocks.cell(r[2]) }}</td><td>{{ blocks.cell(r[3]) }}</td></tr>{% endfor %}"
        "</tbody></table>",
    )
    assert "Ours" in "".join(texts(house))  # links to rows that are gone are plain words


@pytest.mark.parametrize(
    "text",
    [
        '<img src="http://x.invalid/logo.png" alt="logo">',
        '<img src="file:///etc/hostname" alt="x">',
        '<img src="data:text/html,x" alt="x">',
        '<link rel="stylesheet" href="https://x.invalid/a.css">',
        "<style>@import url('https://x.invalid/a.css');</style>",
        "<style>@font-face { font-family: X; src: url('data:font/ttf;base64,AAAA'); } "
        "p { font-family: X; }</style>",
    ],
)
def test_a_template_that_reaches_out_is_refused(house, text):
    put(house, strength__html=text)
    assert "house" in complaints(house)


@pytest.mark.parametrize(
    "text",
    [
        "{{ page.no_such_field }}",
        "{% for %}",
        "{{ ''.__class__.__mro__ }}",
        "{{ page.__init__.__globals__ }}",
        "{% for i in range(10000000) %}x{% endfor %}",
        "{% include '../../../../etc/passwd' %}",
        "{{ page.sections.clear() }}",
    ],
)
def test_a_template_with_a_fault_or_with_designs_is_refused(house, text):
    put(house, strength__html=text)
    assert "correct the template" in complaints(house)


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
        charts__mplstyle="no.such.setting: 1\n",
    )
    (house / "part.html").symlink_to("/etc/hostname")
    (house / "big.html").write_text("x" * 600_000)
    said = problems(house)
    for words in (
        "absent.svg", "cannot be reworded", "'No such'", "other.css", "charts.mplstyle",
        "part.html", "is a link or a folder", "big.html", "larger than 512 KiB",
    ):  # fmt: skip
        assert words in said


def test_a_folder_that_is_not_there_and_a_wrong_key(house, tmp_path):
    assert "no such folder" in problems(tmp_path / "nowhere")
    put(house, house__toml='name = "W"\ncolour = "red"\n')
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


def test_the_manifest_names_the_house_and_a_refusal_ends_with_exit_code_2(house, tmp_path):
    case = read_case(INPUTS / "polder-pumps")
    assessment = assess(case)
    put(house, house__css="h1 { color: #003366; }")
    composed, _ = compose(case, assessment, issue_date(case), house)
    attached = {a.name: a.content for a in PdfReader(BytesIO(composed)).attachment_list}
    manifest = json.loads(attached["manifest.json"])
    assert manifest["layout"]["house templates"] == read_house(house).digest
    put(house, house__css=".answer { display: none; }")
    with pytest.raises(CaseError) as caught:
        compose(case, assessment, issue_date(case), house)
    code, lines = explained(caught.value, debug=False)
    assert code == 2
    assert "page one lacks what the decision means" in "\n".join(lines)


def test_the_digest_of_a_house_follows_every_file(house):
    put(house, house__css="p { color: #000; }")
    first = read_house(house).digest
    put(house, house__css="p { color: #111; }")
    second = read_house(house).digest
    put(house, strength__html="<p>x</p>")
    assert len({first, second, read_house(house).digest}) == 3
