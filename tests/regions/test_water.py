"""Water and patches weigh what they should, and what is taken for granted is said."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st

from kit.findings import load_fleet
from kit.regions import (
    hexagon_area,
    patch_mass,
    porosity,
    water_and_patch,
    water_depth,
    water_mass,
    water_per_cell,
)

EXPECTED = pd.read_csv(Path(__file__).parents[1] / "data" / "references" / "expected.csv").query(
    "case == 'G3'"
)
SPAN = st.floats(1.0, 1e4)
SHARE = st.floats(0.0, 1.0)


@pytest.mark.parametrize(
    ("quantity", "value"),
    [
        ("door_water_depth_mm_full_cells", lambda: water_depth(20.0, 7500e2)),
        ("implied_core_depth_mm_porosity_0.97", lambda: water_depth(20.0, 7500e2, 0.97)),
        ("porosity_Al_core_3.1pcf", lambda: porosity(3.1 * 0.45359237 / 0.3048**3, 2680.0)),
        ("porosity_aramid_core_64kgm3_solid_1380", lambda: porosity(64.0, 1380.0)),
        ("hex_cell_area_mm2_3.175mm", lambda: hexagon_area(3.175)),
        ("water_g_per_cell_3.175mm_x_25.4mm", lambda: water_per_cell(3.175, 25.4)),
        ("water_kg_per_m2_porosity_0.97_depth_25.4mm", lambda: water_mass(1e6, 25.4, 0.97)),
    ],
)
def test_water_in_honeycomb_reference_g3(quantity, value):
    row = EXPECTED.set_index("quantity").loc[quantity]
    assert abs(float(value()) - row["expected"]) <= row["tol_abs"]


def test_every_row_of_reference_g3_is_tested():
    assert len(EXPECTED) == 7


@given(area=SPAN, depth=SPAN, pores=SHARE, fill=SHARE)
def test_water_grows_with_each_of_its_factors_and_depth_undoes_mass(area, depth, pores, fill):
    mass = water_mass(area, depth, pores, fill)
    assert water_mass(2 * area, depth, pores, fill) == pytest.approx(2 * mass)
    assert water_mass(area, 2 * depth, pores, fill) == pytest.approx(2 * mass)
    assert water_mass(area, depth, pores, fill / 2) == pytest.approx(mass / 2)
    assert mass <= water_mass(area, depth, 1.0)
    if pores > 1e-3:
        assert water_depth(water_mass(area, depth, pores), area, pores) == pytest.approx(depth)


@given(x=st.floats(-500, 500), y=st.floats(-500, 500), angle=st.floats(0, 360), overlap=st.floats(0, 40))
def test_moving_and_turning_a_patch_does_not_change_its_mass(x, y, angle, overlap):
    box = shapely.box(0, 0, 100, 50)
    turned = shapely.affinity.translate(shapely.affinity.rotate(box, angle), x, y)
    one, two = patch_mass(
        [box, turned], ply_thickness_mm=0.2, n_plies=3, density_kg_m3=1500, overlap_mm=overlap
    )
    assert two == pytest.approx(one, rel=1e-9)
    assert one == pytest.approx((100 + 2 * overlap) * (50 + 2 * overlap) * 0.6 * 1500e-9)


def test_a_patch_without_a_shape_has_no_mass_known():
    mass = patch_mass([None, shapely.box(0, 0, 10, 10)], ply_thickness_mm=1, n_plies=1, density_kg_m3=1000)
    assert np.isnan(mass[0])
    assert mass[1] == pytest.approx(1e-4)


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: water_mass(-1.0, 10, 0.9), "`area_mm2` must be at least 0: 1 of 1 are not, first -1"),
        (lambda: water_mass([1.0, 2.0], 10, [0.9, 1.2]), "`porosity` must be from 0 to 1: 1 of 2 are not, first 1.2"),
        (lambda: water_mass(1.0, 10, 0.9, fill=2.0), "`fill` must be from 0 to 1"),
        (lambda: porosity([64.0, 1400.0], 1380.0), "1 of 2 are not, first core 1400, solid 1380"),
        (
            lambda: patch_mass([None], ply_thickness_mm=0.2, n_plies=-1, density_kg_m3=1),
            "`n_plies` must not be negative. Got -1",
        ),
    ],
)  # fmt: skip
def test_what_cannot_be_is_refused(call, message):
    with pytest.raises(ValueError, match=message.replace(".", r"\.")):
        call()


@pytest.fixture
def wet(tiny):
    """Two wet regions of 100 by 100 mm on P5 that overlap by half; one repair on P4 of A2."""
    tiny.set("zones", "Z1", core_thickness="20", core_density="69", core_material="aramid")
    tiny.set(
        "findings",
        "D4",
        kind="moisture",
        method="thermography",
        outline="POLYGON ((0 0, 100 0, 100 100, 0 100, 0 0))",
        length="113",
        width="113",
    )
    tiny.add("findings", "D4", finding="D5", outline="POLYGON ((50 0, 150 0, 150 100, 50 100, 50 0))")
    return tiny


def standing(fleet):
    """Return the wet findings as regions that stand."""
    rows = fleet.tables["findings"]
    return rows[rows["kind"] == "moisture"].rename(columns={"outline": "geometry"})


def test_water_and_patches_are_summed_by_aircraft_with_each_spot_once(wet):
    fleet = load_fleet(wet.write())
    result = water_and_patch(
        fleet, regions=standing(fleet), ply_thickness_mm=0.25, n_plies=4, patch_density_kg_m3=1500
    )
    table = result.to_frame().set_index("aircraft")
    water = 150 * 100 * 20 * (1 - 69 / 1380) * 1000e-9
    assert table.loc["A1", ["n_wet", "wet_area_mm2"]].tolist() == [2, 15_000]
    assert table.loc["A1", "water_kg"] == pytest.approx(water)
    assert table.loc["A2", ["n_patches", "patch_area_mm2"]].tolist() == [1, 8000]
    assert table.loc["A2", "patch_kg"] == pytest.approx(8000 * 1500e-9)
    assert table["payload_kg"].sum() == pytest.approx(water + 0.012)
    assert table.loc["A3"].drop(["n_unknown"]).sum() == 0
    assert table["n_unknown"].tolist() == [0, 0, 0]
    assert len(result.assumptions) == 5
    assert any("aramid 1380 kg/m³" in words for words in result.assumptions)
    assert "2010" not in repr(result)


def test_a_core_of_unknown_solid_is_counted_as_unknown_not_as_dry(wet):
    wet.set("zones", "Z1", core_material="cork")
    fleet = load_fleet(wet.write())
    result = water_and_patch(fleet, regions=standing(fleet))
    row = result.to_frame().set_index("aircraft").loc["A1"]
    assert row[["n_wet", "water_kg", "n_unknown"]].tolist() == [2, 0, 2]
    assert result.n_unknown == 2
    stated = water_and_patch(fleet, regions=standing(fleet), solid_density_kg_m3={"cork": 1500.0}, fill=0.5)
    assert stated.n_unknown == 0
    assert stated.to_frame()["water_kg"].sum() == pytest.approx(0.15 * (1 - 69 / 1500))


def test_a_region_or_patch_without_a_shape_is_counted_as_unknown(wet):
    wet.set("repairs", "X1", region="")
    fleet = load_fleet(wet.write())
    regions = standing(fleet)
    regions["geometry"] = [regions["geometry"].iloc[0], None]
    table = water_and_patch(fleet, regions=regions).to_frame().set_index("aircraft")
    assert table["n_unknown"].tolist() == [1, 1, 0]
    assert table.loc["A1", "wet_area_mm2"] == 10_000


def test_a_patch_counts_from_its_day_while_its_panel_is_fitted(wet):
    fleet = load_fleet(wet.write())
    nothing = standing(fleet).iloc[:0]

    def patches(on):
        return water_and_patch(fleet, on, regions=nothing).n_patches

    assert [patches(on) for on in ("2017-05-01", "2017-05-02", "2020-12-31")] == [0, 1, 1]
    wet.set("panels", "F4", removed_on="2018-01-01", recorded_on="2018-01-01")
    fleet = load_fleet(wet.write())
    assert [patches(on) for on in ("2017-12-31", "2018-01-01")] == [1, 0]
    assert water_and_patch(fleet, "2017-06-01", regions=nothing, repair_methods=["patch"]).n_patches == 0


def test_nothing_wet_and_nothing_patched_weighs_nothing(wet):
    wet.rows["repairs"].clear()
    fleet = load_fleet(wet.write())
    table = water_and_patch(fleet, regions=standing(fleet).iloc[:0]).to_frame()
    assert table["aircraft"].tolist() == ["A1", "A2", "A3"]
    assert table.drop(columns="aircraft").to_numpy().sum() == 0


def test_order_of_regions_does_not_matter(wet):
    fleet = load_fleet(wet.write())
    one = water_and_patch(fleet, regions=standing(fleet)).to_frame()
    two = water_and_patch(fleet, regions=standing(fleet).iloc[::-1]).to_frame()
    pd.testing.assert_frame_equal(one, two)
