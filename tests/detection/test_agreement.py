"""Sensitivity without a trial: by hand, by simulation of known truth, and what dependence does."""

import numpy as np
import pytest
from scipy.optimize import minimize_scalar
from scipy.stats import chi2, multinomial

from kit.detection import ASSUMPTIONS, dependence_table, pod_bounds, several_looks, two_looks
from kit.detection.agreement import AgreementLikelihood


def test_two_looks_in_ones_head():
    plain = two_looks(30, 20, 10, estimator="lincoln_petersen")
    assert plain.number == pytest.approx(50 * 40 / 30)
    assert plain.sensitivity == pytest.approx([30 / 40, 30 / 50])  # the share of what the other found
    np.testing.assert_allclose(plain.sensitivity_bounds, [pod_bounds(30, 40), pod_bounds(30, 50)])
    assert two_looks(30, 20, 10).number == pytest.approx(51 * 41 / 31 - 1)
    assert plain.number_bounds[0] > 60
    assert plain.number_bounds[0] < plain.number < plain.number_bounds[1]
    assert plain.assumptions == ASSUMPTIONS


def test_chapman_is_unbiased_where_all_may_be_found_twice():
    rng = np.random.default_rng(1)
    first, second = rng.random((2, 4000, 80)) < np.array([0.7, 0.6])[:, None, None]
    estimates = [
        two_looks((a & b).sum(), (a & ~b).sum(), (~a & b).sum()).number
        for a, b in zip(first, second, strict=True)
    ]
    assert np.mean(estimates) == pytest.approx(80, abs=3 * np.std(estimates) / np.sqrt(4000) + 0.01)


def test_bounds_of_number_and_sensitivity_cover_the_truth():
    rng = np.random.default_rng(2)
    inside = np.zeros(3)
    for _ in range(500):
        a, b = rng.random(80) < 0.7, rng.random(80) < 0.6
        result = two_looks((a & b).sum(), (a & ~b).sum(), (~a & b).sum())
        inside[0] += result.number_bounds[0] <= 80 <= result.number_bounds[1]
        inside[1:] += (result.sensitivity_bounds[:, 0] <= [0.7, 0.6]) & (
            result.sensitivity_bounds[:, 1] >= [0.7, 0.6]
        )
    assert (inside / 500 >= 0.92).all()


def test_an_odds_ratio_that_is_known_gives_the_truth_back():
    """Cells with odds ratio 3 and sensitivities 0.7 and 0.6, of 10,000 damages."""
    from scipy.optimize import brentq

    p11 = brentq(lambda p: p * (1 - 1.3 + p) - 3 * (0.7 - p) * (0.6 - p), 0.3 + 1e-9, 0.6 - 1e-9)
    cells = np.rint(1e4 * np.array([p11, 0.7 - p11, 0.6 - p11])).astype(int)
    right = two_looks(*cells, estimator="lincoln_petersen", dependence=3.0)
    assert right.sensitivity == pytest.approx([0.7, 0.6], abs=2e-3)
    naive = two_looks(*cells, estimator="lincoln_petersen")
    assert (naive.sensitivity > [0.75, 0.65]).all()


def test_sensitivity_falls_with_dependence():
    table = dependence_table(30, 20, 10)
    assert table["dependence"].iloc[0] == 1
    assert (np.diff(table["first"]) < 0).all()
    assert (np.diff(table["second"]) < 0).all()
    assert table["missed"].iloc[3] == pytest.approx(3 * table["missed"].iloc[0])


def test_several_looks_are_the_maximum_of_the_likelihood():
    rng = np.random.default_rng(3)
    seen = rng.random((120, 3)) < [0.7, 0.5, 0.4]
    seen = seen[seen.any(axis=1)]
    result = several_looks(seen, names=("tap", "automated", "thermography"))
    n, each = len(seen), seen.sum(axis=0)

    from scipy.special import gammaln, xlogy

    def lost(number):
        p = each / number
        return -(
            gammaln(number + 1)
            - gammaln(number - n + 1)
            + (xlogy(each, p) + (number - each) * np.log1p(-p)).sum()
        )

    best = minimize_scalar(lost, bounds=(n, 3 * n), method="bounded", options={"xatol": 1e-8})
    assert result.number == pytest.approx(best.x, abs=1e-3)
    for bound in result.number_bounds:
        assert 2 * (lost(bound) - best.fun) == pytest.approx(chi2.ppf(0.95, 1), abs=1e-4)
    assert 1 - n / result.number == pytest.approx(np.prod(1 - each / result.number), abs=0.01)
    assert result.number_bounds[0] <= 120 <= result.number_bounds[1]
    np.testing.assert_allclose(result.sensitivity, [0.7, 0.5, 0.4], atol=0.1)
    assert list(result.to_frame()["look"]) == ["tap", "automated", "thermography"]


def test_many_looks_leave_of_each_the_bounds_of_a_share_of_what_was_found():
    """Where nothing is missed by all, the number is known and each look is a binomial: its bounds by likelihood ratio."""
    seen = np.random.default_rng(6).random((60, 12)) < 0.6
    result = several_looks(seen)
    assert result.number == pytest.approx(60, abs=0.01)
    hits = seen[:, 0].sum()

    def fall(share):
        p = hits / 60
        return hits * np.log(p / share) + (60 - hits) * np.log((1 - p) / (1 - share))

    for bound in result.sensitivity_bounds[0]:
        assert 2 * fall(bound) == pytest.approx(chi2.ppf(0.95, 1), abs=0.02)


@pytest.mark.parametrize("odds", [1.0, 0.4, 3.0])
def test_the_likelihood_is_that_of_the_cells_and_has_its_slopes(odds):
    """Against the chances of the cells with that odds ratio, the slopes against differences."""
    from scipy.optimize import brentq
    from scipy.special import gammaln, logit

    shares, cells = np.array([0.7, 0.6]), np.array([30, 20, 10, 4])
    both = brentq(
        lambda p: p * (1 - shares.sum() + p) - odds * (0.7 - p) * (0.6 - p), 0.3 + 1e-12, 0.6 - 1e-12
    )
    chances = np.array([both, 0.7 - both, 0.6 - both, 1 - 1.3 + both])
    likelihood = AgreementLikelihood(found=np.array([50.0, 40.0]), n_found=60, both=30, dependence=odds)
    point = np.r_[np.log(4.0), logit(shares)]
    value, slopes = likelihood.value(point)
    assert value == pytest.approx(gammaln(65) - gammaln(5) + cells @ np.log(chances), rel=1e-12)
    steps = 1e-5 * np.eye(3)
    by_difference = [(likelihood.value(point + h)[0] - likelihood.value(point - h)[0]) / 2e-5 for h in steps]
    assert slopes == pytest.approx(by_difference, rel=1e-6, abs=1e-6)


def test_what_looks_agree_on_answers_as_every_fit_does():
    seen = np.repeat([[1, 1], [1, 0], [0, 1]], [60, 40, 20], axis=0)
    result = several_looks(seen, names=("tap", "visual"))
    assert result.bounds("missed") == pytest.approx(np.array(result.number_bounds) - 120, rel=1e-6)
    assert result.bounds("tap") == pytest.approx(tuple(result.sensitivity_bounds[0]), rel=1e-6)
    inner = result.bounds("tap", level=0.5)
    assert result.sensitivity_bounds[0, 0] < inner[0] < result.sensitivity[0] < inner[1]
    assert result.bounds("tap", level=0.5, method="wald") == pytest.approx(inner, abs=0.01)
    assert list(result.parameter_table(method="wald").index) == ["missed", "tap", "visual"]
    # Two looks alone: the same likelihood whether they are taken as two or as several.
    assert two_looks(60, 40, 20, names=("tap", "visual")).bounds("tap") == pytest.approx(
        tuple(result.sensitivity_bounds[0]), rel=1e-4
    )


def test_nothing_found_twice_leaves_the_missed_without_an_upper_bound():
    result = two_looks(0, 5, 5, dependence=2.0)
    assert result.bounds("missed")[1] == np.inf
    assert result.sensitivity_bounds[:, 0] == pytest.approx([0.0, 0.0], abs=1e-6)


def test_two_of_several_looks_agree_with_two_looks():
    seen = np.repeat([[1, 1], [1, 0], [0, 1]], [300, 200, 100], axis=0)
    assert several_looks(seen).number == pytest.approx(two_looks(300, 200, 100).number, rel=0.002)


def test_damage_that_is_hard_for_all_shows_in_the_lower_bound():
    rng = np.random.default_rng(4)
    easy = np.where(np.arange(4000) % 2 == 0, 0.8, 0.15)
    seen = rng.random((4000, 4)) < easy[:, None]
    result = several_looks(seen[seen.any(axis=1)])
    assert result.number < result.least_number < 4100


def test_looks_that_found_the_same_leave_none_missed():
    result = several_looks(np.ones((20, 2)))
    assert result.number == 20
    assert result.sensitivity.tolist() == [1.0, 1.0]


def test_two_looks_by_cells_of_a_multinomial_agree_in_likelihood():
    """The estimate is where the chance of the cells is highest."""
    cells = np.array([30, 20, 10])
    result = several_looks(np.repeat([[1, 1], [1, 0], [0, 1]], cells, axis=0))
    number = round(result.number)

    def log_chance(total):
        p, q = 50 / total, 40 / total
        return multinomial.logpmf(
            [*cells, total - 60], total, [p * q, p * (1 - q), (1 - p) * q, (1 - p) * (1 - q)]
        )

    assert max(range(61, 90), key=log_chance) == pytest.approx(number, abs=1)


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (
            lambda: two_looks(0, 5, 5, estimator="lincoln_petersen"),
            r"`both` must be at least 1.*Got 0. Use chapman",
        ),
        (lambda: two_looks(0, 0, 0), r"nothing was found"),
        (lambda: two_looks(1, -2, 0), r"`only_first` must be a whole number of at least 0. Got -2"),
        (lambda: two_looks(1, 2, 3, dependence=0), r"`dependence` .*Got 0"),
        (lambda: two_looks(1, 2, 3, level=95), r"`level` .*Got 95"),
        (lambda: two_looks(1, 2, 3, estimator="best"), r"one of chapman, lincoln_petersen. Got 'best'"),
        (lambda: several_looks([[1, 0], [0, 0]]), r"1 rows were found by none, first row 1"),
        (lambda: several_looks([[1, 0], [0, 1]]), r"found by two looks.*Got none"),
        (lambda: several_looks([1, 0]), r"Got shape \(2,\)"),
        (lambda: several_looks([[1, 2]]), r"1 for found and 0 for missed"),
    ],
)
def test_counts_that_tell_nothing_are_refused(call, message):
    with pytest.raises(ValueError, match=message):
        call()
