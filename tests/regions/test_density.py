"""Finds by spot for how often each was looked at, and the test against an even spread."""

import dataclasses

import numpy as np
import pandas as pd
import pytest
import shapely
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from scipy.special import bdtr, bdtrc, pdtr, pdtrc
from scipy.stats import combine_pvalues

from kit.findings import build_looks
from kit.numerics.poisson import poisson_bounds
from kit.regions import damage_density, even_spread_test, finding_regions
from kit.regions.density.spread import corners

PANEL = "POLYGON((0 0, 1000 0, 1000 500, 0 500, 0 0))"


# Bounds


@given(count=st.integers(0, 300), confidence=st.floats(0.5, 0.999))
def test_poisson_bounds_leave_their_share_in_each_tail(count, confidence):
    lower, upper = (float(bound) for bound in poisson_bounds(count, level=confidence))
    tail = (1 - confidence) / 2
    assert pdtr(count, upper) == pytest.approx(tail, rel=1e-6)
    if count:
        assert pdtrc(count - 1, lower) == pytest.approx(tail, rel=1e-6)
    else:
        assert lower == 0
    assert lower <= count <= upper


def test_bounds_of_what_is_not_known_are_not_known_and_negative_counts_are_refused():
    assert np.isnan(poisson_bounds([np.nan])).all()
    with pytest.raises(ValueError, match=r"must not be negative\. Got -2"):
        poisson_bounds([1, -2])
    with pytest.raises(ValueError, match=r"`level` must be above 0 and below 1\. Got 95"):
        poisson_bounds(1, level=95)


# Density


@pytest.fixture
def flaps(hand):
    """Two aircraft, each with a left and a right panel of 1000 by 500 mm, tapped twice."""
    for row in hand.rows["zones"]:
        row["outline"] = PANEL
    for k in (1, 2):
        hand.aircraft(f"A{k}").panel(f"L{k}", f"A{k}", zone="Z1").panel(f"R{k}", f"A{k}", zone="Z2")
        for zone in ("Z1", "Z2"):
            hand.card(f"A{k}", 500, 1000, zone=zone)
    return hand


def density(fleet, **options):
    return damage_density(fleet, **{"group": "flap", "cell_mm": 250.0} | options)


def test_each_damage_counts_once_where_it_was_first_found(flaps):
    flaps.find("A1", 600, at=(100, 100))
    flaps.find("A1", 700, at=(105, 100))  # mapped again
    flaps.find("A2", 600, zone="Z2", at=(900, 400))
    result = density(flaps.load())
    assert result.finds.tolist() == [[1, 0, 0, 0], [0, 0, 0, 1]]
    assert result.looks.tolist() == [[11] * 4] * 2  # eight cards, three finds
    assert result.rate[0, 0] == pytest.approx(1 / (11 * 0.0625))
    assert result.rate[1, 1] == 0
    assert result.upper[1, 1] == pytest.approx(float(poisson_bounds(0, level=0.9)[1]) / (11 * 0.0625))
    assert (result.n_again, result.n_other, result.n_looks) == (1, 0, 11)
    assert repr(result) == "<DamageDensity flap all kinds: 2 finds at 11 looks, 2 x 4 cells>"
    frame = result.to_frame()
    assert len(frame) == 8
    assert frame.loc[frame["finds"] > 0, ["x_mm", "y_mm"]].to_numpy().tolist() == [[125, 125], [875, 375]]


def test_a_damage_is_followed_within_its_kind_where_one_is_asked_for(flaps):
    flaps.find("A1", 600, at=(100, 100), kind="dent")
    flaps.find("A1", 700, at=(105, 100), kind="disbond")
    fleet = flaps.load()
    assert density(fleet).finds.sum() == 1
    assert density(fleet, kind="disbond").finds.sum() == 1
    assert density(fleet, kind="moisture_disbond").finds.sum() == 0


def test_finds_that_no_counted_look_made_are_left_out_and_told(flaps):
    flaps.find("A1", 600, at=(100, 100), method="visual")
    alone = flaps.find("A2", 600, at=(100, 100))
    next(row for row in flaps.rows["findings"] if row["finding"] == alone)["inspection"] = ""
    flaps.rows["inspections"].pop()
    flaps.find("A2", 900, at=(600, 100), disposition="not_confirmed")
    result = density(flaps.load())
    assert result.finds.sum() == 0
    assert result.n_other == 2


def test_a_look_at_a_part_counts_there_only(flaps):
    flaps.clean("A1", 800)
    flaps.rows["inspections"][-1]["coverage"] = "POLYGON((0 0, 375 0, 375 500, 0 500, 0 0))"
    result = density(flaps.load())
    assert result.looks.tolist() == [[9, 8.5, 8, 8]] * 2
    only = density(flaps.load(), basis=["recorded"])
    assert only.looks.tolist() == [[1, 0.5, 0, 0]] * 2
    assert np.isnan(only.rate).tolist() == [[False, False, True, True]] * 2
    assert np.isnan(only.upper).tolist() == [[False, False, True, True]] * 2


def test_a_find_where_no_look_is_recorded_has_no_rate_and_is_told(flaps):
    flaps.find("A1", 600, at=(900, 100))
    flaps.rows["inspections"][-1]["coverage"] = "POLYGON((0 0, 375 0, 375 500, 0 500, 0 0))"
    result = density(flaps.load(), basis=["recorded"])
    assert result.n_unlooked == 1
    assert result.finds[0, 3] == 1
    assert np.isnan(result.rate[0, 3])


def test_without_looks_nothing_has_a_rate(flaps):
    flaps.rows["cards"].clear()
    result = density(flaps.load())
    assert np.isnan(result.rate).all()
    assert result.looks.sum() == 0
    with pytest.raises(ValueError, match=r"must have looks\. Group flap has none"):
        even_spread_test(result)


def test_finds_are_spread_by_area_where_asked(flaps):
    flaps.find("A1", 600, at=(250, 100), size=40)
    result = density(flaps.load(), count="area")
    assert result.finds[0, :2] == pytest.approx([0.5, 0.5])
    assert result.finds.sum() == pytest.approx(1)


def test_panel_flight_hours_stand_in_for_looks_where_asked(flaps):
    flaps.find("A1", 600, at=(100, 100))
    result = density(flaps.load(), per="flight_hours")
    assert result.panel_flight_hours == pytest.approx(4 * 40_170)
    assert result.rate[0, 0] == pytest.approx(1 / (16.068 * 0.0625))
    assert result.unit == "10,000 panel flight hours and m²"


def test_left_and_right_panels_fold_without_a_change_where_x_is_forward_on_both(flaps):
    flaps.find("A1", 600, zone="Z1", at=(900, 100))
    flaps.find("A2", 600, zone="Z2", at=(900, 100))
    fleet = flaps.load()
    assert density(fleet).finds[0].tolist() == [0, 0, 0, 2]
    # x to the right as seen from outside: on the left panel it points aft
    assert density(fleet, x_axis="outside").finds[0].tolist() == [1, 0, 0, 1]
    assert density(fleet, side="left").finds[0].tolist() == [0, 0, 0, 1]
    assert density(fleet, side="left").looks[0, 0] == 5
    assert density(fleet, mirror=False, side="right").zones == ("Z2",)
    with pytest.raises(
        ValueError, match=r"must be left or right where `mirror` is off\. Group flap has both"
    ):
        density(fleet, mirror=False)


def test_a_part_looked_at_is_turned_over_with_its_panel(flaps):
    flaps.clean("A1", 800)
    flaps.rows["inspections"][-1]["coverage"] = "POLYGON((0 0, 250 0, 250 500, 0 500, 0 0))"
    only = density(flaps.load(), basis=["recorded"], x_axis="outside")
    assert only.looks[0].tolist() == [0, 0, 0, 1]


def test_zones_of_other_outlines_are_not_laid_on_one_another(flaps):
    flaps.set("zones", "Z2", outline="POLYGON((0 0, 1010 0, 1010 500, 0 500, 0 0))")
    fleet = flaps.load()
    with pytest.raises(ValueError, match=r"Z2 differ from Z1 \(by up to 1 % of the area\)"):
        density(fleet)
    assert density(fleet, side="right").zones == ("Z2",)


def test_cells_off_the_panel_are_nan_and_areas_add_up(flaps):
    for name in ("Z1", "Z2"):
        flaps.set("zones", name, outline="POLYGON((0 0, 900 0, 0 500, 0 0))")
    result = density(flaps.load(), cell_mm=70)
    assert np.nansum(result.cell_area_m2) == pytest.approx(0.225)
    assert np.isnan(result.looks[-1, -1])
    assert np.isnan(result.finds[-1, -1])
    assert (result.to_frame()["area_m2"] > 0).all()


@pytest.mark.parametrize(
    ("options", "message"),
    [
        ({"group": "wing"}, "must be one of flap. Got 'wing'"),
        ({"kind": "crack"}, "`kind` must be one of None, disbond"),
        ({"cell_mm": 0}, "`cell_mm` must be positive. Got 0"),
        ({"cell_mm": 0.1}, "must not give over a million cells"),
        ({"side": "centre"}, "`side` must be a side of group flap: left, right. Got 'centre'"),
        ({"count": "corner"}, "`count` must be one of centroid, area. Got 'corner'"),
        ({"per": "card"}, "`per` must be one of look, flight_hours. Got 'card'"),
    ],
)
def test_what_cannot_be_asked_is_refused(flaps, options, message):
    with pytest.raises(ValueError, match=message.replace(".", r"\.")):
        density(flaps.load(), **options)


def test_density_of_the_demo_counts_every_first_find_and_look_once(demo_fleet):
    regions, looks = finding_regions(demo_fleet), build_looks(demo_fleet)
    for group in ("flap", "radome"):
        result = damage_density(demo_fleet, group=group, regions=regions, looks=looks)
        own = looks["zone"].isin(result.zones)
        assert result.n_looks == own.sum()
        assert np.nanmax(result.looks) <= own.sum()
        assert np.nansum(result.finds) == len(result.points)
        assert len(result.points) + result.n_again + result.n_other == (regions["group"] == group).sum()
        mixed = damage_density(
            demo_fleet, group=group, regions=regions.sample(frac=1, random_state=1), looks=looks.iloc[::-1]
        )
        assert np.array_equal(result.finds, mixed.finds, equal_nan=True)
        assert np.allclose(result.looks, mixed.looks, equal_nan=True)


# Test against an even spread


@pytest.fixture
def flap(flaps):
    """A density without finds, looked at evenly, with a row of fasteners."""
    for name in ("Z1", "Z2"):
        flaps.set("zones", name, fastener_rows="LINESTRING(30 0, 30 500)")
    return density(flaps.load(), cell_mm=50)


def at(result, points):
    return dataclasses.replace(result, points=np.asarray(points, float).reshape(-1, 2))


def p_of(result, **options):
    return even_spread_test(result, **{"draws": 199} | options).to_frame().set_index("test")["p"]


def test_corners_are_where_the_outline_turns():
    assert len(corners(shapely.from_wkt(PANEL))) == 4
    assert corners(shapely.from_wkt("POLYGON((0 0, 500 0, 1000 0, 1000 500, 0 0))")).tolist() == [
        [0, 0],
        [1000, 0],
        [1000, 500],
    ]
    assert len(corners(shapely.Point(0, 0).buffer(500))) == 0


@pytest.mark.long
def test_even_finds_are_rejected_as_often_as_the_level_says(flap):
    """Binomial bounds at 1 in 1000 to each side, of 120 sets of even finds at the level 0.1."""
    rng = np.random.default_rng(11)
    n, level = 120, 0.1
    p = pd.DataFrame([p_of(at(flap, rng.random((40, 2)) * [1000, 500]), seed=k) for k in range(n)])
    assert set(p.columns) == {"edge", "corner", "fastener_row", "low", "overall"}
    for name in p.columns:
        rejected = int((p[name] <= level).sum())
        assert min(bdtr(rejected, n, level), bdtrc(rejected - 1, n, level)) > 1e-3, name
        # uniform: no gap to a straight line beyond what 1 in 1000 sets shows (Kolmogorov)
        gap = np.abs(np.sort(p[name]) - (np.arange(n) + 0.5) / n).max()
        assert gap < 1.95 / np.sqrt(n), name


@pytest.mark.long
def test_even_finds_over_a_part_looked_at_more_are_not_rejected(flap):
    """Looked at nine times as often on the left half: nine times the finds there are even."""
    rng = np.random.default_rng(5)
    looks = flap.looks.copy()
    looks[:, :10] *= 9
    half = np.where(rng.random((60, 30)) < 0.9, 0.0, 500.0)
    points = np.stack([half + 500 * rng.random((60, 30)), 500 * rng.random((60, 30))], axis=-1)
    by_looks = [
        p_of(at(dataclasses.replace(flap, looks=looks), one), seed=k)["overall"]
        for k, one in enumerate(points)
    ]
    rejected = int((np.array(by_looks) <= 0.1).sum())
    assert bdtrc(rejected - 1, 60, 0.1) > 1e-3
    assert p_of(at(flap, points[0]))["overall"] < 0.01


def test_finds_along_the_edge_are_told_with_their_direction_and_ratio(flap):
    rng = np.random.default_rng(2)
    x, depth = 1000 * rng.random(60), rng.exponential(30, 60)
    points = np.column_stack([x, np.where(rng.random(60) < 0.5, depth, 500 - depth)])
    result = even_spread_test(at(flap, points), draws=499, seed=3)
    row = result.to_frame().set_index("test").loc["edge"]
    assert row["direction"] == "nearer"
    assert row["p"] == pytest.approx(2 / 500)
    assert row["p_error"] == pytest.approx(2 * np.sqrt(0.002 * 0.998 / 500))
    assert row["ratio_lower"] > 3
    assert row["ratio_lower"] < row["density_ratio"] < row["ratio_upper"]
    assert row["expected_share"] == pytest.approx(1 - 800 * 300 / 500_000, abs=0.01)
    assert "edge" in repr(result)


@pytest.mark.parametrize(
    ("points", "test", "direction"),
    [
        ([[60, 60], [940, 60], [60, 440], [940, 440], [50, 50]], "corner", "nearer"),
        ([[35, 100], [28, 200], [33, 300], [30, 400], [25, 250]], "fastener_row", "nearer"),
        ([[100, 40], [400, 30], [600, 55], [900, 45], [500, 30]], "low", "nearer"),
        ([[100, 460], [400, 470], [600, 445], [900, 455], [500, 470]], "low", "farther"),
        ([[500, 250], [520, 250], [480, 250], [500, 240], [500, 260]], "edge", "farther"),
    ],
)
def test_each_feature_is_seen_by_its_own_test(flap, points, test, direction):
    table = even_spread_test(at(flap, points), draws=499).to_frame().set_index("test")
    assert table.loc[test, "p"] < 0.02
    assert table.loc[test, "direction"] == direction


def test_a_ratio_is_that_of_densities_in_and_outside_the_band(flap):
    points = [[500, 50], [500, 250], [500, 251], [500, 249]]
    row = even_spread_test(at(flap, points)).to_frame().set_index("test").loc["edge"]
    share = row["expected_share"]
    assert row["n_in_band"] == 1
    assert row["density_ratio"] == pytest.approx((1 / share) / (3 / (1 - share)))


def test_all_finds_on_the_edge_have_an_infinite_ratio_and_none_a_ratio_of_nought(flap):
    table = even_spread_test(at(flap, [[500, 0], [0, 250]])).to_frame().set_index("test")
    assert table.loc["edge", "observed_mm"] == 0
    assert np.isinf(table.loc["edge", ["density_ratio", "ratio_upper"]].astype(float)).all()
    assert table.loc["edge", "ratio_lower"] > 0
    inside = even_spread_test(at(flap, [[500, 250]] * 3)).to_frame().set_index("test")
    assert inside.loc["edge", ["density_ratio", "ratio_lower"]].tolist() == [0, 0]


def test_without_finds_there_is_no_p_and_one_find_shows_little(flap):
    none = even_spread_test(flap).to_frame()
    assert none["p"].isna().all()
    assert none["p_adjusted"].isna().all()
    assert none["expected_mm"].notna().sum() == 4
    assert (p_of(at(flap, [[500, 100]])) > 0.05).all()


def test_finds_by_distance_from_the_edge_stand_beside_even_spreads(flap):
    """Finds drawn evenly lie within what even spreads show; those along the edge lie above it there, and nowhere else."""
    rng = np.random.default_rng(4)
    even = even_spread_test(at(flap, rng.random((200, 2)) * [1000, 500]), draws=199)
    table = even.by_distance
    assert table["finds"].sum() == 200
    assert table["expected"].sum() == pytest.approx(200)
    assert (table["from_mm"][1:].to_numpy() == table["to_mm"][:-1].to_numpy()).all()
    # the part of a panel of 1000 by 500 mm that lies within 50 mm of its edge
    assert table["expected"].iloc[0] == pytest.approx(200 * (1 - 900 * 400 / 500_000), rel=0.05)
    assert table["finds"].between(table["lower"] - 5, table["upper"] + 5).all()
    assert "are not told from an even spread" in even.words()
    edge = even_spread_test(
        at(flap, np.column_stack([np.linspace(20, 980, 40), np.full(40, 20.0)])), draws=199
    )
    first = edge.by_distance.iloc[0]
    assert first["finds"] == 40 > first["upper"]
    assert edge.words().startswith("Finds of")
    assert "keep to the edge" in edge.words()
    assert "none, so that nothing can be said" in even_spread_test(flap).words()


def test_p_is_adjusted_for_testing_several(flap):
    rng = np.random.default_rng(8)
    table = even_spread_test(at(flap, rng.random((30, 2)) * [300, 500])).to_frame()
    p = np.sort(table["p"])
    steps = np.minimum(np.maximum.accumulate(p * [5, 4, 3, 2, 1]), 1)
    assert np.sort(table["p_adjusted"]) == pytest.approx(steps)
    assert (table["p_adjusted"] >= table["p"]).all()


def test_the_same_seed_gives_the_same_table_and_order_of_finds_does_not_matter(flap):
    points = np.random.default_rng(1).random((25, 2)) * [1000, 500]
    one = even_spread_test(at(flap, points), seed=4).to_frame()
    assert one.equals(even_spread_test(at(flap, points), seed=4).to_frame())
    mixed = even_spread_test(at(flap, points[::-1]), seed=4).to_frame()
    pd.testing.assert_frame_equal(one, mixed, rtol=1e-9)


@settings(max_examples=10, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(scale=st.floats(0.01, 50), seed=st.integers(0, 1000))
def test_unit_of_length_does_not_matter(flap, scale, seed):
    points = np.random.default_rng(seed).random((20, 2)) * [1000, 500]
    bands = {"edge_band_mm": 100.0, "corner_band_mm": 150.0, "fastener_band_mm": 50.0, "low_band_mm": 90.0}
    one = even_spread_test(at(flap, points), seed=seed, draws=99, **bands).to_frame()
    other = dataclasses.replace(
        flap,
        outline=shapely.affinity.scale(flap.outline, scale, scale, origin=(0, 0)),
        fastener_rows=shapely.affinity.scale(flap.fastener_rows, scale, scale, origin=(0, 0)),
        x_edges_mm=flap.x_edges_mm * scale,
        y_edges_mm=flap.y_edges_mm * scale,
        points=points * scale,
    )
    bands = {name: band * scale for name, band in bands.items()}
    two = even_spread_test(other, seed=seed, draws=99, **bands).to_frame()
    assert two["p"].to_numpy() == pytest.approx(
        one["p"].to_numpy(), abs=0.021
    )  # a spot on a border may go over
    assert two["observed_mm"].to_numpy() == pytest.approx(scale * one["observed_mm"].to_numpy(), nan_ok=True)


@pytest.mark.parametrize(
    ("options", "message"),
    [
        ({"edge_band_mm": 0}, "the band of edge must be positive. Got 0"),
        ({"low_band_mm": np.nan}, "the band of low must be positive. Got nan"),
        ({"confidence": 90}, "`confidence` must be between 0 and 1. Got 90"),
        ({"draws": 0}, "`draws` must be at least 1. Got 0"),
    ],
)
def test_a_test_that_cannot_be_is_refused(flap, options, message):
    with pytest.raises(ValueError, match=message.replace(".", r"\.")):
        even_spread_test(flap, **options)


def test_moisture_of_the_demo_comes_in_from_the_edges_and_other_damage_does_not(demo_fleet):
    """The demo is made so: moisture mostly from the edges, the rest anywhere.

    One group of some fifty finds can miss it by chance (flap: p = .12, 1.5 times as dense at the edge), so the three
    groups with most finds are held together by Fisher's method.
    """
    regions, looks = finding_regions(demo_fleet), build_looks(demo_fleet)
    together, ratios = {}, {}
    for kind in ("moisture_disbond", "disbond", "core_damage"):
        edges = []
        for group in ("flap", "spoiler", "cowl_door"):
            result = damage_density(demo_fleet, group=group, kind=kind, regions=regions, looks=looks)
            edges.append(even_spread_test(result).to_frame().set_index("test").loc["edge"])
        together[kind] = combine_pvalues([one["p"] for one in edges], method="fisher").pvalue
        ratios[kind] = [one["density_ratio"] for one in edges]
    assert together["moisture_disbond"] < 0.001
    assert min(ratios["moisture_disbond"]) > 1
    assert np.exp(np.log(ratios["moisture_disbond"]).mean()) > 2
    for kind in ("disbond", "core_damage"):
        assert together[kind] > 0.05
