"""Groups that differ: against brute-force integrals, known truth, the fit without differences, and laws."""

import dataclasses
import itertools
import warnings

import numpy as np
import pandas as pd
import pytest
from scipy.integrate import quad
from scipy.optimize import minimize
from scipy.stats import norm

from kit.life import (
    ConstantDetection,
    Histories,
    NoFiniteMaximum,
    build_histories,
    fit_frailty,
    fit_weibull,
    with_covariates,
)
from kit.life.groups.frailty import FrailtyFit
from kit.life.groups.shared_likelihood import MissedTerms, SharedTerms
from kit.life.likelihood.imperfect import detection_terms

INF = np.inf


def some_groups(seed, *, n_groups=30, n_lives=15, spread=0.7, late=0.5, survivors="lives"):
    """Lives of known truth in groups: scale 12000, shape 2; those damaged before their entry are left out.

    With `survivors` groups, a group of which one life was damaged then is left out as a whole.
    """
    rng = np.random.default_rng(seed)
    group = np.repeat(np.arange(n_groups), n_lives)
    multiplier = np.exp(spread * rng.normal(size=n_groups))[group]
    onset = 12000 * (rng.exponential(size=group.size) / multiplier) ** 0.5
    entry = np.where(rng.random(group.size) < late, rng.integers(2000, 6000, group.size), 0).astype(float)
    keep = onset > entry
    if survivors == "groups":
        keep = np.bincount(group, weights=~keep, minlength=n_groups)[group] == 0
    end = entry + 1500 * rng.integers(2, 7, group.size)
    find = entry + 1500 * np.ceil((onset - entry) / 1500)
    seen = find <= end
    frame = pd.DataFrame(
        {
            "entry": entry,
            "lower": np.where(seen, find - 1500, end),
            "upper": np.where(seen, find, INF),
            "zone": [f"Z{g:03}" for g in group],
        }
    )
    return frame[keep].reset_index(drop=True)


def brute_force(frame, log_scale, log_shape, spread, selection):
    """The marginal log-likelihood as its definition has it, group by group, by adaptive integrals."""
    k = np.exp(log_shape)
    total = 0.0
    for _, lives in frame.groupby("zone"):
        start, low, up = ((lives[c].to_numpy() / np.exp(log_scale)) ** k for c in ("entry", "lower", "upper"))

        def chance(z, what, start=start, low=low, up=up):
            w = np.exp(spread * z)
            if what == "entry":
                return np.prod(np.exp(-w * start)) * norm.pdf(z)
            if what == "seen":
                return np.prod(np.exp(-w * low) - np.exp(-w * up)) * norm.pdf(z)
            return np.prod(np.exp(-w * (low - start)) - np.exp(-w * (up - start))) * norm.pdf(z)

        def mean(what, chance=chance):
            with warnings.catch_warnings():
                warnings.simplefilter("ignore")
                cuts = [-9, -4, -2, -1, 0, 1, 2, 4, 9]
                return sum(
                    quad(chance, a, b, args=(what,), epsabs=0, epsrel=1e-11)[0]
                    for a, b in itertools.pairwise(cuts)
                )

        if selection == "lives":
            total += np.log(mean("given entry"))
        else:
            total += np.log(mean("seen")) - np.log(mean("entry"))
    return total


def terms_of(frame, *, together=False, nodes=20):
    code = pd.factorize(frame["zone"])[0]
    ages = (frame[c].to_numpy(float) for c in ("entry", "lower", "upper"))
    return SharedTerms.from_rows(*ages, np.ones(len(frame)), code, together=together, nodes=nodes)


@pytest.fixture(scope="module")
def frame():
    return some_groups(2)


@pytest.fixture(scope="module")
def fit(frame) -> FrailtyFit:
    return fit_frailty(frame, "zone")


@pytest.mark.parametrize("selection", ["lives", "groups"])
@pytest.mark.parametrize("spread", [0.3, 0.8, 1.5])
def test_quadrature_gives_the_integral_by_brute_force(selection, spread):
    """40 nodes: the tails of a wide spread need more than the default of 20 for the last digits."""
    small = some_groups(5, n_groups=4, n_lives=5)
    point = (np.log(11000), np.log(1.7), spread)
    value = terms_of(small, together=selection == "groups", nodes=40).by_group(*point)[0].sum()
    assert value == pytest.approx(brute_force(small, *point, selection), abs=1e-8)


def test_the_default_nodes_are_enough_for_the_fit(frame, fit):
    assert fit.nodes == 20
    assert fit.quadrature_error < 1e-7
    more = fit_frailty(frame, "zone", nodes=60)
    assert more.log_likelihood == pytest.approx(fit.log_likelihood, abs=1e-7)
    assert more.spread == pytest.approx(fit.spread, abs=1e-6)


def test_too_few_nodes_are_doubled_until_they_are_enough(frame, fit):
    few = fit_frailty(frame, "zone", nodes=3)
    assert few.nodes > 3
    assert few.quadrature_error < 1e-7
    assert few.spread == pytest.approx(fit.spread, abs=1e-5)


@pytest.mark.parametrize("together", [False, True])
def test_derivatives_are_those_of_the_likelihood(frame, together):
    exact = frame.copy()
    some = exact.index % 9 == 0
    exact.loc[some, "lower"] += 40
    exact.loc[some, "upper"] = exact.loc[some, "lower"]
    terms = terms_of(exact, together=together, nodes=40)
    for spread in (0.6, -0.6):
        point, step = np.array([9.3, 0.6, spread]), 1e-5
        _, gradient, hessian = terms.surface(point)
        for j in range(3):
            move = step * np.eye(3)[j]
            up, down = terms.surface(point + move), terms.surface(point - move)
            assert (up[0] - down[0]) / (2 * step) == pytest.approx(gradient[j], rel=1e-6, abs=1e-5)
            assert (up[1] - down[1]) / (2 * step) == pytest.approx(hessian[j], rel=1e-5, abs=1e-4)


def test_a_general_optimiser_finds_nothing_higher(frame, fit):
    terms = terms_of(frame)
    best = np.array([np.log(fit.scale), np.log(fit.shape), fit.spread])
    other = minimize(lambda p: -terms.surface(p)[0], best + 0.1, method="Nelder-Mead", options={"xatol": 1e-5, "fatol": 1e-8})  # fmt: skip
    assert -other.fun <= fit.log_likelihood + 1e-9
    assert other.x == pytest.approx(best, abs=1e-3)
    assert fit.covariance @ -terms.surface(best)[2] == pytest.approx(np.eye(3), abs=1e-6)


def test_truth_is_recovered_within_three_standard_errors():
    fit = fit_frailty(some_groups(11, n_groups=80, n_lives=40), "zone")
    for name, value in (("scale", 12000), ("shape", 2.0), ("spread", 0.7)):
        assert abs(getattr(fit, name) - value) < 3 * fit.standard_error(name)
    assert fit.standard_error("spread") < 0.1
    assert fit.p_no_spread < 1e-6


def mean_error(selection, survivors, late=1.0, **sizes):
    """Mean over 10 fleets of the log of scale over truth, with its standard error."""
    errors = [
        np.log(fit_frailty(some_groups(50 + i, survivors=survivors, late=late, **sizes), "zone", selection=selection).scale / 12000)
        for i in range(10)
    ]  # fmt: skip
    return np.mean(errors), np.std(errors, ddof=1) / np.sqrt(len(errors))


def test_zones_that_are_watched_whatever_their_lives_did_are_conditioned_life_by_life():
    """30 zones of 15 lives, those damaged before their entry left out as prevalent cases."""
    error, se = mean_error("lives", "lives")
    assert abs(error) < 3 * se
    assert se < 0.03


def test_taking_zones_as_selected_by_their_survivors_is_wrong_where_lives_were_left_out():
    """Why `lives` is the default: clean entries would count, and the lives left out would not."""
    right, right_se = mean_error("lives", "lives", late=0.5, n_groups=60)
    wrong, wrong_se = mean_error("groups", "lives", late=0.5, n_groups=60)
    assert abs(right) < 3 * right_se
    assert wrong + 3 * wrong_se < -0.2, "ages too short by a fifth and more"


def test_groups_that_are_watched_only_because_all_their_lives_were_clean_are_allowed_for():
    """400 groups of 3 lives; a group with a life damaged before its entry never comes under watch."""
    sizes = {"n_groups": 400, "n_lives": 3, "spread": 0.8}
    error, se = mean_error("groups", "groups", **sizes)
    assert abs(error) < 3 * se
    wrong, wrong_se = mean_error("lives", "groups", **sizes)
    assert wrong > 3 * wrong_se, "long-lived groups pass for the common ones"


def test_without_left_truncation_the_two_selections_are_one():
    frame = some_groups(3, late=0.0)
    lives, groups = (fit_frailty(frame, "zone", selection=s) for s in ("lives", "groups"))
    assert groups.log_likelihood == pytest.approx(lives.log_likelihood, abs=1e-10)
    pd.testing.assert_frame_equal(lives.to_frame(), groups.to_frame(), rtol=1e-8)


def test_groups_that_do_not_differ_give_the_weibull_fit_and_a_spread_of_nought():
    """Each group has the same lives, so less than chance alone would make them differ."""
    frame = some_groups(4, n_groups=1, n_lives=40)
    same = pd.concat([frame.assign(zone=zone) for zone in "ABCDEF"])
    fit = fit_frailty(same, "zone")
    weibull = fit_weibull(lower=same["lower"], upper=same["upper"], entry=same["entry"])
    assert fit.spread == 0
    assert (fit.scale, fit.shape) == (weibull.scale, weibull.shape)
    assert fit.log_likelihood == weibull.log_likelihood
    assert (fit.statistic, fit.p_no_spread) == (0, 1)
    assert fit.covariance[:2, :2] == pytest.approx(weibull.covariance)
    assert np.isnan(fit.standard_error("spread"))
    low, high = fit.bounds("spread")
    assert low == 0
    assert 0 < high < 1
    for name in ("scale", "shape"):  # the spread may take over some of the drop, so never narrower
        ours, theirs = fit.bounds(name), weibull.bounds(name, method="profile")
        assert ours[0] <= theirs[0] * (1 + 1e-6)
        assert ours[1] >= theirs[1] * (1 - 1e-6)
    assert fit.to_frame()["multiplier"].to_numpy() == pytest.approx(1)
    assert any("not to say that there is none" in caution for caution in fit.cautions)


def test_a_vanishing_spread_gives_the_weibull_likelihood(frame):
    point = (9.4, 0.6)
    weibull = fit_weibull(lower=frame["lower"], upper=frame["upper"], entry=frame["entry"])
    for together in (False, True):
        terms = terms_of(frame, together=together)
        value = terms.by_group(*point, 1e-7)[0].sum()
        assert value == pytest.approx(weibull.terms.value(*point)[0], abs=1e-7)


@pytest.mark.long
def test_the_test_for_a_spread_keeps_its_level_when_there_is_none():
    """100 fleets without differences at 10 %: the binomial 99.9 % range is 2 to 22."""
    p = [fit_frailty(some_groups(900 + i, n_groups=12, spread=0.0), "zone").p_no_spread for i in range(100)]
    assert 2 <= np.sum(np.array(p) < 0.1) <= 22
    assert np.mean(np.array(p) == 1) > 0.25, "about half of them have a spread of nought"


def test_profile_bounds_are_where_the_likelihood_has_dropped(frame, fit):
    terms = terms_of(frame)
    for at, name in enumerate(("scale", "shape", "spread")):
        for end in fit.bounds(name, level=0.9):
            held = end if name == "spread" else np.log(end)
            best = np.delete([np.log(fit.scale), np.log(fit.shape), fit.spread], at)
            other = minimize(
                lambda p, at=at, held=held: -terms.surface(np.insert(p, at, held))[0], best,
                method="Nelder-Mead", options={"xatol": 1e-6, "fatol": 1e-9},
            )  # fmt: skip
            assert -other.fun == pytest.approx(fit.log_likelihood - 2.7055434540954146 / 2, abs=1e-5)
        low, high = fit.bounds(name, method="wald")
        assert low < getattr(fit, name) < high


def test_order_units_and_counts(frame, fit):
    other = fit_frailty(frame.sample(frac=1, random_state=2), "zone")
    pd.testing.assert_frame_equal(other.to_frame(), fit.to_frame(), rtol=1e-7)
    ages = ["entry", "lower", "upper"]
    hundreds = fit_frailty(frame.assign(**{name: frame[name] / 100 for name in ages}), "zone")
    assert hundreds.scale * 100 == pytest.approx(fit.scale, rel=1e-8)
    assert hundreds.spread == pytest.approx(fit.spread, abs=1e-8)
    assert hundreds.to_frame()["age"].to_numpy() * 100 == pytest.approx(
        fit.to_frame()["age"].to_numpy(), rel=1e-7
    )
    counted, twice = (
        fit_frailty(frame.assign(count=2), "zone"),
        fit_frailty(pd.concat([frame, frame]), "zone"),
    )
    assert counted.log_likelihood == pytest.approx(twice.log_likelihood, abs=1e-8)
    assert counted.spread == pytest.approx(twice.spread, abs=1e-8)
    named = fit_frailty(frame, [f"zone {zone}" for zone in frame["zone"]])
    assert named.spread == pytest.approx(fit.spread)


def test_pooled_rates_lie_between_the_raw_and_the_common_one(fit):
    table = fit.to_frame()
    low, high = np.minimum(table["multiplier_raw"], 1), np.maximum(table["multiplier_raw"], 1)
    assert (table["multiplier"] >= low - 1e-9).all()
    assert (table["multiplier"] <= high + 1e-9).all()
    assert (table["multiplier_lower"] < table["multiplier"]).all()
    assert (table["multiplier"] < table["multiplier_upper"]).all()
    assert (table["age_lower"] < table["age"]).all()
    assert (table["age"] < table["age_upper"]).all()
    assert table["multiplier"].is_monotonic_decreasing
    assert np.log(table["multiplier"]).std() < fit.spread


def test_raw_rates_are_those_of_the_group_alone_under_the_common_shape(frame, fit):
    table = fit.to_frame(share=0.1)
    for zone in table.index[table["finds"] > 0][:8]:
        part = frame[frame["zone"] == zone]
        alone = fit_weibull(lower=part["lower"], upper=part["upper"], entry=part["entry"], shape=fit.shape)
        assert table.loc[zone, "age_raw"] == pytest.approx(float(alone.quantile(0.1)), rel=1e-7)
        assert table.loc[zone, "multiplier_raw"] == pytest.approx(
            (fit.scale / alone.scale) ** fit.shape, rel=1e-7
        )


def test_mean_and_bounds_of_a_group_are_those_of_its_integral(frame, fit):
    terms = terms_of(frame)
    sums = terms.sums(np.log(fit.scale), np.log(fit.shape))
    table = fit.to_frame(level=0.9)
    for i, zone in enumerate(sorted(frame["zone"].unique())[:3]):
        top = terms.given(sums, np.zeros((terms.n_groups, 1)))[0][i, 0]

        def density(z, i=i, top=top):
            u = np.full((terms.n_groups, 1), fit.spread * z)
            return np.exp(terms.given(sums, u)[0][i, 0] - top) * norm.pdf(z)

        total = quad(density, -8, 8, epsabs=0, limit=200)[0]
        mean = quad(lambda z, f=density: f(z) * np.exp(fit.spread * z), -8, 8, epsabs=0, limit=200)[0] / total
        assert table.loc[zone, "multiplier_mean"] == pytest.approx(mean, rel=1e-3)
        for name, share in (("multiplier_lower", 0.05), ("multiplier_upper", 0.95)):
            z = np.log(table.loc[zone, name]) / fit.spread
            assert quad(density, -8, z, epsabs=0, limit=200)[0] / total == pytest.approx(share, abs=1e-3)


def test_bounds_of_groups_hold_the_truth_as_often_as_they_say():
    """60 groups at 90 %: the binomial 99.9 % range is 46 to 60."""
    rng = np.random.default_rng(8)
    spread, n = 0.8, 25
    z = rng.normal(size=60)
    group = np.repeat(np.arange(60), n)
    onset = 10000 * (rng.exponential(size=60 * n) / np.exp(spread * z[group])) ** 0.5
    look = 1000 * np.ceil(onset / 1000)
    frame = pd.DataFrame(
        {
            "lower": np.minimum(look - 1000, 6000),
            "upper": np.where(look <= 6000, look, INF),
            "zone": [f"Z{g:02}" for g in group],
        }
    )
    table = fit_frailty(frame, "zone").to_frame(level=0.9).sort_index()
    truth = np.exp(spread * z)
    inside = (table["multiplier_lower"].to_numpy() < truth) & (truth < table["multiplier_upper"].to_numpy())
    assert 46 <= inside.sum() <= 60


def test_a_group_without_finds_stays_in(frame):
    clean = pd.DataFrame({"entry": 0.0, "lower": [3000.0, 6000.0], "upper": INF, "zone": "none"})
    fit = fit_frailty(pd.concat([frame, clean]), "zone")
    row = fit.to_frame().loc["none"]
    assert row["finds"] == 0
    assert row["multiplier_raw"] == 0
    assert 0 < row["multiplier"] < 1
    assert row["age_raw"] == INF
    assert row["age"] < INF


def test_survival_of_a_new_group_is_the_mean_over_multipliers(fit):
    ages = np.array([2000.0, 9000.0])
    for age, value in zip(ages, fit.survival(ages), strict=True):
        hazard = (age / fit.scale) ** fit.shape
        mean = quad(lambda z, h=hazard: np.exp(-h * np.exp(fit.spread * z)) * norm.pdf(z), -9, 9)[0]
        assert value == pytest.approx(mean, abs=1e-8)
    zone = fit.to_frame().index[0]
    age = fit.to_frame(share=0.2).loc[zone, "age"]
    assert float(fit.survival(age, zone)) == pytest.approx(0.8)
    with pytest.raises(ValueError, match="Got 'Z9999'"):
        fit.survival(100.0, "Z9999")


def test_an_assumed_shape_is_kept(frame):
    fit = fit_frailty(frame, "zone", shape=1.5)
    assert fit.shape == 1.5
    assert np.isnan(fit.standard_error("shape"))
    assert np.isnan(fit.bounds("shape")[0])
    terms = terms_of(frame)
    other = minimize(lambda p: -terms.surface(np.array([p[0], np.log(1.5), p[1]]))[0], [9.4, 0.6], method="Nelder-Mead", options={"xatol": 1e-7, "fatol": 1e-10})  # fmt: skip
    assert fit.log_likelihood == pytest.approx(-other.fun, abs=1e-8)


def test_one_group_blank_groups_and_unknown_words_are_refused(frame):
    with pytest.raises(ValueError, match=r"at least 2 groups. Got 1: A"):
        fit_frailty(frame.assign(zone="A"), "zone")
    with pytest.raises(ValueError, match=r"1 of \d+ rows are blank, first row 3"):
        fit_frailty(frame.assign(zone=frame["zone"].mask(frame.index == 3)), "zone")
    with pytest.raises(ValueError, match="Got 'colour'"):
        fit_frailty(frame, "colour")
    with pytest.raises(ValueError, match=r"each of the \d+ rows. Got 2 names"):
        fit_frailty(frame, ["A", "B"])
    with pytest.raises(ValueError, match="Got 'zones'"):
        fit_frailty(frame, "zone", selection="zones")
    with pytest.raises(ValueError, match="Got 1"):
        fit_frailty(frame, "zone", nodes=1)
    with pytest.raises(NoFiniteMaximum):
        fit_frailty(frame.assign(upper=INF), "zone")


def test_a_spread_without_end_is_refused():
    """Half of the groups are found at once, and the others never."""
    rows = [(0.0, 100.0, f"A{i}") for i in range(10)] + [(9000.0, INF, f"B{i}") for i in range(10)]
    frame = pd.DataFrame(rows * 20, columns=["lower", "upper", "zone"])
    with pytest.raises(NoFiniteMaximum, match="spread between the 20 groups"):
        fit_frailty(frame, "zone", shape=2.0)


def test_zones_of_the_demo_fleet_are_pooled(demo_fleet):
    histories = build_histories(demo_fleet)
    fit = fit_frailty(with_covariates(histories, demo_fleet, ["zone"]), "zone")
    table = fit.to_frame()
    assert table["finds"].sum() == histories.n_finds
    assert (table["finds"] == 0).any()
    assert fit.clock == "flight_hours"
    assert fit.log_likelihood >= fit.null.log_likelihood
    by_life = fit_frailty(histories, "cluster")
    assert by_life.clock == "flight_hours"
    assert dataclasses.is_dataclass(by_life)


# Looks that miss ---------------------------------------------------------------------------------------


def looked_at(seed, *, pod, n_groups=12, n_lives=12, spread=0.8, late=0.3):
    """Lives of known truth (scale 12000, shape 2) in groups, looked at each 1500 h by looks that find a share."""
    rng = np.random.default_rng(seed)
    rows = []
    for g in range(n_groups):
        multiplier = np.exp(spread * rng.normal())
        for i in range(n_lives):
            onset = 12000 * (rng.exponential() / multiplier) ** 0.5
            first = 3 if rng.random() < late else 0
            ages = 1500.0 * np.arange(1, rng.integers(5, 10))
            found = (ages >= onset) & (rng.random(ages.size) < pod)
            if found[:first].any():
                continue  # damaged before it came under watch: prevalent
            until = int(np.argmax(found)) + 1 if found.any() else ages.size
            entry = ages[first - 1] if first else 0.0
            rows += [
                {"life": f"Z{g:02}-{i:02}", "age": a, "found": f, "entry": entry}
                for a, f in zip(ages[:until], found[:until], strict=True)
            ]
    histories = Histories.from_looks(pd.DataFrame(rows))
    return histories, [life[:3] for life in histories.life]


@pytest.mark.parametrize("together", [False, True])
def test_looks_that_find_all_are_the_special_case(together):
    histories, zones = looked_at(3, pod=1.0)
    code = pd.factorize(np.array(zones))[0]
    rows = histories.entry, histories.lower, histories.upper, histories.count
    perfect = SharedTerms.from_rows(*rows, code, together=together, nodes=20)
    sums = detection_terms(histories, ConstantDetection(1.0))
    missed = MissedTerms.from_terms(sums, code, together=together, nodes=20)
    for point in ([9.4, 0.7, 0.6], [9.1, 0.3, 1.2], [9.8, 1.0, -0.4]):
        for one, other in zip(perfect.surface(np.array(point)), missed.surface(np.array(point)), strict=True):
            np.testing.assert_allclose(one, other, rtol=1e-8, atol=1e-7)


@pytest.mark.parametrize("together", [False, True])
def test_derivatives_with_looks_that_miss_are_those_of_the_likelihood(together):
    histories, zones = looked_at(4, pod=0.6, n_groups=4)
    sums = detection_terms(histories, ConstantDetection(0.6))
    terms = MissedTerms.from_terms(sums, pd.factorize(np.array(zones))[0], together=together, nodes=40)
    point, step = np.array([9.3, 0.6, 0.7]), 1e-5
    _, gradient, hessian = terms.surface(point)
    for move, slope, bend in zip(step * np.eye(3), gradient, hessian, strict=True):
        up, down = terms.surface(point + move), terms.surface(point - move)
        assert (up[0] - down[0]) / (2 * step) == pytest.approx(slope, rel=1e-6, abs=1e-5)
        assert (up[1] - down[1]) / (2 * step) == pytest.approx(bend, rel=1e-5, abs=1e-4)


def test_with_looks_that_miss_a_group_has_the_integral_by_brute_force():
    """Chances of missed, missed, found summed over gaps as they are defined, then over the multiplier by quad."""
    histories, zones = looked_at(5, pod=0.6, n_groups=2, n_lives=4)
    code = pd.factorize(np.array(zones))[0]
    log_scale, shape, spread, pod = 9.3, 1.8, 0.7, 0.6

    def life(i, w):
        ages = histories.look_age[histories.look_start[i] : histories.look_start[i + 1]]
        entry, found = histories.entry[i], np.isfinite(histories.upper[i])
        hazard = w * np.exp(shape * (np.log(np.r_[1e-300, ages]) - log_scale))
        lost = -np.diff(np.exp(-hazard))

        def shown(n, is_found):
            missed = [(1 - pod) ** (n - j - is_found) * (pod if is_found else 1.0) for j in range(n)]
            return float(np.dot(lost[:n], missed)) + (0.0 if is_found else np.exp(-hazard[n]))

        before = int((ages <= entry).sum()) if entry > 0 else 0
        return shown(ages.size, found) / (shown(before, False) if before else 1.0)

    total = 0.0
    for g in range(2):
        lives = np.flatnonzero(code == g)

        def chance(z, lives=lives):
            return float(np.prod([life(i, np.exp(spread * z)) for i in lives])) * norm.pdf(z)

        cuts = [-8, -3, -1, 0, 1, 3, 8]
        total += np.log(sum(quad(chance, a, b, epsrel=1e-10)[0] for a, b in itertools.pairwise(cuts)))
    terms = MissedTerms.from_terms(
        detection_terms(histories, ConstantDetection(pod)), code, together=False, nodes=40
    )
    value = terms.surface(np.array([log_scale, np.log(shape), spread]))[0]
    assert value == pytest.approx(total, abs=1e-7)


def test_looks_that_miss_bring_no_bias_where_they_are_allowed_for():
    """Half of the damage is missed at each look: taken to find all, the scale comes out a quarter too late."""
    histories, zones = looked_at(6, pod=0.5, n_groups=25, n_lives=20, spread=0.5, late=0.0)
    fit = fit_frailty(histories, zones, detection=0.5)
    naive = fit_frailty(histories, zones)
    assert abs(np.log(fit.scale / 12000)) < 3 * fit.standard_error("log_scale")
    assert naive.scale > 1.1 * fit.scale
    table = fit.to_frame()
    assert table["expected"].sum() == pytest.approx(table["finds"].sum(), rel=0.5)
    assert (
        (table["multiplier_lower"] < table["multiplier"]) & (table["multiplier"] < table["multiplier_upper"])
    ).all()


def test_rows_and_arrays_and_histories_give_one_fit():
    histories, zones = looked_at(7, pod=0.7)
    table = histories.to_frame().assign(zone=zones)
    fit = fit_frailty(histories, zones, detection=0.7)
    again = fit_frailty(table, "zone", detection={"any": 0.7}.get("any"), looks=histories)
    assert again.log_likelihood == pytest.approx(fit.log_likelihood, rel=1e-12)
    arrays = {name: table[name].to_list() for name in ("entry", "lower", "upper", "count")}
    assert fit_frailty(None, zones, **arrays).scale == fit_frailty(table, "zone").scale
    with pytest.raises(ValueError, match="needs the ages of all looks"):
        fit_frailty(table, "zone", detection=0.7)


@pytest.mark.long
def test_a_fit_with_frailty_is_a_life_as_a_risk_takes_it(fit):
    """The density integrates to what is lost of survival, and the quantile is the age at which that is lost."""
    ages = np.array([3000.0, 9000.0, 20_000.0])
    for group in (None, fit.groups[0]):
        lost = [quad(lambda t, g=group: float(fit.density(t, g)), 0, age, epsabs=1e-12)[0] for age in ages]
        assert 1 - fit.survival(ages, group) == pytest.approx(lost, rel=1e-8)
        shares = np.array([0.01, 0.1, 0.7])
        assert 1 - fit.survival(fit.quantile(shares, group), group) == pytest.approx(shares, rel=1e-9)
    with pytest.raises(ValueError, match="`share` must be above 0"):
        fit.quantile(1.0)


def test_the_old_name_of_the_spread_still_works(fit):
    assert fit.bounds("spread") == fit.bounds("frailty_sd")
    assert fit.spread == fit.frailty_sd
