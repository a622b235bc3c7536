"""Speed of the statistical heart at the size of a large fleet.

Left out of the normal suite; run with::

    pytest tests/benchmarks --benchmark-only -n0 -p no:cacheprovider

No time is asserted: machines differ. Each fit is printed with its ratio to a floor (one pass of
np.exp and np.log over as many numbers) and to surpyval, taken in the same run.
"""

import time

import numpy as np
import pandas as pd
import pytest
import surpyval
from benchmarks.measured import measured
from made_answer import made_draws

from kit.detection import DetectionCurve
from kit.growth import LinearGrowth
from kit.intervals.joint_risk import JointRisk, Usage
from kit.intervals.risk import WeibullLife, schedule_kernel
from kit.life.fits.weibull import fit_weibull
from kit.life.lives.censored import Histories

N = 1_000_000


def truncated_histories(whole, n=N, seed=1):
    """Scale 9000 h, shape 2.2, a look each 600 h with its own phase; two in five lives come late, at any age."""
    rng = np.random.default_rng(seed)
    m = int(n * 1.3)
    onset = 9000 * rng.weibull(2.2, m)
    phase = rng.integers(1, 601, m).astype(float) if whole else 600 * rng.random(m)
    entry = np.where(rng.random(m) < 0.4, rng.integers(1, 4801, m) if whole else 4800 * rng.random(m), 0.0)
    stop = phase + 600 * (np.ceil(np.maximum(entry - phase, 0) / 600) + rng.integers(1, 15, m))
    before = np.floor((onset - phase) / 600)
    lower = np.maximum(np.where(before < 0, 0.0, phase + before * 600), entry)
    upper = phase + (before + 1) * 600
    found = upper <= stop
    keep = np.flatnonzero(onset > entry)[:n]
    assert keep.size == n
    return entry[keep], np.where(found, lower, stop)[keep], np.where(found, upper, np.inf)[keep]


def median_seconds(call, times):
    spent = []
    for _ in range(times):
        start = time.process_time()
        call()
        spent.append(time.process_time() - start)
    return float(np.median(spent))


def floor_seconds(n):
    """One pass of np.exp and np.log over n numbers."""
    numbers = np.random.default_rng(2).random(n) + 0.5
    return median_seconds(lambda: (np.exp(numbers), np.log(numbers)), 7)


@pytest.mark.parametrize("ages", ["whole hours", "fractional"])
def test_fit_of_a_million_truncated_histories(benchmark, capsys, ages):
    entry, lower, upper = truncated_histories(ages == "whole hours")
    fit = benchmark.pedantic(
        lambda: fit_weibull(lower=lower, upper=upper, entry=entry), rounds=7, iterations=1, warmup_rounds=1
    )
    floor = floor_seconds(N)
    start = time.process_time()
    other = surpyval.Weibull.fit(xl=lower, xr=upper, tl=entry)
    theirs = time.process_time() - start
    np.testing.assert_allclose([fit.scale, fit.shape], other.params, rtol=1e-5)
    ours = benchmark.stats.stats.median
    figures = {
        "seconds": ours,
        "times_floor": ours / floor,
        "times_faster_than_surpyval": theirs / ours,
        "surpyval_seconds": theirs,
        "finds": fit.n_finds,
    }
    benchmark.extra_info.update(figures)
    with capsys.disabled():
        print(f"\n1,000,000 truncated histories, {ages}:")  # noqa: T201
        print(pd.Series(figures).map("{:.4g}".format).to_string())  # noqa: T201


def made_looks(n):
    """Lives of ten looks each, in no order; integer names."""
    rng, lives = np.random.default_rng(3), n // 10
    age = 600.0 * (np.tile(np.arange(1, 11), lives) + rng.random(lives).repeat(10))
    onset = (9000 * rng.weibull(2.2, lives)).repeat(10)
    order = rng.permutation(n)
    life = np.repeat(np.arange(lives), 10)[order]
    return pd.DataFrame({"life": life, "age": age[order], "found": (age > onset)[order]})


def histories_of(looks):
    """Build them and see that no life is lost."""
    assert Histories.from_looks(looks).n_lives == len(looks) // 10


def made_and_built(n):
    """Make looks, and histories of them."""
    histories_of(made_looks(n))


@pytest.mark.parametrize("n", [5_000_000, 20_000_000])
def test_histories_from_millions_of_looks(benchmark, capsys, n):
    """Peak memory is that of a process that makes the looks as well; the floor is one sort by life and age."""
    looks = made_looks(n)
    start = time.process_time()
    np.lexsort((looks["age"].to_numpy(), looks["life"].to_numpy()))
    floor = time.process_time() - start
    benchmark.pedantic(histories_of, args=(looks,), rounds=1, iterations=1)
    seconds = benchmark.stats.stats.median
    del looks
    figures = {"looks_per_second": n / seconds, "times_floor": seconds / floor}
    figures["peak_gib"] = measured(made_and_built, n)["peak_gib"]
    benchmark.extra_info.update(figures)
    with capsys.disabled():
        print(f"\n{n:,} looks: {seconds:.3g} s")  # noqa: T201
        print(pd.Series(figures).map("{:.4g}".format).to_string())  # noqa: T201


@pytest.mark.parametrize("far_side", [0.0, 0.1])
def test_risk_of_50_intervals_for_500_joint_draws(benchmark, capsys, far_side):
    """What answers are read from: life, growth and POD differ in every draw; repeats of 250 to 5000 h to a horizon of 20,000 h."""
    growth = LinearGrowth(onset_median=20.0, onset_log_sd=0.4, rate_median=0.02, rate_log_sd=0.5)
    curve = DetectionCurve(a50=20.0, plateau=0.95, far_side_share=far_side)
    draws = made_draws(
        kind="disbond", clock="flight_hours", scale=9000.0, shape=2.2, growth=growth, curve=curve, n=499
    )
    hours = dict.fromkeys(("flight_hours", "flight_cycles", "calendar_days"), 1.0)
    usage = Usage(name="all", share=1.0, clock_per_unit=hours)
    repeats = np.linspace(250, 5000, 50)

    def risks():
        risk = JointRisk.prepare(
            [draws], usages=[usage], clock="flight_hours", limit=60.0, horizon=20_000.0, seed=1
        )
        return [risk.values("exposure", first=repeat, repeat=repeat) for repeat in repeats]

    result = np.array(benchmark.pedantic(risks, rounds=3, iterations=1, warmup_rounds=1))
    assert result.shape == (50, 500)
    assert (result > 0).all()
    with capsys.disabled():
        pass


@pytest.mark.parametrize("far_side", [0.0, 0.1])
def test_risk_of_50_intervals_for_500_draws(benchmark, capsys, far_side):
    """Repeats of 250 to 5000 h to a horizon of 20,000 h; one kernel for each, combined with all draws."""
    rng = np.random.default_rng(4)
    life = WeibullLife(
        9000 * np.exp(0.1 * rng.standard_normal(500)), 2.2 * np.exp(0.1 * rng.standard_normal(500))
    )
    growth = LinearGrowth(onset_median=20.0, onset_log_sd=0.4, rate_median=0.02, rate_log_sd=0.5)
    curve = DetectionCurve(a50=20.0, plateau=0.95, far_side_share=far_side)
    repeats = np.linspace(250, 5000, 50)

    def risks():
        return [
            schedule_kernel(
                growth=growth, detection=curve, limit=60.0, first=repeat, repeat=repeat, horizon=20_000.0
            ).risk(life)["exceedances"]
            for repeat in repeats
        ]

    result = np.array(benchmark.pedantic(risks, rounds=3, iterations=1, warmup_rounds=1))
    assert result.shape == (50, 500)
    assert (result > 0).all()
    with capsys.disabled():
        print(f"\n50 intervals x 500 draws, far side {far_side:g}: {benchmark.stats.stats.median:.3g} s")  # noqa: T201
