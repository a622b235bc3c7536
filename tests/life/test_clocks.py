"""The same lives on several clocks, and the mix of two that they keep."""

import numpy as np
import pandas as pd
import pytest

from kit.life import Histories, SameLives, compare_clocks, fit_two_clocks, fit_weibull, log_chance

NONE = pd.Series([], name="lives", dtype="int64")


def lives_on_two_clocks(seed, *, mix, n=500):
    """Onset at a virtual usage of mix x cycles/5 + (1 - mix) x days; use differs from panel to panel."""
    rng = np.random.default_rng(seed)
    rows = {"flight_cycles": [], "calendar_days": []}
    for i in range(n):
        rate = 5 * np.exp(rng.normal(0, 0.7))
        onset = 3000 * rng.weibull(2.5)
        for day in np.arange(300.0, rng.uniform(1500, 4000), 300.0):
            age = {"flight_cycles": rate * day, "calendar_days": day}
            virtual = mix * age["flight_cycles"] / 5 + (1 - mix) * day
            for clock, x in age.items():
                rows[clock].append(
                    {"life": f"P{i:03d}", "age": x, "found": virtual >= onset, "cluster": f"A{i % 20}"}
                )
            if virtual >= onset:
                break
    built = {clock: Histories.from_looks(pd.DataFrame(x), clock=clock) for clock, x in rows.items()}
    return SameLives(built, NONE)


@pytest.mark.parametrize("mix", [0.0, 0.5, 1.0])
def test_the_mix_that_made_the_lives_lies_within_its_bounds(mix):
    fit = fit_two_clocks(lives_on_two_clocks(3, mix=mix), level=0.99)
    low, high = fit.mix_bounds
    assert low <= mix <= high
    assert fit.mix == pytest.approx(mix, abs=0.15)
    assert fit.parked_share == pytest.approx(1 - fit.mix)
    assert fit.profile["below_best"].min() == pytest.approx(0.0, abs=1e-9)


def test_a_mix_answers_as_every_fit_does():
    fit = fit_two_clocks(lives_on_two_clocks(3, mix=0.5))
    assert fit.bounds("mix") == fit.mix_bounds
    low, high = fit.bounds("mix", level=0.5)
    assert fit.mix_bounds[0] < low < fit.mix < high < fit.mix_bounds[1]
    # Inside its range the profile is nearly a parabola: both methods agree to a tenth of the width.
    width = high - low
    assert fit.bounds("mix", level=0.5, method="wald") == pytest.approx((low, high), abs=0.1 * width)
    assert list(fit.parameter_table(method="wald").index) == ["mix"]
    with pytest.raises(ValueError, match=r"`name` must be one of mix\. Got 'shape'"):
        fit.bounds("shape")


def test_the_ends_of_the_mix_are_the_clocks_alone():
    lives = lives_on_two_clocks(1, mix=0.5)
    profile = fit_two_clocks(lives).profile
    best = fit_two_clocks(lives).fit.log_likelihood
    for mix, clock in ((0.0, "calendar_days"), (1.0, "flight_cycles")):
        alone = fit_weibull(lives.histories[clock])
        assert profile.loc[profile["mix"] == mix, "below_best"].iloc[0] == pytest.approx(
            best - alone.log_likelihood, abs=1e-7
        )


def test_the_right_clock_is_likelier_also_for_aircraft_held_out():
    for mix, right in ((0.0, "calendar_days"), (1.0, "flight_cycles")):
        table = compare_clocks(lives_on_two_clocks(2, mix=mix), folds=5, seed=1).to_frame()
        assert table.index[0] == right
        assert table.loc[right, "held_out_below_best"] == 0.0
        assert (
            table.drop(right)["held_out_below_best"].iloc[0] > 2 * table.drop(right)["held_out_error"].iloc[0]
        )


def test_units_of_a_clock_do_not_change_the_comparison():
    lives = lives_on_two_clocks(4, mix=0.5, n=150)
    days = lives.histories["calendar_days"]
    weeks = Histories(
        days.life, days.entry / 7, days.lower / 7, days.upper / 7, days.count, days.cluster, days.look_age / 7, days.look_start,
        "calendar_days",
    )  # fmt: skip
    scaled = SameLives(lives.histories | {"calendar_days": weeks}, NONE)
    assert compare_clocks(scaled).to_frame()["log_likelihood"].to_numpy() == pytest.approx(
        compare_clocks(lives).to_frame()["log_likelihood"].to_numpy(), rel=1e-9
    )
    assert fit_two_clocks(scaled).mix == pytest.approx(fit_two_clocks(lives).mix, abs=1e-5)


def test_folds_hold_whole_aircraft_and_all_finds_once():
    comparison = compare_clocks(lives_on_two_clocks(5, mix=0.0, n=200), folds=4, seed=2)
    held = comparison.held_out
    assert held["aircraft"].sum() == 20
    assert held["finds"].sum() == next(iter(comparison.fits.values())).n_finds
    again = compare_clocks(comparison.lives, folds=4, seed=2).held_out
    pd.testing.assert_frame_equal(held, again)


def test_the_log_chance_of_the_fitted_lives_is_the_log_likelihood():
    histories = lives_on_two_clocks(6, mix=0.0, n=100).histories["calendar_days"]
    fit = fit_weibull(histories)
    assert log_chance(fit, histories) == pytest.approx(fit.log_likelihood, rel=1e-10)


def test_a_life_found_without_usage_since_its_last_look_is_left_out_and_counted(hand):
    """A1 flies; A2 stands still, so that its find has no interval on a usage clock."""
    for aircraft, use in (("A1", 10), ("A2", 0)):
        hand.aircraft(aircraft, hours_per_day=use).panel(f"P{aircraft}", aircraft)
        hand.clean(aircraft, 400, 800)
        hand.find(aircraft, 1200)
    lives = SameLives.of(hand.load(), kind="disbond", clocks=["flight_hours", "calendar_days"])
    assert lives.histories["flight_hours"].life.tolist() == ["PA1"]
    assert lives.histories["flight_hours"].upper.tolist() == [12000.0]
    assert lives.histories["calendar_days"].upper.tolist() == [1200.0]
    assert lives.left_out.sum() == 1


def test_what_does_not_go_together_is_refused():
    lives = lives_on_two_clocks(7, mix=0.0, n=60)
    with pytest.raises(
        ValueError, match=r"two or more of flight_hours, flight_cycles, calendar_days\. Got days"
    ):
        SameLives.of(None, kind="disbond", clocks=["days"])
    with pytest.raises(ValueError, match=r"`folds` must be from 2 to the number of aircraft, 20. Got 50"):
        compare_clocks(lives, folds=50)
    with pytest.raises(ValueError, match="`level` must be"):
        fit_two_clocks(lives, level=95)
    turned = fit_two_clocks(lives, first="calendar_days", second="flight_cycles")
    with pytest.raises(ValueError, match="a usage clock first and calendar_days second"):
        _ = turned.parked_share
