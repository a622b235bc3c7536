"""The event-by-event simulation: closed forms, common damage, and the laws of looking more often."""

import numpy as np
import pytest
from scipy.integrate import quad

from kit.detection import DetectionCurve
from kit.growth import LinearGrowth
from kit.simulate.schedule import ScheduleOutcome, simulate_schedule

GROWTH = LinearGrowth(onset_median=20.0, onset_log_sd=0.4, rate_median=0.02, rate_log_sd=0.5)
CURVE = DetectionCurve(a50=20.0, plateau=0.9, far_side_share=0.1)
SCHEDULE = {
    "life_scale": 9000.0,
    "life_shape": 2.0,
    "growth": GROWTH,
    "detection": CURVE,
    "limit": 60.0,
    "first": 1000.0,
    "repeat": 1000.0,
    "horizon": 9500.0,
    "n": 20_000,
    "seed": 1,
}
STEADY = LinearGrowth(
    onset_median=20.0, onset_log_sd=0.0, rate_median=0.02, rate_log_sd=0.0
)  # limit after 2000


def play(**changes) -> ScheduleOutcome:
    return simulate_schedule(**{**SCHEDULE, **changes})


def within(estimate, expected, errors=4):
    """Whether an estimate is within some of its standard errors of a known value."""
    return abs(estimate.value - expected) <= errors * estimate.standard_error


def test_without_looks_all_damage_that_has_time_passes_the_limit():
    """F(horizon - 2000) of lives, each with the mean time left; steady growth takes 2000 to the limit."""
    outcome = play(growth=STEADY, first=20_000.0, n=200_000)
    assert within(outcome.exceedances, 1 - np.exp(-((7500 / 9000) ** 2)))
    cumulative = quad(lambda t: 1 - np.exp(-((t / 9000) ** 2)), 0, 7500)[0]
    assert within(outcome.exposure, cumulative)
    assert outcome.born.value == 0


def test_perfect_looks_that_come_before_the_limit_let_nothing_through():
    outcome = play(growth=STEADY, detection=DetectionCurve.constant(1.0), first=1999.0, repeat=1999.0)
    assert outcome.exceedances.value == 0 or outcome.exceedances.value < 1e-3
    # Only what arises within 2000 of the horizon after the last look could pass, and it has no time.
    assert (
        play(
            growth=STEADY, detection=DetectionCurve.constant(1.0), first=1500.0, repeat=1500.0
        ).exceedances.value
        == 0
    )


def test_looks_of_one_chance_miss_by_its_power():
    """Steady growth over 2000 with a look each 1000: two looks before the limit, both missed with 0.4 squared."""
    outcome = play(
        growth=STEADY,
        detection=DetectionCurve.constant(0.6),
        first=1000.0,
        repeat=1000.0,
        horizon=9000.0,
        n=200_000,
    )
    assert within(outcome.exceedances, 0.4**2 * (1 - np.exp(-((7000 / 9000) ** 2))))


def test_far_side_damage_that_is_never_seen_passes_as_if_unlooked():
    seen = play(growth=STEADY, detection=DetectionCurve.constant(0.9, far_side_share=0.25), n=200_000)
    assert within(seen.far_side, 0.25 * (1 - np.exp(-((7500 / 9000) ** 2))))


def test_damage_born_beyond_the_limit_is_counted_at_once_and_waits_for_a_look():
    """All damage at 80 mm; perfect looks each 1000: exposure is the time to the next look or the horizon."""
    large = LinearGrowth(onset_median=80.0, onset_log_sd=0.0, rate_median=0.02, rate_log_sd=0.0)
    outcome = play(growth=large, detection=DetectionCurve.constant(1.0), n=200_000)
    density = lambda t: 2 * t / 9000**2 * np.exp(-((t / 9000) ** 2))  # noqa: E731
    ends = [*np.arange(1000.0, 9001.0, 1000.0), 9500.0]
    starts = [0.0, *ends[:-1]]
    waiting = sum(
        quad(lambda t, end=end: (end - t) * density(t), start, end)[0]
        for start, end in zip(starts, ends, strict=True)
    )
    assert outcome.born == outcome.exceedances
    assert within(outcome.born, 1 - np.exp(-((9500 / 9000) ** 2)))
    assert within(outcome.exposure, waiting)
    assert outcome.preventable_exposure.value == 0


def test_damage_that_does_not_grow_or_stops_below_the_limit_never_passes():
    assert play(growth=LinearGrowth(20.0, 0.0, 0.02, 0.0, no_growth_share=1.0)).exceedances.value == 0
    stops = LinearGrowth(20.0, 0.0, 0.02, 0.0, arrest_share=1.0, arrest_ratio=2.5)
    assert play(growth=stops).exceedances.value == 0
    assert play(growth=stops, limit=45.0, first=20_000.0).exceedances.value > 0.3


def test_parts_add_up():
    outcome = play()
    parts = outcome.preventable.value + outcome.born.value + outcome.far_side.value
    assert outcome.exceedances.value == pytest.approx(parts, rel=1e-12)
    assert outcome.preventable_exposure.value < outcome.exposure.value


def test_same_seed_same_answer_other_seed_other_answer():
    assert play() == play()
    assert play(seed=2).exceedances != play().exceedances


def test_every_schedule_meets_the_same_damage():
    """Born-beyond damage, and all that passes if no look finds anything, are equal to the last digit."""
    growth = LinearGrowth(onset_median=45.0, onset_log_sd=0.5, rate_median=0.02, rate_log_sd=0.5)
    outcomes = [play(growth=growth, repeat=repeat) for repeat in (300.0, 1000.0, 2500.0)]
    assert outcomes[0].born == outcomes[1].born == outcomes[2].born
    blind = DetectionCurve(a50=1e12, slope=40.0)
    ends = {
        play(growth=growth, detection=blind, repeat=repeat).exceedances for repeat in (300.0, 1000.0, 2500.0)
    }
    assert len(ends) == 1


@pytest.mark.parametrize("seed", range(5))
def test_more_looks_on_the_same_damage_never_let_more_through(seed):
    """Schedules that hold all the looks of the next one; each look has the same luck in all of them."""
    nested = [
        play(first=1000.0, repeat=repeat, seed=seed, n=4000)
        for repeat in (250.0, 500.0, 1000.0, 2000.0, 4000.0)
    ]
    for name in ("exceedances", "preventable", "exposure", "preventable_exposure"):
        values = [getattr(outcome, name).value for outcome in nested]
        assert values == sorted(values)
    assert nested[0].exceedances.value < nested[-1].exceedances.value


def test_common_damage_makes_differences_between_schedules_sharper():
    """The spread of a difference over seeds, against that of two separate simulations."""
    pairs = np.array(
        [
            [play(n=2000, seed=seed, repeat=repeat).exceedances.value for repeat in (900.0, 1000.0)]
            for seed in range(40)
        ]
    )
    common = np.var(pairs[:, 0] - pairs[:, 1])
    separate = np.var(pairs[:, 0] - np.roll(pairs[:, 1], 1))
    assert common < 0.7 * separate


def test_luck_differs_between_looks():
    """One look in two steps: with luck shared between looks a second one of the same chance would find nothing new."""
    growth = LinearGrowth(20.0, 0.0, 0.004, 0.0)  # 10,000 to the limit
    half = DetectionCurve.constant(0.5)
    outcome = play(
        growth=growth, detection=half, life_shape=8.0, life_scale=500.0, horizon=11_000.0, n=50_000
    )
    assert outcome.exceedances.value < 0.5**8


def test_standard_error_is_that_of_the_mean():
    outcome = play(n=50_000)
    p = outcome.exceedances.value
    assert outcome.exceedances.standard_error == pytest.approx(np.sqrt(p * (1 - p) / 49_999), rel=1e-9)


def test_lives_are_played_in_blocks_without_repeating_them():
    """300,000 lives take two blocks, each with its own numbers."""
    both, first = play(n=300_000), play(n=250_000)
    second = (both.exceedances.value * 300_000 - first.exceedances.value * 250_000) / 50_000
    assert abs(second - first.exceedances.value) < 5 * np.sqrt(2) * play(n=50_000).exceedances.standard_error
    assert second != play(n=50_000).exceedances.value


def test_answer_is_scaled_with_the_clock():
    factor = 3.5
    outcome = play(
        life_scale=9000.0 * factor,
        growth=GROWTH.convert(factor, "other"),
        first=1000.0 * factor,
        repeat=1000.0 * factor,
        horizon=9500.0 * factor,
        n=200_000,
    )
    same = play(n=200_000)
    assert outcome.born == same.born
    gap = outcome.exposure.value / factor - same.exposure.value
    assert abs(gap) < 4 * np.hypot(outcome.exposure.standard_error / factor, same.exposure.standard_error)


def test_table_and_line():
    outcome = play()
    frame = outcome.to_frame()
    assert list(frame.columns) == ["value", "standard_error"]
    assert frame.loc["exposure", "value"] == outcome.exposure.value
    assert "n=20000" in repr(outcome)


@pytest.mark.parametrize("name", ["life_scale", "life_shape", "limit", "first", "repeat", "horizon"])
@pytest.mark.parametrize("value", [0.0, -1.0, np.nan, np.inf])
def test_arguments_must_be_positive(name, value):
    with pytest.raises(ValueError, match=f"`{name}` must be positive and finite"):
        play(**{name: value})


def test_one_life_has_no_standard_error():
    with pytest.raises(ValueError, match="`n` must be at least 2"):
        play(n=1)
