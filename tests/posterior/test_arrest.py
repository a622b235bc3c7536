"""Growth that may stop: its weight comes from the mappings, and it moves draws of growth to the careful side alone."""

import numpy as np
import pytest

from kit.growth import fit_tracks
from kit.numerics.forked import forked_map
from kit.posterior import PRIORS, STOPS, MappedTwice, TrackGrowth, growths
from tests.growth.simulated_tracks import mappings

GAP = 2000.0
STOP = (STOPS[0] / GAP, STOPS[1])


def test_the_likelihood_with_arrest_has_the_maximum_of_a_fit_that_may_stop():
    """`fit_tracks` with the same priors, which places its nodes anew; here they stay about the fit without arrest."""
    frame = mappings(40, seed=3, arrest=1.2e-4, still=0.2, times=3)
    plain = fit_tracks(frame, priors=PRIORS).likelihood
    fitted = fit_tracks(frame, priors={**PRIORS, "arrest_rate": STOP}, may_stop=True)
    found = plain.with_arrest(STOP)
    at = found.natural(found.estimate).iloc[0]
    for name in ("rate_median", "rate_log_sd", "arrest_rate"):
        assert np.log(at[name]) == pytest.approx(np.log(getattr(fitted, name)), abs=0.05)
    assert found.names == fitted.likelihood.names
    with pytest.raises(ValueError, match="without arrest"):
        found.with_arrest(STOP)


def test_draws_with_growth_that_may_stop_are_never_slower_nor_stand_still_more_often():
    growth = TrackGrowth.from_tracks(mappings(25, seed=2, arrest=1e-4, still=0.2), clock="age")
    goes_on = TrackGrowth(likelihoods=growth.likelihoods)
    may, never = (one.draws(64, seed=1) for one in (growth, goes_on))
    assert (may.form == never.form).all()
    assert (may.rate_median >= never.rate_median * (1 - 1e-12)).all()
    assert (may.no_growth_share <= never.no_growth_share + 1e-12).all()
    assert 0 < may.diagnostics["arrest_share"] < 1
    assert may.diagnostics["jumps"] == growth.jumps
    assert growth.jumps.n_steps == 75


def test_mappings_of_growth_that_stops_give_arrest_the_weight_and_others_do_not():
    shares = [
        TrackGrowth.from_tracks(mappings(60, seed=5, error=0.08, rate=1e-2, arrest=arrest), clock="age")
        .stops[0]
        .share
        for arrest in (0.0, 2e-4)
    ]
    assert shares[0] < 0.3
    assert shares[1] > 0.9


@pytest.mark.long
@pytest.mark.parametrize("arrest", [0.0, 1 / 8000])
def test_the_rate_before_a_stop_is_found_where_growth_stops_and_hardly_moved_where_it_does_not(arrest):
    """Mean of 20 fleets of 60 damages mapped three times: the log rate with arrest and without; growth stops after 8,000 units."""
    with_it, without = [], []
    for seed in range(20):
        growth = TrackGrowth.from_tracks(
            mappings(60, seed=40 + seed, arrest=arrest, still=0.2, times=3), clock="age"
        )
        for rates, made in ((with_it, growth), (without, TrackGrowth(likelihoods=growth.likelihoods))):
            rates.append(np.log(made.draws(256, seed=1).rate_median / 6e-3).mean())
    error = np.std(with_it) / np.sqrt(20)
    if arrest:
        assert np.mean(without) < np.mean(with_it) - 0.02
        assert np.mean(with_it) > -0.12
    else:
        assert 0 <= np.mean(with_it) - np.mean(without) < 0.03
        assert abs(np.mean(with_it)) < 3 * error + 0.02


def test_growth_that_is_fitted_on_all_cores_is_the_same_as_one_after_the_other():
    asked = [
        MappedTwice(
            tracks=mappings(n, seed=2, still=0.2), clock="age", forms=("linear",), wanted=((64, 1, 50),)
        )
        for n in (12, 2)
    ]
    (alone, none), (beside, _) = growths(asked), growths(asked, run=forked_map)
    assert isinstance(none, ValueError)
    assert alone.stops == beside.stops
    one, other = (growth.draws(64, seed=1, stream=50) for growth in (alone, beside))
    np.testing.assert_array_equal(one.rate_median, other.rate_median)
    later = TrackGrowth(likelihoods=alone.likelihoods, stops=alone.stops).draws(64, seed=1, stream=50)
    np.testing.assert_array_equal(one.rate_median, later.rate_median)
