"""One way in for all fits of lives, and one place where detection is understood."""

import numpy as np
import pandas as pd
import pytest

import kit
from kit.detection import DetectionCurve
from kit.life import (
    ConstantDetection,
    Histories,
    MethodDetection,
    bootstrap,
    check_fit,
    compare_lives,
    fit_competing,
    fit_frailty,
    fit_life,
    fit_regression,
    fit_restoration,
    fit_turnbull,
    fit_two_clocks,
    fit_weibull,
    weibayes_bound,
)
from kit.life.likelihood.imperfect import as_detection, finds_all


def looks(seed=1, n=80):
    rng = np.random.default_rng(seed)
    onset = 9000 * rng.weibull(2.0, n)
    rows = []
    for i in range(n):
        for k in range(1, 12):
            found = 900.0 * k >= onset[i]
            rows.append(
                (f"P{i:02}", 900.0 * k, found, f"A{i % 9}", ("tap", "eye")[i % 2], ("wet", "dry")[i % 2])
            )
            if found:
                break
    return pd.DataFrame(rows, columns=["life", "age", "found", "cluster", "method", "climate"])


@pytest.fixture(scope="module")
def histories():
    return Histories.from_looks(looks())


def ways(histories):
    table = histories.to_frame()
    arrays = {name: table[name].to_numpy() for name in ("lower", "upper", "entry", "count")}
    return table, arrays | {"cluster": table["cluster"].to_numpy()}


@pytest.mark.parametrize("fit", [fit_weibull, fit_life, fit_turnbull])
def test_histories_a_table_and_arrays_give_one_fit(fit, histories):
    table, arrays = ways(histories)
    values = {fit(histories).log_likelihood, fit(table).log_likelihood, fit(**arrays).log_likelihood}
    assert len(values) == 1


def test_a_table_and_arrays_carry_clusters_as_histories_do(histories):
    table, arrays = ways(histories)
    robust = [
        fit.robust_covariance for fit in (fit_weibull(histories), fit_weibull(table), fit_weibull(**arrays))
    ]
    np.testing.assert_allclose(robust[0], robust[1])
    np.testing.assert_allclose(robust[0], robust[2])


def test_a_regression_takes_histories_and_tables_and_covariates_beside_arrays(histories):
    table, arrays = ways(histories)
    table["wing"] = np.arange(len(table)) % 2
    fit = fit_regression(table, "wing")
    covariates = table[["wing"]]
    assert fit_regression(covariates, "wing", **arrays).log_likelihood == fit.log_likelihood
    assert fit_regression(histories, "1").log_likelihood == pytest.approx(
        fit_weibull(histories).log_likelihood
    )
    assert fit_regression(histories, "1").clock == histories.clock
    missed = fit_regression(histories, "1", detection=0.7)
    assert missed.log_likelihood == pytest.approx(fit_weibull(histories, detection=0.7).log_likelihood)


def test_a_bound_without_finds_takes_histories(histories):
    h = histories
    arrays = weibayes_bound(lower=h.lower, upper=h.upper, entry=h.entry, count=h.count, shape=2.0)
    assert weibayes_bound(h, shape=2.0) == arrays


@pytest.mark.parametrize(
    "call",
    [
        fit_weibull, fit_life, compare_lives, fit_turnbull,
        lambda wrong: fit_regression(wrong, "1"),
        lambda wrong: fit_frailty(wrong, "zone"),
        lambda wrong: weibayes_bound(wrong, shape=2.0),
    ],
)  # fmt: skip
@pytest.mark.parametrize("wrong", ["demo_fleet", 3, [1.0, 2.0], object(), Histories])
def test_what_is_no_lives_is_refused_with_what_to_do(call, wrong):
    with pytest.raises(
        TypeError,
        match=r"must be histories, a table .* Got .*\. Make histories of a fleet with `kit.build_hist",
    ):
        call(wrong)


def test_a_table_of_looks_is_told_from_a_table_of_lives():
    with pytest.raises(ValueError, match=r"columns lower and upper\. Got life, age.*Histories.from_looks"):
        fit_weibull(looks())


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: kit.build_histories("demo_fleet"), r"`fleet` must be a fleet.*Got 'demo_fleet'.*kit.load_fleet"),
        (lambda: fit_competing("demo_fleet", {"disbond": "flight_hours"}), "`fleet` must be a fleet"),
        (lambda: fit_two_clocks("demo_fleet"), "`fleet` must be a fleet"),
        (lambda: kit.rank_zones("demo_fleet"), "`fleet` must be a fleet"),
        (lambda: kit.recommend("demo_fleet", "question.toml"), "`fleet` must be a fleet"),
        (lambda: kit.rerun("record.json", "demo_fleet"), "`fleet` must be a fleet"),
        (lambda: fit_restoration("demo_fleet"), "`lives` must be a fleet or repaired lives"),
        (lambda: kit.fit_moisture_then_disbond("looks.csv"), "`frame` must be a table"),
        (lambda: Histories.from_looks("looks.csv"), "`frame` must be a table"),
        (lambda: kit.mean_cumulative("events.csv"), "`frame` must be a table"),
        (lambda: bootstrap("fit", seed=1), "`fit` must be a fitted life"),
        (lambda: check_fit("fit", seed=1), "`fit` must be a fitted life"),
        (lambda: kit.life.detection_profile("fleet"), "`histories` must be histories"),
        (lambda: kit.life.with_covariates("fleet", "histories", ["climate"]), "`fleet` must be a fleet"),
        (lambda: kit.life.compare_clocks("fleet"), "must be a fleet"),
        (lambda: kit.fit_tracks("demo_fleet"), "must be a table"),
    ],
)  # fmt: skip
def test_a_wrong_first_argument_gets_the_words_of_the_house(call, message):
    with pytest.raises(TypeError, match=message):
        call()


# Detection ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "number", [0.8, np.float64(0.8), np.float32(0.8), np.array(0.8), ConstantDetection(0.8)]
)
def test_any_kind_of_number_is_a_chance(number, histories):
    assert fit_weibull(histories, detection=number).scale == pytest.approx(
        fit_weibull(histories, detection=0.8).scale, rel=1e-6
    )


def test_a_mapping_is_a_chance_by_method(histories):
    chances = {"tap": 0.7, "eye": np.float32(0.4)}
    fit = fit_weibull(histories, detection=chances)
    assert fit.scale == pytest.approx(
        fit_weibull(histories, detection=MethodDetection(chances)).scale, rel=1e-12
    )


@pytest.mark.parametrize(
    "sure", [1, 1.0, np.float32(1), True + 0, ConstantDetection(1.0), DetectionCurve.constant(1.0), {"tap": 1.0, "eye": 1}]
)  # fmt: skip
def test_looks_that_find_all_are_known_as_such_however_they_are_said(sure, histories):
    assert finds_all(sure)
    assert fit_weibull(histories, detection=sure).scale == fit_weibull(histories).scale
    assert fit_weibull(histories, detection=sure).looks_find_all


@pytest.mark.parametrize("wrong", ["0.8", None, True, [0.8, 0.7], DetectionCurve])
def test_what_is_no_detection_is_refused(wrong):
    with pytest.raises(TypeError, match="`detection` must be a chance above 0 and at most 1, a mapping"):
        as_detection(wrong)


def test_a_wrong_chance_of_a_method_is_named():
    with pytest.raises(TypeError, match=r"`detection\['tap'\]` must be"):
        as_detection({"tap": "often"})
