"""Digital calibration certificates: taken where nothing is typed, held against what is."""

import re
import shutil
import tomllib
from datetime import date

import pytest

from dossier.case.certificate import CertificateError, certificate_of, unit_of
from dossier.case.problems import CaseError
from dossier.case.read import read_case_files
from dossier.case.units import affine
from dossier.case.whole import made_whole
from dossier.start.take import take_files
from tests.spelled import SOURCE

# Element names by the open schema https://ptb.de/dcc (versions 2 and 3); all data is invented.
HEAD = """<?xml version="1.0" encoding="UTF-8"?>
<dcc:digitalCalibrationCertificate xmlns:dcc="https://ptb.de/dcc" xmlns:si="https://ptb.de/si"
  schemaVersion="{version}">
<dcc:administrativeData>
<dcc:coreData><dcc:countryCodeISO3166_1>DE</dcc:countryCodeISO3166_1>
<dcc:uniqueIdentifier>{number}</dcc:uniqueIdentifier>
<dcc:beginPerformanceDate>2026-01-13</dcc:beginPerformanceDate>
<dcc:endPerformanceDate>2026-01-14</dcc:endPerformanceDate></dcc:coreData>
<dcc:items>{items}</dcc:items>
<dcc:calibrationLaboratory><dcc:contact><dcc:name><dcc:content>Calibrators (invented)</dcc:content>
</dcc:name></dcc:contact></dcc:calibrationLaboratory>
</dcc:administrativeData>
<dcc:measurementResults><dcc:measurementResult>
<dcc:influenceConditions><dcc:influenceCondition><dcc:data><dcc:quantity>
<si:real><si:value>20</si:value><si:unit>\\degreecelsius</si:unit></si:real>
</dcc:quantity></dcc:data></dcc:influenceCondition></dcc:influenceConditions>
<dcc:results><dcc:result><dcc:data>{data}</dcc:data></dcc:result></dcc:results>
</dcc:measurementResult></dcc:measurementResults>
</dcc:digitalCalibrationCertificate>"""
ITEM = """<dcc:item><dcc:name><dcc:content>{kind}</dcc:content></dcc:name><dcc:identifications>
<dcc:identification><dcc:issuer>manufacturer</dcc:issuer><dcc:value>SN 4711</dcc:value>
</dcc:identification><dcc:identification><dcc:issuer>customer</dcc:issuer>
<dcc:value>{mark}</dcc:value></dcc:identification></dcc:identifications></dcc:item>"""


def real(value, unit, stated=None, k="2", version="3"):
    """One value, with its expanded uncertainty as that version of the schema writes it."""
    if stated is None:
        inner = ""
    elif version == "2":
        inner = (f"<si:expandedUnc><si:uncertainty>{stated}</si:uncertainty>"
                 f"<si:coverageFactor>{k}</si:coverageFactor></si:expandedUnc>")  # fmt: skip
    else:
        inner = (f"<si:measurementUncertaintyUnivariate><si:expandedMU><si:valueExpandedMU>{stated}"
                 f"</si:valueExpandedMU><si:coverageFactor>{k}</si:coverageFactor></si:expandedMU>"
                 "</si:measurementUncertaintyUnivariate>")  # fmt: skip
    return (f"<dcc:quantity><si:real><si:value>{value}</si:value><si:unit>{unit}</si:unit>{inner}"
            "</si:real></dcc:quantity>")  # fmt: skip


def lists(values, unit, stated="", k="2"):
    """Values in one list, with their uncertainties in another."""
    inner = ("<si:measurementUncertaintyUnivariateXMLList><si:expandedMUXMLList>"
             f"<si:valueExpandedMUXMLList>{stated}</si:valueExpandedMUXMLList>"
             f"<si:coverageFactorXMLList>{k}</si:coverageFactorXMLList></si:expandedMUXMLList>"
             "</si:measurementUncertaintyUnivariateXMLList>") if stated else ""  # fmt: skip
    return (
        f"<dcc:quantity><si:realListXMLList><si:valueXMLList>{values}</si:valueXMLList>"
        f"<si:unitXMLList>{unit}</si:unitXMLList>{inner}</si:realListXMLList></dcc:quantity>"
    )


FLOW = "\\litre\\per\\minute"
UM, PERCENT = "\\micro\\metre", "\\percent"
PER_MINUTE = "\\litre\\minute\\tothe{-1}"


def dcc(data="", *, version="3.3.0", number="K-77", kind="flow meter", mark="FM-1", items=None):
    items = items or ITEM.format(kind=kind, mark=mark)
    return HEAD.format(version=version, number=number, items=items, data=data).encode()


def made(content, instrument="", **more):
    """An instrument with its certificate, as the models will see it, and the problems."""
    lines = "".join(f"{key} = {value!r}\n" for key, value in more.items())
    lines += instrument + ("" if "measures" in instrument else 'measures = ["flow"]\n')
    text = f'[[instrument]]\nid = "FM-1"\ncertificate_file = "c.xml"\n{lines}'
    whole = made_whole(tomllib.loads(text), lambda _: content)
    return whole.document["instrument"][0], whole


@pytest.mark.parametrize("version", ["2.4.0", "3.1.2", "3.3.0"])
def test_what_nobody_typed_is_taken(version):
    data = "".join(real(v, FLOW, u, version=version[0]) for v, u in [(20, 0.2), (100, 1.0)])
    found, whole = made(dcc(data, version=version))
    assert not whole.problems
    assert found["certificate"] == "K-77"
    assert found["calibrated"] == date(2026, 1, 14)
    assert found["calibrated_by"] == "Calibrators (invented)"
    assert found["kind"] == "flow meter"
    assert found["reading_u"] == "0.5 L/min"  # the larger U of 1 L/min, by its k of 2
    assert set(whole.relied[0].taken) == {
        "certificate", "calibrated", "calibrated_by", "kind", "reading_u"
    }  # fmt: skip
    assert whole.origin(("instrument", 0, "reading_u")) == ("c.xml", "reading_u")


def test_lists_of_reference_and_error_are_read_by_their_places():
    reference = lists("20 60 100", PER_MINUTE)
    error = lists("0.1 0.0 -0.2", PER_MINUTE, "0.2 0.4 0.9")
    found, _ = made(dcc(f"<dcc:list>{reference}{error}</dcc:list>"))
    assert found["reading_u"] == "0.45 L/min"
    share = lists("1 0 0", PERCENT, "0.6")
    found, _ = made(dcc(f"<dcc:list>{reference}{share}</dcc:list>"))
    assert found["reading_u"] == "0.3 L/min"  # 0.3 % of 100 L/min


def test_a_standard_uncertainty_is_taken_as_it_stands():
    """It is one standard deviation: nothing to divide by, and a list of them needs no factors."""
    one = re.sub("<si:coverageFactor>.*?>", "", real(100, FLOW, 0.5))
    many = re.sub("<si:coverageFactorX.*?>2<.*?>", "", lists("20 100", PER_MINUTE, "0.1 0.5"))
    for data in (one, f"<dcc:list>{many}</dcc:list>"):
        standard = data.replace("expandedMU", "standardMU").replace("ExpandedMU", "StandardMU")
        assert made(dcc(standard))[0]["reading_u"] == "0.5 L/min"
        assert "reading_u" not in made(dcc(data))[0]  # an expanded one of no stated factor


def test_a_counter_has_an_uncertainty_of_counts_and_of_sizes():
    counts = "\\one\\milli\\litre\\tothe{-1}"
    data = (f"<dcc:list>{lists('4 10 30', UM, '0.2 0.2 0.9')}</dcc:list>"
            f"<dcc:list>{real(5000, counts, 300)}</dcc:list>")  # fmt: skip
    found, _ = made(dcc(data), 'measures = ["counts"]\n')
    assert float(found["diameter_u"].removesuffix(" %")) == pytest.approx(100 * 0.1 / 4)
    assert float(found["size_u"].removesuffix(" %")) == pytest.approx(100 * 150 / 5000)
    assert "reading_u" not in found


def test_a_counter_that_was_calibrated_at_zero_alone_has_no_share():
    found, whole = made(dcc(real(0, "\\micro\\metre", 0.2)), 'measures = ["counts"]\n')
    assert not whole.problems
    assert "diameter_u" not in found


DIFFERS = {
    "certificate": ("K-78", "K-77"),
    "calibrated_by": ("Others", "Calibrators (invented)"),
    "reading_u": ("0.4 %", "0.5 % at 100 L/min"),
}


@pytest.mark.parametrize("key", DIFFERS)
def test_what_is_typed_and_differs_is_told_with_both_values(key):
    typed, stated = DIFFERS[key]
    _, whole = made(dcc(real(100, FLOW, 1.0)), **{key: typed})
    assert len(whole.problems) == 1
    problem = whole.problems[0]
    assert problem.place == f"instrument 'FM-1' . {key}"
    assert typed in problem.what
    assert stated in problem.what


@pytest.mark.parametrize(
    ("day", "fits"),
    [("2026-01-12", False), ("2026-01-13", True), ("2026-01-14", True), ("2026-03-01", False)],
)
def test_the_day_lies_within_the_days_of_the_calibration(day, fits):
    _, whole = made(dcc(), f"calibrated = {day}\n")
    assert [p.place for p in whole.problems] == ([] if fits else ["instrument 'FM-1' . calibrated"])


@pytest.mark.parametrize("typed", ["0.6 %", "0.5 L/min", "0.8 L/min"])
def test_a_typed_uncertainty_may_be_larger_for_what_came_since(typed):
    found, whole = made(dcc(real(100, FLOW, 1.0)), reading_u=typed)
    assert found["reading_u"] == typed
    assert not whole.problems


def test_a_typed_share_is_held_against_every_point_and_not_the_best_one():
    data = real(10, FLOW, 0.5) + real(100, FLOW, 0.5)
    apart = f"<dcc:list>{real(10, FLOW, 0.5)}</dcc:list><dcc:list>{real(100, FLOW, 0.5)}</dcc:list>"
    assert "2.5 % at 10 L/min" in made(dcc(apart), reading_u="0.3 %")[1].problems[0].what
    assert made(dcc(data), reading_u="0.2 %")[1].problems


def test_a_certificate_of_another_instrument_is_refused():
    _, whole = made(dcc(mark="FM-2"))
    assert "names 'SN 4711', 'FM-2'" in whole.problems[0].what
    assert not made(dcc(mark="FM-2"), serial="SN 4711")[1].problems
    assert made(dcc(), serial="SN 4712")[1].problems  # a typed mark is not made good by the id


def test_where_the_worst_may_be_in_an_unknown_unit_nothing_is_taken():
    known, unknown = real(100, FLOW, 0.1), real(2, "\\ampere", 9)
    found, whole = made(dcc(known + unknown))
    assert not whole.problems
    assert "reading_u" not in found
    assert made(dcc(known + unknown), reading_u="0.01 %")[1].problems  # what is known still counts


def test_results_of_several_items_are_those_of_none():
    items = ITEM.format(kind="flow meter", mark="FM-1") + ITEM.replace("SN 4711", "SN 2").format(
        kind="flow meter", mark="FM-9")  # fmt: skip
    found, whole = made(dcc(real(100, FLOW, 1.0), items=items))
    assert not whole.problems
    assert "reading_u" not in found


NONE = (
    (b"nothing", "not well-formed"),
    (b"<a/>", "no digital calibration certificate"),
    (dcc(version="4.0"), "version '4.0'"),
    (dcc(version="1.9"), "version '1.9'"),
    (dcc().replace(b"?>", b'?><!DOCTYPE d [<!ENTITY a "b">]>', 1), "document type"),
    (dcc().replace(b"?>", b'?><!DOCTYPE d SYSTEM "file:///etc/passwd">', 1), "document type"),
    (dcc().decode().replace("UTF-8", "UTF-16").replace("?>", "?><!DOCTYPE d>", 1)
     .encode("utf-16"), "document type"),
    (dcc(b"<a>".decode() * 300 + "</a>" * 300), "nested too deeply"),
    (dcc("<a/>" * 200_001), "too long"),
    (dcc().replace(b"UTF-8", b"UTF-1e4"), "not well-formed"),
    (dcc().replace(b"UTF-8", b"big5"), "not well-formed"),
    (dcc("".join(real(1, f"\\un{chr(97 + k // 26)}{chr(97 + k % 26)}", 1) for k in range(60))),
     "more than 50 units"),
    (b" " * (16 * 2**20 + 1), "larger than 16 MiB"),
    (dcc(number=""), "is missing"),
    (dcc(number="K&#x85;-1&#x9b;31m"), "not printed"),
    (dcc().replace(b"2026-01-14", b"14.01.2026"), "is no day"),
)  # fmt: skip


@pytest.mark.parametrize(("content", "words"), NONE, ids=[words for _, words in NONE])
def test_what_is_no_certificate_is_told_in_a_sentence(content, words):
    with pytest.raises(CertificateError) as told:
        certificate_of(content, ["FM-1"])
    assert words in told.value.what


def test_numbers_that_are_none_are_told():
    for value in ("1,5", "nan", "1e999"):
        assert "is no number" in str(_problem(dcc(real(100, FLOW, value))))


@pytest.mark.parametrize(("stated", "k"), [("-1", "2"), ("1", "0"), ("1", "-2"), ("1", "0.1")])
def test_uncertainties_that_cannot_be_are_told(stated, k):
    assert "cannot be" in _problem(dcc(real(100, FLOW, stated, k))).what


def _problem(content):
    return made(content)[1].problems[0]


@pytest.mark.parametrize(
    ("written", "dimension", "factor"),
    [
        ("\\kilo\\pascal", "pressure", 1e3),
        ("\\bar", "pressure", 1e5),
        (FLOW, "flow", 1e-3 / 60),
        (PER_MINUTE, "flow", 1e-3 / 60),
        ("\\metre\\tothe{3}\\second\\tothe{-1}", "flow", 1.0),
        ("\\metre\\tothe{3}\\per\\hour", "flow", 1 / 3600),
        ("\\degreecelsius", "temperature difference", 1.0),
        ("\\kelvin", "temperature difference", 1.0),
        ("\\milli\\gram", "mass", 1e-6),
        ("\\micro\\metre", "length", 1e-3),
        ("\\milli\\litre\\tothe{-1}", "count concentration", 1.0),
    ],
)
def test_units_of_the_digital_si(written, dimension, factor):
    assert affine(unit_of(written), dimension)[0] == pytest.approx(factor, rel=1e-12)


@pytest.mark.parametrize("written", ["kPa", "\\kilo pascal", "", "\\nonsense"])
def test_what_is_no_unit_of_the_digital_si_is_not_read(written):
    found, _ = made(dcc(real(100, written, 1.0)))
    assert "reading_u" not in found


@pytest.fixture
def case(tmp_path):
    shutil.copytree(SOURCE / "polder-pumps", tmp_path / "polder-pumps")
    return tmp_path / "polder-pumps"


def relied(case, content):
    """Let the flow meter of a demo case rely on a certificate, and read the case."""
    (case / "fm.xml").write_bytes(content)
    path = case / "instruments.csv"
    text = path.read_text("utf-8")
    head, rest = text.split("\nid,", 1)
    rows = [f"{row}," for row in rest.splitlines()]
    rows[0] += "certificate file"
    rows = ["FM-04,,,2027-01-13,,,,flow,,,fm.xml" if r.startswith("FM-04") else r for r in rows]
    path.write_text(head + "\nid," + "\n".join(rows) + "\n", "utf-8")
    return read_case_files(case)


def test_a_case_relies_on_a_certificate_that_is_attached(case):
    read = relied(case, dcc(real(120, FLOW, 0.8), mark="FM-04", number="ITH-26-0114"))
    meter = read.instrument("FM-04")
    assert (meter.certificate, meter.reading_u) == ("ITH-26-0114", "0.4 L/min")
    assert "polder-pumps/fm.xml" in [file.name for file in read.inputs]
    assert read.certificates[0].instrument == "FM-04"


def test_no_reading_lies_beyond_what_the_certificate_holds(case):
    with pytest.raises(CaseError) as told:
        relied(case, dcc(real(60, FLOW, 0.8), mark="FM-04", number="ITH-26-0114"))
    problems = told.value.problems
    assert problems
    assert all("holds up to 60 L/min" in problem.what for problem in problems)
    assert all("FM-04" in problem.hint for problem in problems)


def test_the_dossier_names_what_was_taken_and_judges_no_signature(case):
    from dossier.report.pages.reading_notes import handed_in

    read = relied(case, dcc(real(120, FLOW, 0.8), mark="FM-04", number="ITH-26-0114"))
    table = next(t for t in handed_in(read) if "certificates" in t.caption)
    digest = next(f.sha256 for f in read.inputs if f.name.endswith("fm.xml"))
    assert table.rows[0][0] == "FM-04: fm.xml"
    assert "reading_u" in table.rows[0][2]
    assert table.rows[0][3] == digest
    assert "not judged" in table.note


def test_a_certificate_is_taken_as_it_came_and_says_where_it_belongs(case, tmp_path):
    file = tmp_path / "ITH-26-0114.xml"
    file.write_bytes(dcc())
    lines, sure = take_files(case, [file], None)
    assert not sure
    assert "certificate_file = 'records/ITH-26-0114.xml'" in lines[0]
    assert (case / "records" / file.name).read_bytes() == file.read_bytes()


@pytest.mark.parametrize(
    ("written", "unit"),
    [
        ("\\litre\\per\\minute", "L/min"),
        ("\\metre\\tothe{2}\\second\\tothe{-2}", "m**2/s**2"),
        ("\\one\\litre\\tothe{-1}", "1/L"),
        ("\\one\\kelvin", "K"),
    ],
)
def test_a_unit_is_written_as_a_person_writes_it(written, unit):
    assert unit_of(written) == unit
