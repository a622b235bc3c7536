"""How long events take to be recorded, and from when on the newest months are not complete."""

import numpy as np
import pandas as pd
import pytest
from support import day

from kit.findings import delay_distribution, reporting_delay, right_edge


def test_a_tiny_case_agrees_with_the_product_by_hand():
    # Delays 1, 1, 3 with windows 2, 5, 5. At 3 days the rows at risk are those with delay <= 3 <= window: the last
    # two, one of which has delay 3. F(1) = 1 - 1/2; the row with window 2 could not have been seen at 3.
    result = delay_distribution([1, 1, 3], [2, 5, 5])
    assert result.to_frame().to_numpy().tolist() == [
        [1.0, 0.5, pytest.approx(0.5 * np.sqrt(1 / 2)), pytest.approx(2 / 3)],
        [3.0, 1.0, 0.0, 1.0],
    ]
    assert result.horizon_days == 5


def test_three_steps_multiply():
    # Delays 0, 1, 1, 2, 4; windows 1, 9, 9, 3, 9. At 4: delays <= 4 <= windows, 3 rows, one of delay 4: 2/3.
    # At 2: windows >= 2 and delays <= 2: 1, 1, 2: one of delay 2: 2/3. At 1: 0, 1, 1 (windows 1, 9, 9): two: 1/3.
    result = delay_distribution([0, 1, 1, 2, 4], [1, 9, 9, 3, 9])
    assert result.share == pytest.approx([2 / 3 * 2 / 3 * 1 / 3, 2 / 3 * 2 / 3, 2 / 3, 1.0])
    assert result.naive_share == pytest.approx([0.2, 0.6, 0.8, 1.0])


def test_without_truncation_it_is_the_plain_share_with_its_binomial_error():
    delay = np.array([0, 2, 2, 5, 7, 7, 7, 30])
    result = delay_distribution(delay, np.full(8, 1000))
    np.testing.assert_allclose(result.share, result.naive_share, rtol=1e-12)
    p = result.share[:-1]
    # the product-limit variance of an uncensored sample is p (1 - p) / n
    np.testing.assert_allclose(result.standard_error[:-1], np.sqrt(p * (1 - p) / 8), rtol=1e-12)


def test_the_order_of_rows_does_not_matter_and_twice_the_rows_give_the_same_share():
    rng = np.random.default_rng(1)
    window = rng.integers(5, 100, 50)
    delay = (window * rng.random(50)).astype(int)
    one, two = delay_distribution(delay, window), delay_distribution(delay[::-1], window[::-1])
    twice = delay_distribution(np.tile(delay, 2), np.tile(window, 2))
    np.testing.assert_array_equal(one.share, two.share)
    np.testing.assert_allclose(one.share, twice.share)
    np.testing.assert_allclose(one.standard_error, twice.standard_error * np.sqrt(2))


def simulated(seed, n=20_000):
    """Return geometric delays of mean 60 days, of events even over 720 days; those seen by the last day."""
    rng = np.random.default_rng(seed)
    delay = rng.geometric(1 / 60, n) - 1
    window = rng.integers(0, 720, n)
    seen = delay <= window
    return delay[seen], window[seen]


def test_the_true_delays_come_back_where_the_plain_share_is_wrong():
    result = delay_distribution(*simulated(2))
    age = np.array([5, 20, 60, 120, 240])
    truth = 1 - (1 - 1 / 60) ** (age + 1)
    at = np.searchsorted(result.delay_days, age)
    error = result.standard_error[at]
    assert (np.abs(result.share_reported(age) - truth) < 3.5 * error).all()
    assert (result.naive_share_reported(age)[1:3] > truth[1:3] + 3.5 * error[1:3]).all()


def test_its_standard_error_is_that_of_repeated_samples():
    results = [delay_distribution(*simulated(seed, 800)) for seed in range(200)]
    share = np.array([one.share_reported(60)[0] for one in results])
    error = np.array(
        [one.standard_error[np.searchsorted(one.delay_days, 60, side="right") - 1] for one in results]
    )
    # of 200 samples a standard deviation is known to about 5 %
    assert share.std() == pytest.approx(error.mean(), rel=0.2)


def test_long_delays_that_nothing_can_be_set_against_end_the_horizon_and_are_counted():
    # the row of delay 50 is the only one that could have had such a delay
    result = delay_distribution([1, 2, 50], [10, 10, 60])
    assert result.share.tolist() == [0.5, 1.0]
    assert result.horizon_days == 49
    assert result.n_rows == 2
    assert result.left_out["rows"].tolist() == [1]


def test_no_rows_give_nan_and_words():
    result = delay_distribution([], [], known_on="2020-01-01")
    assert np.isnan(result.share_reported([10.0])).all()
    assert np.isnan(result.quantile(0.5))
    assert len(result.to_frame()) == 0
    assert repr(result) == "ReportingDelay(findings: no rows as known on 2020-01-01)"
    assert repr(delay_distribution([2], [9])) == (
        "ReportingDelay(findings: 1 rows, half recorded within 2 days, 95 % within 2 days)"
    )


def test_shares_are_steps_from_nought():
    result = delay_distribution([2, 4], [9, 9])
    assert result.share_reported([0, 1.9, 2, 3, 4, 1000]).tolist() == [0, 0, 0.5, 0.5, 1, 1]
    assert np.isnan(result.share_reported(np.nan)).all()
    assert (result.quantile(0.5), result.quantile(0.51), result.quantile(1)) == (2, 4, 4)


@pytest.mark.parametrize(("delay", "window"), [([1, -2], [5, 5]), ([1, 6], [5, 5]), ([1, np.nan], [5, 5])])
def test_a_delay_outside_its_window_is_refused_with_the_row(delay, window):
    with pytest.raises(
        ValueError, match=rf"1 of 2 rows are not, first row 1 \(delay={delay[1]:g}, window=5\)"
    ):
        delay_distribution(delay, window)


@pytest.mark.parametrize("share", [0, -0.1, 1.01, float("nan")])
def test_a_share_that_is_none_is_refused(share):
    with pytest.raises(ValueError, match=f"`share` must be above 0 and up to 1. Got {share!r}"):
        delay_distribution([1], [2]).quantile(share)


def slow_fleet(hand, lags=(2, 40), every=10):
    """A find each ten days up to the last one, in turn recorded after 2 and after 40 days."""
    hand.aircraft("A1").panel("P1", "A1")
    for k, n in enumerate(range(3000, 4017, every)):
        recorded = n + lags[k % 2]
        if recorded <= 4017:
            hand.find("A1", n, recorded=recorded)
    return hand.load()


def test_the_delay_of_a_fleet_is_that_of_its_first_records(hand):
    fleet = slow_fleet(hand)
    delay = reporting_delay(fleet)
    assert delay.delay_days.tolist() == [2, 40]
    # Of 102 events the last two late ones are not known. At 40 days: 49 late rows and the 49 early ones old enough.
    assert delay.naive_share[0] > 0.5
    assert delay.share[0] == pytest.approx(0.5, abs=1e-12)
    assert delay.known_on == pd.Timestamp("2020-12-31")
    assert "half recorded within 2 days, 95 % within 40 days" in repr(delay)


def test_only_the_newest_events_may_be_asked_for(hand):
    hand.aircraft("A1").panel("P1", "A1")
    hand.find("A1", 1000, recorded=1020)
    hand.find("A1", 2000, recorded=2003)
    fleet = hand.load()
    assert reporting_delay(fleet).delay_days.tolist() == [3, 20]
    assert reporting_delay(fleet, since=day(1001)).delay_days.tolist() == [3]
    assert reporting_delay(fleet, since=day(1000)).n_rows == 2
    with pytest.raises(ValueError, match=r"`since` must be a day such as '2019-06-30'. Got 'soon'"):
        reporting_delay(fleet, since="soon")


def test_corrections_do_not_count_as_reports(hand):
    hand.aircraft("A1").panel("P1", "A1")
    found = hand.find("A1", 1000, recorded=1003)
    row = hand.row("findings", found) | {"finding": "D9", "recorded_on": day(3000), "replaces": found}
    hand.rows["findings"].append(row)
    fleet = hand.load()
    assert fleet.tables["findings"]["finding"].tolist() == ["D9"]
    assert reporting_delay(fleet).delay_days.tolist() == [3]


def test_what_was_taken_over_with_an_aircraft_is_left_out_and_counted(hand):
    hand.aircraft("A1").aircraft("A2", records_from=2000).panel("P1", "A1").panel("P2", "A2")
    hand.find("A1", 1000, recorded=1004)
    hand.find("A2", 1000, recorded=2000)
    delay = reporting_delay(hand.load())
    assert delay.delay_days.tolist() == [4]
    assert delay.left_out["rows"].tolist() == [1, 0]


def test_cards_have_a_delay_of_their_own(hand):
    hand.aircraft("A1").panel("P1", "A1").card("A1", 700, 1400)
    hand.rows["cards"][1]["recorded_on"] = day(1410)
    assert reporting_delay(hand.load(), table="cards").delay_days.tolist() == [0, 10]
    with pytest.raises(ValueError, match=r"`table` must be one of findings, cards. Got 'usage'"):
        reporting_delay(hand.load(), table="usage")


def test_the_right_edge_is_the_first_month_that_is_not_complete(hand):
    edge = right_edge(slow_fleet(hand))
    # Half of the events take 40 days: on 2020-12-31 every day up to 2020-11-21 is complete, 9 days of November are not.
    assert edge.incomplete_from == pd.Timestamp("2020-11-01")
    months = edge.to_frame().set_index("month")["share_known"]
    assert months["2020-10-01"] == pytest.approx(1.0)
    assert months["2020-11-01"] == pytest.approx((21 + 9 * 0.5) / 30)
    assert months["2020-12-01"] == pytest.approx(29 * 0.5 / 31)  # nothing of the last two days is known yet
    assert len(months) == 12
    for words in (
        "findings from 2020-11-01 on are not complete as known on 2020-12-31",
        "2020-12 46.8 %",
        "no improvement",
    ):
        assert words in edge.words()
    assert repr(edge) == "RightEdge(findings: months below 95% from 2020-11-01, as known on 2020-12-31)"


def test_a_lower_level_moves_the_right_edge(hand):
    fleet = slow_fleet(hand)
    assert right_edge(fleet, 0.86).incomplete_from == pd.Timestamp("2020-11-01")
    assert right_edge(fleet, 0.84).incomplete_from == pd.Timestamp("2020-12-01")  # November has 0.85
    assert pd.isna(right_edge(fleet, 0.4).incomplete_from)
    assert "every month is expected to hold at least 40 % of its findings" in right_edge(fleet, 0.4).words()


def test_expected_rows_are_those_known_over_the_share_known(hand):
    months = right_edge(slow_fleet(hand)).to_frame()
    np.testing.assert_allclose(months["rows_expected"] * months["share_known"], months["rows"])
    early = hand.load().tables["findings"]["found_on"].dt.to_period("M").value_counts()
    assert months.set_index("month")["rows"]["2020-09-01"] == early["2020-09"]


def test_the_edge_moves_with_the_day_of_knowledge(hand):
    fleet = slow_fleet(hand).as_known_on("2020-06-30")
    assert right_edge(fleet).incomplete_from == pd.Timestamp("2020-05-01")


def test_days_between_the_cut_off_and_the_day_of_knowledge_complete_the_newest_months(hand):
    fleet = slow_fleet(hand)
    hand.aircraft("A2", entry=0)
    hand.rows["aircraft"][1]["recorded_on"] = day(4017 + 45)  # known 45 days after the cut-off
    late = hand.load()
    assert late.known_on == pd.Timestamp("2021-02-14")
    assert pd.isna(right_edge(late, delay=reporting_delay(fleet)).incomplete_from)


def test_an_edge_without_rows_says_that_nothing_can_be_said(hand):
    edge = right_edge(hand.aircraft("A1").panel("P1", "A1").load())
    assert pd.isna(edge.incomplete_from)
    assert (
        edge.words()
        == "Right edge: no findings with an event day, so nothing can be said of the newest months."
    )


def test_a_level_that_is_none_and_a_delay_of_another_table_are_refused(hand):
    fleet = slow_fleet(hand)
    with pytest.raises(ValueError, match=r"`level` must be above 0 and below 1. Got 1"):
        right_edge(fleet, 1)
    with pytest.raises(ValueError, match=r"`delay` must be that of `table`. Got one of findings for cards"):
        right_edge(fleet, table="cards", delay=reporting_delay(fleet))
