"""What the charts draw: limits and points among the artists, not pixels."""

import base64
import itertools
import math
import re
from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from dossier.decision.deciding import Deciding
from dossier.decision.together import leading
from dossier.evidence.bench import Curve
from dossier.evidence.statistics.combine import with_trials
from dossier.make.decide import assess
from dossier.make.read import read_case
from dossier.report.assets import drawn_later
from dossier.report.charts import filtration_chart as filtration
from dossier.report.charts import pressure_chart as pressure
from dossier.report.charts.drawing import thinned
from dossier.report.charts.panel import Axis, Figure, Panel, Series, widened
from dossier.report.charts.placing import placed_panels
from dossier.report.charts.strip import WIDE, Strip, drawn_strip
from dossier.report.charts.style import HALF, HEIGHT, draw, line_style, look_of
from dossier.report.charts.trade_chart import Reach, TradePoint, draw_trade
from dossier.report.pages import pressure as pressure_pages
from dossier.report.pages.capacity import loading_chart
from dossier.report.pages.circuit import circuit_page
from dossier.report.pages.comparison import comparison_page
from dossier.report.pages.filtration import bound_ratio, efficiency_charts
from dossier.report.pages.pressure import pressure_charts
from dossier.report.pages.results import strip_of
from dossier.words import speaking
from tests.report import sample

INPUTS = Path(__file__).parents[2] / "inputs"
STYLE = "font.family: Fira Sans\nfont.size: 8\n"


@pytest.fixture
def ax():
    return Panel()


@pytest.fixture(scope="module")
def whole():
    case = sample.case()
    return case, sample.assessment(case)


def points(ax):
    return {(float(x), float(y)) for line in ax.lines for x, y in zip(line.x, line.y, strict=True)}


def texts(ax):
    return [label.text for label in ax.labels]


def svg(chart):
    return base64.b64decode(chart.uri.partition(",")[2]).decode()


def strip(**changes):
    plain = {
        "limits": (95.0,), "lower": 95.5, "upper": None, "specimens": (97.0, 98.0),
        "deciding": 97.5, "ends": (97.1, 97.9), "kind": "pass", "alt": "",
    }  # fmt: skip
    return Strip(**{**plain, **changes})


def places(drawn):
    """Return the horizontal places [pt] of limits, acceptance limits, specimens and the box."""
    text = drawn.decode()
    lines = re.findall(r'M([0-9.]+) ([0-9.]+)L([0-9.]+) [0-9.]+" stroke="#000"([^/]*)/>', text)
    return {
        "limits": [float(x) for x, _, _, rest in lines if "dasharray" not in rest],
        "accepted": [float(x) for x, _, _, rest in lines if "dasharray" in rest],
        "specimens": [float(x) for x in re.findall(r'cx="([0-9.]+)"', text)],
        "box": [
            (float(x), float(w))
            for x, w in re.findall(r'rect x="([0-9.]+)" y="3" width="([0-9.]+)"', text)
        ],
    }  # fmt: skip


def test_on_its_line_each_mark_of_a_requirement_stands_in_proportion():
    """Order and distances on the line are those of the numbers, whatever the unit."""
    found = places(drawn_strip(strip()))
    (limit,), (accepted,) = found["limits"], found["accepted"]
    first, second = found["specimens"]
    assert limit < accepted < first < second
    assert (second - first) / (accepted - limit) == pytest.approx(1.0 / 0.5, rel=0.02)
    assert found["box"][0][0] == pytest.approx(accepted, abs=0.01)  # what passes lies inside
    assert sum(found["box"][0]) == WIDE


def test_where_no_value_is_accepted_nothing_is_grey():
    assert not places(drawn_strip(strip(lower=math.inf)))["box"]
    assert not places(drawn_strip(strip(lower=99.0, upper=96.0)))["box"]


def test_pass_fail_and_bounds_differ_in_shape_not_only_in_colour():
    last = [
        re.findall(r'<path d="([^"]*)"', drawn_strip(strip(**each)).decode())[-1]
        for each in ({}, {"kind": "fail"}, {"bound": 1}, {"bound": -1})
    ]
    shapes = [re.sub(r"^M[0-9. -]+", "", each) for each in last]
    assert len(set(shapes)) == 4
    filled = [drawn_strip(strip(kind=kind)) for kind in ("pass", "partly")]
    assert filled[0] != filled[1]
    own, other = line_style("candidate"), line_style("reference")
    assert own["style"] != other["style"]
    assert own["marker"] != other["marker"]


def test_the_line_of_an_upper_limit_in_a_turned_unit_keeps_its_sides():
    asked = sample.demand(sample.CLEAN, "P1", upper=30e3)
    found = replace(
        sample.finding(asked, sample.estimate(24e3, 500.0), "pass", upper=30e3),
        deciding=Deciding(kind="mean", value=24e3, upper=29e3),
    )
    drawn = strip_of(found)
    assert (drawn.lower, drawn.upper) == (None, pytest.approx(29.0))
    assert drawn.deciding == pytest.approx(24.0)


def test_efficiency_draws_raw_points_of_every_specimen_and_the_limits(ax):
    lines = [
        filtration.SpecimenLine(side=side, x=np.array([4.0, 10.0]), y=np.array([40.0, y]))
        for side, y in (("candidate", 91.0), ("reference", 85.0))
    ]
    limit = filtration.LimitMark(x=10.0, y=90.0, label="E1", is_minimum=True)
    filtration.draw_efficiency(ax, lines, [limit])
    passing = {(4.0, 60.0), (10.0, 9.0), (10.0, 15.0), (10.0, 10.0)}  # what passes, in percent
    assert passing <= points(ax)
    assert ax.y.ends()[0] > ax.y.ends()[1]  # upward less passes
    assert len(ax.y.ticks) >= 3
    for share, label in ax.y.ticks:
        assert float(label) == pytest.approx(100.0 - share)
    assert {"candidate", "reference", "E1"} <= set(texts(ax))


def test_a_tenth_without_counts_is_marked_as_a_bound(ax):
    ratio = np.linspace(10.0, 19.0, 10)
    bound = np.zeros(10, dtype=bool)
    bound[2] = True
    panel = filtration.RatioPanel(title="10", specimens=("C1",), ratio=(ratio,), bound=(bound,))
    filtration.draw_ratio(ax, panel)
    open_ones = [line for line in ax.lines if line.marker == "^"]
    assert [list(line.x) for line in open_ones] == [[30]]
    assert ax.y.log


def test_the_bound_of_a_tenth_follows_from_the_volume_counted():
    run = sample.run("MP-C1", "candidate", "C1", 1.0)
    # 6 readings of 2.5 mL without a count: at most 2.996 / 15 per mL (Garwood 1936, 95 %).
    assert bound_ratio(run, 2, 5) == pytest.approx(run.up[2, 5] * 15.0 / 2.9957, rel=1e-4)


def test_loading_draws_every_run_to_its_end_and_the_terminal(ax):
    mass, pressure = np.array([0.0, 40.0]), np.array([5, 150])
    run = filtration.SpecimenLine(side="candidate", x=mass, y=pressure)
    filtration.draw_loading(ax, [run], [("terminal 150 kPa", 150.0)])
    assert (40.0, 150.0) in points(ax)
    assert any(list(line.y) == [150.0, 150.0] for line in ax.lines)
    assert {"terminal 150 kPa", "candidate"} <= set(texts(ax))
    filtration.draw_loading(ax, [run], [("terminal 90 kPa", 90.0)])
    assert ax.y.low == 0.0 < 150.0 < ax.y.high  # a run that went on past it is drawn whole


def band(side="candidate"):
    x = np.linspace(1.0, 100.0, 30)
    return Curve(side=side, label=side, x=x, y=3 * x, low=2.8 * x, high=3.2 * x)


def test_flow_temperature_and_hours_draw_their_limits(ax):
    mark = filtration.LimitMark(x=80.0, y=250.0, label="limit P1", is_minimum=False)
    pressure.draw_against_flow(ax, [band(), band("reference")], [mark], "oil")
    assert (80.0, 250.0) in points(ax)
    assert len(ax.areas) == 2  # one 95 % band a side

    cold = Panel()
    pressure.draw_against_temperature(cold, [band()], (160.0, 200.0), -10.0)
    assert any(list(line.x) == [-10.0, -10.0] for line in cold.lines)
    assert any(list(line.y) == [160.0, 160.0] for line in cold.lines)
    assert "valve opens: 160 to 200 kPa" in texts(cold)

    hours = Panel()
    pressure.draw_against_hours(hours, [band()], 160.0, 350.0)
    assert any(list(line.x) == [350.0, 350.0] for line in hours.lines)
    assert any(list(line.y) == [160.0, 160.0] for line in hours.lines)


def test_alt_text_names_axes_limits_and_verdicts(whole):
    case, assessment = whole
    against_size = next(efficiency_charts(assessment, STYLE))
    assert "efficiency in percent" in against_size.alt
    assert "E1: ≥\u00a095\u00a0%" in against_size.alt
    assert "pass" in against_size.alt
    against_hours = pressure_pages._against_hours(case, assessment, [], STYLE)
    assert "Service interval 350 h" in against_hours.alt
    against_temperature = pressure_pages._against_temperature(case, assessment, STYLE)
    assert "160\u00a0kPa to 200\u00a0kPa" in against_temperature.alt


def test_a_caption_speaks_of_nothing_that_its_chart_does_not_have(whole):
    case, assessment = whole
    alone = tuple(run for run in assessment.bench.multipass if run.side == "candidate")
    bare = replace(assessment, bench=replace(assessment.bench, multipass=alone), findings=())
    for made, said in ((assessment, True), (bare, False)):
        assert ("reference" in next(efficiency_charts(made, STYLE)).caption) is said
        flow = pressure_pages._against_flow(case, made, made.findings, STYLE)
        assert ("Triangles" in flow.caption) is said
    hours = pressure_pages._against_hours(case, bare, (), STYLE)
    assert "Triangles" not in hours.caption


def test_a_chart_says_below_which_oil_nothing_was_tested(whole):
    case, assessment = whole
    colder = replace(assessment.curves, cold_temperature=case.application.duty.cold_start + 7.0)
    for curves, said in ((colder, True), (replace(colder, cold_temperature=263.15), False)):
        made = replace(assessment, curves=curves)
        chart = pressure_pages._against_flow(case, made, made.findings, STYLE)
        assert ("colder was not tested" in svg(chart)) is said
    assert "carried no further, or at the supply's 500\u00a0kPa" in chart.caption


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
    filtered = list(efficiency_charts(bare, STYLE))
    drawn = pressure_charts(case, bare, bare.findings, STYLE)
    pressed = [chart for chart in drawn if chart.id]
    charts = [*filtered, loading_chart(bare, STYLE), *pressed]
    assert {chart.id for chart in charts} >= {"chart-size", "chart-loading", "chart-flow"}
    for chart in charts:
        assert chart.uri == ""
        assert chart.missing.startswith("Not demonstrated")
    assert "MP-C1: never ended" in filtered[0].missing
    assert "no sweep" in pressed[0].missing


def drawn_text(words):
    def paint(figure):
        figure.row()[0].x.words = words

    uri = draw(paint, STYLE)
    return uri, base64.b64decode(uri.partition(",")[2]).decode()


def test_names_in_charts_are_text_and_never_markup():
    assert "A$_1$ &lt;b&gt;&amp;" in drawn_text("A$_1$ <b>&")[1]


def test_no_word_of_a_chart_hides_or_turns_text():
    def paint(figure):
        (panel,) = figure.row()
        panel.title, panel.x.words, panel.y.words = "a\x00", "b\u202e", "c\x0b"
        panel.y.ticks = [(0.5, "d\x07")]
        panel.label("e\x1b", 0.5, 0.5)

    drawn = base64.b64decode(draw(paint, STYLE).partition(",")[2]).decode()
    assert all(f">{letter}□<" in drawn for letter in "abcde")


@pytest.mark.parametrize(("level", "share"), [("top", 0.0), ("center", 0.5), ("bottom", 1.0)])
def test_the_box_of_a_word_is_as_high_as_its_type(level, share):
    figure = Figure(72 * HALF, 72 * HEIGHT)
    figure.row()
    (spot,) = placed_panels(figure)
    _, top, _, bottom = spot.word("word", 50.0, 40.0, level=level).box
    assert bottom - top == pytest.approx(spot.panel.look.size)
    assert top + share * (bottom - top) == pytest.approx(40.0)


def test_an_interval_that_is_open_runs_to_the_frame():
    figure = Figure(72 * HALF, 72 * HEIGHT)
    (panel,) = figure.row()
    point = TradePoint(
        side="candidate", x=30.0, x_ends=(30.0, math.inf), y=90.0, y_ends=(89.0, 91.0)
    )
    reach = Reach(label="held / g", lower=20.0, upper=math.inf)
    draw_trade(panel, [point], reach, Reach(label="%", lower=80.0, upper=math.inf))
    (spot,) = placed_panels(figure)
    (x, _), right = spot.at(np.array([30.0, math.inf]), 90.0)[0], spot.frame[2]
    assert spot.frame[0] < x < right
    assert spot.at(math.inf, 90.0)[0] > right


def test_labels_of_filters_stand_away_from_the_nearer_edges():
    (panel,) = Figure(72 * HALF, 72 * HEIGHT).row()
    points = [TradePoint(side=side, x=at, x_ends=(at, at), y=at, y_ends=(at, at))
              for side, at in (("candidate", 30.0), ("reference", 80.0))]  # fmt: skip
    reach = Reach(label="x", lower=-math.inf, upper=math.inf)
    draw_trade(panel, points, reach, reach)
    low, high = (tag for tag in panel.labels if tag.text in {"candidate", "reference"})
    assert (low.dx > 0, low.dy > 0, low.align) == (True, True, "left")
    assert (high.dx < 0, high.dy < 0, high.align) == (True, True, "right")


@given(st.lists(st.integers(-(10**6), 10**6), min_size=1))
def test_an_axis_has_the_same_room_at_both_ends(values):
    low, high = widened(values, 0.1)
    assert low < min(values) <= max(values) < high
    assert min(values) - low == pytest.approx(high - max(values), rel=1e-3, abs=1e-9)


def test_the_same_drawing_gives_the_same_bytes_with_text_as_text():
    first, second = drawn_text("flow / (L/min)"), drawn_text("flow / (L/min)")
    assert first == second
    assert ">flow / (L/min)<" in first[1]


@given(st.lists(st.floats(1e-3, 1e6), min_size=2, max_size=2, unique=True), st.booleans())
def test_places_along_an_axis_keep_order_and_proportion(ends, log):
    low, high = sorted(ends)
    assume(high > 1.001 * low)
    axis = Axis(log=log, low=low, high=high)
    middle = math.sqrt(low * high) if log else (low + high) / 2.0
    assert axis.share(np.array([low, middle, high])) == pytest.approx([0.0, 0.5, 1.0], abs=1e-6)
    turned = Axis(log=log, low=high, high=low)
    assert turned.share(low) == pytest.approx(1.0)


@given(st.floats(-1e5, 1e5), st.floats(1e-3, 1e6), st.integers(2, 9))
def test_an_axis_numbers_itself_in_even_steps_within_its_ends(low, span, most):
    axis = Axis(low=low, high=low + span)
    values = [value for value, _ in axis.marks(most)]
    assert 1 <= len(values) <= most + 2
    assert min(values) >= low - 1e-6 * span and max(values) <= low + span * (1 + 1e-6)  # noqa: PT018
    assert np.ptp(np.diff(values)) <= 1e-6 * span if len(values) > 2 else True


def test_a_house_sets_the_form_of_charts():
    look = look_of("font.size: 9\naxes.grid: False\naxes.titleweight: bold")
    assert (look.size, look.grid, look.bold_title, look.line) == (9.0, False, True, 1.2)


def meeting(figure):
    """Return pairs of words of a chart whose boxes meet, and words that leave the sheet."""
    words = [word for spot in placed_panels(figure) for word in (*spot.words, *spot.labels)]
    found = [
        (a.text, b.text)
        for i, a in enumerate(words)
        for b in words[i + 1 :]
        if min(a.box[2], b.box[2]) > max(a.box[0], b.box[0])
        and min(a.box[3], b.box[3]) > max(a.box[1], b.box[1])
    ]
    out = [
        (each.text, "leaves the chart")
        for each in words
        if not (each.box[0] >= -0.1 and each.box[2] <= figure.width + 0.1)
        or not (each.box[1] >= -0.1 and each.box[3] <= figure.height + 0.1)
    ]
    return found + out


def test_labels_that_ask_for_one_place_are_set_apart_and_kept_inside():
    figure = Figure(72 * HALF, 72 * HEIGHT)
    (panel,) = figure.row()
    panel.line([0.0, 10.0], [0.0, 10.0], color="#000")
    for number in range(24):
        panel.label(f"label {number}", 10.0, 10.0, dx=4.0)
    assert not meeting(figure)


def test_a_label_that_has_room_beside_a_line_does_not_cross_it():
    figure = Figure(72 * HALF, 72 * HEIGHT)
    (panel,) = figure.row()
    panel.x.low, panel.x.high, panel.y.low, panel.y.high = 0.0, 10.0, 0.0, 10.0
    panel.upright(4.5)
    panel.label("a name in words", 0.0, 5.0, dx=4.0, of_width=True)
    panel.label("in grey", 5.2, 5.0, dx=-4.0, align="right")
    assert not crossing(figure)


def crossing(figure):
    """Return the labels of a chart that leave its frame, or lie on a line, a marker or an edge."""
    found = []
    for spot in placed_panels(figure):
        left, top, right, bottom = spot.frame
        edges = [
            Series(x=area.x, y=edge, color=area.color)
            for area in spot.panel.areas
            for edge in (area.low, area.high)
            if area.edged
        ]
        marks = np.concatenate(
            [np.empty((0, 2)), *(walked(spot, line) for line in (*spot.panel.lines, *edges))]
        )
        for label in spot.labels:
            x0, y0, x1, y1 = label.box
            x, y = marks.T
            inside = left < x0 and x1 <= right + 0.1 and top <= y0 and y1 < bottom
            if not inside or ((x > x0) & (x < x1) & (y > y0) & (y < y1)).any():
                found.append((label.text, "leaves the frame" * (not inside)))
    return found


def walked(spot, line):
    """Return places on a line, a tenth of a point apart between any two of its points."""
    ends = np.array(spot.at(line.x, line.y)).T
    ends = ends[~np.isnan(ends).any(axis=1)]
    if not line.style:
        return ends
    steps = [np.linspace(a, b, 2 + int(10 * math.dist(a, b))) for a, b in itertools.pairwise(ends)]
    return np.concatenate([np.empty((0, 2)), *steps])


def test_a_line_without_the_corners_that_nobody_sees_runs_where_it_ran():
    """No point of the whole line lies further than a twentieth of a point from the thin one."""
    x = np.linspace(0.0, 200.0, 400)
    whole = np.column_stack([x, 60.0 * np.exp((x - 200.0) / 40.0)])
    thin = thinned(whole)
    assert len(thin) < len(whole) / 8
    assert np.abs(np.interp(x, *thin.T) - whole[:, 1]).max() < 0.05 * 1.9  # its slope reaches 1.5
    back = np.array([[0.0, 0.0], [10.0, 0.0], [4.0, 0.0]])
    assert thinned(back).tolist() == back.tolist()  # a turn is seen though it lies on the line


@pytest.mark.parametrize("side", ["candidate", "reference"])
def test_the_name_of_a_line_begins_with_a_piece_of_it(side):
    figure = Figure(72 * HALF, 72 * HEIGHT)
    (panel,) = figure.row()
    pressure.draw_against_flow(panel, [band("candidate"), band("reference")], [], "oil")
    (spot,) = placed_panels(figure)
    (word,) = [each for each in spot.labels if each.text == side]
    assert word.key.style == line_style(side)["style"]
    assert word.x - word.box[0] > 15.0  # the piece stands free of the text


def test_of_two_bands_one_has_an_edge_so_that_grey_parts_them(ax):
    pressure.draw_against_flow(ax, [band("candidate"), band("reference")], [], "oil")
    assert [area.edged for area in ax.areas] == [False, True]


def test_numbers_that_would_touch_are_left_out():
    figure = Figure(72 * HALF, 72 * HEIGHT)
    (panel,) = figure.row()
    panel.x.low, panel.x.high = 0.0, 100.0
    panel.x.ticks = [(x, f"{x} units") for x in (1.0, 2.0, 3.0, 60.0)]
    shown = [word.text for spot in placed_panels(figure) for word in spot.words]
    assert "1.0 units" in shown and "60.0 units" in shown  # noqa: PT018
    assert "2.0 units" not in shown
    assert not meeting(figure)


@pytest.mark.parametrize("tongue", ["en", "de"])
@pytest.mark.parametrize(
    "name",
    ["polder-pumps", "ropeway-drive", "chain-ferry", "canal-fleet", "polder-glue",
     "polder-pumps-wide"],
)  # fmt: skip
def test_no_words_of_a_chart_meet(name, tongue, monkeypatch):
    case, assessment = assessed(name)
    figures = []
    monkeypatch.setattr(
        "dossier.report.charts.style.figure_svg", lambda f: figures.append(f) or b""
    )
    with speaking(tongue), drawn_later() as charts:
        list(efficiency_charts(assessment, ""))
        loading_chart(assessment, "")
        list(pressure_charts(case, assessment, assessment.findings, ""))
        comparison_page(assessment, "")
        circuit_page(case, assessment, "")
        for paint in charts.wanted:
            paint()
        faults = [fault for figure in figures for fault in meeting(figure) + crossing(figure)]
    assert len(figures) >= 4
    assert not faults


@cache
def assessed(name):
    case = read_case(INPUTS / name)
    with with_trials(2000):
        made = assess(case)
    lead = leading(made.parts) if made.parts else made
    return lead.bench.case, lead
