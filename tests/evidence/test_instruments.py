"""How well an input is known: certificate first, then the standard; what errs together."""

import math

import pytest

from dossier.case.units import UnitError
from dossier.evidence.records.instruments import (
    absolute_accuracy,
    accuracy_of,
    instrument_problems,
    ratio_accuracy,
    reading_u,
    size_accuracy,
)
from dossier.evidence.statistics.between import between, rigs_of
from tests.made_bench import bench, entry, exact, instrument, run, sweep

approx = pytest.approx
LIMITS = exact(flow=0.06, size=0.03, counts=0.09, temperature=1.2)


def lab(*instruments, limits=LIMITS, results=None, **options):
    made = results or [sweep()]
    names = [i["id"] for i in instruments]
    entries = options.pop("entries", None) or [entry(each, names) for each in made]
    return bench(made, entries=entries, instruments=instruments, limits=limits, **options)


def known(what, *instruments, value=1e-3, of=accuracy_of, **options):
    made = lab(*instruments, **options)
    return of(made.case, made.limits, made.case.records[0].entry, what, value)


def test_the_certificate_counts_first_and_an_absolute_figure_near_its_value():
    assert known("flow", instrument("FM", ["flow"], reading_u="2 %")).u == approx(0.02)
    fixed = known("flow", instrument("FM", ["flow"], reading_u="0.6 L/min"))
    assert (fixed.u, fixed.source, fixed.shared, fixed.laboratory) == (
        approx(0.01), "FM", "L:FM:flow", "L",
    )  # fmt: skip
    assert known("flow", instrument("FM", ["flow"], reading_u="1 L/min"), value=0.0).u == math.inf
    warm = known("temperature", instrument("TH", ["temperature"], reading_u="0.5 K"))
    assert warm.u == approx(0.5)


def test_without_a_figure_the_standard_s_is_a_rectangle():
    stood = known("flow", instrument("FM", ["flow"]), instrument("PG", ["pressure"]))
    assert stood.u == approx(0.06 / math.sqrt(3.0))
    assert stood.shared == "L:FM:flow"
    assert known("flow").shared == "L:the candidate:flow"


def test_what_was_not_read_has_the_standard_s_accuracy():
    told = {"report": "R-7", "conditions": ["flow"]}
    meter = instrument("FM", ["flow"], reading_u="2 %")
    entries = [entry(sweep(), ["FM"], stated=told)]
    assert known("flow", meter, entries=entries).u == approx(0.06 / math.sqrt(3.0))


def test_an_absolute_reading_keeps_its_unit():
    def absolute(*instruments, value):
        made = lab(*instruments)
        record = made.case.records[0].entry
        return absolute_accuracy(made.case, made.limits, record, ("flow", "volume rate"), value).u

    assert absolute(instrument("FM", ["flow"], reading_u="2 %"), value=-3.0) == approx(0.06)
    assert absolute(instrument("FM", ["flow"], reading_u="6 L/min"), value=0.0) == approx(1e-4)
    second = instrument("VR", ["volume rate"], reading_u="2 %")
    assert absolute(instrument("FM", ["flow"]), second, value=3.0) == approx(0.06)
    assert absolute(value=-3.0) == approx(3.0 * 0.06 / math.sqrt(3.0))


@pytest.mark.parametrize(
    ("measurands", "u"),
    [
        (("flow", "temperature"), 0.06 * 20.0),
        (("temperature", "flow"), 1.2),
        (("flow", "size", "counts"), 0.06 * 20.0),
    ],
)
def test_without_any_figure_the_first_measurand_stands_in(measurands, u):
    """Of a temperature in kelvin whatever the reading, of a flow as a share of it."""
    assert known(measurands, value=20.0, of=absolute_accuracy).u == approx(u / math.sqrt(3.0))
    made = lab()
    warm = absolute_accuracy(made.case, LIMITS, made.case.records[0].entry, ("temperature",), 300.0)
    assert warm.u == approx(1.2 / math.sqrt(3.0))


def counter(name, **figures):
    return instrument(name, ["counts"], kind="particle counter", **figures)


def counted(of, *instruments):
    made = lab(*instruments, results=[run()])
    return of(made.case, made.limits, made.case.records[0].entry)


def test_a_ratio_has_two_counters_or_one_twice():
    one = counted(ratio_accuracy, counter("A", size_u="3 %"))
    two = counted(ratio_accuracy, counter("A", size_u="3 %"), counter("B", size_u="4 %"))
    assert (one.u, two.u) == approx((math.sqrt(2.0) * 0.03, 0.05))
    assert (one.source, two.source) == ("A", "A, B")
    stood = counted(ratio_accuracy, counter("A"))
    assert stood.u == approx(math.sqrt(2.0) * 0.09 / math.sqrt(3.0))


def test_sizes_are_known_as_the_worse_counter_s():
    both = [counter("A", diameter_u="1 %"), counter("B", diameter_u="2 %")]
    assert counted(size_accuracy, *both).u == approx(0.02)
    assert counted(size_accuracy, *both).shared == "L:A, B:size"
    stood = counted(size_accuracy, both[0], counter("B"))
    assert stood.u == approx(0.03 / math.sqrt(3.0))
    assert stood.shared == "L:A, B:size"


def test_a_figure_that_fits_nothing_is_a_problem():
    def told(measures, figure):
        return [p.what for p in instrument_problems(lab(
            instrument("X", measures, reading_u=figure)).case)]  # fmt: skip

    assert told(["flow"], "2 %") == told(["flow"], "1 L/min") == []
    assert "temperature" in told(["temperature"], "1 %")[0]
    assert told(["temperature"], "0.5 K") == []
    assert told(["flow"], "1 kPa")
    assert told(["cycles"], "1 kPa")
    with pytest.raises(UnitError, match="fits no measurand"):
        reading_u(lab(instrument("X", ["time"], reading_u="1 kPa")).case.instrument("X"), "time")


@pytest.mark.parametrize(
    ("figure", "told"),
    [("0.006 %", False), ("0.004 %", True), ("1 L/min", False), ("0 L/min", True), ("0 %", True)],
)
def test_what_no_instrument_reaches_is_told_of_percentages_as_well(figure, told):
    """One part in 20 000 is 0.005 %; of what is stated in a unit, nothing at all is told."""
    meter = instrument("X", ["flow"], reading_u=figure)
    said = [p.what for p in instrument_problems(lab(meter).case)]
    assert any("no working instrument is known to reach" in what for what in said) is told


TWO = [{"id": "L", "name": "One"}, {"id": "M", "name": "Other"}]


def apart(*laboratories, names=(), compared=False, sides=("candidate", "candidate"), **options):
    runs = [run(f"M{i}", f"C{i}", side) for i, side in enumerate(sides)]
    entries = [entry(r, names[i : i + 1], laboratory=rig)
               for i, (r, rig) in enumerate(zip(runs, laboratories, strict=True))]  # fmt: skip
    made = bench(runs, entries=entries, laboratory=TWO, compared=compared,
                 instruments=[counter(n) for n in ("A", "B")],
                 limits=exact(**{"between laboratories: efficiency": 0.3}), **options)  # fmt: skip
    own = [record.entry for record in made.case.records]
    among = [each for each in own if each.filter == "candidate"]
    return between(made, own[0], "counts", among)


def test_one_laboratory_adds_nothing_and_two_differ():
    assert apart("L", "L") is None
    found = apart("L", "M")
    assert found.u == approx(0.3 / math.sqrt(3.0))
    assert found.shared == "rig L"
    both = {"sides": ("candidate", "reference")}
    assert apart("L", "M", **both) is None
    assert apart("L", "M", compared=True, **both) is not None
    assert apart("L", "L", compared=True, **both) is None
    assert apart("L", "L", compared=True, names=("A", "B"), **both) is not None
    assert apart("L", "L", compared=True, names=("A", "A"), **both) is None


def test_a_stated_reproducibility_stands_before_the_usual():
    stated = [{"method": "ISO 4548-12:2017", "quantity": q, "u": u, "source": "round robin"}
              for q, u in (("efficiency", "5 %"), ("filtration_ratio", "8 %"),
                           ("retained_capacity", "20 %"))]  # fmt: skip
    assert apart("L", "M", reproducibility=stated).u == approx(0.08)


def test_records_of_one_laboratory_are_linked_by_their_instruments():
    runs = [run(f"M{i}", f"C{i}") for i in range(3)]
    entries = [entry(r, n) for r, n in zip(runs, (["A"], ["B"], ["A", "B"]), strict=True)]
    made = bench(runs, entries=entries, instruments=[counter("A"), counter("B")])
    own = [record.entry for record in made.case.records]
    assert set(rigs_of(made.case, own, "counts").values()) == {"L"}
    assert len(set(rigs_of(made.case, own[:2], "counts").values())) == 2
