"""Cases that lack evidence, shed a rule by its spelling, or were tested for another machine."""

import re

from tests.hostile.gate_rows import Row, all_of


def swapped(text, swaps):
    """The text with each pattern replaced wherever it stands; each must stand somewhere."""
    for pattern, new in swaps:
        assert re.search(pattern, text, re.MULTILINE), pattern
        text = re.sub(pattern, lambda _, new=new: new, text, flags=re.MULTILINE)
    return text


def edit(name, *swaps):
    """A change of one file."""

    def change(folder):
        path = folder / name
        path.write_text(swapped(path.read_text(encoding="utf-8"), swaps), encoding="utf-8")

    return change


def case(*swaps):
    return edit("case.toml", *swaps)


def asked(*swaps):
    return edit("application.toml", *swaps)


def cells(files, column, new):
    """A change of one column of records: `new` gets the row's number and its cell."""

    def change(folder):
        for path in sorted(folder.glob(f"records/{files}")):
            out, place, number = [], None, 0
            for line in path.read_text(encoding="utf-8").splitlines():
                parts = line.split(",")
                if line.startswith("#"):
                    out.append(line)
                    continue
                if place is None:
                    place = next(i for i, c in enumerate(parts) if c.startswith(column))
                    if new is None:
                        parts.pop(place)
                else:
                    number += 1
                    parts[place : place + 1] = [] if new is None else [new(number, parts[place])]
                out.append(",".join(parts))
            path.write_text("\n".join(out) + "\n", encoding="utf-8")

    return change


def block(identifier, *swaps):
    """A change inside the table of one record."""

    def change(folder):
        path = folder / "case.toml"
        text = path.read_text(encoding="utf-8")
        start = text.index(f'[[record]]\nid = "{identifier}"')
        end = text.find("\n[[", start + 5)
        own = text[start : end if end > 0 else None]
        path.write_text(text.replace(own, swapped(own, swaps)), encoding="utf-8")

    return change


def by(method, old="ISO 4548-12:2017"):
    """Every record made by another method, which the laboratory lists."""
    return case((re.escape(f'"{old}"'), f'"{method}"'))


def nameless(folder):
    """Every reading by one nameless instrument that is calibrated until 2099."""
    path = folder / "case.toml"
    text = path.read_text(encoding="utf-8")
    text = re.sub(r"^instruments = .*$", 'instruments = ["x"]', text, flags=re.MULTILINE)
    text = re.sub(r"\[\[instrument\]\][^\[]*(\[[^\[]*)??(?=\n\[\[)", "", text)
    made = '[[instrument]]\nid = "x"\nkind = "x"\ncalibrated = 2020-01-01\ndue = 2099-01-01\n\n'
    path.write_text(text.replace("[[fluid]]", made + "[[fluid]]", 1), encoding="utf-8")


def valve_excluded(folder):
    path = folder / "case.toml"
    path.write_text(
        path.read_text(encoding="utf-8")
        + '\n[[deviation]]\nrecord = "BV-C"\ntext = "Valve sweeps set aside after the test."\n'
        'effect = "record excluded"\ncause = "The holder leaked at its seat."\n'
        'agreed_by = "Head of Pump Engines (invented)"\n',
        encoding="utf-8",
    )


STATED = '\n[record.stated]\nreport = "{}"\nconditions = ["{}"]\n\n[record.conditions]'
POLDER, FERRY = "polder-pumps", "chain-ferry"
GAUGE = r'^measures = \["{}"\]\n'

RULES = [
    Row("flow column left out", "hide that the test flow wandered", POLDER,
        cells("mp-c*.csv", "flow", None), r"test flow: not checked"),
    Row("temperature column left out", "hide a cold bath", POLDER,
        cells("mp-c*.csv", "temperature", None), r"temperature: not checked"),
    Row("half the temperatures blank", "keep the readings that please", POLDER,
        cells("mp-c*.csv", "temperature", lambda n, cell: cell if n % 2 else ""),
        r"temperature: not checked"),
    Row("injection volumes left out", "take the injection flow as set", POLDER,
        case((r"^injection_volume = .*\n", "")), r"injection flow: not checked"),
    Row("final level left out", "leave the balance open", POLDER,
        case((r"^final_concentration = .*\n", "")), r"balance: not checked"),
    Row("system volume left out", "leave the balance open", POLDER,
        case((r"^system_volume = .*\n", "")), r"system volume: not checked"),
    Row("coincidence limits left out", "hide a counter beyond its limit", POLDER,
        case((r"^coincidence_limit = .*\n", "")), r"coincidence: not checked"),
    Row("one coincidence limit left out", "judge by the better counter alone", POLDER,
        edit("case.toml", (r'(?s)measures = \["counts"\]\ncoincidence_limit = "20000 1/mL"\n\n\[\[instrument\]\]\nid = "APC-22"',  # noqa: E501
                           'measures = ["counts"]\n\n[[instrument]]\nid = "APC-22"')),
        r"coincidence: not checked"),
    Row("one nameless instrument", "let one line stand for all metrology", POLDER,
        nameless, r"calibration in date: not met"),
    Row("instruments that measure nothing", "name instruments without what they measure", POLDER,
        case((GAUGE.format("flow"), "")), r"instrument for each reading: not met"),
    Row("thermometer left out of the sweeps", "let the viscosity rest on nobody's reading", POLDER,
        case((r'"DP-11", "TH-06"\]', '"DP-11"]')), r"instrument for each reading: not met"),
    Row("no balance", "weigh the injected dust with nothing", POLDER,
        case((r', "BAL-02"\]', "]")), r"measures:\s+mass"),
    Row("no injection meter", "inject by guess", POLDER,
        case((r'"FM-09", ', "")), r"measures:\s+injection flow"),
    Row("certificates left out", "calibrated by assertion", POLDER,
        case((r"^certificate = .*\n", "")), r"certificate named: not met"),
    Row("certificates to follow", "a certificate without a number", POLDER,
        case((r"^certificate = .*\n", 'certificate = "to follow"\n')),
        r"certificate named: not met"),
    Row("calibrated for twelve years", "an interval nobody would grant", POLDER,
        case((r"^due = .*\n", "due = 2038-01-01\n")), r"calibration in date: not met"),
    Row("a deviation from calibration", "cover metrology by a sentence", POLDER,
        all_of(case((r"^certificate = .*\n", ""),
                  (r'zero and test flow checked\."\neffect = "none"\n',
                   'zero and test flow checked."\neffect = "none"\nrule = "certificate named"\n'))),
        r"certificate named: not met"),
    Row("sweeps without a temperature column", "one stated temperature for all rows", POLDER,
        all_of(cells("pd-c1.csv", "temperature", None),
             block("PD-C1", (r'^file = .*\n',
                             'file = "records/pd-c1.csv"\nconditions.temperature = "74 degC"\n'))),
        r"PD-C1: temperature: not checked"),
    Row("a report states the pressures", "a statement in place of a measurement", POLDER,
        block("MP-C1", (r"\n\[record\.conditions\]",
                        STATED.format("R-26-014", "differential pressure"))),
        r"record . 1 . stated . conditions|stated"),
    Row("a report without a number", "a statement that nobody can look up", POLDER,
        block("MP-C1", (r"\n\[record\.conditions\]", STATED.format(" ", "flow"))),
        r"stated . report"),
    Row("a report states the flow of an unmetered column", "readings by no instrument", POLDER,
        all_of(block("MP-C1", (r"\n\[record\.conditions\]", STATED.format("R-26-014", "flow")),
                   (r'"FM-04", ', ""))),
        r"measures:\s+flow"),
    Row("a fuel filter method", "shed the rules of lube filters by the designation", POLDER,
        by("ISO 19438:2023"), r"filter family: not met: ISO 19438 is a method for fuel filters"),
    Row("an air filter method", "shed the rules of lube filters by the designation", POLDER,
        by("DIN ISO 5011:2020-09"), r"filter family: not met: ISO 5011 is a method for air"),
    Row("a hydraulic method", "reduce a hydraulic test under rules of lube filters", POLDER,
        by("iso16889:2022"), r"filter family: not met: ISO 16889 is a method for hydraulic"),
    Row("a hydraulic method for the sweeps", "the same, for pressure", POLDER,
        by("BS ISO 3968:2017", "ISO 4548-1:1997"), r"filter family: not met: ISO 3968 is"),
    Row("a hydraulic method by look-alike letters", "Cyrillic letters in the designation", POLDER,
        by("\u0406S\u041e 16889:2022"), r"filter family: not met: ISO 16889 is"),
    Row("a house method", "a method that nobody knows", POLDER,
        by("house method 12"), r"known method: not met: this \w+ record went by “house"),
    Row("based on a standard", "a phrase around the designation", POLDER,
        by("based on ISO 4548-12:2017"), r"known method: not met: this \w+ record went by “based"),
    Row("a house method covered without a requirement", "accept it by a deviation alone", POLDER,
        all_of(block("MP-C1", (r'"ISO 4548-12:2017"', '"house method 12"')),
             case((r'"ISO 4548-12:2017", "ISO 4548-1:1997"',
                   '"ISO 4548-12:2017", "house method 12", "ISO 4548-1:1997"'),
                  (r'zero and test flow checked\."\neffect = "none"\n',
                   'zero and test flow checked."\neffect = "none"\nrule = "known method"\n'))),
        r"method named by a requirement: not met"),
    Row("an edition to come", "a method that was not there on the day of the test", POLDER,
        by("ISO 4548-12:2031"), r"was\s+not\s+issued\s+yet"),
    Row("an edition out of scope", "accredited for another edition", POLDER,
        block("MP-C1", (r'"ISO 4548-12:2017"', '"ISO 4548-12:2000"')),
        r"method in scope of the laboratory: not met"),
    Row("no edition", "leave out what the scope turns on", POLDER,
        block("MP-C1", (r'"ISO 4548-12:2017"', '"ISO 4548-12"')),
        r"method in scope of the laboratory: not met"),
    Row("another test's method", "burst pressure by the method of the anti-drain valve", FERRY,
        block("BU-C", (r'"ISO 4548-6:2021"', '"ISO 4548-9:2008"')),
        r"known method: not met: this measurement record went by “ISO 4548-9:2008"),
    Row("a base level of one's own by an adoption", "the spelling sheds the base level", POLDER,
        all_of(by("DIN EN ISO 4548-12:2018-03"),
             block("MP-C1", (r"^housing_pressure", 'base_level = "30 mg/L"\nhousing_pressure'))),
        r"30\s+mg/L\s+is\s+not\s+among\s+the\s+agreed\s+levels"),
    Row("a larger machine", "evidence at 80 L/min for a circuit of 100 L/min", POLDER,
        asked((r'^rated_flow = "80 L/min"', 'rated_flow = "100 L/min"')),
        r"flow of the application: not met"),
    Row("a fine path of another flow", "evidence at 6 L/min for a path of 9 L/min", FERRY,
        asked((r'^partial_flow_share = "10 %"', 'partial_flow_share = "15 %"')),
        r"flow of the application: not met"),
    Row("a fine path of no stated flow", "leave out what the test flow is held against", FERRY,
        asked((r"^partial_flow_share = .*\n", "")), r"flow of the application: not checked"),
    Row("ended early", "a terminal below the valve's opening", POLDER,
        block("MP-C1", (r'^terminal_pressure_drop = "150 kPa"',
                        'terminal_pressure_drop = "120 kPa"')),
        r"terminal of the application: not met"),
    Row("a stiffer valve", "a terminal below what the machine's valve allows", POLDER,
        asked((r'min = "160 kPa", max = "200 kPa"', 'min = "180 kPa", max = "200 kPa"')),
        r"terminal of the application: not met"),
    Row("a small housing", "a housing that the sweeps do not know", POLDER,
        block("MP-C1", (r'^housing_pressure_drop = "14.33 kPa"',
                        'housing_pressure_drop = "9.00 kPa"')),
        r"housing agrees: not met"),
    Row("a large rig", "a volume that blurs the counts", POLDER,
        case((r'^system_volume = "25.0 L"', 'system_volume = "60.0 L"')),
        r"system volume: not met"),
    Row("a valve nobody measured", "take the drawing for the valve", POLDER,
        lambda folder: _without_valve(folder), r"nobody\s+measured\s+where\s+it\s+opens"),
    Row("a valve record set aside", "exclude the sweeps, keep the margin", POLDER,
        valve_excluded, r"nobody\s+measured\s+where\s+it\s+opens|valid date|agreed"),
    Row("a margin with cold oil", "carry a run to twenty times its viscosity", POLDER,
        asked((r'temperature = "90 degC", hours = "350 h"',
               'temperature = "20 degC", hours = "350 h"')),
        r"more\s+than\s+a\s+factor\s+3\s+from"),
    Row("a loaded filter at half flow", "carry a run to another flow", POLDER,
        asked((r'at = \{ flow = "80 L/min", temperature = "90 degC" \}',
               'at = { flow = "40 L/min", temperature = "90 degC" }')),
        r"more\s+than\s+a\s+factor\s+1\.25\s+from"),
    Row("beyond the run", "promise a pressure that was never reached", POLDER,
        asked((r'at = \{ flow = "80 L/min", temperature = "90 degC" \}\nmax = "100 kPa"',
               'at = { temperature = "90 degC", hours = "735 h" }\nmax = "900 kPa"')),
        r"that\s+the\s+filter\s+was\s+run\s+to"),
]  # fmt: skip


def _without_valve(folder):
    path = folder / "case.toml"
    text = path.read_text(encoding="utf-8")
    start = text.index('[[record]]\nid = "BV-C"')
    end = text.find("\n[[", start + 5)
    path.write_text(text[:start] + text[end + 1 :], encoding="utf-8")
    (folder / "records" / "bv-c.csv").unlink()
