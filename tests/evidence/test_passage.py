"""What passes at one size: counting noise, scatter, calibration, exact laws of few counts."""

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from dossier.evidence.quantities.filtration import as_efficiency, inverse
from dossier.evidence.quantities.penetration import (
    STEEPEST,
    Passage,
    column,
    counter_components,
    overall_passage,
    penetration,
    size_components,
    tenth_passage,
    worst_passage,
)
from dossier.evidence.statistics.combine import DRAWS
from dossier.evidence.statistics.estimate import NotDemonstrated, attempt
from tests.made_bench import SIZES, bench, entry, exact, instrument, run

approx = pytest.approx

HERE = 3
"""Column of 14 um(c)."""


def passage(**changes):
    made = {"record": "M1", "specimen": "C1", "raw_up": 1e4, "raw_down": 400.0, "exposure": 1.0,
            "dispersion": 1.0, "steepness": 0.0}  # fmt: skip
    return Passage(**(made | changes))


def found(*passages, limits=None, **options):
    runs = [run(each.record, each.specimen) for each in passages]
    return attempt(penetration, bench(runs, limits=limits or exact(), **options), passages, "x")


def test_the_ratio_and_its_counting_noise():
    one = passage(exposure=2.0, dispersion=3.0)
    assert one.value == approx(400 / 1e4 / 2.0)
    assert one.u == approx(one.value * math.sqrt(1 / 1e4 + 3.0 / 400))  # Poisson, delta method
    none = passage(raw_down=0.0)
    assert (none.value, none.u) == (0.0, approx(1 / 1e4 * math.sqrt(1 / 1e4 + 1.0)))


@pytest.mark.parametrize("dispersion", [1.0, 4.0])
def test_draws_have_the_moments_of_their_gamma_laws(dispersion):
    one = passage(raw_down=30.0, dispersion=dispersion, exposure=2.0, raw_up=1e6)
    drawn = one.draws(np.random.default_rng(1), 200_000)
    shape = 30.0 / dispersion + 1.0
    assert drawn.mean() == approx(dispersion * shape / 1e6 / 2.0, rel=0.01)
    assert drawn.std() == approx(dispersion * math.sqrt(shape) / 1e6 / 2.0, rel=0.02)


def test_of_no_count_the_upper_limit_is_that_of_garwood():
    # One-sided 95 % of an expected count when none was seen: -ln 0.05 = 3.00 (Garwood 1936).
    one = found(passage(raw_up=1e6, raw_down=0.0))
    assert one.bound == "smaller than"
    assert one.value == approx(-math.log(0.05) / 1e6, rel=0.02)
    assert one.per_specimen[0].bound == "smaller than"


@pytest.mark.parametrize(("up", "carries"), [(19.9, False), (20.0, True), (math.nan, False)])
def test_twenty_particles_upstream_are_the_least(up, carries):
    made = found(passage(), passage(record="M2", specimen="C2", raw_up=up))
    assert isinstance(made, NotDemonstrated) is not carries
    if not carries:
        assert made.records == ("M2",)


def test_many_counts_combine_by_the_linear_law():
    two = found(passage(), passage(record="M2", specimen="C2", raw_down=420.0))
    assert two.value == approx(0.041)
    assert two.u == approx(passage().u / math.sqrt(2.0), rel=0.02)  # counting beyond the scatter
    assert two.samples is None
    far = found(passage(), passage(record="M2", specimen="C2", raw_down=800.0))
    assert far.u == approx(0.02)  # half the difference of two: their scatter


@pytest.mark.parametrize(("counts", "exact_law"), [((24.0, 25.9), True), ((25.0, 25.0), False)])
def test_below_fifty_counts_together_the_exact_law_stands(counts, exact_law):
    made = found(*(passage(record=f"M{i}", raw_down=n) for i, n in enumerate(counts)))
    assert (made.samples is not None) is exact_law
    noisy = found(*(passage(record=f"M{i}", raw_down=2 * n, dispersion=2.0)
                    for i, n in enumerate(counts)))  # fmt: skip
    assert (noisy.samples is not None) is exact_law


def test_few_counts_follow_the_gamma_law_of_one_specimen():
    made = found(passage(raw_up=1e8, raw_down=10.0))
    assert (made.value, made.bound) == (approx(1e-7), "")
    low, high = np.quantile(made.samples, [0.05, 0.95])
    assert low == approx(stats.gamma(11.0).ppf(0.05) / 1e8, rel=0.02)
    assert high == approx(stats.gamma(11.0).ppf(0.95) / 1e8, rel=0.02)
    assert made.u == approx(np.diff(stats.gamma(11.0).ppf([0.158655, 0.841345]))[0] / 2e8, rel=0.02)
    assert made.specimen_samples.shape == (1, DRAWS)


def test_few_counts_come_no_nearer_than_the_scatter_allows():
    made = found(passage(raw_up=1e6, raw_down=2.0),
                 passage(record="M2", specimen="C2", raw_up=1e6, raw_down=40.0))  # fmt: skip
    scatter = 19.0 / 1e6  # of the mean of two; with one degree of freedom t(95 %) is 6.31
    top = float(np.quantile(made.samples, 0.95))
    assert top == approx(np.median(made.samples) + 6.314 * scatter, rel=0.02)
    assert made.samples.min() >= 0.0
    three = found(*(passage(record=f"M{i}", raw_up=1e6, raw_down=n)
                    for i, n in enumerate((2.0, 3.0, 40.0))))  # fmt: skip
    scatter = float(np.std([2.0, 3.0, 40.0], ddof=1)) / math.sqrt(3.0) / 1e6
    top = float(np.quantile(three.samples, 0.95))
    assert top == approx(np.median(three.samples) + 2.920 * scatter, rel=0.02)  # t of two


def test_the_interval_of_few_counts_is_that_of_jeffreys():
    # Chi-square quantiles with 2 k + 1 degrees of freedom; Brown, Cai and DasGupta 2001.
    low, high = (stats.chi2.ppf(p, 21) / 2.0 for p in (0.025, 0.975))
    for index in (0.4, 1.0):  # counting scatters no less than by Poisson
        made = found(passage(raw_up=1e8, raw_down=10.0, index=index)).interval()
        assert made == (approx(low / 1e8, rel=0.02), approx(high / 1e8, rel=0.02))
    wide = found(passage(raw_up=1e8, raw_down=20.0, index=2.0)).interval()
    assert wide == (approx(2 * low / 1e8, rel=0.02), approx(2 * high / 1e8, rel=0.02))
    turned = as_efficiency(found(passage(raw_up=1e8, raw_down=10.0))).interval()
    assert turned == (approx(1 - high / 1e8), approx(1 - low / 1e8))
    ratio = inverse(found(passage(raw_up=1e8, raw_down=10.0))).interval()
    assert ratio == (approx(1e8 / high, rel=0.02), approx(1e8 / low, rel=0.02))


def test_the_interval_of_few_counts_takes_the_scatter_where_it_is_larger():
    far = [passage(record=f"M{i}", raw_up=1e6, raw_down=n) for i, n in enumerate((80.0, 140.0))]
    made = found(*far)
    assert made.samples is None  # a decision takes the linear law
    assert made.interval() == (0.0, approx((110.0 + 12.706 * 30.0) / 1e6, rel=0.05))
    near = [passage(record=f"M{i}", raw_up=1e8, raw_down=110.0) for i in range(2)]
    low, high = (stats.chi2.ppf(p, 441) / 4.0 / 1e8 for p in (0.025, 0.975))
    assert found(*near).interval() == (approx(low, rel=0.01), approx(high, rel=0.01))


@pytest.mark.parametrize(("name", "effect"), [("counts", math.sqrt(2.0)), ("size", 2.5)])
def test_the_counters_accuracy_acts_on_what_passes(name, effect):
    limits = exact(**{name: 0.06})
    known = 0.06 / math.sqrt(3.0) * effect
    many = found(passage(raw_down=9e3, raw_up=1e9, steepness=2.5), limits=limits)
    assert many.u / many.value == approx(math.hypot(known, 1 / math.sqrt(9e3)), rel=1e-3)
    few = found(passage(raw_down=40.0, raw_up=1e9, steepness=2.5), limits=limits)
    plain = found(passage(raw_down=40.0, raw_up=1e9))
    assert np.log(few.samples).std() == approx(
        math.hypot(known, np.log(plain.samples).std()), rel=0.01
    )
    none = found(passage(raw_down=0.0, raw_up=1e9, steepness=2.5), limits=limits)
    still = found(passage(raw_down=0.0, raw_up=1e9))
    assert np.log(none.samples).std() == approx(
        math.hypot(known, np.log(still.samples).std()), rel=0.01
    )


def test_a_recorded_deviation_widens():
    one = found(passage(raw_down=9e5, raw_up=1e9), widened={"M1": 0.2})
    assert one.u / one.value == approx(0.2, rel=1e-3)
    assert one.per_specimen[0].u == approx(one.u, rel=1e-6)


def test_a_lone_counter_serves_both_sides_and_two_err_apart():
    def relative(*names):
        lab = [instrument(n, ["counts"], kind="particle counter", size_u="3 %") for n in "AB"]
        one = run()
        made = bench([one], entries=[entry(one, names)], instruments=lab, limits=exact())
        return math.sqrt(sum(part.u**2 for part in counter_components(made, ["M1"], [1.0])))

    assert relative("A") == approx(0.03 * math.sqrt(2.0))
    assert relative("A", "B") == approx(0.03 * math.sqrt(2.0))


def test_shares_of_the_mean_add_under_one_calibration():
    runs = [run(), run("M2", "C2")]
    made = bench(runs, limits=exact(size=0.06))
    (part,) = size_components(made, ["M1", "M2"], [1.0, 3.0])
    assert part.u == approx(2.0 * 0.06 / math.sqrt(3.0))


def test_a_column_is_found_within_a_twentieth_of_a_micrometre():
    assert column(run(), 14.0) == column(run(), 14.04) == HERE
    assert column(run(), 14.06) is None
    assert column(run(), 12.0) is None


def test_steepness_is_that_of_a_power_law_and_the_steeper_side_counts():
    law = run(up=1e8, down=1e8 / (SIZES / 2.0) ** 3)  # P = (x / 2)^-3
    assert [overall_passage(law, k).steepness for k in (0, HERE, 5)] == approx([3.0, 3.0, 3.0])
    bent = run(
        up=1e8, down=1e8 / np.where(SIZES < 12, (SIZES / 2.0) ** 2, SIZES**4 / 100.0 / 196.0 * 28.0)
    )
    two = [abs(math.log(bent.ratio[k] / bent.ratio[HERE]) / math.log(SIZES[k] / 14.0))
           for k in (HERE - 1, HERE + 1)]  # fmt: skip
    assert overall_passage(bent, HERE).steepness == approx(max(two))


def test_a_side_with_nothing_counted_is_left_out_and_the_steepest_stands_in():
    down = 1e8 / (SIZES / 2.0) ** 3
    down[HERE + 1] = 0.0
    assert overall_passage(run(up=1e8, down=down), HERE).steepness == approx(3.0)
    assert overall_passage(run(up=1e8, down=down), 5).steepness == STEEPEST
    assert overall_passage(run(sizes=SIZES[:1]), 0).steepness == STEEPEST


def test_a_tenth_counts_its_own_readings_and_volumes():
    one = run(up=6e4, down=6e2, counted_up=2.0, counted_down=5.0)
    part = tenth_passage(one, HERE, 4)  # 1000/mL in each of six readings, of 2 mL and of 5 mL
    assert (part.raw_up, part.raw_down) == approx((6 * 2.0 * 1e3, 6 * 5.0 * 10.0))
    assert part.exposure == approx(2.5)
    assert part.value == approx(0.01)


def test_the_worst_tenth_is_the_one_that_lets_most_through():
    one = run(up=6e4, down=6e2)
    down = one.down.copy()
    down[7, HERE] *= 3.0
    assert worst_passage(one, HERE).value == approx(0.01)
    assert worst_passage(replace(one, down=down), HERE).value == approx(0.03)
