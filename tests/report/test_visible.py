"""What counts as visible: judged on small pages whose answer is plain to the eye."""

import pytest
import weasyprint

from dossier.report.visible import see, squeezed

PAGE = "<style>@page { size: A4 } body { font: 10pt 'Fira Sans' } %s</style>%s"


def seen(rule, body="<p class='a'>Not <b>approved</b></p><p class='b'>other words</p>"):
    return see(weasyprint.HTML(string=PAGE % (rule, body)).render())


@pytest.mark.parametrize(
    "rule",
    [
        "",
        ".a { text-transform: uppercase; letter-spacing: 3pt; }",
        ".a { background: #000; color: #fff; }",
        ".a { border: 1mm solid red; margin: 3mm; padding: 3mm; background: #ffe; }",
        ".a { width: 12mm; }",
        ".a { opacity: 0.8; }",
        "body { background: #eef; }",
        ".b { background: #000; }",
    ],
)
def test_words_that_can_be_read_are_seen(rule):
    assert "notapproved" in seen(rule).everything


@pytest.mark.parametrize(
    "rule",
    [
        ".a { display: none; }",
        ".a { visibility: hidden; }",
        ".a b { visibility: collapse; }",
        ".a { color: white; }",
        ".a { color: #000; background: #111; }",
        ".a { color: rgba(0, 0, 0, 0.1); }",
        ".a { opacity: 0.1; }",
        "body { opacity: 0; }",
        ".a { font-size: 1pt; }",
        ".a { text-indent: -500mm; }",
        ".a { position: absolute; top: -50mm; }",
        ".a { margin-left: 300mm; }",
        ".a { height: 0; overflow: hidden; }",
        ".a { transform: translateX(500mm); }",
        ".a { position: absolute; clip: rect(0, 0, 0, 0); }",
        ".a { background: url(data:image/png;base64,AAAA) black; color: black; }",
        ".b { margin-top: -18mm; padding: 20mm; background: white; }",
        ".b { position: absolute; top: 0; height: 99mm; width: 180mm; background: #fffe; }",
        ".b { position: fixed; top: 0; height: 0; width: 180mm; border-top: 99mm solid white; }",
    ],
)
@pytest.mark.filterwarnings("ignore")
def test_words_that_cannot_be_read_are_not_seen(rule):
    assert "notapproved" not in seen(rule).everything


def test_a_picture_over_words_hides_them():
    dot = "<svg xmlns='http://www.w3.org/2000/svg' width='9' height='9'/>"
    body = (
        "<p class='a'>Not approved</p><img class='c' alt='x' "
        f'src="data:image/svg+xml,{dot}">'
    )  # fmt: skip
    assert "notapproved" in seen("", body).everything
    covering = ".c { position: absolute; top: 0; left: 0; width: 190mm; height: 90mm; }"
    assert "notapproved" not in seen(covering, body).everything


def test_words_of_a_row_belong_together_also_over_a_page():
    rows = "".join(f"<tr><td>id{i}</td><td>{'w ' * 400}end{i}</td></tr>" for i in range(6))
    whole = seen("td { width: 20mm }", f"<table>{rows}</table>")
    assert len(whole.pages) > 1
    assert len(whole.rows) == 6
    assert all(row.startswith(f"id{i}") and row.endswith(f"end{i}") for i, row in
               enumerate(whole.rows))  # fmt: skip


def test_a_layout_may_break_hyphenate_and_capitalise():
    assert squeezed("Ap\u00adproved,\u00a0not\u202f 1\u200b") == "approved,not1"
