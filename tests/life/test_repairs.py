"""Lives after repairs: how they are built, compared with first lives, and what virtual age repairs leave."""

import numpy as np
import pandas as pd
import pytest
import surpyval
from scipy.special import chdtri

from kit.life import Histories, NoFiniteMaximum, build_histories, fit_weibull
from kit.life.lives.repairs import RepairedLives, repaired_against_new, repaired_lives
from kit.life.recurrence.restoration import _Problem, fit_restoration

SCALE, SHAPE = 8000.0, 2.5


def followed(seed, q, n=400, *, gap=600.0, until=24_000.0, exact=False, shorter=1.0, shape=SHAPE):
    """Panels looked at every `gap` hours with their own phase, repaired when found, watched to an age.

    `q` maps groups of repairs, taken at random, to factors. `shorter` multiplies what passes to the next onset
    after a repair. With `exact` the onset itself is seen.
    """
    rng = np.random.default_rng(seed)
    looks, repairs = [], []
    for panel in range(n):
        begun, virtual = 0.0, 0.0
        end = rng.uniform(0.3, 1.0) * until
        grid = np.arange(rng.uniform(0, gap), end, gap)
        while True:
            later = SCALE * ((virtual / SCALE) ** shape + rng.exponential()) ** (1 / shape)
            onset = begun + (later - virtual) * (shorter if begun else 1.0)
            if exact:
                seen = onset if onset < end else np.inf
            else:
                here = grid[grid > begun]
                seen = min(here[here >= onset], default=np.inf)
                looks += [(panel, age, False) for age in here[here < seen]]
            if seen == np.inf:
                if exact:
                    looks.append((panel, end, False))
                break
            looks.append((panel, seen, True))
            group = str(rng.choice(list(q)))
            repairs.append((panel, seen, group))
            virtual, begun = q[group] * (virtual + seen - begun), seen
    return (
        pd.DataFrame(looks, columns=["panel", "age", "found"]),
        pd.DataFrame(repairs, columns=["panel", "age", "group"]),
    )


def by_hand():
    """One panel repaired at 1000 and at 3000, and one never."""
    looks = pd.DataFrame(
        {
            "panel": ["a"] * 6 + ["b"] * 2,
            "age": [400.0, 1000, 1500, 3000, 3600, 4200, 500, 900],
            "found": [False, True, False, True, False, True, False, False],
        }
    )
    repairs = pd.DataFrame({"panel": ["a", "a"], "age": [1000.0, 3000.0], "group": ["patch", "fill"]})
    return RepairedLives.from_looks(looks, repairs)


# Building ----------------------------------------------------------------------------------------------


def test_lives_run_from_repair_to_repair():
    table = by_hand().to_frame()
    assert table["life"].tolist() == ["a", "a after repair 1", "a after repair 2", "b"]
    assert table["lower"].tolist() == [400, 500, 600, 900]
    assert table["upper"].tolist() == [1000, 2000, 1200, np.inf]
    assert table["after"].tolist() == ["new", "patch", "fill", "new"]
    assert table["number"].tolist() == [0, 1, 2, 0]


def test_virtual_age_is_the_factor_times_what_was_there_and_what_passed():
    """0.5 (0 + 1000) = 500; 0.9 (500 + 2000) = 2250."""
    lives = by_hand()
    histories = lives.at({"patch": 0.5, "fill": 0.9})
    assert histories.entry.tolist() == [0, 500, 2250, 0]
    assert histories.lower.tolist() == [400, 1000, 2850, 900]
    assert histories.upper.tolist() == [1000, 2500, 3450, np.inf]
    assert histories.look_age.tolist() == [400, 1000, 1000, 2500, 2850, 3450, 500, 900]
    assert lives.at(0.0).entry.tolist() == [0, 0, 0, 0]
    assert lives.at(1.0).entry.tolist() == [0, 1000, 3000, 0]


def test_a_panel_that_comes_under_watch_late_keeps_its_entry_to_its_first_repair():
    looks = pd.DataFrame(
        {
            "panel": ["a"] * 4,
            "age": [500.0, 900, 1500, 1600],
            "found": [False, True, False, True],
            "entry": 500.0,
        }
    )
    lives = RepairedLives.from_looks(looks, pd.DataFrame({"panel": ["a"], "age": [1000.0]}))
    assert lives.histories.entry.tolist() == [500, 0]


@pytest.mark.parametrize("kind", ["disbond", "moisture_disbond"])
def test_a_fleets_lives_at_the_factors_of_its_table_are_those_of_build_histories(demo_fleet, kind):
    lives = repaired_lives(demo_fleet, kind=kind).at("table")
    histories = build_histories(demo_fleet, kind=kind, include_repaired=True)
    assert lives.life.tolist() == histories.life.tolist()
    for name in ("entry", "lower", "upper", "look_age"):
        np.testing.assert_allclose(getattr(lives, name), getattr(histories, name), rtol=1e-12, err_msg=name)


def test_repairs_one_after_another_in_a_fleet(hand):
    """10 hours a day: found and repaired at 1000 h (q 0.5) and at 3000 h (q 0.9)."""
    hand.aircraft("A1").panel("P1", "A1").card("A1", 50, 150, 250, 350)
    hand.repair(hand.find("A1", 100), 100, 0.5).repair(hand.find("A1", 300), 300, 0.9)
    fleet = hand.load()
    lives = repaired_lives(fleet, by="repair_class")
    assert lives.groups == ("permanent",)
    assert lives.histories.lower.tolist() == [500, 1500, 500]
    assert lives.histories.upper.tolist() == [1000, 2000, np.inf]
    assert lives.at("table").entry.tolist() == [0, 500, 2250]
    assert build_histories(fleet, include_repaired=True).entry.tolist() == [0, 500, 2250]


# Against new -------------------------------------------------------------------------------------------


def test_repairs_that_renew_have_a_ratio_of_1_and_shorter_lives_theirs():
    for shorter in (1.0, 0.5):
        lives = RepairedLives.from_looks(*followed(1, {"patch": 0.0}, shorter=shorter))
        result = repaired_against_new(lives)
        for method in ("profile", "wald", "cluster"):
            row = result.to_frame(level=0.99, method=method).loc["patch"]
            assert row["lower"] < shorter < row["upper"]
            assert row["lower"] < row["time_ratio"] < row["upper"]
            assert row["hazard_lower"] < row["hazard_ratio"] < row["hazard_upper"]
        assert result.fit.shape == pytest.approx(SHAPE, rel=0.15)


def test_repairs_that_change_nothing_have_shorter_lives():
    lives = RepairedLives.from_looks(*followed(2, {"patch": 1.0, "fill": 0.0}))
    table = repaired_against_new(lives).to_frame()
    assert table.loc["patch", "upper"] < 0.8
    assert table.loc["fill", "lower"] < 1 < table.loc["fill", "upper"]
    found = np.isfinite(lives.histories.upper)
    assert table["finds"].sum() == found.sum()
    assert table["lives"].sum() == len(lives)


def test_the_ratio_is_that_of_two_fits_of_one_shape():
    lives = RepairedLives.from_looks(*followed(3, {"patch": 0.5}, n=150))
    result = repaired_against_new(lives, shape=2.0)
    h = lives.histories
    new, after = (
        fit_weibull(h.take(np.flatnonzero(rows)), shape=2.0) for rows in (lives.number == 0, lives.number > 0)
    )
    assert result.time_ratio["patch"] == pytest.approx(after.scale / new.scale, rel=1e-9)
    assert result.fit.log_likelihood == pytest.approx(new.log_likelihood + after.log_likelihood, rel=1e-12)


def test_a_group_without_finds_is_counted_and_has_no_ratio():
    looks, repairs = followed(4, {"patch": 0.5})
    panels = (
        repairs["panel"].drop_duplicates(keep="last").iloc[:2]
    )  # after their last repairs: clean looks only
    repairs.loc[panels.index, "group"] = "glue"
    result = repaired_against_new(RepairedLives.from_looks(looks, repairs))
    table = result.to_frame()
    assert table.index[0] == "new"
    none = table.index[table["finds"] == 0]
    assert list(none) == list(result.left_out)
    assert list(none) == ["glue"]
    assert table.loc[none, "time_ratio"].isna().all()
    assert table.loc[table["finds"] > 0].drop("new")["time_ratio"].notna().all()
    said = " ".join(result.cautions)
    assert f"{none[0]}: no ratio" in said
    assert "panels that had damage before" in said
    assert "RepairedAgainstNew(time ratio: " in repr(result)


# Restoration -------------------------------------------------------------------------------------------


@pytest.mark.parametrize("q", [0.25, 0.5, 0.9])
def test_a_known_factor_is_recovered_within_3_standard_errors(q):
    fit = fit_restoration(RepairedLives.from_looks(*followed(4, {"patch": q})))
    assert abs(fit.restoration["patch"] - q) < 3 * fit.standard_error("patch")
    assert abs(np.log(fit.scale / SCALE)) < 3 * fit.standard_error("scale") / fit.scale
    assert abs(np.log(fit.shape / SHAPE)) < 3 * fit.standard_error("shape") / fit.shape
    low, high = fit.bounds("patch", level=0.997)
    assert low <= q <= high
    assert 0 < fit.standard_error("patch") < 0.2


def test_two_groups_have_factors_of_their_own():
    truth = {"patch": 0.2, "fill": 0.9}
    fit = fit_restoration(RepairedLives.from_looks(*followed(5, truth, n=600)))
    for name, q in truth.items():
        assert abs(fit.restoration[name] - q) < 3 * fit.standard_error(name)
    one = fit_restoration(RepairedLives.from_looks(*_one_group(followed(5, truth, n=600))))
    assert fit.log_likelihood > one.log_likelihood + 5
    assert fit.restoration["patch"] < one.restoration["repair"] < fit.restoration["fill"]


def _one_group(data):
    return data[0], data[1].drop(columns="group")


def test_renewing_repairs_end_at_0_or_near_and_are_told_from_repairs_that_change_nothing():
    renewed = fit_restoration(RepairedLives.from_looks(*followed(6, {"patch": 0.0})))
    tests = renewed.likelihood_ratio_tests()
    assert tests.loc["renewed", "p"] > 0.01
    assert tests.loc["as bad as old", "p"] < 1e-6
    assert renewed.restoration["patch"] < 0.1
    low, high = renewed.bounds("patch")
    assert low == 0
    assert 0 < high < 0.3
    if renewed.at_edge:
        assert np.isnan(renewed.standard_error("patch"))
        assert "the end of its range" in " ".join(renewed.cautions)
    old = fit_restoration(RepairedLives.from_looks(*followed(7, {"patch": 1.0}))).likelihood_ratio_tests()
    assert old.loc["as bad as old", "p"] > 0.01
    assert old.loc["renewed", "p"] < 1e-6


def test_a_factor_at_0_has_no_standard_error_and_is_the_fit_to_renewed_lives():
    """After repairs damage comes later than in new panels: nothing below 0 is allowed."""
    lives = RepairedLives.from_looks(*followed(8, {"patch": 0.0}, n=200, shorter=1.6))
    fit = fit_restoration(lives)
    assert fit.restoration["patch"] == 0
    assert fit.at_edge == ("patch",)
    assert np.isnan(fit.standard_error("patch"))
    assert fit.standard_error("shape") > 0
    assert fit.log_likelihood == pytest.approx(fit_weibull(lives.histories).log_likelihood, abs=1e-9)
    assert fit.likelihood_ratio_tests().loc["renewed", "p"] == 1
    assert fit.bounds("patch")[0] == 0
    assert np.isnan(fit.bounds("patch", method="wald")).all()


def test_factors_of_the_table_give_the_fit_to_histories_with_repaired_lives(demo_fleet):
    factors = {"bonded patch": 0.5, "potted fill": 0.9, "core plug and patch": 0.25}
    fit = fit_restoration(demo_fleet, by="repair_method", restoration=factors)
    other = fit_weibull(build_histories(demo_fleet, include_repaired=True))
    assert fit.log_likelihood == pytest.approx(other.log_likelihood, rel=1e-12)
    assert fit.scale == pytest.approx(other.scale, rel=1e-9)
    np.testing.assert_allclose(fit.covariance, other.covariance, rtol=1e-5)
    assert fit.fitted == ()
    assert "potted fill: the factor 0.9 is assumed" in " ".join(fit.cautions)


@pytest.mark.parametrize("seed", [9, 10])
def test_no_other_factor_and_life_is_likelier(seed):
    lives = RepairedLives.from_looks(*followed(seed, {"patch": 0.4}, n=80))
    fit = fit_restoration(lives)
    values = [fit_weibull(lives.at(q)).log_likelihood for q in np.linspace(0, 2, 41)]
    assert fit.log_likelihood >= max(values) - 1e-10
    assert fit.log_likelihood == pytest.approx(
        fit_weibull(lives.at(fit.restoration.to_dict())).log_likelihood
    )


def test_the_slope_by_the_factors_is_that_of_differences():
    """Two groups, up to several repairs of a panel, exact and interval-censored finds."""
    looks, repairs = followed(11, {"patch": 0.3, "fill": 0.8}, n=60)
    lives = RepairedLives.from_looks(looks, repairs)
    assert lives.number.max() > 2
    h = lives.histories
    upper = np.where(np.arange(len(h)) % 5 == 0, np.where(np.isfinite(h.upper), h.lower, np.inf), h.upper)
    keep = np.flatnonzero(h.lower > 0)
    mixed = RepairedLives(
        Histories(h.life[keep], h.entry[keep], h.lower[keep], upper[keep], h.count[keep], None, np.empty(0), np.zeros(keep.size + 1, np.int64)),
        lives.panel[keep], lives.number[keep], lives.gap[keep], lives.group[keep], lives.factor[keep], lives.groups,
    )  # fmt: skip
    problem = _Problem(mixed, {}, None, np.log([SCALE, SHAPE]))
    q, step = np.array([0.35, 0.7]), 1e-6
    value = problem.highest(q)
    slope = [
        (problem.highest(q + step * unit)[0] - problem.highest(q - step * unit)[0]) / (2 * step)
        for unit in np.eye(2)
    ]
    np.testing.assert_allclose(problem.gradient(q, value[1]), slope, rtol=1e-5)


def test_profile_bounds_have_the_deviance_of_their_level():
    lives = RepairedLives.from_looks(*followed(12, {"patch": 0.5}, n=120))
    fit = fit_restoration(lives)
    for bound in fit.bounds("patch", level=0.9):
        loss = 2 * (fit.log_likelihood - fit_weibull(lives.at(bound)).log_likelihood)
        assert loss == pytest.approx(chdtri(1, 0.1), rel=1e-6)
    for bound in fit.bounds("shape", level=0.9):
        held = fit_restoration(lives, shape=bound)
        assert 2 * (fit.log_likelihood - held.log_likelihood) == pytest.approx(chdtri(1, 0.1), rel=1e-5)
    wald = fit.bounds("patch", level=0.9, method="wald")
    assert (wald[0] + wald[1]) / 2 == pytest.approx(fit.restoration["patch"])


def test_the_covariance_is_that_of_the_curvature_of_the_profile():
    fit = fit_restoration(RepairedLives.from_looks(*followed(13, {"patch": 0.5})))
    q, step = fit.restoration["patch"], 2e-3
    values = [fit_weibull(fit.lives.at(q + d)).log_likelihood for d in (-step, 0.0, step)]
    assert fit.standard_error("patch") == pytest.approx(
        step / np.sqrt(2 * values[1] - values[0] - values[2]), rel=2e-3
    )


def test_order_and_unit_and_repetition_do_not_matter_but_to_the_doubt():
    looks, repairs = followed(14, {"patch": 0.6}, n=100)
    one = fit_restoration(RepairedLives.from_looks(looks, repairs))
    mixed = RepairedLives.from_looks(
        looks.assign(age=looks["age"] * 24).sample(frac=1.0, random_state=1),
        repairs.assign(age=repairs["age"] * 24).sample(frac=1.0, random_state=2),
    )
    other = fit_restoration(mixed)
    assert other.restoration["patch"] == pytest.approx(one.restoration["patch"], rel=1e-7)
    assert other.scale == pytest.approx(one.scale * 24, rel=1e-7)
    twice = fit_restoration(RepairedLives.from_looks(looks.assign(count=2.0), repairs))
    assert twice.restoration["patch"] == pytest.approx(one.restoration["patch"], rel=1e-7)
    np.testing.assert_allclose(twice.covariance, one.covariance / 2, rtol=1e-4)


def test_surpyval_finds_the_same_factor_where_ages_are_exact():
    """Its generalised renewal process of Kijima's second kind; its own stopping rule is loose."""
    looks, repairs = followed(15, {"patch": 0.4}, n=150, exact=True)
    found = looks[looks["found"]].merge(looks.groupby("panel")["age"].max().rename("end"), on="panel")
    lives = RepairedLives.from_looks(looks, repairs)
    h = lives.histories
    # An onset whose age is known: clean until it.
    exact = RepairedLives(
        Histories(h.life, h.entry, np.where(np.isfinite(h.upper), h.upper, h.lower), h.upper, h.count, None, h.look_age, h.look_start),
        lives.panel, lives.number, lives.gap, lives.group, lives.factor, lives.groups,
    )  # fmt: skip
    fit = fit_restoration(exact)
    assert len(found) == len(repairs)
    other = surpyval.GeneralizedRenewal.fit(
        x=looks["age"].to_numpy(),
        i=looks["panel"].to_numpy(),
        c=(~looks["found"]).astype(int).to_numpy(),
        kijima="ii",
    )
    assert abs(fit.restoration["patch"] - 0.4) < 3 * fit.standard_error("patch")
    np.testing.assert_allclose(
        [fit.restoration["patch"], fit.scale, fit.shape], [other.q, *other.model.params], rtol=1e-3
    )


def test_what_the_looks_do_not_tell_is_said():
    """At a hazard that does not change with age it is all one where a life begins."""
    lives = RepairedLives.from_looks(*followed(16, {"patch": 0.5}, n=60, shape=1.0))
    fit = fit_restoration(lives)
    low, high = fit.bounds("patch")
    assert low == 0
    assert high > 1
    assert "do not tell whether the repair renews" in " ".join(fit.cautions)
    table = fit.to_frame()
    assert table.index.tolist() == ["scale", "shape", "patch"]
    assert table.loc["patch", "lower"] == 0
    assert "RestorationFit(restoration: patch " in repr(fit)


# Errors ------------------------------------------------------------------------------------------------


def test_bad_input_gets_one_clear_error(demo_fleet):
    lives = by_hand()
    looks, repairs = followed(17, {"patch": 0.5}, n=3)
    none = RepairedLives.from_looks(looks[looks["panel"] < 0], repairs)
    for call in (fit_restoration, repaired_against_new):
        with pytest.raises(ValueError, match=r"must hold lives after a repair. Got 0 first lives only"):
            call(none)
    with pytest.raises(ValueError, match=r"`restoration` must lie between 0 and 2. Got 2.5"):
        lives.at(2.5)
    with pytest.raises(ValueError, match=r"a number for each group of repairs. Got none for fill"):
        lives.at({"patch": 0.5})
    with pytest.raises(ValueError, match=r"'table' needs a factor .* Got none for one of panel a"):
        lives.at("table")
    with pytest.raises(ValueError, match=r"Got 'best'"):
        lives.at("best")
    with pytest.raises(ValueError, match=r"must name groups of repairs. Got glue. There are fill, patch"):
        fit_restoration(lives, restoration={"glue": 0.5})
    with pytest.raises(ValueError, match=r"`by` must be repair_class, repair_method or None. Got 'finding'"):
        repaired_lives(demo_fleet, by="finding")
    with pytest.raises(ValueError, match=r"`zones` must name zones of the dataset. Got Z-none"):
        repaired_lives(demo_fleet, zones=["Z-none"])
    with pytest.raises(ValueError, match=r"`looks` must have the columns panel, age, found.*found missing"):
        RepairedLives.from_looks(looks.drop(columns="found"), repairs)
    with pytest.raises(
        ValueError, match=r"`age` must be finite and at least 0: 1 of \d+ repairs are not, first row 0"
    ):
        RepairedLives.from_looks(looks, pd.DataFrame({"panel": ["a"], "age": [-1.0]}))


def test_a_fit_without_a_finite_maximum_is_refused():
    looks = pd.DataFrame({"panel": ["a", "a", "b"], "age": [500.0, 1500, 900], "found": False})
    repairs = pd.DataFrame({"panel": ["a"], "age": [1000.0]})
    lives = RepairedLives.from_looks(looks, repairs)
    for call in (fit_restoration, repaired_against_new):
        with pytest.raises(NoFiniteMaximum, match="no finds"):
            call(lives)
    fit = fit_restoration(RepairedLives.from_looks(*followed(18, {"patch": 0.5}, n=60)))
    for name, method, level, message in (
        ("glue", "wald", 0.9, "scale, shape, patch. Got 'glue'"),
        ("patch", "cluster", 0.9, "profile, wald. Got 'cluster'"),
        ("patch", "wald", 90, "Got 90"),
    ):
        with pytest.raises(ValueError, match=message):
            fit.bounds(name, method=method, level=level)
