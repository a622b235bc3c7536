"""Moisture, then disbond: against integrals by another way, known truth, and what must not matter."""

import numpy as np
import pandas as pd
import pytest
from scipy.integrate import quad
from scipy.stats import weibull_min

from kit.life import NoFiniteMaximum, fit_moisture_then_disbond, fit_weibull
from kit.life.causes.two_stage import DRY_ROUTE, PARAMETERS, _begin, _lives, _pieces

TRUTH = {"moisture_scale": 4000.0, "moisture_shape": 2.0, "disbond_scale": 1500.0, "disbond_shape": 1.3}


DRY = {"dry_disbond_scale": 9000.0, "dry_disbond_shape": 1.1}


def looks(seed, n=300, *, seen=0.6, late=0.3, dry=None):
    """Looks every 400 or 700 hours; a share of them can tell moisture; some panels come late, without disbond."""
    rng = np.random.default_rng(seed)
    rows = []
    for i in range(n):
        wet = TRUTH["moisture_scale"] * rng.weibull(TRUTH["moisture_shape"])
        stop = wet + TRUTH["disbond_scale"] * rng.weibull(TRUTH["disbond_shape"])
        if dry is not None:
            stop = min(stop, dry["dry_disbond_scale"] * rng.weibull(dry["dry_disbond_shape"]))
        gap = rng.choice([400.0, 700.0])
        ages = np.arange(gap, rng.uniform(2500, 7000), gap)
        entry = ages[1] if rng.random() < late and ages.size > 3 else 0.0
        if stop <= entry:
            continue
        for age in ages[ages >= entry]:
            told = bool(age >= wet) if rng.random() < seen else None
            rows.append({"life": i, "age": age, "disbond": age >= stop, "moisture": told, "entry": entry})
            if age >= stop:
                break
    return pd.DataFrame(rows)


@pytest.fixture(scope="module")
def frame():
    return looks(1)


@pytest.fixture(scope="module")
def fit(frame):
    return fit_moisture_then_disbond(frame)


def chance_by_quad(entry, wet, stop, dry, clean):
    """Chance of one life from adaptive integration, straight from the definition."""
    first = weibull_min(TRUTH["moisture_shape"], scale=TRUTH["moisture_scale"])
    second = weibull_min(TRUTH["disbond_shape"], scale=TRUTH["disbond_scale"])

    def integral(low, high, clean, stop):
        cut = min(max(clean, low), high)
        return sum(
            quad(
                lambda t: first.pdf(t) * (second.sf(max(clean - t, 0)) - second.sf(stop - t)),
                a,
                b,
                epsabs=1e-13,
            )[0]
            for a, b in ((low, cut), (cut, high))
            if b > a
        )

    last = min(wet, stop)
    if np.isinf(last):
        last = max(clean, dry)
        chance = integral(dry, last, clean, np.inf) + first.sf(last)
    else:
        chance = integral(dry, last, clean, stop)
    if entry > 0:
        chance /= integral(0.0, entry, entry, np.inf) + first.sf(entry)
    return chance


@pytest.mark.long
def test_the_log_likelihood_is_the_sum_of_integrals_by_another_way():
    """scipy's adaptive integration, life by life."""
    rows, _ = _lives(looks(2, n=60))
    theta = np.log([TRUTH[name] for name in PARAMETERS])
    expected = sum(np.log(chance_by_quad(r.entry, r.wet, r.stop, r.dry, r.clean)) for r in rows.itertuples())
    assert _pieces(rows).value(theta)[0] == pytest.approx(expected, abs=1e-6)


def test_the_gradient_is_that_of_the_log_likelihood(frame):
    pieces = _pieces(_lives(frame)[0])
    theta, step = np.log([4300.0, 1.7, 1300.0, 1.1]), 1e-5
    differences = [
        (pieces.value(theta + step * unit)[0] - pieces.value(theta - step * unit)[0]) / (2 * step)
        for unit in np.eye(4)
    ]
    assert pieces.value(theta)[1] == pytest.approx(differences, rel=1e-5, abs=1e-3)


@pytest.mark.parametrize(("seen", "late"), [(1.0, 0.0), (0.6, 0.3), (0.3, 0.6)])
def test_known_truth_lies_within_three_standard_errors(seen, late):
    fit = fit_moisture_then_disbond(looks(11, n=700, seen=seen, late=late))
    for name, true in TRUTH.items():
        assert abs(np.log(fit.estimates[name] / true)) < 3 * fit.standard_error(f"log_{name}")


def test_order_of_looks_unit_and_equal_lives_do_not_matter(frame, fit):
    days = frame.assign(age=frame["age"] / 24, entry=frame["entry"] / 24).sample(frac=1.0, random_state=1)
    other = fit_moisture_then_disbond(days)
    for name in PARAMETERS:
        unit = 24 if name.endswith("scale") else 1
        assert other.estimates[name] * unit == pytest.approx(fit.estimates[name], rel=1e-5)
    twice = fit_moisture_then_disbond(frame.assign(count=2.0))
    assert twice.log_likelihood == pytest.approx(2 * fit.log_likelihood, rel=1e-9)
    assert twice.standard_error("moisture_scale") == pytest.approx(
        fit.standard_error("moisture_scale") / np.sqrt(2), rel=1e-3
    )


def test_with_moisture_always_told_the_first_stage_is_the_plain_fit():
    """Every look tells moisture and nobody comes late: the first stage is fitted by itself."""
    data = looks(4, seen=1.0, late=0.0)
    wet = data[data["moisture"].isin([True])].groupby("life")["age"].min()
    dry = data[data["moisture"].isin([False])].groupby("life")["age"].max()
    lives = pd.DataFrame({"lower": dry, "upper": wet}).reindex(data["life"].unique())
    plain = fit_weibull(lower=lives["lower"].fillna(0.0), upper=lives["upper"].fillna(np.inf))
    both = fit_moisture_then_disbond(data)
    # The gaps between looks tie the stages weakly together, so that the two are near but not the same.
    assert both.estimates["moisture_scale"] == pytest.approx(plain.scale, rel=0.02)
    assert both.estimates["moisture_shape"] == pytest.approx(plain.shape, rel=0.05)


def test_shares_add_up_and_follow_the_looks(fit):
    table = fit.shares([0.0, 500.0, 2000.0, 4000.0, 8000.0, 60000.0])
    assert table[["clean", "moisture", "disbond"]].sum(axis=1).to_numpy() == pytest.approx(
        np.ones(6), abs=1e-9
    )
    assert (np.diff(table["clean"]) <= 0).all()
    assert (np.diff(table["disbond"]) >= -1e-12).all()
    assert table.iloc[0].tolist() == [0.0, 1.0, 0.0, 0.0]
    assert table["disbond"].iloc[-1] == pytest.approx(1.0, abs=1e-6)
    first = weibull_min(fit.estimates["moisture_shape"], scale=fit.estimates["moisture_scale"])
    second = weibull_min(fit.estimates["disbond_shape"], scale=fit.estimates["disbond_scale"])
    wet = quad(lambda t: first.pdf(t) * second.sf(4000 - t), 0, 4000)[0]
    assert table["moisture"].iloc[3] == pytest.approx(wet, abs=1e-7)


def test_where_no_look_tells_moisture_the_stages_are_not_told_apart():
    data = looks(5, seen=0.0)
    with pytest.raises(NoFiniteMaximum, match="the sum of two stages is the same whichever comes first"):
        fit_moisture_then_disbond(data)
    fit = fit_moisture_then_disbond(data, assumed={"disbond_scale": 1500.0, "disbond_shape": 1.3})
    assert abs(np.log(fit.estimates["moisture_scale"] / 4000)) < 3 * fit.standard_error("log_moisture_scale")
    assert np.isnan(fit.standard_error("disbond_shape"))
    assert fit.cautions == (
        "disbond scale is assumed, not fitted",
        "disbond shape is assumed, not fitted",
        "moisture was never seen by itself: the two stages are distinguished by their shapes only",
    )
    assert fit.to_frame()["assumed"].tolist() == [False, False, True, True]


def test_lives_that_say_nothing_are_left_out_and_counted():
    rows = [
        ("never looked at again", 500.0, False, None, 500.0),
        ("disbonded at entry", 400.0, True, None, 400.0),
        ("dry and disbonded", 700.0, True, False, 0.0),
    ]
    extra = pd.DataFrame(rows, columns=["life", "age", "disbond", "moisture", "entry"])
    fit = fit_moisture_then_disbond(pd.concat([looks(6).astype({"life": str}), extra]))
    assert dict(fit.excluded.itertuples(index=False)) == {
        "disbonded at entry": "already disbonded at its entry (prevalent)",
        "dry and disbonded": "disbonded and said to be dry at one look",
        "never looked at again": "no look after it came under watch",
    }


def test_nothing_to_fit_and_bad_looks_are_refused(frame):
    with pytest.raises(NoFiniteMaximum, match="no disbond in"):
        fit_moisture_then_disbond(frame.assign(disbond=False))
    with pytest.raises(NoFiniteMaximum, match="no disbond in 0 lives"):
        fit_moisture_then_disbond(frame.iloc[:0])
    with pytest.raises(ValueError, match="moisture missing"):
        fit_moisture_then_disbond(frame.drop(columns="moisture"))
    with pytest.raises(ValueError, match=r"`disbond` must be true or false\. Got 'maybe' in row 0"):
        fit_moisture_then_disbond(frame.assign(disbond=["maybe"] + ["False"] * (len(frame) - 1)))
    with pytest.raises(ValueError, match="`age` must be finite and at least 0: 1 of"):
        fit_moisture_then_disbond(frame.assign(age=[-1.0, *frame["age"].iloc[1:]]))
    with pytest.raises(ValueError, match="positive values of moisture_scale"):
        fit_moisture_then_disbond(frame, assumed={"disbond_rate": 1.0})
    with pytest.raises(ValueError, match="`count` must be the same"):
        fit_moisture_then_disbond(frame.assign(count=np.arange(len(frame)) + 1.0))


def test_the_start_is_finite_for_any_lives():
    assert np.isfinite(_begin(_lives(looks(7, n=20))[0])).all()


def test_the_dry_route_is_the_least_of_two_ages_by_another_way():
    """Monte Carlo straight from the definition: disbond at the lesser of both routes, moisture running on."""
    rows = pd.DataFrame(
        {
            "entry": [0.0, 0.0, 0.0, 0.0, 800.0],
            "count": 1.0,
            "wet": [np.inf, np.inf, 2400.0, np.inf, np.inf],
            "stop": [3000.0, 3000.0, 3000.0, np.inf, 3000.0],
            "dry": [3000.0, 800.0, 800.0, 800.0, 0.0],
            "clean": [2000.0, 2000.0, 2000.0, 2500.0, 2000.0],
        }
    )
    rng, n = np.random.default_rng(5), 2_000_000
    wet = TRUTH["moisture_scale"] * rng.weibull(TRUTH["moisture_shape"], n)
    stop = np.minimum(
        wet + TRUTH["disbond_scale"] * rng.weibull(TRUTH["disbond_shape"], n),
        DRY["dry_disbond_scale"] * rng.weibull(DRY["dry_disbond_shape"], n),
    )
    found = []
    for r in rows.itertuples():
        shown = (stop > r.clean) & (stop <= r.stop) & (wet > r.dry) & (wet <= r.wet)
        found.append(shown.sum() / (stop > r.entry).sum())
    pieces = _pieces(rows, dry_route=True)
    theta = np.log([*TRUTH.values(), *DRY.values()])
    chance = pieces.chances(theta)[0]
    late = chance[:5] / np.array([1, 1, 1, 1, chance[5]])
    assert late == pytest.approx(found, abs=4 * np.sqrt(0.25 / n), rel=0.02)
    step = 1e-5
    slope = [
        (pieces.value(theta + step * u)[0] - pieces.value(theta - step * u)[0]) / (2 * step)
        for u in np.eye(6)
    ]
    assert pieces.value(theta)[1] == pytest.approx(slope, rel=1e-5, abs=1e-5)


@pytest.mark.parametrize("seen", [1.0, 0.4])
def test_the_dry_route_is_found_again_and_lives_found_dry_are_kept(seen):
    """Known truth with disbond from impacts: within three standard errors, and the parts of disbond are those of the truth."""
    frame = looks(21, n=700, seen=seen, dry=DRY)
    fit = fit_moisture_then_disbond(frame, dry_route=True)
    for name, true in (TRUTH | DRY).items():
        assert abs(np.log(fit.estimates[name] / true)) < 3 * fit.standard_error(f"log_{name}")
    assert fit.n_dry > 10
    assert len(fit.excluded) == 0 or not fit.excluded["reason"].str.contains("dry").any()
    first = weibull_min(TRUTH["moisture_shape"], scale=TRUTH["moisture_scale"])
    impact = weibull_min(DRY["dry_disbond_shape"], scale=DRY["dry_disbond_scale"])
    true = quad(lambda t: impact.pdf(t) * first.sf(t), 0, 4000)[0]
    table = fit.shares([0.0, 4000.0])
    assert table["dry_disbond"].iloc[1] == pytest.approx(true, abs=0.05)
    assert (table["dry_disbond"] <= table["disbond"] + 1e-12).all()


def test_a_dry_route_that_never_happens_leaves_the_two_stages_alone():
    """An age at dry disbond beyond all ages: the fit without the route."""
    frame = looks(4, seen=1.0, late=0.3)
    held = {DRY_ROUTE[0]: 1e9, DRY_ROUTE[1]: 1.0}
    plain, routed = (
        fit_moisture_then_disbond(frame, **kw) for kw in ({}, {"assumed": held, "dry_route": True})
    )
    for name in PARAMETERS:
        assert routed.estimates[name] == pytest.approx(plain.estimates[name], rel=1e-3)


@pytest.mark.long
def test_without_the_dry_route_the_time_to_disbond_comes_out_too_short():
    """Mean over 12 fleets of 400 lives where looks seldom tell moisture: the route that is left out is told as a short second stage."""
    off = {True: [], False: []}
    for seed in range(12):
        frame = looks(100 + seed, n=400, seen=0.5, dry=DRY)
        for route in off:
            fit = fit_moisture_then_disbond(frame, dry_route=route)
            off[route].append(np.log(fit.estimates["disbond_scale"] / TRUTH["disbond_scale"]))
    error = np.std(off[True]) / np.sqrt(12)
    assert abs(np.mean(off[True])) < 3 * error
    assert np.mean(off[False]) < -3 * np.std(off[False]) / np.sqrt(12)
