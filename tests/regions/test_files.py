"""Regions from GeoJSON and GeoParquet, taken as panel-local."""

import json
import re

import pyarrow as pa
import pyarrow.parquet as pq
import pytest
import shapely

from kit.findings import TableError, load_fleet
from kit.findings.read import size_limits
from kit.regions import read_regions

# Each test reads a dataset of its own; what it holds changes rarely.
pytestmark = pytest.mark.long

SQUARE = shapely.box(100, 100, 150, 130)


def geojson(path, features, **more):
    path.write_text(
        json.dumps(
            {
                "type": "FeatureCollection",
                "features": [
                    {
                        "type": "Feature",
                        "properties": {"finding": name},
                        "geometry": None if shape is None else json.loads(shapely.to_geojson(shape)),
                    }
                    for name, shape in features
                ],
            }
            | more
        )
    )
    return path


def geoparquet(path, features, **column):
    about = {"encoding": "WKB", "geometry_types": ["Polygon"], "crs": None} | column
    geo = {"version": "1.1.0", "primary_column": "shape", "columns": {"shape": about}}
    table = pa.table(
        {
            "finding": [name for name, _ in features],
            "shape": pa.array(
                [None if shape is None else shapely.to_wkb(shape) for _, shape in features], pa.binary()
            ),
        }
    )
    pq.write_table(table.replace_schema_metadata({"geo": json.dumps(geo)}), path)
    return path


WRITE = {"regions.geojson": geojson, "regions.parquet": geoparquet}
formats = pytest.mark.parametrize("name", list(WRITE))


@formats
def test_regions_are_polygons_in_mm_by_finding(tmp_path, name):
    path = WRITE[name](tmp_path / name, [("D1", SQUARE), ("D4", shapely.box(1, 1, 3, 3))])
    regions = read_regions(path)
    assert list(regions) == ["finding", "geometry"]
    assert regions["finding"].tolist() == ["D1", "D4"]
    assert shapely.area(regions["geometry"].to_numpy()).tolist() == [1500.0, 4.0]
    in_inches = read_regions(path, unit="in")
    assert shapely.area(in_inches["geometry"].to_numpy()) == pytest.approx([1500 * 25.4**2, 4 * 25.4**2])


@formats
def test_all_regions_that_cannot_be_used_are_told_at_once(tmp_path, name):
    point, two = shapely.Point(1, 1), shapely.MultiPolygon([SQUARE, shapely.box(0, 0, 1, 1)])
    path = WRITE[name](
        tmp_path / name,
        [("D1", SQUARE), ("D1", SQUARE), ("", SQUARE), ("D2", point), ("D3", two), ("D4", None)],
    )
    with pytest.raises(TableError) as caught:
        read_regions(path)
    assert caught.value.problems[["row", "reason"]].to_numpy().tolist() == [
        [1, "several regions of one finding, none is used"],
        [2, "several regions of one finding, none is used"],
        [3, "the region has no finding"],
        [4, "the region is no polygon but POINT"],
        [5, "the region is no polygon but MULTIPOLYGON"],
        [6, "the region is no polygon but nothing"],
    ]


@pytest.mark.parametrize("crs", ["urn:ogc:def:crs:EPSG::4326", "EPSG:3857"])
def test_geojson_in_a_coordinate_system_of_the_earth_is_refused(tmp_path, crs):
    named = {"type": "name", "properties": {"name": crs}}
    path = geojson(tmp_path / "a.geojson", [("D1", SQUARE)], crs=named)
    with pytest.raises(TableError, match=re.escape(f"the file is in the coordinate system {crs}")) as caught:
        read_regions(path)
    assert "coordinates are taken as panel-local" in str(caught.value)


def test_the_default_system_of_geojson_is_passed_over(tmp_path):
    named = {"type": "name", "properties": {"name": "urn:ogc:def:crs:OGC:1.3:CRS84"}}
    assert len(read_regions(geojson(tmp_path / "a.geojson", [("D1", SQUARE)], crs=named))) == 1


def test_geoparquet_may_be_local_or_of_no_system_but_not_of_the_earth(tmp_path):
    features = [("D1", SQUARE)]
    unit = {"type": "LinearUnit", "name": "millimetre", "conversion_factor": 0.001}
    local = {"type": "EngineeringCRS", "name": "panel", "coordinate_system": {"axis": [{"unit": unit}]}}
    path = geoparquet(tmp_path / "a.parquet", features, crs=local)
    assert len(read_regions(path)) == 1
    with pytest.raises(TableError, match="the axes of the file are in steps of 1 mm, but the unit is in"):
        read_regions(path, unit="in")
    earth = {"type": "GeographicCRS", "name": "WGS 84", "id": {"authority": "EPSG", "code": 4326}}
    with pytest.raises(TableError, match="the file is in the coordinate system WGS 84"):
        read_regions(geoparquet(tmp_path / "b.parquet", features, crs=earth))
    with pytest.raises(TableError, match="the geometry is encoded as polygon, not as WKB"):
        read_regions(geoparquet(tmp_path / "c.parquet", features, encoding="polygon"))


@pytest.mark.parametrize("text", ["", "[1, 2", '{"type": "Feature"}', "[" * 100_000])
def test_what_is_no_feature_collection_is_refused(tmp_path, text):
    (tmp_path / "a.geojson").write_text(text)
    with pytest.raises(TableError, match=r"a\.geojson: the file (is not JSON|holds no FeatureCollection)"):
        read_regions(tmp_path / "a.geojson")


def test_parquet_without_the_metadata_of_geoparquet_is_refused(tmp_path):
    pq.write_table(pa.table({"finding": ["D1"]}), tmp_path / "a.parquet")
    with pytest.raises(TableError, match="the file has no geo metadata"):
        read_regions(tmp_path / "a.parquet")
    (tmp_path / "b.parquet").write_bytes(b"PAR1")
    with pytest.raises(TableError, match="the file is not Parquet that can be read"):
        read_regions(tmp_path / "b.parquet")


@formats
def test_a_region_of_too_many_corners_is_left_out(tmp_path, monkeypatch, name):
    monkeypatch.setattr(size_limits, "MOST_CORNERS", 4)
    with pytest.raises(
        TableError, match=re.escape("the region is too large (5 corners). Expected: at most 4")
    ):
        read_regions(WRITE[name](tmp_path / name, [("D1", SQUARE)]))


def test_an_unknown_unit_or_file_is_refused(tmp_path):
    with pytest.raises(ValueError, match="`unit` must be one of mm, cm, in"):
        read_regions(tmp_path / "a.geojson", unit="ft")
    with pytest.raises(FileNotFoundError, match="There is no"):
        read_regions(tmp_path / "a.geojson")


def with_regions(tiny, name, *more):
    """Write the tiny fleet with a region file; its finding D1 has no outline in the table."""
    toml = tiny.write() / "dataset.toml"
    lines = "\n".join(["[regions]", f'file = "{name}"', *more])
    toml.write_text(toml.read_text() + "\n" + lines + "\n")
    return tiny.folder


@formats
def test_outlines_of_findings_come_from_the_file_that_the_dataset_names(tiny, name):
    expected = load_fleet(tiny.write()).fingerprint()
    tiny.set("findings", "D1", outline="")
    WRITE[name](with_regions(tiny, name) / name, [("D1", SQUARE)])
    fleet = load_fleet(tiny.folder)
    assert fleet.fingerprint() == expected
    assert len(fleet.warnings) == 0


def test_the_region_file_may_have_a_unit_of_its_own(tiny):
    expected = load_fleet(tiny.write()).fingerprint()
    tiny.set("findings", "D1", outline="")
    shape = shapely.box(10, 10, 15, 13)
    geojson(with_regions(tiny, "r.geojson", 'unit = "cm"') / "r.geojson", [("D1", shape)])
    assert load_fleet(tiny.folder).fingerprint() == expected


def test_unknown_ids_and_doubles_are_problems_of_the_region_file(tiny):
    tiny.set("findings", "D1", outline="")
    features = [("D1", SQUARE), ("D9", SQUARE), ("D4", SQUARE)]
    geojson(with_regions(tiny, "r.geojson") / "r.geojson", features)
    with pytest.raises(TableError) as caught:
        load_fleet(tiny.folder)
    assert caught.value.problems[["file", "row", "value", "reason"]].to_numpy().tolist() == [
        ["r.geojson", 2, "D9", "no such row in findings"],
        ["r.geojson", 3, "D4", "the finding has an outline in its table too, which stands"],
    ]
    fleet = load_fleet(tiny.folder, set_aside=True)
    areas = shapely.area(fleet.tables["findings"]["outline"].to_numpy())
    assert areas[[0, 3]].tolist() == [1500.0, 900.0]


@pytest.mark.parametrize(
    ("name", "reason"),
    [
        ("../r.geojson", "the path leaves the folder of the dataset"),
        ("r.geojson", "the file is missing"),
        ("usage.csv", "not a GeoJSON or GeoParquet file"),
    ],
)
def test_a_region_file_elsewhere_missing_or_of_another_kind_is_refused(tiny, name, reason):
    with pytest.raises(TableError, match=re.escape(f"regions.file = '{name}': {reason}")):
        load_fleet(with_regions(tiny, name))
