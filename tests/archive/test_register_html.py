"""The page of the register: everything escaped, nothing fetched, searchable in a browser."""

import base64
import hashlib
import re
import shutil
import subprocess
from dataclasses import replace
from html.parser import HTMLParser
from urllib.parse import quote, unquote

import pytest

from dossier.register.letters import _shown, blocks, register_page
from dossier.register.register import Wanted
from tests.archive.made import case_toml, dossier, find, finding, put, update
from tests.archive.test_register_query import row

ATTACK = "<script>document.title='owned'</script><img src=x onerror=\"document.title='owned'\">"
CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
browser = pytest.mark.skipif(CHROMIUM is None, reason="chromium is not installed")


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    folder = tmp_path_factory.mktemp("page")
    put(folder, "a b#%.pdf", dossier("A", candidate="CAN-77", equipment=["Straße 4"]))
    put(folder, "x/b0.pdf", dossier("B", title=ATTACK))
    broken = "</title></style></script>"
    put(folder, "x/b1.pdf", dossier("B", 1, title=broken, decision="undecided"))
    other = case_toml(instruments=("APC-3",), lots=(ATTACK,))
    put(folder, "javascript:alert(1).pdf", dossier("C", inputs={"case.toml": other}, signed=False))
    put(folder, "<b>no.pdf", b"x")
    return folder


def page_of(folder, prefix=""):
    outcome = update(folder)
    hits = find(folder, Wanted(superseded=True))
    return register_page(outcome, hits, prefix=prefix)


class Read(HTMLParser):
    def __init__(self, text):
        super().__init__()
        self.elements, self.texts, self.stack = [], {}, []
        self.feed(text)

    def handle_starttag(self, tag, attrs):
        self.elements.append((tag, dict(attrs)))
        if tag not in ("meta", "br", "input"):
            self.stack.append(tag)

    def handle_endtag(self, tag):
        assert self.stack.pop() == tag

    def handle_data(self, data):
        self.texts.setdefault(self.stack[-1] if self.stack else "", []).append(data)

    def all(self, tag):
        return [attrs for name, attrs in self.elements if name == tag]


def test_hostile_text_adds_no_element_and_no_attribute(folder):
    read = Read(page_of(folder))
    assert read.stack == []
    allowed = {
        "html", "head", "meta", "title", "style", "body", "header", "h1", "h2", "p", "code", "main",
        "form", "label", "input", "div", "table", "caption", "thead", "tbody", "tr", "th", "td",
        "a", "br", "span", "details", "summary", "dl", "dt", "dd", "section", "ul", "li", "script",
        "button",
    }  # fmt: skip
    assert {tag for tag, _ in read.elements} <= allowed
    assert len(read.all("script")) == len(read.all("style")) == len(read.all("title")) == 1
    for _, attrs in read.elements:
        assert not [name for name in attrs if name.startswith("on") or name in ("src", "style")]
    assert any(ATTACK in text for text in read.texts["span"])


def test_an_approval_is_shown_with_its_lots_and_its_day_and_a_draft_with_what_it_would_be(tmp_path):
    put(tmp_path, "a.pdf", dossier("A", equipment=["Pump 1"]))
    held = {"signed": False, "decision": "not approved", "equipment": ["Pump 2"]}
    put(tmp_path, "d.pdf", dossier("D", **held))
    text = re.sub(r"<style>.*?</style>|<[^>]+>", "", page_of(tmp_path), flags=re.DOTALL)
    said = " ".join(text.split())
    assert re.search(r"approved ?(?:until [0-9-]+, )?lots: lot 25-311, A r0", said)
    assert re.search("draft: would be not approved ?D r0", said)
    assert f"As of {update(tmp_path).day}: 2 dossiers" in said


def test_beside_an_approval_alone_stands_what_was_refused_before():
    refused = replace(row(), found="not approved", superseded_by="A r1")
    for after, shown in (
        (row(revision=1), ["A r1", "A r0"]), (row(revision=1, standing="draft"), ["A r1"]),
        (replace(row(revision=1), found="undecided"), ["A r1"]),
    ):  # fmt: skip
        assert [each.name for each in _shown([refused, after])] == shown


@pytest.mark.parametrize(
    ("machines", "second"),
    [
        (b'machines = ["Pump 1"]', "not approved"),
        (b"until = 2026-12-31", "approved with conditions"),
        (b'machines = ["Pump 1", "Pump 2"]', "approved with conditions"),
    ],
)  # fmt: skip
def test_a_machine_that_a_concession_leaves_out_is_not_approved(tmp_path, machines, second):
    leave = b'[[concession]]\nrequirement = "E1"\ntext = "until summer comes"\nagreed_by = "X"\n'
    asked = case_toml() + leave + b"agreed = 2026-03-01\n" + machines
    conceded = [finding(verdict="fail", concession="until summer comes")]
    word, pumps = "approved with conditions", ["Pump 1", "Pump 2"]
    put(tmp_path, "a.pdf", dossier("A", inputs={"case.toml": asked}, decision=word,
                                   findings=conceded, equipment=pumps))  # fmt: skip
    (block,) = blocks(find(tmp_path, Wanted()))
    told = {machine: row.state for machine, (((row,),)) in block.machines}
    assert told == {"Pump 1": "approved with conditions", "Pump 2": second}
    assert f"</span> {second}</span>" in page_of(tmp_path)
    for asked_for, reads in (("pump 1", word), ("Pump 2", second), ("pump", word), ("", word)):
        (hit,) = find(tmp_path, Wanted(equipment=asked_for))
        assert hit.row.state == reads
        assert blocks([hit]) == (block,)


def test_links_lead_to_the_files_and_nowhere_else(folder):
    links = [attrs["href"] for attrs in Read(page_of(folder)).all("a")]
    assert all(link.startswith("./") for link in links)
    assert {unquote(link) for link in links} == {
        "./a b#%.pdf", "./x/b0.pdf", "./x/b1.pdf", "./javascript:alert(1).pdf",
    }  # fmt: skip
    assert Read(page_of(folder, prefix=None)).all("a") == []


def test_the_page_needs_nothing_else_and_lets_nothing_else_run(folder):
    text = page_of(folder)
    read = Read(text)
    policy = next(a["content"] for a in read.all("meta") if "http-equiv" in a)
    assert policy.startswith("default-src 'none'; ")
    for kind in ("script", "style"):
        (body,) = read.texts[kind]
        digest = base64.b64encode(hashlib.sha256(body.encode()).digest()).decode()
        assert f"{kind}-src 'sha256-{digest}'" in policy
    assert not re.search(r"https?:|@import|url\(|<link|<iframe|<base", text.split("<tbody>")[0])


def test_the_table_can_be_read_by_a_machine_that_speaks(folder):
    read = Read(page_of(folder))
    assert read.all("html") == [{"lang": "en"}]
    assert len(read.all("caption")) == 1
    heads = [each["scope"] for each in read.all("th")]
    assert heads[-12:] == ["col"] * 8 + ["row"] * 4
    assert {each["scope"] for each in read.all("th")} == {"col", "row"}
    assert {"id": "words", "type": "search"}.items() <= read.all("input")[0].items()
    assert read.all("label")[0] == {"for": "words"}
    assert any(attrs.get("role") == "status" for attrs in read.all("p"))


@pytest.mark.parametrize(
    ("changes", "told"),
    [
        ({"valid_until": "2027-05-06", "review_due": "2029-03-31"},
         "2027-05-06 with a concession; review due 2029-03-31"),
        ({"valid_until": "2029-03-31", "review_due": "2029-03-31"},
         "2029-03-31 review due 2029-03-31"),
        ({"valid_until": "2027-05-06", "review_due": ""}, "2027-05-06 no review stated"),
        ({"valid_until": "", "review_due": ""}, "no end stated no review stated"),
        ({"valid_until": "", "review_due": "", "found": "undecided"},
         "nothing that ends no review stated"),
    ],
)  # fmt: skip
def test_each_row_says_when_and_with_what_it_ends(folder, changes, told):
    hit = find(folder, Wanted())[0]
    ended = replace(hit, row=replace(hit.row, **changes))
    page = register_page(update(folder), [ended], prefix="")
    cell = re.search(r'<td data-head="Ends">(.*?)</td>', page)[1]
    assert " ".join(re.sub("<[^>]*>", " ", cell).split()) == told


@browser
def test_nothing_is_wider_than_a_narrow_screen(folder, tmp_path):
    user = (
        "const whole = document.documentElement;"
        "document.body.dataset.fits = whole.scrollWidth <= window.innerWidth;"
        "const wide = (region) => region.scrollWidth > region.clientWidth;"
        "const regions = Array.from(document.querySelectorAll('.wide'));"
        "document.body.dataset.scrolls = regions.some(wide);"
        "const box = document.getElementById('words'); box.value = 'x/b';"
        "box.dispatchEvent(new Event('input'));"
        "const rows = Array.from(document.querySelectorAll('#register tbody tr'));"
        "document.body.dataset.seen = rows.filter((row) => row.offsetHeight > 0).length;"
        "document.querySelector('button[type=reset]').click();"
    )
    page = scripted(folder, tmp_path, user)
    dom = opened(page, tmp_path, size="320,800")
    assert 'data-fits="true"' in dom
    assert 'data-scrolls="false"' in dom
    assert 'data-seen="2"' in dom
    assert ">4 of 4 dossiers shown<" in dom


def test_what_is_missing_stands_at_the_top(tmp_path):
    put(tmp_path, "a.pdf", dossier("A"))
    path = put(tmp_path, "b.pdf", dossier("B"))
    assert "not whole" not in page_of(tmp_path)
    path.unlink()
    text = page_of(tmp_path)
    assert text.index("The record is not whole") < text.index("B r0") < text.index("<table")


def scripted(folder, tmp_path, user):
    """Return the page with a second script, let in by its own hash, that does what a user does."""
    digest = base64.b64encode(hashlib.sha256(user.encode()).digest()).decode()
    text = page_of(folder).replace("script-src '", f"script-src 'sha256-{digest}' '")
    page = tmp_path / "register.html"
    page.write_text(text.replace("</body>", f"<script>{user}</script></body>"), encoding="utf-8")
    return page


def opened(page, tmp_path, search=None, size="1280,800"):
    """Return the document as headless Chromium holds it after the page's script has run."""
    address = page.as_uri() + ("" if search is None else f"#search={quote(search)}")
    run = subprocess.run(
        [
            CHROMIUM, "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic",
            "--no-first-run", "--disable-background-networking", "--disable-component-update",
            "--disable-sync", f"--window-size={size}", f"--user-data-dir={tmp_path / 'profile'}",
            "--virtual-time-budget=5000", "--dump-dom", address,
        ],
        capture_output=True, text=True, timeout=120, check=True,
    )  # fmt: skip
    return run.stdout


def shown(dom):
    rows = re.findall(r"<tr ([^>]*)>\s*<th scope=\"row\">(?:<a [^>]*>)?([^<]*)", dom)
    return [name for attrs, name in rows if "hidden" not in attrs]


@browser
@pytest.mark.parametrize(
    ("search", "expected"),
    [
        (None, ["A r0", "B r0", "B r1", "C r0"]),
        ("apc-3", ["C r0"]),
        ("STRASSE 4", []),
        ("straße  can-77", ["A r0"]),
        ("superseded: was approved", ["B r0"]),
        ("draft", ["C r0"]),
        ("<script>", ["B r0", "C r0"]),
        ("no such thing", []),
    ],
)
def test_search_in_a_browser(folder, tmp_path, search, expected):
    page = tmp_path / "register.html"
    page.write_text(page_of(folder), encoding="utf-8")
    dom = opened(page, tmp_path, search)
    assert shown(dom) == expected
    hidden = f", {4 - len(expected)} hidden" if len(expected) < 4 else ""
    assert f">{len(expected)} of 4 dossiers shown{hidden}<" in dom
    assert "<title>Register of dossiers</title>" in dom
    assert '<form role="search" id="search">' in dom


@browser
def test_typing_and_the_tick_work_in_a_browser(folder, tmp_path):
    user = (
        "const box = document.getElementById('words'); const e = new Event('input');"
        "box.value = 'x/b'; box.dispatchEvent(e);"
        "document.body.dataset.typed = document.getElementById('shown').textContent;"
        "document.getElementById('superseded').click();"
    )
    dom = opened(scripted(folder, tmp_path, user), tmp_path)
    assert 'data-typed="2 of 4 dossiers shown, 2 hidden"' in dom
    assert shown(dom) == ["B r1"]


@browser
def test_a_script_that_is_not_the_page_s_own_does_not_run(folder, tmp_path):
    page = tmp_path / "register.html"
    bad = "<script>document.title='owned'</script></body>"
    page.write_text(page_of(folder).replace("</body>", bad), encoding="utf-8")
    assert "<title>Register of dossiers</title>" in opened(page, tmp_path)
