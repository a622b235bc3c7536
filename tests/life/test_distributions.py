"""Other families by the same likelihood, and bounds that hold for all of them."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import surpyval
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats
from scipy.optimize import minimize

from kit.life import DISTRIBUTIONS, Histories, NoFiniteMaximum, compare_lives, fit_life, fit_weibull
from kit.life.likelihood.families import FAMILIES, LOGLOGISTIC, LOGNORMAL, WEIBULL
from kit.life.likelihood.likelihood import FamilyTerms, PerfectTerms, row_scores

REFERENCES = Path(__file__).parents[1] / "data" / "references"
EXPECTED = pd.read_csv(REFERENCES / "expected.csv").set_index(["case", "quantity"])
INF = np.inf
SCIPY = {
    "weibull": lambda scale, shape: stats.weibull_min(shape, scale=scale),
    "lognormal": lambda scale, shape: stats.lognorm(1 / shape, scale=scale),
    "loglogistic": lambda scale, shape: stats.fisk(shape, scale=scale),
}


def some_rows(seed, n=120):
    """Interval-censored, late, exact and never found: entry, lower, upper, count."""
    rng = np.random.default_rng(seed)
    onset = 5000 * rng.weibull(1.8, n)
    entry = np.where(rng.random(n) < 0.3, 0.3 * onset, 0.0).round()
    step = rng.choice([400.0, 600.0, 900.0], n)
    lower = np.maximum(np.floor(onset / step) * step, entry)
    upper = lower + step
    late = rng.random(n) < 0.4
    lower, upper = np.where(late, np.maximum(lower * 0.7, entry), lower), np.where(late, INF, upper)
    exact = rng.random(n) < 0.1
    age = np.maximum(onset.round(), entry + 1)
    return (
        entry,
        np.where(exact, age, lower),
        np.where(exact, age, upper),
        rng.integers(1, 4, n).astype(float),
    )


def rows_as_keywords(seed, n=120):
    return dict(zip(("entry", "lower", "upper", "count"), some_rows(seed, n), strict=True))


def scipy_log_likelihood(name, point, rows):
    """The same sum from scipy's distributions."""
    life = SCIPY[name](*np.exp(point))
    entry, lower, upper, count = rows
    exact = lower == upper
    with np.errstate(divide="ignore", invalid="ignore"):
        between = np.log(life.sf(lower) - life.sf(upper))
    return float(count @ (np.where(exact, life.logpdf(lower), between) - life.logsf(entry)))


@pytest.mark.parametrize("family", FAMILIES.values(), ids=lambda f: f.name)
def test_derivatives_of_a_family_are_those_of_its_hazard(family):
    z, step = np.linspace(-6, 6, 25), 1e-5
    h, rate, bend = family.cumulative_hazard(z)
    assert (family.cumulative_hazard(z + step)[0] - family.cumulative_hazard(z - step)[0]) / (
        2 * step
    ) == pytest.approx(rate, rel=1e-6, abs=1e-12)
    assert (family.cumulative_hazard(z + step)[1] - family.cumulative_hazard(z - step)[1]) / (
        2 * step
    ) == pytest.approx(bend, rel=1e-6, abs=1e-9)
    g, g1, g2 = family.log_hazard(z)
    assert np.exp(g) == pytest.approx(rate, rel=1e-12)
    assert (family.log_hazard(z + step)[0] - family.log_hazard(z - step)[0]) / (2 * step) == pytest.approx(
        g1, rel=1e-6, abs=1e-9
    )
    assert (family.log_hazard(z + step)[1] - family.log_hazard(z - step)[1]) / (2 * step) == pytest.approx(
        g2, rel=1e-5, abs=1e-8
    )
    assert family.inverse_cumulative_hazard(h) == pytest.approx(z, rel=1e-9, abs=1e-9)


@pytest.mark.parametrize("name", SCIPY)
def test_survival_density_quantile_and_moments_are_scipys(name):
    """scipy 1.15 or later: weibull_min, lognorm and fisk."""
    fit = fit_life(distribution=name, **rows_as_keywords(1))
    life, ages = SCIPY[name](fit.scale, fit.shape), np.array([100.0, 3000.0, 9000.0])
    assert fit.survival(ages) == pytest.approx(life.sf(ages), rel=1e-10)
    assert fit.survival(ages, given=2000.0) == pytest.approx(
        np.minimum(life.sf(ages) / life.sf(2000.0), 1.0), rel=1e-9
    )
    assert fit.density(ages) == pytest.approx(life.pdf(ages), rel=1e-9)
    assert fit.quantile([0.0, 0.01, 0.5]) == pytest.approx(life.ppf([0.0, 0.01, 0.5]), rel=1e-9)
    if np.isfinite(fit.standard_deviation):
        assert (fit.mean, fit.standard_deviation) == pytest.approx((life.mean(), life.std()), rel=1e-7)


@pytest.mark.parametrize("family", [WEIBULL, LOGNORMAL, LOGLOGISTIC], ids=lambda f: f.name)
def test_the_log_likelihood_and_its_derivatives_are_right(family):
    rows = some_rows(2)
    terms = FamilyTerms(PerfectTerms.from_rows(*rows), family)
    point = np.array([np.log(5200.0), np.log(1.4)])
    value, gradient, hessian = terms.value(*point)
    assert value == pytest.approx(scipy_log_likelihood(family.name, point, rows), rel=1e-11)
    step = 1e-5
    for j in (0, 1):
        shift = np.eye(2)[j] * step
        up, down = terms.value(*(point + shift)), terms.value(*(point - shift))
        assert gradient[j] == pytest.approx((up[0] - down[0]) / (2 * step), rel=1e-5, abs=1e-4)
        assert hessian[j] == pytest.approx((up[1] - down[1]) / (2 * step), rel=1e-5, abs=1e-4)
    assert row_scores(*rows, *point, family).sum(axis=0) == pytest.approx(gradient, rel=1e-9, abs=1e-8)


def test_the_general_form_of_the_weibull_is_the_fast_one():
    rows = some_rows(3)
    merged = PerfectTerms.from_rows(*rows)
    for got, want in zip(FamilyTerms(merged, WEIBULL).value(8.3, 0.4), merged.value(8.3, 0.4), strict=True):
        assert got == pytest.approx(want, rel=1e-11)


@pytest.mark.parametrize("name", ["lognormal", "loglogistic"])
@pytest.mark.parametrize("seed", range(4))
def test_a_general_optimiser_finds_nothing_higher(name, seed):
    rows = some_rows(seed)
    fit = fit_life(distribution=name, **rows_as_keywords(seed))
    found = minimize(
        lambda p: -scipy_log_likelihood(name, p, rows),
        np.log([fit.scale * 1.3, fit.shape * 0.8]),
        method="Nelder-Mead",
        options={"xatol": 1e-9, "fatol": 1e-11, "maxiter": 4000},
    )
    assert fit.log_likelihood >= -found.fun - 1e-9
    assert np.log([fit.scale, fit.shape]) == pytest.approx(found.x, abs=2e-5)


@pytest.mark.parametrize(("name", "theirs"), [("lognormal", "LogNormal"), ("loglogistic", "LogLogistic")])
def test_another_library_agrees(name, theirs):
    """surpyval 0.25, whose stopping rule leaves about 1e-5."""
    entry, lower, upper, count = some_rows(5)
    between = (lower < upper) & (entry < lower)  # the other library refuses an entry at the last clean look
    lower, upper, entry, count = lower[between], upper[between], entry[between], count[between].astype(int)
    fit = fit_life(distribution=name, lower=lower, upper=upper, entry=entry, count=count)
    other = getattr(surpyval, theirs).fit(xl=lower, xr=upper, tl=entry, n=count)
    ages = np.array([1000.0, 4000.0, 8000.0])
    assert fit.survival(ages) == pytest.approx(other.sf(ages), rel=1e-4)


def test_the_exponential_is_finds_over_exposure_nelson_1982_diesel_fans():
    """B7: 12 finds in 344,440 hours; the text prints 28701 from ages before rounding."""
    data = pd.read_csv(next(REFERENCES.glob("B7_*.csv")))
    found = data.iloc[:, 1].to_numpy() == 1
    hours = data.iloc[:, 0].to_numpy(float)
    count = data.iloc[:, 2].to_numpy(float) if data.shape[1] > 2 else None
    fit = fit_life(distribution="exponential", lower=hours, upper=np.where(found, hours, INF), count=count)
    row = EXPECTED.loc[("B7", "exponential_mean_hours")]
    assert fit.scale == pytest.approx(row["expected"], abs=row["tol_abs"])
    assert fit.distribution == "exponential"
    assert fit.n_parameters == 1


@pytest.mark.parametrize("name", ["weibull", "lognormal", "loglogistic"])
def test_with_constant_detection_of_1_nothing_changes(name):
    rng = np.random.default_rng(4)
    looks = []
    for i in range(80):
        onset, ages = 3000 * rng.weibull(2.0), np.arange(500.0, 4001.0, 500.0)
        for age in ages:
            looks.append({"life": f"P{i}", "age": age, "found": age >= onset, "entry": 0.0})
            if age >= onset:
                break
    histories = Histories.from_looks(pd.DataFrame(looks))
    perfect = fit_life(histories, distribution=name)
    nearly = fit_life(histories, distribution=name, detection=1 - 1e-12)
    assert (nearly.scale, nearly.shape) == pytest.approx((perfect.scale, perfect.shape), rel=1e-6)
    missing = fit_life(histories, distribution=name, detection=0.6)
    assert missing.quantile(0.1) < perfect.quantile(0.1)


@settings(max_examples=15, deadline=None)
@given(st.integers(0, 1000), st.floats(0.001, 1000), st.sampled_from(DISTRIBUTIONS))
def test_the_unit_of_age_only_scales_the_scale(seed, unit, name):
    rows = rows_as_keywords(seed)
    one = fit_life(distribution=name, **rows)
    ages = {k: rows[k] * unit for k in ("entry", "lower", "upper")}
    other = fit_life(distribution=name, **ages, count=rows["count"])
    assert other.scale == pytest.approx(one.scale * unit, rel=1e-7)
    assert other.shape == pytest.approx(one.shape, rel=1e-7)


def test_a_comparison_shows_all_and_chooses_none():
    rows = rows_as_keywords(1)
    table = compare_lives(**rows).to_frame()
    assert table.index.tolist() == list(DISTRIBUTIONS)
    assert table["aic_above_least"].min() == 0.0
    weibull, exponential = fit_weibull(**rows), fit_life(distribution="exponential", **rows)
    gain = 2 * (weibull.log_likelihood - exponential.log_likelihood)
    assert table.loc["weibull", "p_against_exponential"] == pytest.approx(stats.chi2.sf(gain, 1))
    assert table["p_against_exponential"].drop("weibull").isna().all()
    assert (table["age_lower"] < table["age_at_share"]).all()
    assert (table["age_at_share"] < table["age_upper"]).all()


def test_a_distribution_without_a_maximum_is_listed_with_its_reason():
    """One age explains all finds, so only the exponential has a maximum."""
    comparison = compare_lives(lower=[100, 0], upper=[300, 250])
    table = comparison.to_frame()
    assert table["refused"].ne("").to_dict() == {
        "weibull": True,
        "exponential": False,
        "lognormal": True,
        "loglogistic": True,
    }
    with pytest.raises(NoFiniteMaximum, match="no finds"):
        compare_lives(lower=[10], upper=[INF])


def test_what_does_not_go_together_is_refused():
    with pytest.raises(ValueError, match="must be one of weibull, exponential, lognormal, loglogistic"):
        fit_life(distribution="gamma", lower=[1], upper=[2])
    with pytest.raises(ValueError, match="shape=2 with exponential"):
        fit_life(distribution="exponential", shape=2, lower=[1], upper=[2])


@pytest.mark.parametrize("name", ["weibull", "lognormal", "loglogistic"])
def test_profile_bands_are_the_profile_bounds_of_each_quantile(name):
    fit = fit_life(distribution=name, **rows_as_keywords(1))
    shares = np.array([0.01, 0.1, 0.5, 0.9])
    low, high = fit.quantile_band(shares)
    for i, share in enumerate(shares):
        assert (low[i], high[i]) == pytest.approx(fit.quantile_bounds(share, method="profile"), rel=2e-6)


@pytest.mark.parametrize("few", [False, True])
def test_profile_bounds_of_survival_are_those_of_the_quantile_seen_the_other_way(few):
    rows = rows_as_keywords(1, n=120)
    if few:
        rows = {"lower": [0, 500, 1500, 2500], "upper": [600, 900, 2400, INF], "count": [1, 1, 1, 40]}
    fit = fit_weibull(**rows)
    age = fit.quantile_bounds(0.1, method="profile")[0]
    low, _ = fit.survival_bounds([age], method="profile")
    assert low == pytest.approx(0.9, abs=2e-6)


@pytest.mark.filterwarnings("ignore::kit.life.FewFindsWarning")
@pytest.mark.parametrize("method", ["wald", "profile"])
def test_bounds_of_survival_never_leave_0_and_1_and_conditional_ones_begin_at_1(method):
    fit = fit_weibull(lower=[0, 500, 1500], upper=[600, 900, INF], count=[1, 1, 300])
    ages = np.array([1.0, 100.0, 1500.0, 5e4, 1e7])
    low, high = fit.survival_bounds(ages, method=method)
    assert (low >= 0).all()
    assert (high <= 1).all()
    assert (low <= fit.survival(ages)).all()
    assert (fit.survival(ages) <= high).all()
    low, high = fit.survival_bounds([1000.0, 2000.0, 9000.0], given=2000.0, method=method)
    assert low[:2].tolist() == high[:2].tolist() == [1.0, 1.0]
    assert low[2] < fit.survival(9000.0, given=2000.0) < high[2] < 1


@pytest.mark.long
def test_profile_bounds_of_conditional_survival_are_extremes_over_the_likely_parameters():
    rows = rows_as_keywords(6)
    fit = fit_weibull(**rows)
    low, high = (float(x[0]) for x in fit.survival_bounds([6000.0], given=3000.0, method="profile"))
    goal = fit.log_likelihood - stats.chi2.ppf(0.95, 1) / 2
    scale, shape = np.meshgrid(
        fit.scale * np.exp(np.linspace(-0.5, 0.5, 161)), fit.shape * np.exp(np.linspace(-0.6, 0.6, 161))
    )
    likely = np.array(
        [
            fit.terms.value(np.log(a), np.log(b))[0] >= goal
            for a, b in zip(scale.flat, shape.flat, strict=True)
        ]
    ).reshape(scale.shape)
    share = np.exp((3000 / scale) ** shape - (6000 / scale) ** shape)[likely]
    assert low == pytest.approx(share.min(), abs=2e-3)
    assert high == pytest.approx(share.max(), abs=2e-3)
    assert low <= share.min()
    assert high >= share.max()
