"""Each damage is judged by the limit in force for its group, place and day; each panel by all its damages."""

import numpy as np
import pandas as pd
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from support import day

from kit.regions import (
    TIERS,
    compare_revisions,
    damage_place,
    finding_regions,
    judge,
    limits_in_force,
    standing_regions,
    tier_findings,
    tier_panels,
)

PANEL = shapely.box(0, 0, 1000, 500)
ROW = shapely.linestrings([(300, 0), (300, 500)])
COLUMNS = ["size", "repairable_size", "spacing", "edge_distance", "total_share", "most_damages"]


def box(x, y, side=20.0):
    return shapely.box(x, y, x + side, y + side)


def limit(**clauses):
    """A limit of 30 mm, repairable to 100 mm, unless told otherwise."""
    row = dict.fromkeys(COLUMNS, np.nan) | {"limit": "M1", "size": 30.0, "repairable_size": 100.0} | clauses
    return pd.DataFrame([row])


def judged(across, *, spacing_mm=np.nan, edge_distance_mm=np.nan, **clauses):
    row = judge([across], limit(**clauses), spacing_mm=spacing_mm, edge_distance_mm=edge_distance_mm).iloc[0]
    return row["tier"], row["clause"]


# Place


@pytest.mark.parametrize(
    ("region", "place"),
    [
        (box(100, 100), "field"),
        (box(24, 100), "edge_band"),
        (box(25, 100), "field"),  # as far from the edge as the band is wide
        (box(0, 0), "edge_band"),
        (box(310, 100), "fastener_row"),
        (box(330, 100), "field"),
        (box(310, 0), "fastener_row"),  # in both: the row of fasteners goes first
        (None, ""),
    ],
)
def test_place_goes_by_the_nearest_part_of_the_damage(region, place):
    got = damage_place([region], PANEL, edge_band_mm=25, fastener_rows=ROW, fastener_band_mm=30)
    assert got.tolist() == [place]


def test_a_panel_without_band_or_fasteners_is_all_field():
    assert damage_place([box(0, 0), box(310, 0)], PANEL).tolist() == ["field", "field"]


def test_a_cut_out_has_an_edge():
    ring = PANEL.difference(shapely.box(400, 200, 600, 300))
    assert damage_place([box(610, 240)], ring, edge_band_mm=25).tolist() == ["edge_band"]


def test_a_negative_band_is_refused():
    with pytest.raises(ValueError, match="must not be negative"):
        damage_place([box(0, 0)], PANEL, edge_band_mm=-1)


@given(
    x=st.floats(0, 900), y=st.floats(0, 400), side=st.floats(1, 99), angle=st.floats(0, 360),
    move=st.floats(-1e3, 1e3), scale=st.floats(0.1, 30),
)  # fmt: skip
def test_turning_moving_or_scaling_everything_keeps_the_place(x, y, side, angle, move, scale):
    region = box(x, y, side)
    gaps = [region.distance(PANEL.boundary) - 25, region.distance(ROW) - 30]
    if min(abs(gap) for gap in gaps) < 1e-6:
        return  # on the very border of a band rounding decides

    def moved(shape):
        turned = shapely.affinity.rotate(shape, angle, origin=(0, 0))
        return shapely.affinity.scale(
            shapely.affinity.translate(turned, move, -move), scale, scale, origin=(0, 0)
        )

    one = damage_place([region], PANEL, edge_band_mm=25, fastener_rows=ROW, fastener_band_mm=30)
    two = damage_place(
        [moved(region)], moved(PANEL), edge_band_mm=25 * scale, fastener_rows=moved(ROW), fastener_band_mm=30 * scale
    )  # fmt: skip
    assert one.tolist() == two.tolist()


# Which limit


def test_the_row_in_force_is_the_last_of_its_group_and_place_and_that_of_the_place_goes_first(tiny):
    tiny.add(
        "limits", "M1", limit="M2", revision="2", valid_from="2015-01-01", size="35", recorded_on="2015-01-01"
    )
    tiny.add(
        "limits",
        "M1",
        limit="M3",
        place="edge_band",
        valid_from="2012-01-01",
        size="10",
        recorded_on="2012-01-01",
    )
    limits = tiny.load().tables["limits"]
    days = ["2009-12-31", "2010-01-01", "2014-12-31", "2015-01-01", "2020-01-01"]
    field = limits_in_force(limits, ["flap"] * 5, ["field"] * 5, days)
    assert field["limit"].tolist() == ["", "M1", "M1", "M2", "M2"]
    edge = limits_in_force(limits, ["flap"] * 5, ["edge_band"] * 5, days)
    assert edge["limit"].tolist() == ["", "M1", "M3", "M3", "M3"]
    assert edge["size"].tolist()[1:] == [40, 10, 10, 10]
    other = limits_in_force(limits, ["rudder"], [""], days[:1])
    assert other["limit"].tolist() == [""]
    assert other[COLUMNS].isna().all(axis=None)


def test_of_two_rows_from_one_day_the_last_by_id_holds(tiny):
    tiny.add("limits", "M1", limit="M0", size="99")
    limits = tiny.load().tables["limits"]
    assert limits_in_force(limits, ["flap"], [""], ["2012-01-01"])["limit"].tolist() == ["M1"]


def test_no_limits_and_no_questions_give_no_rows(tiny):
    tiny.rows["limits"].clear()
    limits = tiny.load().tables["limits"]
    assert limits_in_force(limits, ["flap"], ["field"], ["2012-01-01"])["limit"].tolist() == [""]
    assert len(limits_in_force(limits, [], [], pd.to_datetime([]))) == 0


# Tier


@pytest.mark.parametrize(
    ("across", "clauses", "answer"),
    [
        (30.0, {}, ("allowable", "size")),
        (30.1, {}, ("repairable", "size")),
        (100.0, {}, ("repairable", "size")),
        (100.1, {}, ("beyond", "repairable_size")),
        (31.0, {"repairable_size": np.nan}, ("beyond", "size")),
        (10.0, {"spacing": 50.0, "spacing_mm": 50.0}, ("allowable", "spacing")),
        (10.0, {"spacing": 50.0, "spacing_mm": 49.0}, ("repairable", "spacing")),
        (10.0, {"spacing": 50.0}, ("allowable", "size")),  # no other damage
        (10.0, {"edge_distance": 15.0, "edge_distance_mm": 3.0}, ("repairable", "edge_distance")),
        # both are missed: spacing by a tenth, edge distance by half
        (
            10.0,
            {"spacing": 50.0, "spacing_mm": 45.0, "edge_distance": 10.0, "edge_distance_mm": 5.0},
            ("repairable", "edge_distance"),
        ),
        (1.0, {"size": 0.0}, ("repairable", "size")),
        (np.nan, {}, ("no size known", "")),
        (10.0, {"limit": "", "size": np.nan}, ("no limit known", "")),
        (np.nan, {"limit": "", "size": np.nan}, ("no limit known", "")),
    ],
)
def test_tier_and_the_clause_that_decides(across, clauses, answer):
    assert judged(across, **clauses) == answer


def test_value_limit_and_margin_are_those_of_the_clause():
    row = judge([20.0], limit(edge_distance=15.0), edge_distance_mm=3.0).iloc[0]
    assert row[["value", "limit_value", "margin"]].tolist() == [3.0, 15.0, -12.0]
    assert row["margin_share"] == pytest.approx(-0.8)
    row = judge([120.0], limit()).iloc[0]
    assert row[["value", "limit_value", "margin"]].tolist() == [120.0, 100.0, -20.0]
    assert row["margin_share"] == pytest.approx(-0.2)


SIZE = st.floats(0.1, 200.0)
DISTANCE = st.floats(0.0, 200.0)


@pytest.mark.long
@settings(deadline=None)
@given(size=SIZE, spacing=DISTANCE, edge=DISTANCE, scale=st.floats(0.01, 100), more=st.floats(1.0, 3.0))
def test_unit_does_not_matter_and_worse_is_never_judged_better(size, spacing, edge, scale, more):
    clauses = {"spacing": 60.0, "edge_distance": 20.0}

    def ask(size, spacing, edge, scale=1.0):
        rows = limit(**clauses)
        rows[COLUMNS[:4]] *= scale
        return judge([scale * size], rows, spacing_mm=scale * spacing, edge_distance_mm=scale * edge).iloc[0]

    gaps = [size / 30 - 1, size / 100 - 1, spacing / 60 - 1, edge / 20 - 1]
    shares = sorted([1 - size / 30, spacing / 60 - 1, edge / 20 - 1, 1 - size / 100])
    one = ask(size, spacing, edge)
    # Where a value equals its limit, or two clauses are missed alike, rounding decides.
    if min(map(abs, gaps)) > 1e-9 and np.diff(shares).min() > 1e-9:
        two = ask(size, spacing, edge, scale)
        assert (one["tier"], one["clause"]) == (two["tier"], two["clause"])
        assert two["margin"] == pytest.approx(scale * one["margin"], abs=1e-6 * scale)
    for worse in (
        ask(more * size, spacing, edge),
        ask(size, spacing / more, edge),
        ask(size, spacing, edge / more),
    ):
        assert TIERS.index(worse["tier"]) >= TIERS.index(one["tier"])


# Findings


@pytest.fixture
def fleet_with(hand):
    """A panel of 1000 by 500 mm on each of two aircraft, with the given clauses in its limits."""

    def build(**clauses):
        hand.aircraft("A1").panel("P1", "A1").aircraft("A2").panel("P2", "A2")
        clauses = {"bounds": "equivalent_diameter"} | clauses
        hand.set("limits", "M1", **{name: str(value) for name, value in clauses.items()})
        return hand

    return build


def test_a_finding_is_judged_by_the_revision_of_its_day_or_of_the_day_asked_for(fleet_with):
    hand = fleet_with(size=60)
    hand._add(
        "limits",
        limit="M2",
        group="flap",
        revision="2",
        valid_from=day(1000),
        size="20",
        bounds="equivalent_diameter",
        recorded_on=day(1000),
    )
    for n in (500, 1000):
        hand.find("A1" if n == 500 else "A2", n, size=50)  # 50 by 25 mm: 35.4 mm across
    fleet = hand.load()
    found = tier_findings(fleet)
    assert found["revision"].tolist() == ["1", "2"]
    assert found["tier"].tolist() == ["allowable", "beyond"]  # no repairable size is stated
    assert found["judged_on"].tolist() == found["found_on"].tolist()
    then = tier_findings(fleet, as_of=day(700))
    assert then["tier"].tolist() == ["allowable", "allowable"]
    both = compare_revisions(fleet)
    assert both[["tier_then", "tier_now"]].to_numpy().tolist() == [
        ["allowable", "beyond"],
        ["beyond", "beyond"],
    ]
    assert both["changed"].tolist() == [True, False]


def test_a_finding_before_any_limit_or_of_a_group_without_one_has_no_limit_known(fleet_with):
    hand = fleet_with(valid_from=day(600))
    hand.find("A1", 500)
    hand.find("A2", 700)
    assert tier_findings(hand.load())["tier"].tolist() == ["no limit known", "allowable"]
    hand.rows["limits"].clear()
    fleet = hand.load()
    found = tier_findings(fleet)
    assert found["tier"].tolist() == ["no limit known"] * 2
    assert found["limit"].tolist() == ["", ""]
    assert found["margin"].isna().all()


def test_spacing_is_to_other_damage_that_stands_and_neither_to_its_own_mappings_nor_to_what_was_repaired(
    fleet_with,
):
    hand = fleet_with(spacing=100)
    first = hand.find("A1", 100, at=(200, 100), size=20)
    hand.find("A1", 200, at=(200, 100), size=20)  # mapped again
    hand.find("A1", 200, at=(250, 100), size=20)  # 50 mm on
    hand.find("A2", 200, at=(200, 100), size=20)  # another panel
    hand.find("A1", 300, at=(700, 100), size=20)
    found = tier_findings(hand.load())
    # 20 mm long each, so that the gap is 50 - 20
    assert found["spacing_mm"].tolist() == pytest.approx([np.nan, 30, 30, np.nan, 430], nan_ok=True, abs=0.2)
    assert found["tier"].tolist() == ["allowable", "beyond", "beyond", "allowable", "allowable"]
    assert found["clause"].tolist()[1:3] == ["spacing", "spacing"]
    again = hand.rows["findings"][1]["finding"]
    hand.find("A1", 400, at=(300, 100), size=20)
    for number in (first, again):
        hand.repair(number, 250, 1.0)
    later = tier_findings(hand.load())["spacing_mm"].to_numpy()
    assert later[-1] == pytest.approx(30, abs=0.2)  # to the one at 250; that at 200 is repaired
    hand.repair(hand.rows["findings"][2]["finding"], 250, 1.0)
    assert tier_findings(hand.load())["spacing_mm"].to_numpy()[-1] == pytest.approx(380, abs=0.2)


def test_a_finding_written_twice_is_one_damage(fleet_with):
    hand = fleet_with(spacing=100, most_damages=1)
    hand.find("A1", 100, at=(200, 100), size=20)
    twice = hand.rows["findings"][0]
    hand.rows["findings"].append(twice | {"finding": "D9"})
    fleet = hand.load()
    assert tier_findings(fleet)["spacing_mm"].isna().all()
    row = tier_panels(fleet).set_index("panel").loc["P1"]
    assert row[["n_damages", "tier"]].tolist() == [1, "allowable"]
    hand.find("A1", 100, at=(200, 100), size=20, kind="dent")
    assert tier_findings(hand.load())["spacing_mm"].tolist() == [0, 0, 0]


def test_a_place_has_its_own_limit(fleet_with):
    hand = fleet_with(size=60)
    hand.set("zones", "Z1", edge_band="50", fastener_rows="LINESTRING (500 0, 500 500)")
    for n, place in enumerate(("edge_band", "fastener_row"), 2):
        hand._add(
            "limits",
            limit=f"M{n}",
            group="flap",
            revision="1",
            valid_from=day(0),
            size=str(10 * n - 15),
            place=place,
            repairable_size="90",
            bounds="equivalent_diameter",
        )
    for n, at in enumerate([(200, 250), (200, 20), (510, 250), (510, 20)], 1):
        hand.find("A1", 100 * n, at=at, size=15)  # 10.6 mm across
    found = tier_findings(hand.load())
    assert found["place"].tolist() == ["field", "edge_band", "fastener_row", "fastener_row"]
    assert found["limit"].tolist() == ["M1", "M2", "M3", "M3"]
    assert found["tier"].tolist() == ["allowable", "repairable", "allowable", "allowable"]
    narrow = tier_findings(hand.load(), fastener_band_mm=1)
    assert narrow["place"].tolist() == ["field", "edge_band", "field", "edge_band"]


def test_an_uncertain_outline_says_what_the_damage_may_be(fleet_with):
    hand = fleet_with(size=30, repairable_size=40, edge_distance=10)
    hand.find("A1", 100, size=50)  # 35.4 mm across
    hand.find("A2", 100, size=20, at=(200, 21))  # 5 mm half width: 16 mm from the edge
    fleet = hand.load()
    assert "tier_upper" not in tier_findings(fleet, finding_regions(fleet)[[*_BARE]])
    regions = finding_regions(fleet).assign(diameter_lower_mm=[25.0, 14.0], diameter_upper_mm=[45.0, 28.2])
    found = tier_findings(fleet, regions)
    assert found["tier"].tolist() == ["repairable", "allowable"]
    assert found["tier_lower"].tolist() == ["allowable", "allowable"]
    assert found["tier_upper"].tolist() == ["beyond", "repairable"]  # the edge is then 9 mm away
    assert found["may_be_beyond"].tolist() == [True, False]


_BARE = ("finding", "panel", "aircraft", "zone", "group", "found_on", "geometry", "diameter_mm")


def test_no_findings_give_an_empty_table(fleet_with):
    fleet = fleet_with().load()
    found = tier_findings(fleet)
    assert len(found) == 0
    assert {"tier", "clause", "place", "margin"} <= set(found.columns)
    assert len(compare_revisions(fleet)) == 0


def test_order_of_regions_does_not_matter_and_equal_rows_have_equal_tiers(demo_fleet):
    regions = finding_regions(demo_fleet)
    one = tier_findings(demo_fleet, regions).set_index("finding").sort_index()
    mixed = regions.sample(frac=1, random_state=np.random.default_rng(3).integers(2**31))
    two = tier_findings(demo_fleet, mixed).set_index("finding").sort_index()
    pd.testing.assert_frame_equal(one, two)
    assert set(one["tier"]) <= set(TIERS)
    assert {"allowable", "repairable"} <= set(one["tier"])


# Panels


def panel(fleet, name="P1"):
    return tier_panels(fleet).set_index("panel").loc[name]


def test_a_panel_takes_each_damaged_spot_once(fleet_with):
    hand = fleet_with(size=60, total_share=0.5, repairable_size=90)
    for kind, x in (("dent", 200), ("disbond", 215), ("dent", 400)):
        hand.find("A1", 100, at=(x, 100), size=30, kind=kind)
    row = panel(hand.load())
    ellipse = np.pi * 30 * 15 / 4
    assert row["n_damages"] == 3
    assert 2 * ellipse < row["union_area_mm2"] < 3 * ellipse
    assert row["share"] == pytest.approx(row["union_area_mm2"] / 500_000)
    assert row["spacing_mm"] == 0
    assert row["tier"] == "allowable"


@pytest.mark.parametrize(
    ("clauses", "tier", "clause", "value"),
    [
        ({"total_share": 0.001}, "repairable", "total_share", 2 * np.pi * 30 * 15 / 4 / 500_000),
        ({"most_damages": 1}, "repairable", "most_damages", 2),
        ({"most_damages": 2}, "allowable", "most_damages", 2),
        ({"size": 20}, "repairable", "size", 450**0.5),
        ({"size": 20, "repairable_size": 21}, "beyond", "repairable_size", 450**0.5),
        ({"size": 20, "repairable_size": 21, "most_damages": 1}, "beyond", "repairable_size", 450**0.5),
        ({"spacing": 300}, "repairable", "spacing", 170),
    ],
)
def test_the_gravest_clause_decides_of_a_panel(fleet_with, clauses, tier, clause, value):
    hand = fleet_with(**{"size": 60, "repairable_size": 90} | clauses)
    for n, x in enumerate((200, 400)):
        hand.find("A1", 100 + n, at=(x, 100), size=30)
    row = panel(hand.load())
    assert (row["tier"], row["clause"]) == (tier, clause)
    assert row["value"] == pytest.approx(value, rel=2e-3)


def test_a_limit_for_a_place_counts_the_damages_in_that_place_only(fleet_with):
    hand = fleet_with(size=60, repairable_size=90, most_damages=5)
    hand.set("zones", "Z1", edge_band="50")
    hand._add(
        "limits",
        limit="M2",
        group="flap",
        revision="1",
        valid_from=day(0),
        size="60",
        place="edge_band",
        most_damages="1",
        repairable_size="90",
    )
    hand.find("A1", 100, at=(200, 20), size=20)
    hand.find("A1", 101, at=(400, 200), size=20)
    assert panel(hand.load())["tier"] == "allowable"
    hand.find("A1", 102, at=(600, 20), size=20)
    row = panel(hand.load())
    assert row[["tier", "clause", "value", "limit"]].tolist() == ["repairable", "most_damages", 2, "M2"]


def test_a_panel_without_damage_is_allowable_and_one_without_limits_not_known(fleet_with):
    hand = fleet_with()
    fleet = hand.load()
    rows = tier_panels(fleet)
    assert rows["panel"].tolist() == ["P1", "P2"]
    assert rows["tier"].tolist() == ["allowable"] * 2
    assert rows[["n_damages", "union_area_mm2", "share", "n_not_judged"]].to_numpy().sum() == 0
    hand.rows["limits"].clear()
    hand.find("A1", 100)
    fleet = hand.load()
    rows = tier_panels(fleet)
    assert rows["tier"].tolist() == ["no limit known"] * 2
    assert rows["n_not_judged"].tolist() == [1, 0]


def test_a_panel_of_which_one_damage_cannot_be_judged_is_not_called_within_limits(fleet_with):
    hand = fleet_with(size=60)
    hand.find("A1", 100)
    fleet = hand.load()
    regions = standing_regions(fleet, fleet.cut_off)
    blank = regions.assign(finding="D9", geometry=None, diameter_mm=np.nan)
    row = tier_panels(fleet, regions=pd.concat([regions, blank])).set_index("panel").loc["P1"]
    assert row["tier"] == "no size known"
    assert row["worst_finding"] == "D9"
    assert row[["n_damages", "n_not_judged"]].tolist() == [2, 1]


def test_the_day_decides_which_panels_are_fitted_and_which_limit_holds(fleet_with):
    hand = fleet_with(size=60)
    hand._add(
        "limits",
        limit="M2",
        group="flap",
        revision="2",
        valid_from=day(1000),
        size="5",
        bounds="equivalent_diameter",
        recorded_on=day(1000),
    )
    hand.aircraft("A3").panel("P3", "A3", until=800)
    hand.find("A1", 100)
    fleet = hand.load()
    before = tier_panels(fleet, day(500)).set_index("panel")
    after = tier_panels(fleet, day(1500)).set_index("panel")
    assert list(before.index) == ["P1", "P2", "P3"]
    assert list(after.index) == ["P1", "P2"]
    assert [frame.loc["P1", "tier"] for frame in (before, after)] == ["allowable", "beyond"]
    assert [frame.loc["P1", "revision"] for frame in (before, after)] == ["1", "2"]


def test_panels_of_the_demo_agree_with_their_findings(demo_fleet):
    regions = finding_regions(demo_fleet)
    last = regions.sort_values(["found_on", "finding"]).drop_duplicates("panel", keep="last")
    panels = tier_panels(demo_fleet, regions=last).set_index("panel")
    single = tier_findings(demo_fleet, last, as_of=demo_fleet.cut_off)
    single = single[single["panel"].isin(panels.index)].set_index("panel")
    assert len(single) > 100
    assert (panels["n_damages"] == 1).sum() == len(single)
    rank = {name: k for k, name in enumerate(TIERS)}
    assert (panels.loc[single.index, "tier"].map(rank) >= single["tier"].map(rank)).all()
