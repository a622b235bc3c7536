import json
import tomllib
from pathlib import Path

import pandas as pd
import pytest

from kit.findings.tables import TABLES
from kit.simulate import make_demo

REPO = Path(__file__).parents[2]


def contents(folder):
    return {
        p.relative_to(folder).as_posix(): p.read_bytes() for p in sorted(folder.rglob("*")) if p.is_file()
    }


def test_same_seed_writes_the_same_bytes_and_another_seed_others(tmp_path, small_scenario):
    one = contents(make_demo(tmp_path / "one", seed=9, scenario=small_scenario))
    assert contents(make_demo(tmp_path / "two", seed=9, scenario=small_scenario)) == one
    assert contents(make_demo(tmp_path / "three", seed=10, scenario=small_scenario)) != one
    assert sorted(p.name for p in tmp_path.iterdir()) == ["one", "three", "two"]


def test_other_files_of_the_folder_stay(tmp_path, small_scenario):
    kept = tmp_path / "fleet" / "questions" / "mine.toml"
    kept.parent.mkdir(parents=True)
    kept.write_text("kept")
    make_demo(tmp_path / "fleet", seed=9, scenario=small_scenario)
    assert kept.read_text() == "kept"
    assert (tmp_path / "fleet" / "truth" / "onsets.csv").exists()
    assert [p.name for p in tmp_path.iterdir()] == ["fleet"]


def test_a_file_in_place_of_the_folder_is_refused(tmp_path, small_scenario):
    (tmp_path / "fleet").write_text("a file")
    with pytest.raises(ValueError, match=r"`folder` must be a folder. Got the file .*fleet instead"):
        make_demo(tmp_path / "fleet", scenario=small_scenario)


def test_demo_is_small(demo):
    sizes = [len(b) for b in contents(demo.folder).values()]
    assert sum(sizes) < 6e6
    assert max(sizes) < 3e6


def test_demo_in_the_repository_unchanged(demo):
    """Change alarm: the committed demo is what `make_demo` writes."""
    made = contents(demo.folder)
    stored = {name: (REPO / "demo_fleet" / name).read_bytes() for name in made}
    assert [name for name in made if made[name] != stored[name]] == []


def test_dataset_file_names_tables_packages_and_planned_usage(demo):
    data = tomllib.loads((demo.folder / "dataset.toml").read_text(encoding="utf-8"))
    assert data["length_unit"] == "mm"
    assert data["cut_off"].isoformat() == "2025-12-31"
    assert data["tables"] == {name: f"{name}.csv" for name in TABLES if name != "taps"}
    assert [p["name"] for p in data["packages"]] == ["A check", "base check"]
    assert data["planned_usage"]["QV-44-100"] == {"flight_hours": 2470, "flight_cycles": 2350, "aircraft": 24}
    assert data["planned_usage"]["QV-44-300"] == {"flight_hours": 2730, "flight_cycles": 1050, "aircraft": 12}


def test_some_damages_are_written_as_grids_of_taps(demo):
    """By hand as marks, by instrument as contact times; every grid has a tap on the damage."""
    grids = demo.tables["findings"].query("tap_grid != ''").drop_duplicates("tap_grid")
    assert len(grids) > 40
    assert {f"taps/{path.name}" for path in (demo.folder / "taps").iterdir()} == set(grids["tap_grid"])
    for row in grids.itertuples():
        taps = pd.read_csv(demo.folder / row.tap_grid)
        assert taps.columns.tolist() == ["x", "y", "mark", "contact_time"]
        if row.method == "tap_instrumented":
            assert taps["contact_time"].gt(0).all()
            assert taps["contact_time"].max() > 1.2 * taps["contact_time"].median()
        else:
            assert set(taps["mark"]) == {"clear", "dull"}


def test_every_text_says_that_all_is_invented(demo):
    for name in ("dataset.toml", "README.md", "truth/parameters.json"):
        text = (demo.folder / name).read_text(encoding="utf-8")
        assert "Invented data" in text
        assert "richer in damage than a healthy fleet" in text


def test_parameters_hold_a_true_life_for_each_group_and_mode(demo):
    data = json.loads((demo.folder / "truth" / "parameters.json").read_text(encoding="utf-8"))
    lives = {(r["group"], r["mode"], r["lot"]): r for r in data["life"]}
    assert len(lives) == 31
    assert lives["flap", "M", ""]["scale"] == pytest.approx(24 * 365.25)
    assert lives["spoiler", "M", "Q"]["scale"] == pytest.approx(0.57 * lives["spoiler", "M", ""]["scale"])
    assert lives["gear_door", "I", ""]["scale"] == pytest.approx(25000)
    assert {r["shape"] for r in data["life"]} == {2.2, 3.0, 1.0}
    assert sum(data["climate_share"].values()) == pytest.approx(1)
    assert data["about"].keys() >= {"life", "size", "growth", "pod", "far_side_share"}


def test_onsets_name_panels_of_the_truth_and_are_dated_in_order(demo):
    onsets = pd.read_csv(demo.folder / "truth" / "onsets.csv", dtype={"zone": str})
    panels = pd.read_csv(demo.folder / "truth" / "panels.csv")
    assert set(onsets["panel"]) <= set(panels["panel"])
    assert set(demo.tables["panels"]["panel"]) <= set(panels["panel"])
    found = onsets.dropna(subset=["found_on"])
    assert (found["found_on"] > found["onset_on"]).all()
    assert onsets["onset_on"].is_monotonic_increasing


def test_water_gathers_at_low_points_and_the_zones_say_so(demo):
    """The scale of a group is the geometric mean of its low zones and the others."""
    truth = json.loads((demo.folder / "truth" / "parameters.json").read_text(encoding="utf-8"))
    assert set(truth["low_point"]) == {"flap", "cowl_door"}
    zones = demo.tables["zones"].set_index("zone")
    for group, low in truth["low_point"].items():
        said = zones.loc[zones["group"] == group, "low_point"]
        assert set(said[said == "yes"].index) == set(low["zones"])
        assert (said != "").all()
        assert (said == "yes").mean() == low["share"] == 0.5
    assert (zones.loc[~zones["group"].isin(list(truth["low_point"])), "low_point"] == "").all()
    onsets = pd.read_csv(demo.folder / "truth" / "onsets.csv", dtype=str).query("mode == 'M'")
    here = onsets["zone"].map(zones["low_point"])
    assert (here == "yes").sum() > 1.2 * (here == "no").sum()
