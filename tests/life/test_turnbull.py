"""The estimate without a model, against published cases, product limits, another library and a general optimiser."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import surpyval
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import minimize

from kit.life import Histories, fit_turnbull, fit_weibull

REFERENCES = Path(__file__).parents[1] / "data" / "references"
EXPECTED = pd.read_csv(REFERENCES / "expected.csv").set_index(["case", "quantity"])
INF = np.inf


def expected(case, quantity):
    row = EXPECTED.loc[(case, quantity)]
    return pytest.approx(row["expected"], abs=row["tol_abs"])


def read(case):
    return pd.read_csv(next(REFERENCES.glob(f"{case}_*.csv")))


def ages_and_lives(seed, *, n=40, late=True):
    """Lives seen at looks of their own: entry, lower, upper."""
    rng = np.random.default_rng(seed)
    onset = 10 * rng.weibull(1.5, 4 * n)
    entry = np.where(rng.random(4 * n) < 0.5, rng.integers(0, 6, 4 * n), 0).astype(float) * late
    keep = np.flatnonzero(onset > entry)[:n]
    onset, entry = onset[keep], entry[keep]
    step = rng.integers(1, 4, keep.size)
    looks = entry + step * np.ceil((onset - entry) / step)
    last = entry + step * rng.integers(1, 6, keep.size)
    seen = looks <= last
    return entry, np.where(seen, looks - step, last), np.where(seen, looks, INF)


def log_likelihood(fit, entry, lower, upper):
    """Log-likelihood of the masses themselves, not of the hazards that they were made from."""
    mass, left, right = fit.mass, fit.lower, fit.upper
    inside = (left >= lower[:, None]) & (right <= np.where(np.isinf(upper), np.inf, upper)[:, None])
    after = left >= entry[:, None]
    return float(np.log((inside * mass).sum(axis=1) / (after * mass).sum(axis=1)).sum())


def test_masses_finkelstein_and_wolfe_1985_radiation_only():
    """Masses of Fay and Shaw 2010, section 4.1, which print four digits; expected to 1e-5."""
    data = read("A2")
    fit = fit_turnbull(lower=data["left_months"], upper=data["right_months"])
    mass = {f"({a:g},{b:g}]": m for a, b, m in fit.to_frame().itertuples(index=False)}
    positive = {name: m for name, m in mass.items() if m > 1e-9}
    assert len(mass) == expected("A2", "turnbull_innermost_intervals_incl_zero_mass")
    assert len(positive) == expected("A2", "turnbull_support_intervals")
    for name, value in positive.items():
        assert value == expected("A2", f"turnbull_mass_{name}")
    assert fit.log_likelihood == expected("A2", "turnbull_loglik")


def test_masses_fay_and_shaw_2010_small_example_are_exact():
    data = read("A6")
    fit = fit_turnbull(lower=data["left"], upper=data["right"])
    assert fit.mass == pytest.approx([2 / 7, 2 / 7, 3 / 14, 3 / 14], abs=1e-8)
    assert fit.log_likelihood == expected("A6", "loglik")


def test_share_nelson_1982_part_cracking_is_the_cumulative_count():
    """One common inspection each: the estimate is cumulative finds over 167 parts."""
    data = read("A1")
    fit = fit_turnbull(lower=data["lower_months"], upper=data["upper_months"], count=data["count"])
    for age in ("6.12", "19.92", "29.64", "35.4", "39.72", "45.24", "52.32", "63.48"):
        assert 1 - fit.survival_range(float(age))[1] == expected("A1", f"npmle_F_{age}")


def test_share_meeker_and_escobar_1998_heat_exchanger_tubes():
    data = read("A3")
    fit = fit_turnbull(lower=data["lower_years"], upper=data["upper_years"], count=data["count"])
    for year in (1, 2, 3):
        assert 1 - fit.survival_range(year)[1] == expected("A3", f"np_F_year{year}")


def test_exact_ages_with_left_truncation_give_the_product_limit():
    """Channing House men (Hyde 1980): the product over deaths after 816 months, given alive then."""
    data = read("B6")
    data = data[data["exit_age_months"] > data["entry_age_months"]]
    entry, leave = (data[c].to_numpy(float) for c in ("entry_age_months", "exit_age_months"))
    died = data["died"].to_numpy() == 1
    fit = fit_turnbull(lower=leave, upper=np.where(died, leave, INF), entry=entry)
    share = 1.0
    for age in np.unique(leave[died & (leave > 816)]):
        share *= 1 - (died & (leave == age)).sum() / ((entry < age) & (leave >= age)).sum()
        assert fit.survival_range(age, given=816)[0] == pytest.approx(share, rel=1e-9, abs=1e-12)
        assert fit.survival_range(age, given=816)[1] == pytest.approx(share, rel=1e-9, abs=1e-12)


def test_a_risk_set_that_runs_out_early_is_said():
    fit = fit_turnbull(lower=[5, 12, 15], upper=[5, 12, INF], entry=[1, 8, 8])
    assert fit.runs_out_at == 5
    assert any("at 5 all lives then under watch had damage" in caution for caution in fit.cautions)
    assert float(fit.survival_range(12, given=8)[1]) == pytest.approx(0.5)
    assert float(fit.survival_range(12)[1]) == 0.0


@pytest.mark.parametrize("seed", range(6))
def test_a_general_optimiser_finds_nothing_higher_with_left_truncation(seed):
    entry, lower, upper = ages_and_lives(seed, n=25)
    fit = fit_turnbull(lower=lower, upper=upper, entry=entry)
    k = fit.mass.size
    inside = (fit.lower >= lower[:, None]) & (fit.upper <= upper[:, None])
    after = fit.lower >= entry[:, None]

    def loss(logits):
        mass = np.exp(logits - logits.max())
        value = np.log(np.maximum(inside @ mass, 1e-300)) - np.log(np.maximum(after @ mass, 1e-300))
        return -float(value.sum())

    rng = np.random.default_rng(seed)
    best = min(minimize(loss, rng.normal(0, 1, k), method="BFGS").fun for _ in range(3))
    assert log_likelihood(fit, entry, lower, upper) == pytest.approx(fit.log_likelihood, abs=1e-8)
    assert fit.log_likelihood >= -best - 1e-8


def test_another_library_agrees_without_left_truncation():
    """surpyval 0.25, asked for products of shares (its default takes exponentials of summed hazards)."""
    _, lower, upper = ages_and_lives(3, n=400, late=False)
    fit = fit_turnbull(lower=lower, upper=upper)
    theirs = surpyval.Turnbull.fit(xl=lower, xr=upper, turnbull_estimator="Kaplan-Meier")
    ages = np.array([2.0, 4.0, 6.0, 8.0])
    assert fit.survival_range(ages)[1] == pytest.approx(theirs.sf(ages + 1e-9), abs=1e-6)


@settings(max_examples=25, deadline=None)
@given(st.integers(0, 10_000), st.floats(0.01, 1000))
def test_order_counts_and_unit_do_not_matter(seed, unit):
    entry, lower, upper = ages_and_lives(seed)
    fit = fit_turnbull(lower=lower, upper=upper, entry=entry)
    order = np.random.default_rng(seed).permutation(lower.size)
    again = fit_turnbull(lower=lower[order] * unit, upper=upper[order] * unit, entry=entry[order] * unit)
    assert again.log_likelihood == pytest.approx(fit.log_likelihood, abs=1e-8)
    doubled = fit_turnbull(lower=lower, upper=upper, entry=entry, count=np.full(lower.size, 2.0))
    assert doubled.log_likelihood == pytest.approx(2 * fit.log_likelihood, abs=1e-7)
    assert fit.mass.sum() == pytest.approx(1.0, abs=1e-12)
    assert (fit.mass >= 0).all()


@settings(max_examples=25, deadline=None)
@given(st.integers(0, 10_000))
def test_no_model_is_likelier_than_the_estimate_without_one(seed):
    entry, lower, upper = ages_and_lives(seed, n=60)
    fit = fit_turnbull(lower=lower, upper=upper, entry=entry)
    assert fit.log_likelihood >= fit_weibull(lower=lower, upper=upper, entry=entry).log_likelihood


@pytest.mark.long
def test_the_band_holds_the_estimate_and_widens_with_fewer_lives():
    entry, lower, upper = ages_and_lives(1, n=200)
    ages = np.array([3.0, 6.0, 9.0])
    many = fit_turnbull(lower=lower, upper=upper, entry=entry)
    few = fit_turnbull(lower=lower[:50], upper=upper[:50], entry=entry[:50])
    low, high = many.band(ages, n=200, seed=1)
    least, most = many.survival_range(ages)
    assert (low <= least).all()
    assert (most <= high).all()
    wide_low, wide_high = few.band(ages, n=200, seed=1)
    assert ((wide_high - wide_low) > (high - low)).all()
    assert (many.band(ages, n=50, seed=7)[0] == many.band(ages, n=50, seed=7)[0]).all()


@pytest.mark.long
def test_the_band_draws_whole_clusters():
    """Ten copies of a life in one cluster say no more than the life."""
    entry, lower, upper = ages_and_lives(2, n=60)
    ten = {name: np.repeat(x, 10) for name, x in (("entry", entry), ("lower", lower), ("upper", upper))}
    one = fit_turnbull(lower=lower, upper=upper, entry=entry, cluster=np.arange(60))
    copies = fit_turnbull(**ten, cluster=np.repeat(np.arange(60), 10))
    assert copies.band([6.0], n=100, seed=3)[0] == pytest.approx(one.band([6.0], n=100, seed=3)[0], abs=1e-6)


def test_histories_carry_clusters_and_the_clock():
    looks = pd.DataFrame(
        {
            "life": ["a", "a", "b", "b", "c"],
            "age": [1.0, 2.0, 1.0, 3.0, 2.0],
            "found": [0, 1, 0, 0, 1],
            "cluster": ["x", "x", "x", "x", "y"],
        }
    )
    fit = fit_turnbull(Histories.from_looks(looks.astype({"found": bool}), clock="flight_hours"))
    assert fit.clock == "flight_hours"
    assert fit.n_finds == 2
    assert fit.band([2.0], n=20, seed=1)[0].shape == (1,)


@pytest.mark.parametrize("found", [[5.0], [5.0, 5.0, 7.0]])
def test_all_found_and_none_beyond(found):
    fit = fit_turnbull(lower=[0.0] * len(found), upper=found)
    assert fit.mass.sum() == pytest.approx(1.0)
    assert fit.log_likelihood == pytest.approx(0.0, abs=1e-12)


def test_no_finds_is_refused_with_what_can_be_had():
    with pytest.raises(ValueError, match=r"none of the 2 rows has a find.*weibayes_bound"):
        fit_turnbull(lower=[1, 2], upper=[INF, INF])
    with pytest.raises(ValueError, match="none of the 0 rows"):
        fit_turnbull(lower=[], upper=[])
    with pytest.raises(ValueError, match="not both"):
        fit_turnbull(
            Histories.from_looks(pd.DataFrame({"life": ["a"], "age": [1.0], "found": [True]})), lower=[1]
        )
    with pytest.raises(ValueError, match=r"both `lower` and `upper`"):
        fit_turnbull(lower=[1])
    with pytest.raises(ValueError, match=r"`cluster` must have 2 entries"):
        fit_turnbull(lower=[1, 1], upper=[2, INF], cluster=["a"])


def test_survival_and_quantile_are_the_careful_ends():
    """Where a mass lies in its interval is not known: it may all lie at the beginning."""
    fit = fit_turnbull(lower=[0, 1000, 1000, 2000], upper=[1000, 2000, INF, INF], count=[2, 9, 30, 20])
    least, most = fit.survival_range([500.0, 1500.0, 1e5])
    assert (fit.survival([500.0, 1500.0, 1e5]) == least).all()
    assert (least <= most).all()
    assert fit.quantile([0.01, 0.0328, 0.1, 0.33, 0.5]).tolist() == [0.0, 1000.0, 1000.0, 1000.0, INF]
    with pytest.raises(ValueError, match="`share` must be above 0"):
        fit.quantile(0.0)


def test_looks_that_find_all_are_the_same_whatever_they_are_called():
    rows = {"lower": [0.0, 1000.0], "upper": [1000.0, INF]}
    assert fit_turnbull(**rows, detection=1).log_likelihood == fit_turnbull(**rows).log_likelihood
