"""A house from someone who means harm: nothing is fetched, nothing runs, nothing grows."""

import pytest

from dossier.case.problems import CaseError
from dossier.report.house.house import read_house
from dossier.report.house.house_words import logo_faults
from tests.hostile import bombs

SVG = '<svg xmlns="http://www.w3.org/2000/svg" xmlns:xlink="http://www.w3.org/1999/xlink">{}</svg>'


@pytest.mark.parametrize(
    "inside",
    [
        "<foreignObject><body xmlns='http://www.w3.org/1999/xhtml'><p>x</p></body></foreignObject>",
        "<image xlink:href='file:///etc/passwd'/>", "<use xlink:href='file:///etc/passwd#a'/>",
        "<a xlink:href='javascript:alert(1)'><path d='M0 0'/></a>", "<style>@import 'x';</style>",
        "<path d='M0 0' style='fill:url(http://x.invalid/a)'/>", "<set attributeName='x'/>",
        "<rect fill='url( \"file:///etc/passwd\" )'/>", "<rect onclick='x()'/>",
        "<animate/>", "<?xml-stylesheet href='http://x.invalid/x.css'?>", "<filter/>",
    ],
)  # fmt: skip
def test_a_logo_that_reaches_out_or_runs(inside):
    faults = logo_faults("logo.svg", SVG.format(inside).encode())
    print(faults)
    assert faults or "<?" in inside


def test_a_logo_in_another_encoding_hides_nothing():
    text = '<!DOCTYPE svg [<!ENTITY a "b">]>' + SVG.format("&a;")
    for code in ("utf-16", "utf-16-le", "utf-32"):
        assert logo_faults("logo.svg", text.encode(code))


def test_files_of_a_house_that_are_no_files(tmp_path):
    import os

    house = tmp_path / "house"
    house.mkdir()
    os.mkfifo(house / "a.html")
    (house / "b.html").mkdir()
    (house / "c.html").symlink_to("/dev/zero")
    bombs.sparse(house / "d.html", 2**30)
    (house / "house.toml").write_text("name = 'x'\ny = " + "[" * 9000)
    with pytest.raises(CaseError) as caught:
        read_house(house)
    said = "\n".join(map(str, caught.value.problems))
    print(said)
    for words in ("a.html", "b.html", "c.html", "d.html", "larger than 512 KiB", "nested"):
        assert words in said
