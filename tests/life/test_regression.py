"""Lives with covariates: against another library, a general optimiser, the fit without, and laws."""

import time

import numpy as np
import pandas as pd
import pytest
import surpyval
from scipy.optimize import minimize
from scipy.stats import chi2

from kit.life import (
    COVARIATES,
    Histories,
    NoFiniteMaximum,
    build_histories,
    fit_regression,
    fit_weibull,
    with_covariates,
)
from kit.life.groups.regression_model import RegressionModel
from kit.life.likelihood.rowwise import PerfectRows

INF = np.inf
TRUTH = {"climate[humid]": -0.5, "climate[cold]": 0.2, "subtype[B]": 0.1, "area_m2": -0.2}


def some_rows(seed, n=400):
    """Lives of known truth, some of them under watch late: rows with covariates."""
    rng = np.random.default_rng(seed)
    climate = rng.choice(["dry", "humid", "cold"], n, p=[0.5, 0.3, 0.2])
    subtype, area = rng.choice(["A", "B"], n), rng.normal(2, 0.5, n)
    log_scale = (
        np.log(20000) - 0.5 * (climate == "humid") + 0.2 * (climate == "cold") + 0.1 * (subtype == "B")
    )
    onset = np.exp(log_scale - 0.2 * area) * rng.weibull(1.8, n)
    entry = np.where(rng.random(n) < 0.3, 2000.0, 0.0)
    step = rng.choice([600.0, 1000.0, 1500.0], n)
    end = entry + step * rng.integers(3, 20, n)
    find = entry + step * np.ceil((onset - entry) / step)
    seen = find <= end
    frame = pd.DataFrame(
        {
            "entry": entry,
            "lower": np.where(seen, find - step, end),
            "upper": np.where(seen, find, INF),
            "climate": climate,
            "subtype": subtype,
            "area_m2": area,
            "cluster": rng.integers(0, 30, n),
        }
    )
    return frame[onset > entry].reset_index(drop=True)


def log_likelihood(frame, log_scale, shape):
    """The sum as the definition has it."""

    def hazard(age):
        return (np.asarray(age, float) / np.exp(log_scale)) ** shape

    low, up, start = hazard(frame["lower"]), hazard(frame["upper"]), hazard(frame["entry"])
    return float(np.sum(np.log(np.exp(-low) - np.exp(-up)) + start))


def numbers(frame):
    return np.column_stack(
        [frame["climate"] == "cold", frame["climate"] == "humid", frame["subtype"] == "B", frame["area_m2"]]
    ).astype(float)


@pytest.fixture(scope="module")
def frame():
    return some_rows(1)


@pytest.fixture(scope="module")
def fit(frame):
    return fit_regression(frame, "climate + subtype + area_m2", reference={"climate": "dry", "subtype": "A"})


@pytest.mark.parametrize("model", ["WeibullAFT", "WeibullPH"])
def test_the_fit_is_that_of_surpyval(frame, fit, model):
    """surpyval stops at about 1e-6 in the log of the parameters, so the digits agree to about 1e-4."""
    found = np.isfinite(frame["upper"])
    kind = np.where(~found, 1, np.where(frame["lower"] == 0, -1, 2))
    ages = np.stack(
        [np.where(kind == -1, frame["upper"], frame["lower"]), np.where(found, frame["upper"], frame["lower"])],
        axis=1,
    )  # fmt: skip
    late = np.where(frame["entry"] > 0, frame["entry"], -INF)
    other = getattr(surpyval, model).fit(x=ages, Z=numbers(frame), c=kind, tl=late)
    ours = fit.coefficients.to_numpy()[1:] * (-1 if model == "WeibullAFT" else -fit.shape)
    assert fit.names == ("intercept", "climate[cold]", "climate[humid]", "subtype[B]", "area_m2")
    assert np.exp(fit.coefficients["intercept"]) == pytest.approx(other.params[0], rel=1e-3)
    assert fit.shape == pytest.approx(other.params[1], rel=1e-4)
    assert ours == pytest.approx(other.params[2:], abs=2e-4)
    assert fit.log_likelihood == pytest.approx(-other.neg_ll(), abs=1e-6)
    assert fit.log_likelihood >= -other.neg_ll() - 1e-9


def test_a_general_optimiser_finds_nothing_higher(frame, fit):
    x = np.column_stack([np.ones(len(frame)), numbers(frame)])
    best = np.r_[fit.coefficients, np.log(fit.shape)]
    assert log_likelihood(frame, x @ best[:-1], fit.shape) == pytest.approx(fit.log_likelihood, abs=1e-8)
    other = minimize(
        lambda p: -log_likelihood(frame, x @ p[:-1], np.exp(p[-1])), best + 0.05, method="BFGS", options={"gtol": 1e-4}
    )  # fmt: skip
    assert -other.fun <= fit.log_likelihood + 1e-9
    assert other.x == pytest.approx(best, abs=2e-3)


def test_derivatives_are_those_of_the_likelihood(frame):
    exact = frame.assign(
        lower=np.where(frame.index % 7 == 0, frame["lower"] + 50, frame["lower"]),
        upper=np.where(frame.index % 7 == 0, frame["lower"] + 50, frame["upper"]),
    )
    rows = PerfectRows.from_rows(
        *(exact[c].to_numpy(float) for c in ("entry", "lower", "upper")), np.ones(len(exact)) * 1.5
    )
    model = RegressionModel(rows, numbers(exact), np.full(4, 0.3), np.full(4, 0.7), None)
    design, point, step = model.design, np.array([9.5, 0.1, -0.2, 0.1, -0.1, 0.4]), 1e-5
    _, gradient, hessian = model.surface(design, point)
    for j in range(point.size):
        move = step * np.eye(point.size)[j]
        up, down = model.surface(design, point + move), model.surface(design, point - move)
        assert (up[0] - down[0]) / (2 * step) == pytest.approx(gradient[j], rel=1e-6, abs=1e-5)
        assert (up[1] - down[1]) / (2 * step) == pytest.approx(hessian[j], rel=1e-6, abs=1e-5)


def test_covariance_is_the_inverse_of_the_information_in_the_stated_parameters(frame, fit):
    x = np.column_stack([np.ones(len(frame)), numbers(frame)])
    best, step = np.r_[fit.coefficients, np.log(fit.shape)], 1e-3
    n = best.size
    hessian = np.empty((n, n))

    def at(p):
        return log_likelihood(frame, x @ p[:-1], np.exp(p[-1]))

    for i in range(n):
        for j in range(n):
            a, b = step * np.eye(n)[i], step * np.eye(n)[j]
            hessian[i, j] = (at(best + a + b) - at(best + a - b) - at(best - a + b) + at(best - a - b)) / (
                4 * step**2
            )
    assert fit.covariance @ -hessian == pytest.approx(np.eye(n), abs=2e-3)
    assert fit.standard_error("shape") == pytest.approx(fit.shape * np.sqrt(fit.covariance[-1, -1]))


def test_without_covariates_it_is_the_weibull_fit(frame):
    ours = fit_regression(frame, [])
    weibull = fit_weibull(
        lower=frame["lower"], upper=frame["upper"], entry=frame["entry"], cluster=frame["cluster"]
    )
    assert ours.coefficients["intercept"] == pytest.approx(np.log(weibull.scale), abs=1e-10)
    assert ours.shape == pytest.approx(weibull.shape, rel=1e-10)
    assert ours.covariance == pytest.approx(weibull.covariance, rel=1e-8)
    assert ours.robust_covariance == pytest.approx(weibull.robust_covariance, rel=1e-8)
    assert ours.log_likelihood == pytest.approx(weibull.log_likelihood, abs=1e-9)
    for method in ("wald", "cluster", "profile"):
        assert ours.bounds("shape", method=method) == pytest.approx(
            weibull.bounds("shape", method=method), rel=1e-7
        )
        assert ours.quantile_bounds(0.1, {}, method=method) == pytest.approx(
            weibull.quantile_bounds(0.1, method=method), rel=1e-7
        )
    for method in ("wald", "profile"):
        assert np.array(ours.survival_bounds([3000, 9000], {}, method=method)) == pytest.approx(
            np.array(weibull.survival_bounds([3000, 9000], method=method)), rel=1e-5
        )
    assert fit_regression(frame, "1").log_likelihood == ours.log_likelihood


def test_one_covariate_of_levels_with_the_shape_assumed_is_a_fit_of_each_level(frame):
    fit = fit_regression(frame, "climate", shape=1.8)
    for climate in ("dry", "humid", "cold"):
        part = frame[frame["climate"] == climate]
        alone = fit_weibull(lower=part["lower"], upper=part["upper"], entry=part["entry"], shape=1.8)
        assert float(fit.scale({"climate": climate})) == pytest.approx(alone.scale, rel=1e-9)
        for method in ("wald", "profile"):
            assert fit.quantile_bounds(0.1, {"climate": climate}, method=method) == pytest.approx(
                alone.quantile_bounds(0.1, method=method), rel=1e-6
            )
    assert np.isnan(fit.standard_error("shape"))
    assert fit.n_parameters == 3


def test_truth_is_recovered_within_three_standard_errors():
    fit = fit_regression(
        some_rows(7, 20000), "climate + subtype + area_m2", reference={"climate": "dry", "subtype": "A"}
    )
    for name, value in TRUTH.items():
        assert abs(fit.coefficients[name] - value) < 3 * fit.standard_error(name)
        assert fit.standard_error(name) < 0.03
    assert abs(fit.shape - 1.8) < 3 * fit.standard_error("shape")


def test_the_reference_level_changes_no_prediction(frame, fit):
    other = fit_regression(
        frame, "subtype + area_m2 + climate", reference={"climate": "humid", "subtype": "B"}
    )
    row = {"climate": "cold", "subtype": "A", "area_m2": 1.7}
    assert other.log_likelihood == pytest.approx(fit.log_likelihood, abs=1e-9)
    assert other.quantile(0.1, row) == pytest.approx(fit.quantile(0.1, row), rel=1e-9)
    for method in ("wald", "cluster", "profile"):
        assert other.quantile_bounds(0.1, row, method=method) == pytest.approx(
            fit.quantile_bounds(0.1, row, method=method), rel=1e-7
        )
    assert other.coefficients["climate[dry]"] == pytest.approx(-fit.coefficients["climate[humid]"], abs=1e-9)


def test_units_of_ages_and_covariates_scale_the_answer(frame, fit):
    scaled = frame.assign(area_m2=frame["area_m2"] * 1e4 + 7e5)
    for name in ("entry", "lower", "upper"):
        scaled[name] = frame[name] / 1000
    other = fit_regression(
        scaled, ["climate", "subtype", "area_m2"], reference={"climate": "dry", "subtype": "A"}
    )
    assert other.shape == pytest.approx(fit.shape, rel=1e-9)
    assert other.coefficients["area_m2"] * 1e4 == pytest.approx(fit.coefficients["area_m2"], rel=1e-8)
    assert other.standard_error("area_m2") * 1e4 == pytest.approx(fit.standard_error("area_m2"), rel=1e-8)
    row = {"climate": "cold", "subtype": "A", "area_m2": 1.7}
    assert other.quantile(0.1, row | {"area_m2": 1.7e4 + 7e5}) * 1000 == pytest.approx(
        fit.quantile(0.1, row), rel=1e-8
    )
    assert other.quantile_bounds(0.1, row | {"area_m2": 1.7e4 + 7e5}, method="profile")[
        0
    ] * 1000 == pytest.approx(fit.quantile_bounds(0.1, row, method="profile")[0], rel=1e-7)


def test_order_does_not_matter_and_a_count_is_the_row_that_often(frame, fit):
    shuffled = frame.sample(frac=1, random_state=1)
    other = fit_regression(
        shuffled, "climate + subtype + area_m2", reference={"climate": "dry", "subtype": "A"}
    )
    assert other.coefficients.to_numpy() == pytest.approx(fit.coefficients.to_numpy(), abs=1e-9)
    twice = fit_regression(pd.concat([frame, frame]), "climate + area_m2")
    counted = fit_regression(frame.assign(count=2), "climate + area_m2")
    assert counted.coefficients.to_numpy() == pytest.approx(twice.coefficients.to_numpy(), abs=1e-9)
    assert counted.covariance == pytest.approx(twice.covariance, rel=1e-7)
    assert counted.robust_covariance == pytest.approx(twice.robust_covariance, rel=1e-7)


def test_ratios_and_their_bounds_follow_from_the_coefficients(frame, fit):
    beta = fit.coefficients["area_m2"]
    assert fit.time_ratio["area_m2"] == pytest.approx(np.exp(beta))
    assert fit.hazard_ratio["area_m2"] == pytest.approx(np.exp(-fit.shape * beta))
    row = {"climate": "dry", "subtype": "A", "area_m2": 2.0}
    more = row | {"area_m2": 3.0}
    ages = np.array([2000.0, 8000.0])
    assert fit.quantile([0.1, 0.5], more) / fit.quantile([0.1, 0.5], row) == pytest.approx(np.exp(beta))
    assert np.log(fit.survival(ages, more)) / np.log(fit.survival(ages, row)) == pytest.approx(
        fit.hazard_ratio["area_m2"]
    )
    for method in ("wald", "profile"):
        low, high = fit.hazard_ratio_bounds("area_m2", method=method)
        assert low < fit.hazard_ratio["area_m2"] < high
    table = fit.to_frame()
    assert list(table.index) == [*fit.names, "shape"]
    assert table.loc["area_m2", "time_ratio_upper"] == pytest.approx(np.exp(fit.bounds("area_m2")[1]))


def test_profile_bounds_are_where_the_likelihood_has_dropped_by_half_of_chi_square(frame, fit):
    """At each end a general optimiser over the other parameters is no more than the drop below the top."""
    x = np.column_stack([np.ones(len(frame)), numbers(frame)])
    goal = fit.log_likelihood - chi2.ppf(0.9, 1) / 2
    best = np.r_[fit.coefficients, np.log(fit.shape)]
    for end in fit.bounds("climate[humid]", level=0.9, method="profile"):

        def loss(p, held=end):
            whole = np.insert(p, 2, held)
            return -log_likelihood(frame, x @ whole[:-1], np.exp(whole[-1]))

        other = minimize(loss, np.delete(best, 2), method="BFGS", options={"gtol": 1e-4})
        assert -other.fun == pytest.approx(goal, abs=1e-5)
    for end in fit.hazard_ratio_bounds("climate[humid]", level=0.9, method="profile"):

        def loss_ratio(p, held=end):
            whole = np.insert(p, 2, -np.log(held) / np.exp(p[-1]))
            return -log_likelihood(frame, x @ whole[:-1], np.exp(whole[-1]))

        other = minimize(loss_ratio, np.delete(best, 2), method="BFGS", options={"gtol": 1e-4})
        assert -other.fun == pytest.approx(goal, abs=1e-5)


def test_survival_bounds_and_quantile_bounds_are_one_band(fit):
    row = {"climate": "humid", "subtype": "B", "area_m2": 2.2}
    for method in ("wald", "profile"):
        low, high = fit.quantile_bounds(0.2, row, method=method)
        at_low, at_high = (
            fit.survival_bounds(low, row, method=method),
            fit.survival_bounds(high, row, method=method),
        )
        tolerance = 0.02 if method == "wald" else 1e-6  # Wald: each normal on a scale of its own
        assert float(at_low[0]) == pytest.approx(0.8, abs=tolerance)
        assert float(at_high[1]) == pytest.approx(0.8, abs=tolerance)


def test_likelihood_ratio_tests_are_the_loss_of_the_fit_without_the_term(frame, fit):
    tests = fit.likelihood_ratio_tests()
    without = fit_regression(frame, "subtype + area_m2")
    assert tests.loc["climate", "log_likelihood"] == pytest.approx(without.log_likelihood, abs=1e-8)
    statistic = 2 * (fit.log_likelihood - without.log_likelihood)
    assert tests.loc["climate", "p"] == pytest.approx(chi2.sf(statistic, 2), rel=1e-6)
    assert tests.loc["climate", "degrees_of_freedom"] == 2
    weibull = fit_weibull(lower=frame["lower"], upper=frame["upper"], entry=frame["entry"])
    assert tests.loc["all", "log_likelihood"] == pytest.approx(weibull.log_likelihood)
    assert tests.loc["all", "degrees_of_freedom"] == 4


@pytest.mark.long
def test_covariates_that_do_nothing_are_significant_as_often_as_they_should():
    """Of 200 fits at 5 %, the binomial 99.9 % range is 3 to 22."""
    rng = np.random.default_rng(11)
    low_p = 0
    for _ in range(200):
        frame = some_rows(int(rng.integers(1 << 30)), 150)
        frame["lot"] = rng.choice(["L1", "L2"], len(frame))
        low_p += fit_regression(frame, "lot").likelihood_ratio_tests().loc["lot", "p"] < 0.05
    assert 3 <= low_p <= 22


def test_finds_expected_equal_those_seen_over_each_level_of_a_covariate(frame, fit):
    for column in ("climate", "subtype"):
        table = fit.observed_by_group(frame, column)
        assert table["expected"].to_numpy() == pytest.approx(table["observed"].to_numpy(), abs=1e-6)
    table = fit_regression(frame, "subtype").observed_by_group(frame, "climate")
    assert table["observed"].sum() == pytest.approx(table["expected"].sum())
    assert table.loc["humid", "ratio_lower"] > 1, "what is left out of the fit stands out"


def test_expected_finds_are_the_hazard_gone_through_while_watched(frame, fit):
    """Mean of the cumulative hazard over the interval by brute force."""
    from scipy.integrate import quad

    some = frame.iloc[:25].index
    table = fit.observed_by_group(frame.assign(row=frame.index.astype(str)), "row")
    for row in some:
        life = frame.loc[row]
        scale = float(fit.scale(life.to_dict()))

        def hazard(t, scale=scale):
            return (t / scale) ** fit.shape

        if np.isinf(life["upper"]):
            passed = hazard(life["lower"])
        else:
            weight = quad(lambda h: np.exp(-h), hazard(life["lower"]), hazard(life["upper"]))[0]
            passed = quad(lambda h: h * np.exp(-h), hazard(life["lower"]), hazard(life["upper"]))[0] / weight
        assert table.loc[str(row), "expected"] == pytest.approx(passed - hazard(life["entry"]), abs=1e-7)


def looks_of(frame, seed):
    """Looks that miss a quarter of what is there, with the covariates of each life."""
    rng = np.random.default_rng(seed)
    looks, rows = [], []
    for i in range(frame):
        humid = bool(rng.integers(2))
        onset = 8000 * (0.6 if humid else 1.0) * rng.weibull(2.0)
        rows.append((f"P{i:04}", "humid" if humid else "dry"))
        for age in range(1000, 9000, 1000):
            found = bool(age >= onset and rng.random() < 0.75)
            looks.append((rows[-1][0], float(age), found))
            if found:
                break
    return pd.DataFrame(looks, columns=["life", "age", "found"]), pd.DataFrame(
        rows, columns=["life", "climate"]
    )


def test_looks_that_miss_are_allowed_for():
    looks, climate = looks_of(1500, 3)
    histories = Histories.from_looks(looks)
    frame = histories.to_frame().merge(climate, on="life")
    fit = fit_regression(frame, "climate", reference={"climate": "dry"}, detection=0.75, histories=histories)
    assert abs(fit.coefficients["intercept"] - np.log(8000)) < 3 * fit.standard_error("intercept")
    assert abs(fit.coefficients["climate[humid]"] - np.log(0.6)) < 3 * fit.standard_error("climate[humid]")
    assert abs(fit.shape - 2.0) < 3 * fit.standard_error("shape")
    perfect = fit_regression(frame, "climate", reference={"climate": "dry"})
    assert perfect.coefficients["intercept"] - np.log(8000) > 3 * perfect.standard_error("intercept")
    none = fit_regression(frame, [], detection=0.75, histories=histories)
    weibull = fit_weibull(histories, detection=0.75)
    assert none.coefficients["intercept"] == pytest.approx(np.log(weibull.scale), abs=1e-9)
    assert none.covariance == pytest.approx(weibull.covariance, rel=1e-7)
    with pytest.raises(ValueError, match=r"Got detection=0.75 and no `histories`"):
        fit_regression(frame, "climate", detection=0.75)


def test_a_level_without_finds_is_refused_by_name_with_a_remedy(frame):
    none = frame.assign(side=np.where(np.isinf(frame["upper"]) & (frame.index < 60), "centre", "left"))
    with pytest.raises(
        NoFiniteMaximum, match=r"'side' has no finds at the level 'centre' \(\d+ lives\).*fit_frailty"
    ):
        fit_regression(none, "side + climate")
    with pytest.raises(NoFiniteMaximum, match="'side' has no finds at the level 'centre'"):
        fit_regression(none, "side", reference={"side": "centre"})
    always = frame.assign(side="left")
    first = (frame["lower"] == frame["entry"]) & np.isfinite(frame["upper"])
    always.loc[first, "side"] = "right"
    with pytest.raises(
        NoFiniteMaximum, match=r"'side' has no life with a clean look .* at the level 'right'"
    ):
        fit_regression(always, "side")


def test_a_number_that_tells_finds_from_the_rest_is_refused_by_name():
    """Only areas above 3 have finds: the larger the coefficient the better."""
    rng = np.random.default_rng(4)
    area = rng.uniform(1, 5, 80)
    found = area > 3
    frame = pd.DataFrame(
        {"lower": np.where(found, 0.0, 3000.0), "upper": np.where(found, 1000.0, INF), "area": area}
    )
    frame.loc[0, ["lower", "upper", "area"]] = (
        2000.0,
        3000.0,
        3.0,
    )  # keeps the fit without covariates finite
    with pytest.raises(NoFiniteMaximum, match="area"):
        fit_regression(frame, "area")


def test_no_finds_at_all_are_refused(frame):
    with pytest.raises(NoFiniteMaximum):
        fit_regression(frame.assign(upper=INF), "area_m2")


@pytest.mark.parametrize(
    ("change", "wanted", "words"),
    [
        ({"area_m2": 2.0}, "area_m2", r"'area_m2' must differ between rows. Got 2 in all"),
        ({"climate": "dry"}, "climate", r"'climate' must differ between rows. Got 'dry' in all"),
        ({}, "climate + colour", r"Got colour. There are .*climate"),
        ({}, "climate * subtype", r"Got 'climate \* subtype'"),
        ({}, "climate + climate", r"Got 'climate' twice"),
        ({}, ["lower"], r"Got 'lower', which says when the life was watched"),
        ({"area_m2": np.nan}, "area_m2", r"'area_m2' must be a finite number in every row: \d+ of \d+ rows are not"),
    ],
)  # fmt: skip
def test_what_cannot_be_a_covariate_is_refused(frame, change, wanted, words):
    with pytest.raises(ValueError, match=words):
        fit_regression(frame.assign(**change), wanted)


def test_covariates_that_follow_from_each_other_are_refused(frame):
    double = frame.assign(area_ft2=frame["area_m2"] * 10.764 + 3)
    with pytest.raises(ValueError, match="Got area_m2, area_ft2, of which one is a sum of the others"):
        fit_regression(double, "area_m2 + climate + area_ft2")


def test_rows_to_predict_are_checked(frame, fit):
    with pytest.raises(ValueError, match=r"'climate' must be one of dry, cold, humid. Got 'arctic'"):
        fit.scale({"climate": "arctic", "subtype": "A", "area_m2": 2.0})
    with pytest.raises(ValueError, match="The rows must have the column 'area_m2'"):
        fit.scale({"climate": "dry", "subtype": "A"})
    with pytest.raises(
        ValueError, match=r"`reference` of 'climate' must be one of its levels: .* Got 'arctic'"
    ):
        fit_regression(frame, "climate", reference={"climate": "arctic"})
    with pytest.raises(ValueError, match=r"Got 'colour'"):
        fit.bounds("colour")
    many = fit.survival([1000, 2000, 3000], frame.iloc[:4])
    assert many.shape == (4, 3)
    assert many[2] == pytest.approx(fit.survival([1000, 2000, 3000], frame.iloc[2].to_dict()))


def test_numbers_become_levels_when_asked_and_blanks_are_a_level(frame):
    faces = frame.assign(faces=np.arange(len(frame)) % 2 + 1, climate=frame["climate"].replace("cold", ""))
    fit = fit_regression(faces, "C(faces) + climate")
    assert fit.names == (
        "intercept",
        "faces[2]" if fit.terms[0].levels[0] == "1" else "faces[1]",
        *fit.names[2:],
    )
    assert "climate[not known]" in fit.names


def test_few_finds_and_few_clusters_are_said():
    small = some_rows(2, 60)
    fit = fit_regression(small.assign(cluster=np.arange(len(small)) % 3), "climate + subtype + area_m2")
    assert any("3 clusters: fewer than 10" in caution for caution in fit.cautions)
    assert any("finds for 4 coefficients" in caution for caution in fit.cautions)


def test_a_hundred_thousand_rows_take_about_a_second():
    """Half a second when written; the bound leaves room for a busy machine."""
    frame = some_rows(5, 120_000)
    frame = pd.concat([frame, frame]).iloc[:100_000]
    frame["extra"] = np.random.default_rng(1).normal(size=len(frame))
    begin = time.perf_counter()
    fit_regression(frame, "climate + subtype + area_m2 + extra")
    assert time.perf_counter() - begin < 3


@pytest.fixture
def moved(hand):
    """P1 is for 1000 days on A1 (dry) at Z1, then on A2 (humid) at Z2; A3 moves base on day 500."""
    hand.aircraft("A1").aircraft("A2").aircraft("A3")
    hand.panel("P1", "A1", until=1000, build_lot="L7").panel("P1", "A2", zone="Z2", on=1000, state="unknown")
    hand.panel("P3", "A3")
    for i, (aircraft, start, end, climate) in enumerate(
        [("A1", 0, None, "dry"), ("A2", 0, None, "humid"), ("A3", 0, 500, "dry"), ("A3", 501, None, "cold")]
    ):
        stay = {
            "stay": f"B{i}",
            "aircraft": aircraft,
            "valid_from": day(start),
            "base": "Drywold",
            "climate": climate,
        }
        hand._add("basing", **stay, **({} if end is None else {"valid_to": day(end)}))
    return hand


def day(n):
    return (pd.Timestamp("2010-01-01") + pd.Timedelta(days=n)).strftime("%Y-%m-%d")


def covariates(hand, **options):
    fleet = hand.load()
    histories = build_histories(fleet, **{"clock": "calendar_days"} | options)
    return with_covariates(histories, fleet, COVARIATES).set_index("life")


def test_place_and_climate_are_those_of_most_of_the_watch(moved):
    moved.clean("A1", 400, 900).clean("A3", 300, 900)
    table = covariates(moved)
    assert table.loc["P1", ["zone", "aircraft", "climate"]].tolist() == ["Z1", "A1", "dry"]
    assert table.loc["P3", "climate"] == "dry"
    moved.clean("A2", 2500, zone="Z2").clean("A3", 1100)
    table = covariates(moved)
    assert table.loc["P1", ["zone", "aircraft", "climate"]].tolist() == ["Z2", "A2", "humid"]
    assert table.loc["P3", "climate"] == "cold"


def test_covariates_of_zone_panel_and_aircraft_are_attached(moved):
    moved.clean("A1", 400).clean("A3", 300)
    table = covariates(moved)
    assert table.loc["P1", ["group", "side", "subtype", "build_lot", "repair_class"]].tolist() == [
        "flap",
        "left",
        "S1",
        "L7",
        "not repaired",
    ]
    assert table.loc["P3", "build_lot"] == "not known"
    assert table.loc["P3", "core_material"] == "not known"
    assert table.attrs == {"clock": "calendar_days", "kind": "disbond"}


def test_a_life_after_a_repair_has_its_class_and_its_own_watch(moved):
    """P3 is repaired on day 700 at half its age: it counts from 350, but stands at the cold base."""
    moved.clean("A1", 400).clean("A3", 300)
    finding = moved.find("A3", 700)
    finding = finding if isinstance(finding, str) else moved.rows["findings"][-1]["finding"]
    moved.repair(finding, 700, 0.5)
    moved.clean("A3", 1000)
    table = covariates(moved, include_repaired=True)
    assert table.loc["P3", ["climate", "repair_class"]].tolist() == ["dry", "not repaired"]
    after = table.loc["P3 after repair 1"]
    assert (after["entry"], after["lower"]) == (350, 650)
    assert after["climate"] == "cold"
    assert after["repair_class"] == moved.rows["repairs"][-1]["repair_class"]


def test_histories_of_another_fleet_are_refused(moved):
    moved.clean("A1", 400).clean("A3", 300)
    strange = Histories.from_looks(
        pd.DataFrame({"life": ["X9"], "age": [5.0], "found": [True]}), clock="flight_hours"
    )
    with pytest.raises(ValueError, match="1 of 1 lives are not, first 'X9'"):
        with_covariates(strange, moved.load(), ["zone"])
    with pytest.raises(ValueError, match="Got colour"):
        with_covariates(strange, moved.load(), ["colour"])


def test_the_demo_fleet_gives_every_life_every_covariate(demo_fleet):
    histories = build_histories(demo_fleet, include_repaired=True)
    frame = with_covariates(histories, demo_fleet, COVARIATES)
    assert len(frame) == len(histories)
    assert not frame[list(COVARIATES)].isna().any().any()
    zones = demo_fleet.tables["zones"].set_index("zone")
    assert (zones["side"].reindex(frame["zone"]).to_numpy() == frame["side"].to_numpy()).all()
    after = frame["life"].str.contains("after repair")
    assert ((frame["repair_class"] == "not repaired") == ~after).all()
    fit = fit_regression(frame, "climate")
    assert fit.n_finds == histories.n_finds


def test_without_a_row_a_regression_answers_for_all_panels_that_were_fitted():
    """Share and age are those of the mixture: the mean over the lives, each with its own covariates."""
    rng = np.random.default_rng(2)
    dry = np.arange(300) % 3 == 0
    onset = np.where(dry, 9000.0, 5000.0) * rng.weibull(2.0, 300)
    upper = 700 * np.ceil(onset / 700)
    table = pd.DataFrame({"lower": upper - 700, "upper": upper, "climate": np.where(dry, "dry", "wet")})
    fit = fit_regression(table, "climate")
    ages = np.array([1000.0, 4000.0, 8000.0])
    mixed = fit.survival(ages, {"climate": "dry"}) / 3 + 2 * fit.survival(ages, {"climate": "wet"}) / 3
    np.testing.assert_allclose(fit.survival(ages), mixed, rtol=1e-12)
    np.testing.assert_allclose(1 - fit.survival(fit.quantile([0.01, 0.1, 0.5])), [0.01, 0.1, 0.5], rtol=1e-9)
    assert fit.survival(1000.0, given=2000.0) == 1.0
    # A mixture has its early finds among those that are worst off: sooner than a panel between the two.
    between = np.sqrt(fit.scale({"climate": "dry"}) * fit.scale({"climate": "wet"}))
    assert fit.quantile(0.01) < between * (-np.log1p(-0.01)) ** (1 / fit.shape)


def test_bounds_of_a_regression_ask_whose_they_are():
    table = pd.DataFrame(
        {"lower": [0, 500, 900, 0.0], "upper": [500, 900, np.inf, 900], "wing": [0, 1, 0, 1]}
    )
    fit = fit_regression(table, "wing", shape=2.0)
    for call in (lambda: fit.quantile_bounds(0.1), lambda: fit.survival_bounds(500.0)):
        with pytest.raises(
            ValueError, match=r"`row` must say whose bounds are wanted: a value for each of wing\."
        ):
            call()
    none = fit_regression(table, "1", shape=2.0)
    assert none.quantile_bounds(0.1) == none.quantile_bounds(0.1, {})
