"""Growth rates and sizes at onset come back from damage that was simulated with known ones."""

import numpy as np
import pandas as pd
import pytest
from scipy.optimize import minimize

from kit.detection import DetectionCurve
from kit.growth import (
    LinearGrowth,
    OnsetSizeLikelihood,
    find_kernels,
    fit_growth,
    fit_onset_size,
    fit_tracks,
)
from kit.life import Histories

RATE, RATE_SD, FIRST, FIRST_SD, ERROR = 6e-3, 0.5, 30.0, 0.4, 0.12
STEP = 2000.0  # clock units between mappings


def mappings(n, *, seed, still=0.0, correlation=0.0, times=4, repair_from=np.inf):
    """Damages mapped up to so many times; one read at `repair_from` or more is repaired and not mapped again."""
    rng = np.random.default_rng(seed)
    first_z, other = rng.standard_normal((2, n))
    first = FIRST * np.exp(FIRST_SD * first_z)
    rate = RATE * np.exp(RATE_SD * (correlation * first_z + np.sqrt(1 - correlation**2) * other))
    rate = np.where(rng.random(n) < still, 0.0, rate)
    age = STEP * np.arange(times)
    size = (first[:, None] + rate[:, None] * age) * np.exp(ERROR * rng.standard_normal((n, times)))
    kept = np.cumsum(size >= repair_from, axis=1) - (size >= repair_from) == 0
    row, k = np.nonzero(kept)
    begin = rng.uniform(1000, 9000, n)
    return pd.DataFrame({"track": row, "age": begin[row] + age[k], "diameter_mm": size[row, k]})


def repeated(tracks):
    return tracks[tracks.groupby("track")["age"].transform("size") > 1]


def errors_of(fit, true_rate=RATE):
    """How many standard errors the fitted median rate is from the true one."""
    return np.log(fit.rate_median / true_rate) / fit.standard_error("log_rate_median")


@pytest.mark.parametrize("seed", [1, 2])
@pytest.mark.parametrize(("still", "may"), [(0.0, False), (0.0, True), (0.4, True)])
def test_rates_come_back(seed, still, may):
    tracks = mappings(400, seed=seed, still=still)
    fit = fit_tracks(tracks, may_stand_still=may)
    n_growing = 400 * (1 - still)
    assert abs(errors_of(fit)) < 4
    assert (
        0.5 * RATE_SD / np.sqrt(n_growing)
        < fit.standard_error("log_rate_median")
        < 6 * RATE_SD / np.sqrt(n_growing)
    )
    # 4 mappings, of which two degrees of freedom go to the straight line
    assert fit.size_log_sd == pytest.approx(ERROR, abs=4 * ERROR / np.sqrt(2 * 800))
    assert np.log(fit.first_median / FIRST) == pytest.approx(0, abs=4 * FIRST_SD / np.sqrt(400))
    assert (fit.n_tracks, fit.n_mappings) == (400, 1600)
    low, high = fit.bounds("rate_median", level=0.999937)  # 4 standard errors
    assert low < RATE < high


def test_the_share_that_stands_still_comes_back():
    """Rates well above the error of two mappings, so that standing still can be told from slow growth."""
    fits = [fit_tracks(mappings(300, seed=seed, still=0.4)).no_growth_share for seed in range(6)]
    spread = np.std(fits, ddof=1) / np.sqrt(6)
    assert np.mean(fits) == pytest.approx(0.4, abs=4 * max(spread, np.sqrt(0.24 / 1800)))
    assert fit_tracks(mappings(300, seed=1), may_stand_still=False).no_growth_share == 0.0
    assert fit_tracks(mappings(300, seed=1)).no_growth_share < 0.15


def test_the_spread_of_rates_comes_back():
    fits = np.array(
        [np.log(fit_tracks(mappings(300, seed=10 + s), may_stand_still=False).rate_log_sd) for s in range(6)]
    )
    assert fits.mean() == pytest.approx(np.log(RATE_SD), abs=4 * fits.std(ddof=1) / np.sqrt(6))


def test_damage_mapped_once_removes_the_bias_of_repairing_what_is_large():
    """Large damage grew fast and is repaired at once: the damage mapped again is the slow rest."""
    all_of_it, rest = [], []
    for seed in range(6):
        tracks = mappings(400, seed=20 + seed, correlation=0.8, repair_from=38.0)
        assert 0.2 < 1 - repeated(tracks)["track"].nunique() / 400 < 0.6
        all_of_it.append(errors_of(fit_tracks(tracks, may_stand_still=False)))
        rest.append(errors_of(fit_tracks(repeated(tracks), may_stand_still=False)))
    assert abs(np.mean(all_of_it)) < 4 / np.sqrt(6)
    assert np.mean(rest) < -4 / np.sqrt(6)


def close(left, right, **factors):
    for name in (
        "rate_median",
        "rate_log_sd",
        "no_growth_share",
        "size_log_sd",
        "first_median",
        "first_log_sd",
    ):
        expected = getattr(left, name) * factors.get(name, 1.0)
        assert getattr(right, name) == pytest.approx(expected, rel=5e-3, abs=1e-3 * factors.get(name, 1.0)), (
            name
        )


@pytest.fixture(scope="module")
def tracks():
    return mappings(150, seed=3, still=0.3, repair_from=60.0)


@pytest.fixture(scope="module")
def fit(tracks):
    return fit_tracks(tracks, clock="flight_hours")


@pytest.mark.parametrize("factor", [1 / 24, 365.25])
def test_scaling_the_clock_scales_the_rate_alone(tracks, fit, factor):
    other = fit_tracks(tracks.assign(age=tracks["age"] * factor))
    assert other.rate_median * factor == pytest.approx(fit.rate_median, rel=5e-3)
    close(fit, other, rate_median=1 / factor)


@pytest.mark.parametrize("factor", [1 / 25.4, 1.16])
def test_scaling_the_sizes_scales_rate_and_size(tracks, fit, factor):
    other = fit_tracks(tracks.assign(diameter_mm=tracks["diameter_mm"] * factor))
    close(fit, other, rate_median=factor, first_median=factor)


def test_the_order_of_rows_and_the_names_of_tracks_do_not_matter(tracks, fit):
    shuffled = tracks.sample(frac=1, random_state=4).assign(track=lambda frame: -frame["track"])
    close(fit, fit_tracks(shuffled))


def test_shifting_the_ages_of_a_track_changes_nothing(tracks, fit):
    close(fit, fit_tracks(tracks.assign(age=tracks["age"] + 100.0 * tracks["track"])))


def test_the_frame_carries_units_and_bounds(fit):
    frame = fit.to_frame()
    assert frame.loc["rate_median", "unit"] == "mm per flight_hours"
    assert (
        frame.loc["rate_median", "lower"]
        < frame.loc["rate_median", "value"]
        < frame.loc["rate_median", "upper"]
    )
    assert "\n" not in repr(fit)


def test_the_earlier_name_gives_the_same_fit_and_says_what_to_call(tracks):
    with pytest.warns(DeprecationWarning, match="fit_growth is now fit_tracks"):
        old = fit_growth(tracks, clock="flight_hours", spread_prior=(0.6, 0.35))
    new = fit_tracks(tracks, clock="flight_hours", priors={"rate_log_sd": (0.6, 0.35)})
    assert old.rate_median == new.rate_median
    assert new.rate_log_sd != fit_tracks(tracks).rate_log_sd


@pytest.mark.parametrize("n", [0, 1, 4])
def test_fewer_than_five_damages_mapped_again_are_refused(n):
    tracks = pd.concat(
        [
            mappings(4, seed=1).query("track < @n"),
            mappings(9, seed=2, times=1).assign(track=lambda f: f["track"] + 50),
        ]
    )
    message = (
        rf"^`tracks` must hold at least 5 damages mapped twice or more at different ages\. Got {n}\. State"
    )
    with pytest.raises(ValueError, match=message):
        fit_tracks(tracks)


def test_two_mappings_at_one_age_are_no_repeat():
    tracks = mappings(5, seed=1, times=2)
    tracks.loc[tracks["track"] == 0, "age"] = 3000.0
    with pytest.raises(ValueError, match=r"Got 4\. State"):
        fit_tracks(tracks)


@pytest.mark.parametrize(
    ("column", "value"), [("diameter_mm", 0.0), ("diameter_mm", np.nan), ("age", np.inf)]
)
def test_impossible_sizes_and_ages_are_refused(column, value):
    tracks = mappings(8, seed=1)
    tracks.loc[3, column] = value
    with pytest.raises(
        ValueError,
        match=r"^`tracks` must have positive sizes and finite ages: 1 of 32 rows do not, first row 3",
    ):
        fit_tracks(tracks)


def test_a_missing_column_is_named():
    with pytest.raises(ValueError, match=r"^`tracks` must have a column diameter_mm\. Got track, age\.$"):
        fit_tracks(mappings(8, seed=1).drop(columns="diameter_mm"))


# Size at onset ------------------------------------------------------------------------------------

CURVE = DetectionCurve(a50=25.0, slope=4.0, plateau=0.95)
ONSET, ONSET_SD = 22.0, 0.4
RATES = LinearGrowth(1.0, 1.0, RATE, RATE_SD, no_growth_share=0.3, clock="flight_hours")


def looked_at(n, *, seed, curve=CURVE, shape=1.0):
    """Lives with an onset over the watch, evenly or as the hazard of a shape says; looks every 2000 hours may miss it."""
    rng = np.random.default_rng(seed)
    onset = 16_000 * rng.uniform(0, 1, n) ** (1 / shape)
    start = ONSET * np.exp(ONSET_SD * rng.standard_normal(n))
    rate = np.where(
        rng.random(n) < RATES.no_growth_share, 0.0, RATE * np.exp(RATE_SD * rng.standard_normal(n))
    )
    look = 2000.0 * np.arange(1, 9)
    true = start[:, None] + rate[:, None] * (look - onset[:, None])
    there = look > onset[:, None]
    seen = there & (rng.random(true.shape) < curve.pod(np.where(there, true, 1.0)))
    first = np.where(seen.any(axis=1), seen.argmax(axis=1), look.size - 1)
    rows, k = np.nonzero(np.arange(look.size) <= first[:, None])
    histories = Histories.from_looks(
        pd.DataFrame({"life": rows, "age": look[k], "found": seen[rows, k]}), clock="flight_hours"
    )
    size = true[np.arange(n), first] * np.exp(ERROR * rng.standard_normal(n))
    return histories, np.where(seen.any(axis=1), size, np.nan)


def test_the_size_at_onset_comes_back_from_what_was_found():
    fits = [
        fit_onset_size(*looked_at(400, seed=s), detection=CURVE, growth=RATES, size_log_sd=ERROR)
        for s in range(6)
    ]
    for name, true in (("median", ONSET), ("log_sd", ONSET_SD)):
        logs = np.log([getattr(fit, name) for fit in fits])
        assert logs.mean() == pytest.approx(np.log(true), abs=4 * logs.std(ddof=1) / np.sqrt(6)), name
    # What was found is larger: it grew, and large damage is found more readily.
    assert np.mean([np.log(fit.found_median / ONSET) for fit in fits]) > 0.3


def test_the_spread_of_sizes_at_onset_comes_back_from_damage_that_wears_in():
    """Onsets as likely as their age; taken as evenly spread, growth explains more of the sizes found than it does."""
    found = [looked_at(400, seed=s, shape=2.0) for s in range(5)]
    off = {
        shape: np.array(
            [
                np.log(
                    fit_onset_size(*one, detection=CURVE, growth=RATES, size_log_sd=ERROR, shape=shape).log_sd
                    / ONSET_SD
                )
                for one in found
            ]
        )
        for shape in (1.0, 2.0)
    }
    assert off[2.0].mean() == pytest.approx(0.0, abs=4 * off[2.0].std(ddof=1) / np.sqrt(5))
    assert (off[1.0] < off[2.0]).all()


def test_few_points_of_the_rate_leave_the_size_at_onset_as_many_do():
    """Three points carry a log-normal rate of log standard deviation 0.5 to 0.02 in the median of the size at onset."""
    histories, size = looked_at(200, seed=1)

    def highest(n_rate, n_onset):
        _, _, log_start, seen, chance = find_kernels(
            histories, size, curve=CURVE, growth=RATES, size_log_sd=ERROR, n_rate=n_rate, n_onset=n_onset
        )
        like = OnsetSizeLikelihood(log_size=log_start, seen=seen, chance=chance)
        return minimize(lambda x: -like.log_likelihood(x)[0], [np.log(ONSET), np.log(ONSET_SD)]).x

    few, many = highest(3, 2), highest(12, 4)
    assert few[0] == pytest.approx(many[0], abs=0.02)
    assert few[1] == pytest.approx(many[1], abs=0.05)


def test_size_at_onset_with_looks_that_see_everything():
    curve = DetectionCurve.constant(1.0)
    fits = [
        fit_onset_size(*looked_at(400, seed=s, curve=curve), detection=curve, growth=RATES, size_log_sd=ERROR)
        for s in range(6)
    ]
    logs = np.log([fit.median for fit in fits])
    assert logs.mean() == pytest.approx(np.log(ONSET), abs=4 * logs.std(ddof=1) / np.sqrt(6))


def test_onset_sizes_scale_with_the_sizes():
    histories, size = looked_at(200, seed=1)
    fit = fit_onset_size(histories, size, detection=CURVE, growth=RATES, size_log_sd=ERROR)
    factor = 1.16
    curve = DetectionCurve(CURVE.a50 * factor, CURVE.slope, CURVE.plateau)
    rates = LinearGrowth(1.0, 1.0, RATE * factor, RATE_SD, no_growth_share=0.3)
    other = fit_onset_size(histories, size * factor, detection=curve, growth=rates, size_log_sd=ERROR)
    assert other.median == pytest.approx(fit.median * factor, rel=2e-3)
    assert other.log_sd == pytest.approx(fit.log_sd, rel=1e-2)
    assert other.found_median == pytest.approx(fit.found_median * factor)


def test_ages_of_other_lives_do_not_get_into_a_find():
    """A life of one look stands behind lives of other ages: looks before its first one are those of others."""
    curve = DetectionCurve(a50=25.0, slope=3.7, plateau=0.95)
    alone = [("zone end", 30_000.0, True, 29_000.0)]
    others = [
        *(("long", age, age == 6000.0, 0.0) for age in (2000.0, 4000.0, 6000.0)),
        ("old", 9000.0, False, 0.0),
        ("young", 500.0, False, 0.0),
    ]
    one, many = (
        Histories.from_looks(
            pd.DataFrame(rows, columns=["life", "age", "found", "entry"]), clock="flight_hours"
        )
        for rows in (alone, [*others, *alone])
    )
    kernels = [
        find_kernels(
            lives,
            np.where(np.isfinite(lives.upper), 30.0, np.nan),
            curve=curve,
            growth=RATES,
            size_log_sd=ERROR,
            fewest=0,
        )
        for lives in (one, many)
    ]
    for first, second in zip(kernels[0][3:], kernels[1][3:], strict=True):
        np.testing.assert_allclose(second[-1], first[-1])


def test_sizes_of_lives_never_found_are_not_used():
    histories, size = looked_at(200, seed=1)
    fit = fit_onset_size(histories, size, detection=CURVE, growth=RATES, size_log_sd=ERROR)
    filled = np.where(np.isfinite(histories.upper), size, 500.0)
    assert (
        fit_onset_size(histories, filled, detection=CURVE, growth=RATES, size_log_sd=ERROR).median
        == fit.median
    )
    assert fit.n_finds == int(np.isfinite(histories.upper).sum())
    assert fit.to_frame().loc["onset_median", ["value", "unit"]].tolist() == [fit.median, "mm"]


def test_profile_bounds_of_the_size_at_onset_lie_where_the_likelihood_has_dropped():
    """Highest over the spread on a grid, at the bounds of the median; its former names still go."""
    histories, size = looked_at(200, seed=1)
    fit = fit_onset_size(histories, size, detection=CURVE, growth=RATES, size_log_sd=ERROR)
    top = fit.likelihood.log_likelihood(np.log([fit.median, fit.log_sd]))[0]
    for bound in fit.bounds("onset_median"):
        spread = np.linspace(np.log(0.05), np.log(1.5), 4000)
        heights = fit.likelihood.log_likelihood(np.stack([np.full(4000, np.log(bound)), spread], axis=1))
        assert top - heights.max() == pytest.approx(1.920729, abs=2e-3)
    assert fit.bounds("median", method="wald") == fit.bounds("onset_median", method="wald")


@pytest.mark.parametrize("n", [0, 4])
def test_fewer_than_five_sizes_are_refused(n):
    histories, size = looked_at(60, seed=1)
    found = np.flatnonzero(np.isfinite(size))
    size[found[n:]] = np.nan
    with pytest.raises(
        ValueError, match=rf"^`diameter_mm` must hold at least 5 sizes at first find\. Got {n}\. State"
    ):
        fit_onset_size(histories, size, detection=CURVE, growth=RATES, size_log_sd=ERROR)


@pytest.mark.parametrize("median", [0.12, 1.0])
def test_a_spread_prior_draws_the_spread_towards_its_median_and_the_more_the_narrower_it_is(median):
    histories, size = looked_at(60, seed=2)

    def log_sd(prior):
        return fit_onset_size(
            histories, size, detection=CURVE, growth=RATES, size_log_sd=ERROR, spread_prior=prior
        ).log_sd

    away = [
        abs(np.log(log_sd(prior) / median)) for prior in (None, (median, 1.0), (median, 0.3), (median, 0.02))
    ]
    assert away == sorted(away, reverse=True)
    assert away[0] > 0.3
    assert away[3] < 0.03


def test_arguments_are_taken_by_their_earlier_names_for_one_release():
    histories, size = looked_at(60, seed=1)
    now = fit_onset_size(histories, size, detection=CURVE, growth=RATES, size_log_sd=ERROR)
    with pytest.warns(
        DeprecationWarning, match="`(curve|rates)` of fit_onset_size is now `(detection|growth)`"
    ):
        before = fit_onset_size(histories, size, curve=CURVE, rates=RATES, size_log_sd=ERROR)
    assert before.median == now.median
    with pytest.raises(TypeError, match=r"`detection` must be given once\. Got curve"):
        fit_onset_size(histories, size, curve=CURVE, detection=CURVE, growth=RATES, size_log_sd=ERROR)


def test_the_likelihood_of_the_size_at_onset_is_a_function_with_its_gradient():
    histories, size = looked_at(60, seed=1)
    fit = fit_onset_size(
        histories, size, detection=CURVE, growth=RATES, size_log_sd=ERROR, spread_prior=(0.45, 0.35)
    )
    like, best = fit.likelihood, np.log([fit.median, fit.log_sd])
    points = best + np.array([[0.0, 0.0], [0.1, 0.0], [-0.1, 0.1], [0.0, -0.2]])
    posterior = like.log_likelihood(points) + like.log_prior(points)
    assert posterior.argmax() == 0
    assert fit.log_likelihood == pytest.approx(
        like.log_likelihood(best)[0] - np.log(size[np.isfinite(size)]).sum()
    )
    _, gradient = like.value(points[2])
    steps = 1e-5 * np.eye(2)
    slopes = [(like.value(points[2] + step)[0] - like.value(points[2] - step)[0]) / 2e-5 for step in steps]
    np.testing.assert_allclose(gradient, slopes, rtol=1e-5)
    off = np.linalg.solve(np.linalg.cholesky(fit.covariance.to_numpy()), [0.1, 0.0])
    assert posterior[0] - posterior[1] == pytest.approx(0.5 * off @ off, rel=0.3)


def test_the_highest_point_of_the_size_at_onset_is_that_of_a_search_without_slopes():
    histories, size = looked_at(60, seed=1)
    fit = fit_onset_size(histories, size, detection=CURVE, growth=RATES, size_log_sd=ERROR)
    found = minimize(
        lambda x: -fit.likelihood.log_likelihood(x)[0], np.log([20.0, 0.5]), method="Nelder-Mead",
        options={"xatol": 1e-8, "fatol": 1e-10},
    )  # fmt: skip
    np.testing.assert_allclose([fit.median, fit.log_sd], np.exp(found.x), rtol=1e-4)
