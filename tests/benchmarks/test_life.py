"""Speed of what goes beyond one fit: bootstraps, profile bands, the estimate without a model, looks that miss by size.

Left out of the normal suite; run with::

    pytest tests/benchmarks --benchmark-only -n0 -s -p no:cacheprovider

No time is asserted: machines differ. Each is printed with its ratio to surpyval in the same run, or to a floor.
"""

import time

import numpy as np
import pandas as pd
import surpyval

from kit.detection import DetectionCurve
from kit.growth import LinearGrowth, SizeDetection
from kit.life import Histories, bootstrap, fit_turnbull, fit_weibull


def own_phase(n, seed=1):
    """Scale 9,000 h, shape 2.2, a look each 600 h with its own phase, watches to different ages."""
    rng = np.random.default_rng(seed)
    onset, phase = 9000 * rng.weibull(2.2, n), rng.integers(1, 601, n).astype(float)
    before = np.floor((onset - phase) / 600)
    lower = np.where(before < 0, 0.0, phase + before * 600)
    upper = phase + (before + 1) * 600
    stop = phase + 600 * rng.integers(1, 12, n)
    found = upper <= stop
    return np.where(found, lower, stop), np.where(found, upper, np.inf)


def common_ages(n, n_ages, seed=1):
    """Looks at some of a few hundred ages; three in ten come late."""
    rng = np.random.default_rng(seed)
    grid = np.sort(rng.choice(np.arange(1, 20001), n_ages, replace=False)).astype(float)
    onset = 9000 * rng.weibull(2.2, n)
    entry = np.where(rng.random(n) < 0.3, grid[rng.integers(0, n_ages // 3, n)], 0.0)
    onset, entry = onset[onset > entry], entry[onset > entry]
    first, step = rng.integers(0, 5, onset.size), rng.integers(3, 8, onset.size)
    up = first + np.ceil((np.searchsorted(grid, onset) - first) / step).astype(int) * step
    last = rng.integers(n_ages // 4, n_ages, onset.size)
    never = up >= last
    clean = np.where(never, first + (last - first) // step * step, up - step)
    lower = np.maximum(np.where(clean >= 0, grid[np.clip(clean, 0, n_ages - 1)], 0.0), entry)
    upper = np.where(never, np.inf, grid[np.clip(up, 0, n_ages - 1)])
    good = upper > lower
    return entry[good], lower[good], upper[good]


def show(capsys, title, figures):
    with capsys.disabled():
        print(f"\n{title}:")  # noqa: T201
        print(pd.Series(figures).map("{:.4g}".format).to_string())  # noqa: T201


def seconds_of(call):
    start = time.process_time()
    call()
    return time.process_time() - start


def test_a_thousand_bootstrap_refits_of_two_thousand_histories(benchmark, capsys):
    lower, upper = own_phase(2000)
    fit = fit_weibull(lower=lower, upper=upper)
    benchmark.pedantic(lambda: bootstrap(fit, 1000, seed=1), rounds=5, iterations=1, warmup_rounds=1)
    rng = np.random.default_rng(2)

    def theirs():
        rows = rng.integers(0, lower.size, lower.size)
        surpyval.Weibull.fit(xl=lower[rows], xr=upper[rows])

    ours, other = benchmark.stats.stats.median, 50 * seconds_of(lambda: [theirs() for _ in range(20)])
    figures = {"seconds": ours, "surpyval_seconds_from_20": other, "times_faster_than_surpyval": other / ours}
    benchmark.extra_info.update(figures)
    show(capsys, "1,000 bootstrap refits of 2,000 histories", figures)


def test_a_profile_band_of_sixty_points_on_ten_thousand_lives(benchmark, capsys):
    lower, upper = own_phase(10_000)
    fit = fit_weibull(lower=lower, upper=upper)
    shares = np.linspace(0.01, 0.5, 60)
    band = benchmark.pedantic(lambda: fit.quantile_band(shares), rounds=5, iterations=1, warmup_rounds=1)
    other = surpyval.Weibull.fit(xl=lower, xr=upper)
    start = time.process_time()
    theirs = np.array([other.quantile_cb(share, method="lr") for share in shares[::12]])
    scaled = (time.process_time() - start) * 12
    np.testing.assert_allclose(np.sort(theirs.reshape(5, 2), axis=1), np.stack(band, axis=1)[::12], rtol=2e-4)
    ours = benchmark.stats.stats.median
    figures = {
        "seconds": ours,
        "surpyval_seconds_from_5": scaled,
        "times_faster_than_surpyval": scaled / ours,
    }
    benchmark.extra_info.update(figures)
    show(capsys, "profile band of 60 shares, 10,000 lives", figures)


def test_the_estimate_without_a_model_of_a_hundred_thousand_lives(benchmark, capsys):
    entry, lower, upper = common_ages(100_000, 500)
    fit = benchmark.pedantic(
        lambda: fit_turnbull(lower=lower, upper=upper, entry=entry), rounds=3, iterations=1, warmup_rounds=1
    )
    _, low, up = common_ages(20_000, 500)
    plain = seconds_of(lambda: fit_turnbull(lower=low, upper=up))
    other = seconds_of(lambda: surpyval.Turnbull.fit(xl=low, xr=up, turnbull_estimator="Kaplan-Meier"))
    figures = {
        "seconds": benchmark.stats.stats.median,
        "lives": fit.n_lives,
        "20,000 without left truncation": plain,
        "times_faster_than_surpyval on these": other / plain,
    }
    benchmark.extra_info.update(figures)
    show(capsys, "estimate without a model, 500 ages, left truncation", figures)


def test_a_fit_with_detection_by_size_of_five_thousand_lives_of_ten_looks(benchmark, capsys):
    rng = np.random.default_rng(5)
    onset = 9000 * rng.weibull(2.2, 5000)
    age = 700.0 * (np.arange(1, 11) + rng.random((5000, 1)))
    found = (age >= onset[:, None]) & (rng.random(age.shape) < 0.6)
    seen = np.cumsum(np.cumsum(found, axis=1), axis=1) <= 1
    frame = pd.DataFrame(
        {"life": np.repeat(np.arange(5000), 10), "age": age.ravel(), "found": found.ravel()}
    ).loc[seen.ravel()]
    histories = Histories.from_looks(frame)
    model = SizeDetection(DetectionCurve(a50=25.0, plateau=0.95), LinearGrowth(20.0, 0.4, 0.01, 0.5))
    benchmark.pedantic(lambda: fit_weibull(histories, detection=model), rounds=3, iterations=1)
    numbers = rng.random(histories.look_age.size)
    floor = min(seconds_of(lambda: (np.exp(numbers), np.log(numbers))) for _ in range(7))
    figures = {
        "seconds": benchmark.stats.stats.median,
        "times_floor (exp and log of each look)": benchmark.stats.stats.median / floor,
    }
    benchmark.extra_info.update(figures)
    show(capsys, "detection by size, 5,000 lives of up to 10 looks", figures)
