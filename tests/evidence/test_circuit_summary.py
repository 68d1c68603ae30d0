"""The circuit with either filter in it: time constants, code, and what a fine path spares."""

import math

import numpy as np
import pytest

from dossier.evidence.quantities.circuit import circuit_summary
from dossier.evidence.quantities.fine_path import fine_share
from dossier.physics import particles
from tests.evidence.test_fine_path import circuit, fine
from tests.evidence.test_sump import DUTY, FINE_RUN, one_pass
from tests.made_bench import application, bench, exact, run, sweep

approx = pytest.approx
Q = 60.0 / 6e4
SIZES = np.array([4.0, 6.0, 14.0])
WARM = {"normal_oil": "90 degC", "hot_oil": "100 degC", "cold_start": "80 degC"}


def summary(*results, arrangement="full_flow", sump="30 L", **options):
    changes = {"sump_volume": sump} if sump else {}
    app = application(duty=DUTY | WARM, circuit=circuit(arrangement, **changes))
    made = bench(results, app=app, limits=exact(), **options)
    return made, circuit_summary(made)


def test_a_change_dies_away_in_a_pass_over_the_efficiency():
    _, (side,) = summary(run(sizes=SIZES, passes=0.1))
    assert [each.size for each in side.long_run] == SIZES.tolist()
    for each in side.long_run:
        assert each.time_constant == approx(0.030 / (Q * 0.9))
        assert each.sump == approx(one_pass(0.9, each.size), rel=1e-3)
        assert each.bearings == approx(0.1 * each.sump)
    assert side.code == "13/11/7"
    assert (side.share, side.turnover, side.share_curve, side.spared) == (None,) * 4


def test_without_its_sizes_there_is_no_code_and_without_a_sump_no_summary():
    assert summary(run(sizes=SIZES[:2]))[1][0].code == ""
    assert summary(run(sizes=SIZES), sump=None)[1] == ()
    _, both = summary(run(sizes=SIZES), run("R1", "R1", "reference", sizes=SIZES))
    assert [side.side for side in both] == ["candidate", "reference"]


def paths(part=1.0, **changes):
    """Both paths, each class passed alike: the fine one catches all or, `part`, some of it."""
    main = run(sizes=SIZES, passes=0.4)
    return (
        main,
        run("M2", sizes=SIZES, passes=1.0 - part, **FINE_RUN | changes),
        sweep(a=1e9),
        fine(),
    )


def test_a_fine_path_spares_the_full_flow_filter_its_part():
    made, (side,) = summary(*paths(), arrangement="combined")
    w = fine_share(made, "candidate", 90.0 + 273.15).value
    assert side.share.value == approx(w)
    assert side.turnover == approx(0.030 / (w * Q))
    assert side.spared == approx(1.0 + w / ((1 - w) * 0.6))  # cleaned over caught, in every class
    assert side.spared_mass_share == approx(
        particles.volume_finer(14.0) - particles.volume_finer(4.0)
    )
    blind = summary(*paths(part=0.0), arrangement="combined")[1][0]
    assert blind.spared == approx(1.0)


def test_the_share_is_drawn_with_its_own_interval():
    made, (side,) = summary(*paths(), arrangement="combined", widened={})
    curve = side.share_curve
    at = len(curve.x) // 2
    found = fine_share(made, "candidate", float(curve.x[at]))
    assert (curve.y[at], curve.low[at], curve.high[at]) == approx((found.value, *found.interval()))


def test_what_is_missing_is_a_note():
    _, (side,) = summary(run(sizes=SIZES), arrangement="combined")
    assert any(note.startswith("share through the fine path") for note in side.notes)
    assert any(note.startswith("life with and without") for note in side.notes)
    other = run("M2", sizes=SIZES[:2], passes=0.0, **FINE_RUN)
    _, (apart,) = summary(run(sizes=SIZES), other, sweep(a=1e9), fine(), arrangement="combined")
    assert (apart.spared, apart.spared_mass_share) == (None, 0.0)
    assert any("other sizes" in note for note in apart.notes)
    assert not math.isnan(apart.turnover)


def test_where_neither_path_catches_anything_nothing_is_spared():
    main = run(sizes=SIZES, passes=1.0)
    blind = run("M2", sizes=SIZES, passes=1.0, **FINE_RUN)
    _, (side,) = summary(main, blind, sweep(a=1e9), fine(), arrangement="combined")
    assert side.spared == approx(1.0)
