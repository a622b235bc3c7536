"""Forms of growth side by side: the true one is likelier, and none is chosen."""

import numpy as np
import pytest

from growth.simulated_repairs import found_damage
from growth.simulated_tracks import mappings
from kit.growth import compare_growth


@pytest.mark.long
@pytest.mark.parametrize("true", ["linear", "proportional"])
def test_the_form_that_the_damage_has_is_likelier_and_none_is_chosen(true):
    frame = mappings(90, seed=1, form=true, rate=6e-3 if true == "linear" else 2.5e-4, error=0.06, times=5)
    compared = compare_growth(frame, clock="flight_hours", may_stand_still=False)
    table = compared.to_frame()
    assert list(table.index) == ["linear", "proportional", "pressure"]
    assert table["aic_above_least"].idxmin() == true
    assert table.loc[true, "size_log_sd"] == table["size_log_sd"].min() == pytest.approx(0.06, rel=0.1)
    assert table.loc["linear", "aic"] == pytest.approx(12 - 2 * table.loc["linear", "log_likelihood"])
    assert not hasattr(compared, "best")
    assert table.loc[true, "weight"] > 0.95
    assert table["weight"].sum() == pytest.approx(1.0)
    assert table["evidence_error"].max() < 0.3
    delays = compared.delays(80.0, start=30.0)
    assert delays.loc[0.5, "linear"] == pytest.approx(50 / compared.fits["linear"].rate_median)
    assert (delays.loc[0.95] < delays.loc[0.5]).all()
    assert compared.sizes([0.0], start=30.0).loc[0.0].tolist() == pytest.approx([30.0] * 3)
    assert "\n" not in repr(compared)


def test_forms_that_the_tracks_do_not_tell_apart_are_named():
    frame = mappings(10, seed=2, times=2, error=0.2)
    compared = compare_growth(frame, forms=("linear", "proportional"))
    assert "linear and proportional growth are indistinguishable by these tracks" in compared.cautions[0]
    assert 0.02 < compared.weights["proportional"] < 0.98
    with pytest.raises(ValueError, match="`forms` must be at least one form"):
        compare_growth(frame, forms=())


@pytest.mark.long
@pytest.mark.parametrize(("true", "rate"), [("linear", 0.0025), ("proportional", 8e-5)])
def test_the_true_form_has_most_of_the_weight_with_repair_at_the_limit(true, rate):
    """A form taken for another is off by half in the log of its rate: over 10 fleets of 69 tracks the weight goes to the true one."""
    weights = [
        compare_growth(
            found_damage(69, seed=seed, form=true, rate=rate), forms=("linear", "proportional")
        ).weights[true]
        for seed in range(10)
    ]
    assert np.mean(weights) > 0.75
    assert min(weights) > 0.02  # and no fleet rules it out
