"""Mean cumulative functions of zones, trend tests, and charts whose false alarms are known."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy.stats import poisson

from kit.ranking import (
    alert_levels,
    poisson_cusum,
    trend_table,
    yearly_table,
    zone_events,
    zone_mean_cumulative,
)
from kit.ranking.trends import laplace

REFERENCES = Path(__file__).parents[1] / "data" / "references"
EXPECTED = pd.read_csv(REFERENCES / "expected.csv").set_index(["case", "quantity"])


def read(case):
    return pd.read_csv(next(REFERENCES.glob(f"{case}_*.csv")))


def test_the_false_alarm_rate_of_a_chart_is_what_it_says():
    """Simulated anew with another seed, over 24 months of 3 finds: within 4 standard errors of the 5 % asked for."""
    chart = poisson_cusum(np.full(24, 3), np.full(24, 3.0), simulations=8000)
    assert chart.simulated_false_alarm <= 0.05 + 4 * chart.standard_error
    assert chart.simulated_false_alarm > 0.03


def test_a_chart_added_up_by_hand():
    """Ratio 2, expected 1: a find adds log 2 and each period takes 1 off; never below 0."""
    chart = poisson_cusum([0, 2, 3, 0], [1.0, 1.0, 1.0, 1.0], simulations=500)
    step = np.log(2)
    assert chart.score == pytest.approx([0.0, 2 * step - 1, 5 * step - 2, 5 * step - 3])


def test_a_chart_notices_twice_as_many_and_one_for_fewer_notices_a_fall():
    rng = np.random.default_rng(5)
    more = np.r_[rng.poisson(4, 20), rng.poisson(10, 20)]
    assert 20 <= poisson_cusum(more, np.full(40, 4.0), simulations=2000).alarms[0] < 30
    fewer = np.r_[rng.poisson(6, 20), rng.poisson(1, 20)]
    assert 20 <= poisson_cusum(fewer, np.full(40, 6.0), ratio=0.5, simulations=2000).alarms[0] < 32


def test_alert_levels_are_the_least_counts_with_so_small_a_chance():
    for e, level in zip([0.3, 1.0, 5.0, 40.0], alert_levels([0.3, 1.0, 5.0, 40.0]), strict=True):
        assert poisson.sf(level - 1, e) <= 0.05 < poisson.sf(level - 2, e)


def test_a_ratio_of_one_is_refused():
    with pytest.raises(ValueError, match="`ratio` must be above 0 and not 1"):
        poisson_cusum([1], [1.0], ratio=1.0)


def test_events_of_zones_are_first_finds_by_hours_under_watch(hand):
    hand.aircraft("A1").aircraft("A2", records_from=1000)
    hand.panel("P1", "A1").panel("P2", "A2")
    hand.find("A1", 400)
    hand.find("A1", 800)  # the same damage
    hand.find("A2", 1500)
    events = zone_events(hand.load(), by="zone")
    finds = events.loc[events["event"] == 1].set_index("unit")["age"]
    assert finds.to_dict() == pytest.approx({"A1 Z1": 4000, "A2 Z1": 5000})
    made = zone_mean_cumulative(events, by="zone")
    assert list(made) == ["Z1"]
    assert made["Z1"].mcf.tolist() == pytest.approx([0.5, 1.0])


def test_zone_mean_cumulative_nelson_doganaksoy_1989_valve_seats_and_meeker_escobar_1998_three_systems():
    """References C1 and C6, each as a zone of its own beside the other."""
    seats = (
        read("C1")
        .rename(columns={"engine": "unit", "days": "age", "replacement": "event"})
        .assign(group="seats")
    )
    systems = read("C6").rename(columns={"system": "unit", "time": "age"}).assign(group="systems")
    made = zone_mean_cumulative(pd.concat([seats.astype({"unit": str}), systems]))
    for case, zone, ages in (("C1", "seats", (61, 326, 653)), ("C6", "systems", (1, 5, 8, 16))):
        for age in ages:
            row = EXPECTED.loc[(case, f"mcf_{age}")]
            assert float(made[zone].at(age)) == pytest.approx(row["expected"], abs=max(row["tol_abs"], 1e-12))
    error = made["seats"].to_frame().set_index("age").loc[653, "standard_error"]
    assert error == pytest.approx(EXPECTED.loc[("C1", "se_robust_653"), "expected"], abs=1e-8)
    variance = made["systems"].standard_error[0] ** 2
    assert variance == pytest.approx(EXPECTED.loc[("C6", "var_robust_1"), "expected"], abs=1e-9)


@pytest.mark.parametrize(("case", "end"), [("C2", 1500.0), ("C3", 300.0), ("C5", 25.5181)])
def test_trend_test_of_hours_nist_mil_hdbk_189_ascher_feingold_1984(case, end):
    """References C2, C3 and C5: the statistic that a zone of one unit gets is Laplace's of the source."""
    ages = read(case).iloc[:, 1].to_numpy(float)
    u = (ages - end / 2).sum() / np.sqrt(ages.size * end**2 / 12)
    assert laplace(ages, np.full(ages.size, end)) == pytest.approx(u)
    assert u == pytest.approx(EXPECTED.loc[(case, "laplace_U"), "expected"], abs=1e-5)


def test_mil_hdbk_189_grouped_counts_set_off_no_alarm_for_more_and_one_for_fewer():
    """Reference C4: 13, 16, 5, 8, 7 failures in equal steps, a reliability that grows (shape .753)."""
    counts = read("C4")["failures"].to_numpy(float)
    expected = np.full(5, counts.mean())
    # Watched for more from a mean of the first two steps on, and for fewer.
    assert not poisson_cusum(counts, expected, ratio=2.0, simulations=4000).alarms.size
    assert poisson_cusum(counts, np.full(5, 14.5), ratio=0.5, simulations=4000).alarms[0] == 2


def test_more_finds_from_more_looks_are_no_trend(hand):
    """A find at each fifth look; looks come five times as often in the later half."""
    hand.aircraft("A1").panel("P1", "A1")
    days = [*range(100, 2000, 100), *range(2000, 4000, 20)]
    for i, day in enumerate(days):
        if i % 5 == 4:
            hand.find("A1", day, at=(30 + 40 * (i // 5 % 23), 40 + 45 * (i // 115)), size=8)
        else:
            hand.clean("A1", day)
    row = trend_table(hand.load(), by="zone").loc["Z1"]
    assert row["finds"] == len(days) // 5
    assert row["p_hours"] < 0.01
    assert row["p_looks"] > 0.5
    years = yearly_table(hand.load(), by="zone")
    assert years["looks"].sum() == len(days)
    assert isinstance(years, pd.DataFrame)
