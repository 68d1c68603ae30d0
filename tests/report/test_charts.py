"""What the charts draw: limits and points among the artists, not pixels."""

import base64
import re
from dataclasses import replace

import numpy as np
import pytest
from dossier.report.pages.margins import margin_of, margins_chart
from matplotlib.figure import Figure

from dossier.report.charts import filtration_chart as filtration
from dossier.report.charts import margins_chart as margins
from dossier.report.charts import pressure_chart as pressure
from dossier.report.charts.style import draw, line_style
from dossier.report.pages.capacity import capacity_page
from dossier.report.pages.filtration import bound_ratio, efficiency_page
from dossier.report.pages.pressure import pressure_page
from tests.report import sample

STYLE = "font.family: Fira Sans\nfont.size: 8\n"


@pytest.fixture
def ax():
    return Figure().subplots()


@pytest.fixture(scope="module")
def whole():
    case = sample.case()
    return case, sample.assessment(case)


def points(ax):
    return {
        (float(x), float(y)) for line in ax.lines for x, y in zip(*line.get_data(), strict=True)
    }


def texts(ax):
    return [text.get_text() for text in ax.texts]


def svg(chart):
    return base64.b64decode(chart.uri.partition(",")[2]).decode()


def test_a_margin_is_counted_in_half_widths_toward_its_limit():
    asked = sample.demand(sample.EFFICIENCY, "E1", lower=0.95)
    found = sample.estimate(0.97, 0.005, "fraction")
    margin = margin_of(sample.finding(asked, found, "pass", interval=(0.96, 0.985)))
    assert margin.middle == pytest.approx(2.0)  # (0.97 - 0.95) / (0.97 - 0.96)
    assert margin.low == pytest.approx(1.0)
    assert margin.high == pytest.approx(3.5)


def test_a_margin_outside_an_upper_limit_is_negative_on_the_scale_of_the_end_toward_it():
    asked = sample.demand(sample.CLEAN, "P1", upper=30e3)
    found = sample.estimate(32e3, 500.0, "Pa")
    margin = margin_of(sample.finding(asked, found, "fail", interval=(31e3, 34e3)))
    assert margin.middle == pytest.approx(-2.0)  # (30 - 32) / (32 - 31)
    assert margin.low == pytest.approx(-4.0)
    assert margin.high == pytest.approx(-1.0)


def test_of_two_limits_the_nearer_one_counts():
    asked = sample.demand(sample.BURST, "V1", lower=150e3, upper=190e3)
    found = sample.estimate(185e3, 1e3, "Pa")
    margin = margin_of(sample.finding(asked, found, "pass", interval=(183e3, 187e3)))
    assert margin.middle == pytest.approx(2.5)


def test_a_limit_from_the_reference_brings_its_own_uncertainty():
    asked = sample.demand(sample.CAPACITY, "C2", not_worse=0.0)
    own = sample.estimate(0.042, 0.001, "kg", dof=float("inf"))
    other = sample.estimate(0.040, 0.001, "kg", dof=float("inf"))
    found = sample.finding(
        asked,
        own,
        "pass",
        lower=0.040,
        reference=replace(other, components=()),
        interval=(0.042 - 1.96e-3, 0.042 + 1.96e-3),
    )
    assert margin_of(found).middle == pytest.approx(2.0 / (1.96 * np.sqrt(2.0)), rel=1e-3)


def test_the_chart_of_margins_has_the_limit_every_point_and_every_verdict(ax):
    rows = [
        margins.Margin(label="A", verdict="pass", kind="pass", middle=1.5, low=0.5, high=2.5),
        margins.Margin(label="B", verdict="fail", kind="fail", middle=-90.0, low=-91, high=-89),
        margins.Margin(label="C", verdict="not demonstrated", kind="open", middle=None),
        margins.Margin(label="D", verdict="pass", kind="pass", middle=3.0, bound=True),
    ]
    margins.draw_margins(ax, rows, len(rows), 2.0)
    drawn = points(ax)
    assert (1.5, 0.0) in drawn
    assert (-margins.FARTHEST, 1.0) in drawn  # held at the edge, with an arrow
    assert (margins.FARTHEST, 3.0) in drawn  # a bound runs to the edge
    assert any(list(line.get_xdata()) == [0.0, 0.0] for line in ax.lines)
    assert [t for t in texts(ax) if t in {"pass", "fail", "not demonstrated"}] == [
        "pass", "fail", "not demonstrated", "pass",
    ]  # fmt: skip
    assert [label.get_text() for label in ax.get_yticklabels()] == ["A", "B", "C", "D"]


def arrows(ax):
    """Return the row and the place [pt] of each arrow, from the left edge of the figure."""
    inch = ax.figure.dpi_scale_trans.inverted()
    return {
        (line.get_marker(), line.get_ydata()[0]): 72.0
        * (line.get_transform() + inch).transform((line.get_xdata()[0], line.get_ydata()[0]))[0]
        for line in ax.lines
        if line.get_marker() in {"<", ">"}
    }


def test_what_lies_beyond_the_axis_has_an_arrow_outside_its_point(ax):
    rows = [
        margins.Margin(label="A", verdict="pass", kind="pass", middle=41.0, low=40.0, high=42.0),
        margins.Margin(label="B", verdict="fail", kind="fail", middle=-90.0, low=-91, high=-29),
        margins.Margin(label="C", verdict="pass", kind="pass", middle=5.0, low=4.0, high=np.inf),
        margins.Margin(label="D", verdict="pass", kind="pass", middle=29.0, low=28.0, high=30.0),
        margins.Margin(label="E", verdict="pass", kind="pass", middle=None),
    ]
    margins.draw_margins(ax, rows, len(rows), 2.0)
    found = arrows(ax)
    assert set(found) == {(">", 0), ("<", 1), (">", 2)}
    inch = (ax.transData + ax.figure.dpi_scale_trans.inverted()).transform
    right, left = (72.0 * inch((end, 0.0))[0] for end in (margins.FARTHEST, -margins.FARTHEST))
    point, arrow = 5.5 / 2, 4.0 / 2
    assert found[(">", 0)] - right >= point + arrow
    assert left - found[("<", 1)] >= point + arrow
    edge = 72.0 * inch((ax.get_xlim()[1], 0.0))[0]
    assert found[(">", 0)] + arrow < edge
    assert [margins.goes_beyond(row) for row in rows] == [True, True, True, False, False]


def test_pass_and_fail_differ_in_shape_not_only_in_colour():
    shapes = {kind: look["marker"] for kind, look in margins.MARKERS.items()}
    assert len({shapes["pass"], shapes["partly"], shapes["fail"]}) == 3
    own, other = line_style("candidate"), line_style("reference")
    assert own["linestyle"] != other["linestyle"]
    assert own["marker"] != other["marker"]


def test_efficiency_draws_raw_points_of_every_specimen_and_the_limits(ax):
    lines = [
        filtration.SpecimenLine(
            side=side, specimen=name, x=np.array([4.0, 10.0]), y=np.array([40.0, y])
        )
        for side, name, y in (("candidate", "C1", 91.0), ("reference", "R1", 85.0))
    ]
    limit = filtration.LimitMark(x=10.0, y=90.0, label="E1", is_minimum=True)
    filtration.draw_efficiency(ax, lines, [limit])
    assert {(4.0, 40.0), (10.0, 91.0), (10.0, 85.0), (10.0, 90.0)} <= points(ax)
    assert {"candidate", "reference", "E1"} <= set(texts(ax))


def test_a_tenth_without_counts_is_marked_as_a_bound(ax):
    ratio = np.linspace(10.0, 19.0, 10)
    bound = np.zeros(10, dtype=bool)
    bound[2] = True
    panel = filtration.RatioPanel(title="10", specimens=("C1",), ratio=(ratio,), bound=(bound,))
    filtration.draw_ratio(ax, panel)
    open_ones = [line for line in ax.lines if line.get_marker() == "^"]
    assert [list(line.get_xdata()) for line in open_ones] == [[30]]
    assert ax.get_yscale() == "log"


def test_the_bound_of_a_tenth_follows_from_the_volume_counted():
    run = sample.run("MP-C1", "candidate", "C1", 1.0)
    # 6 readings of 2.5 mL without a count: at most 2.996 / 15 per mL (Garwood 1936, 95 %).
    assert bound_ratio(run, 2, 5) == pytest.approx(run.up[2, 5] * 15.0 / 2.9957, rel=1e-4)


def test_loading_draws_every_run_to_its_end_and_the_terminal(ax):
    runs = [
        filtration.Loading(
            side="candidate", specimen="C1", mass=np.array([0.0, 40.0]), pressure=np.array([5, 150])
        )
    ]
    filtration.draw_loading(ax, runs, [("terminal 150 kPa", 150.0)])
    assert (40.0, 150.0) in points(ax)
    assert any(list(line.get_ydata()) == [150.0, 150.0] for line in ax.lines)
    assert {"terminal 150 kPa", "candidate"} <= set(texts(ax))


def band(side="candidate"):
    x = np.linspace(1.0, 100.0, 30)
    return pressure.Band(side=side, label=side, x=x, y=3 * x, low=2.8 * x, high=3.2 * x)


def test_flow_temperature_and_hours_draw_their_limits(ax):
    mark = filtration.LimitMark(x=80.0, y=250.0, label="limit P1", is_minimum=False)
    pressure.draw_against_flow(ax, [band(), band("reference")], [mark], "oil")
    assert (80.0, 250.0) in points(ax)
    assert len(ax.collections) == 2  # one 95 % band a side

    cold = Figure().subplots()
    pressure.draw_against_temperature(cold, [band()], (160.0, 200.0), -10.0)
    assert any(list(line.get_xdata()) == [-10.0, -10.0] for line in cold.lines)
    assert any(list(line.get_ydata()) == [160.0, 160.0] for line in cold.lines)
    assert "bypass valve opens between 160 kPa and 200 kPa" in texts(cold)

    hours = Figure().subplots()
    pressure.draw_against_hours(hours, [band()], 160.0, 350.0)
    assert any(list(line.get_xdata()) == [350.0, 350.0] for line in hours.lines)
    assert any(list(line.get_ydata()) == [160.0, 160.0] for line in hours.lines)


def test_alt_text_names_axes_limits_and_verdicts(whole):
    case, assessment = whole
    filtered = efficiency_page(assessment, STYLE)
    assert "efficiency in percent" in filtered.against_size.alt
    assert "E1: ≥\u00a095\u00a0%" in filtered.against_size.alt
    assert "pass" in filtered.against_size.alt
    pressed = pressure_page(case, assessment, STYLE)
    assert "Service interval 350 h" in pressed.against_hours.alt
    assert "160 kPa to 200 kPa" in pressed.against_temperature.alt
    assert "P1 Clean" in margins_chart(assessment.findings, STYLE, 3.0).alt.replace("  ", " ")


def test_no_data_is_a_sentence_and_not_an_empty_chart(whole):
    case, assessment = whole
    bare = replace(
        assessment,
        bench=replace(assessment.bench, multipass=(), unreduced={"MP-C1": "never ended"}),
        curves=replace(
            assessment.curves, clean_hot=(), clean_cold=(), against_temperature=(),
            against_hours=(), notes=("candidate: no sweep",),
        ),
    )  # fmt: skip
    filtered = efficiency_page(bare, STYLE)
    pressed = pressure_page(case, bare, STYLE)
    charts = [
        filtered.against_size, *filtered.against_time, capacity_page(bare, STYLE).loading,
        pressed.against_flow, pressed.against_temperature, pressed.against_hours,
    ]  # fmt: skip
    for chart in charts:
        assert chart.uri == ""
        assert chart.missing.startswith("Not demonstrated")
    assert "MP-C1: never ended" in filtered.against_size.missing
    assert "no sweep" in pressed.against_flow.missing


def test_names_in_charts_are_text_and_never_mathematics():
    asked = sample.demand(sample.EFFICIENCY, "A$_1$", lower=0.95)
    chart = margins_chart(
        [sample.finding(asked, sample.estimate(0.97, 0.002, "fraction"), "pass")], STYLE, 2.0
    )
    assert "A$_1$" in svg(chart)


def test_the_same_drawing_gives_the_same_bytes_with_text_as_text():
    first, second = (
        draw(lambda figure: figure.subplots().set_xlabel("flow / (L/min)"), STYLE, 2.0)
        for _ in range(2)
    )
    assert first == second
    source = base64.b64decode(first.partition(",")[2]).decode()
    assert "flow / (L/min)" in source
    assert not re.search(r"<dc:date>", source)
