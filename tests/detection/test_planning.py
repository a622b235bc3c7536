"""How large a trial must be: the level is kept, more proves more, and the batch fits as the fit does."""

import numpy as np
import pytest
from scipy.stats import binom

from kit.detection import DetectionCurve, LinkedCurve, fit_hit_miss, trial_power
from kit.detection.planning import _bounds

CURVE = DetectionCurve(a50=20.0, slope=4.0)
RANGE = {"size_from": 8.0, "size_to": 70.0}


@pytest.mark.parametrize("sd", [0.0, 0.15])
@pytest.mark.parametrize("people", [1, 3, 12])
def test_a_pod_that_is_only_just_met_is_hardly_ever_proved(sd, people):
    truth = LinkedCurve(20.0, 4.0, spread=4 * sd).size_at(0.9)
    if people == 1:
        sd, truth = 0.0, CURVE.a90  # one inspector is proved for that inspector alone
    row = trial_power(
        CURVE, truth, n_flaws=[60], n_inspectors=[people], inspector_sd=sd, n_trials=1000, seed=2, **RANGE
    ).iloc[0]
    # 5 % by intent; few clusters make it rough, hence 7 %, and 1,000 trials add their luck.
    assert row["share_proving"] <= binom.ppf(0.999, 1000, 0.07) / 1000
    assert row["true_a90"] == pytest.approx(truth)


def test_more_flaws_and_more_inspectors_prove_more():
    table = trial_power(CURVE, 45.0, n_flaws=[20, 80], n_inspectors=[3, 12], n_trials=300, seed=1, **RANGE)
    share = table.pivot(index="n_flaws", columns="n_inspectors", values="share_proving")
    assert share.loc[80, 12] > share.loc[20, 12] > share.loc[20, 3]
    assert share.loc[80, 3] > share.loc[20, 3]
    assert (table["standard_error"] > 0).all()
    assert table["n_taps"].tolist() == [60, 240, 240, 960]


@pytest.mark.parametrize("link", ["logit", "probit", "cloglog"])
def test_the_batch_gives_the_bound_of_the_fit(link):
    rng = np.random.default_rng(4)
    x = np.linspace(np.log(8), np.log(70), 80)
    pod = 0.97 * LinkedCurve(20.0, 3.0, link=link).pod(np.exp(x))
    hit = rng.random((5, 1, 80)) < pod
    from kit.detection.links import line_at

    bounds, failed = _bounds(x, hit, link, 0.97, float(line_at(link, 0.9 / 0.97)), 0.95)
    assert not failed.any()
    for bound, one in zip(np.exp(bounds), hit[:, 0], strict=True):
        assert bound == pytest.approx(
            fit_hit_miss(np.exp(x), one, link=link, plateau=0.97).a90_95(), rel=1e-4
        )


def test_the_same_seed_gives_the_same_table_and_a_cell_does_not_hang_on_the_others():
    ask = {"n_inspectors": [4], "n_trials": 60, "seed": 3, **RANGE}
    one = trial_power(CURVE, 45.0, n_flaws=[30, 50], **ask)
    two = trial_power(CURVE, 45.0, n_flaws=[50], **ask)
    assert one.iloc[1].to_dict() == two.iloc[0].to_dict()


def test_trials_without_overlap_are_counted_and_prove_nothing():
    steep = DetectionCurve(a50=20.0, slope=60.0)
    row = trial_power(
        steep, 1e3, n_flaws=[6], n_inspectors=[1], inspector_sd=0.0, n_trials=200, seed=1, **RANGE
    ).iloc[0]
    assert row["share_without_fit"] > 0.8
    assert row["share_proving"] <= 1 - row["share_without_fit"] + 1e-9


def test_a_plateau_below_the_pod_is_never_proved():
    low = DetectionCurve(a50=20.0, slope=4.0, plateau=0.85)
    row = trial_power(low, 60.0, n_flaws=[60], n_inspectors=[5], n_trials=50, seed=1, **RANGE).iloc[0]
    assert row["share_proving"] == 0
    assert row["true_a90"] == row["median_a90_95"] == np.inf


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"n_flaws": [3]}, r"`n_flaws` must be whole numbers of at least 4. Got 3"),
        ({"n_inspectors": [0]}, r"`n_inspectors` .*Got 0"),
        ({"size_to": 5.0}, r"`size_to` must be above 8 and below inf. Got 5.0"),
        ({"level": 1.0}, r"`level` .*Got 1.0"),
        ({"inspector_sd": -0.1}, r"`inspector_sd` .*Got -0.1"),
        ({"detection": 0.9}, r"`detection` must be a POD by log size"),
    ],
)
def test_wrong_arguments_are_refused(change, message):
    ask = {
        "detection": CURVE,
        "wanted": 45.0,
        "n_flaws": [20],
        "n_inspectors": [3],
        "seed": 1,
        **RANGE,
    } | change
    with pytest.raises(ValueError, match=message):
        trial_power(**ask)
