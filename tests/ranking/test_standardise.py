"""Zones compared at the same ages, climates and subtypes."""

import pandas as pd
import pytest

from kit.ranking import standardised_rates, strata_table


def table(rows):
    return pd.DataFrame(rows, columns=["group", "climate", "finds", "panel_flight_hours"])


def test_rates_standardised_by_hand():
    """Two zones alike in each climate (1 and 4 per 1,000 hours), one flown where it is wet: the crude rates differ, no other."""
    made = standardised_rates(
        table([("a", "dry", 9, 9000), ("a", "wet", 4, 1000), ("b", "dry", 1, 1000), ("b", "wet", 36, 9000)])
    )
    assert made["crude_per_1000_fh"].to_dict() == pytest.approx({"a": 1.3, "b": 3.7})
    assert made["direct_per_1000_fh"].to_dict() == pytest.approx({"a": 2.5, "b": 2.5})
    assert made["ratio"].to_dict() == pytest.approx({"a": 1.0, "b": 1.0})
    assert made["indirect_per_1000_fh"].to_dict() == pytest.approx({"a": 2.5, "b": 2.5})
    assert made["covered"].to_dict() == pytest.approx({"a": 1.0, "b": 1.0})


def test_a_single_stratum_leaves_the_crude_rate_and_nearly_its_exact_bounds():
    made = standardised_rates(table([("a", "dry", 10, 1000), ("b", "dry", 20, 4000)])).loc["a"]
    assert made["direct_per_1000_fh"] == pytest.approx(made["crude_per_1000_fh"]) == 10
    assert made["direct_lower"] == pytest.approx(4.795, abs=5e-4)
    assert made["direct_upper"] == pytest.approx(18.390, abs=5e-4)


def test_a_zone_not_flown_in_a_climate_says_over_what_share_it_is_compared():
    made = standardised_rates(table([("a", "dry", 5, 1000), ("b", "dry", 5, 1000), ("b", "wet", 5, 2000)]))
    assert made["covered"].to_dict() == pytest.approx({"a": 0.5, "b": 1.0})


def test_hours_are_shared_among_ages_and_add_up(hand):
    hand.aircraft("A1").panel("P1", "A1")
    hand.find("A1", 400)
    made = strata_table(hand.load(), by="zone", strata=["age_band"], age_years=[2.0, 4.0])
    assert made["panel_flight_hours"].sum() == pytest.approx(40_170, rel=1e-3)
    first = made.set_index("age_band").loc["0 to 2 years"]
    assert first["panel_flight_hours"] == pytest.approx(7305, rel=1e-2)
    assert first["finds"] == 1


def test_an_unknown_stratum_is_refused(hand):
    with pytest.raises(ValueError, match="Got weather"):
        strata_table(hand.aircraft("A1").panel("P1", "A1").load(), strata=["weather"])
