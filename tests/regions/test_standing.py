"""Which damage stands on the fitted panels on a day."""

import pandas as pd
import pytest
from support import day

from kit.regions import standing_regions, tracked_regions


def standing(hand, n):
    return standing_regions(hand.load(), day(n))["finding"].tolist()


@pytest.fixture
def one(hand):
    """Return a panel with a damage mapped on days 100 and 200."""
    hand.aircraft("A1").aircraft("A2").panel("P1", "A1")
    hand.find("A1", 100)
    hand.find("A1", 200, size=40)
    return hand


def test_the_last_mapping_up_to_the_day_stands(one):
    assert [standing(one, n) for n in (99, 100, 199, 200, 900)] == [[], ["D1"], ["D1"], ["D2"], ["D2"]]


def test_a_repair_ends_it_from_its_day_on_and_a_temporary_one_does_not(one):
    one.repair("D2", 300, 1.0)
    assert [standing(one, n) for n in (299, 300, 900)] == [["D2"], [], []]
    one.rows["repairs"][0]["repair_class"] = "interim"
    assert standing(one, 300) == []
    one.rows["repairs"][0]["repair_class"] = "temporary"
    assert standing(one, 300) == ["D2"]


def test_damage_that_is_mapped_after_its_repair_stands_again(one):
    one.repair("D1", 110, 1.0)
    assert [standing(one, n) for n in (105, 150, 200)] == [["D1"], [], ["D2"]]


def test_a_repair_elsewhere_that_renews_the_panel_does_not_take_the_damage_away(one):
    other = one.find("A1", 250, at=(800, 400))
    one.repair(other, 300, 0.0)
    assert standing(one, 400) == ["D2"]
    again = one.find("A1", 500)  # in the next life, and still the same damage
    assert standing(one, 600) == [again]


def test_a_clean_look_does_not_heal_it(one):
    one.clean("A1", 300)
    assert standing(one, 400) == ["D2"]


def test_what_no_damage_was_found_to_be_does_not_stand(one):
    one.find("A1", 300, at=(800, 400), disposition="not_confirmed")
    assert standing(one, 400) == ["D2"]


def test_damage_goes_with_its_panel(one):
    one.rows["panels"][0].update(removed_on=day(500), recorded_on=day(500))
    one.panel("P1", "A2", on=600, state="unknown", zone="Z1")
    one.panel("P2", "A1", on=500)
    assert standing(one, 499) == ["D2"]
    assert standing(one, 500) == []  # at the end of the day
    assert standing(one, 550) == []
    found = standing_regions(one.load(), day(700))
    assert found[["finding", "panel", "aircraft", "zone", "group"]].iloc[0].tolist() == [
        "D2",
        "P1",
        "A2",
        "Z1",
        "flap",
    ]
    assert found["last_seen"].tolist() == [pd.Timestamp(day(200))]


def test_columns_and_types_are_those_of_the_regions(one):
    regions = tracked_regions(one.load())
    found = standing_regions(one.load(), day(300), regions=regions)
    assert found.columns.tolist() == [*regions.columns, "last_seen"]
    assert found.dtypes[regions.columns].equals(regions.dtypes)
    assert standing_regions(one.load(), day(1)).columns.tolist() == found.columns.tolist()


@pytest.mark.parametrize("on", ["2031-01-01", "someday", None])
def test_a_day_of_which_nothing_is_known_is_refused(one, on):
    with pytest.raises(
        ValueError, match=rf"^`on` must be a day, no later than the cut-off 2020-12-31\. Got {on!r}; give"
    ):
        standing_regions(one.load(), on)


def test_standing_damage_of_the_demo_is_on_fitted_panels_and_unrepaired(demo_fleet):
    found = standing_regions(demo_fleet, demo_fleet.cut_off)
    repairs = demo_fleet.tables["repairs"].query("repair_class != 'temporary'")
    after = repairs.merge(found, on="finding")
    assert not (after["repaired_on"] >= after["found_on"]).any()
    fitted = demo_fleet.tables["panels"].loc[lambda t: t["removed_on"].isna()]
    assert found[["panel", "aircraft", "zone"]].merge(fitted, on=["panel", "aircraft", "zone"]).shape[
        0
    ] == len(found)
    assert len(found) > 50
