"""Speed and memory of loading and checking a large fleet from Parquet.

Left out of the normal suite; run with::

    pytest tests/benchmarks/test_loading.py --benchmark-only -n0 -s -p no:cacheprovider

The figures are printed: seconds, peak memory, and the ratio to a floor, which is reading the same files with
pandas.read_parquet and making the polygons with shapely.from_wkb. Nothing is asserted of them: machines differ.
"""

import numpy as np
import pandas as pd
import pytest
import shapely
from benchmarks.measured import measured

from kit.findings import load_fleet

N_AIRCRAFT, N_ZONES = 400, 50
N_FINDINGS, N_LOOKS = 1_000_000, 5_000_000
FIRST, N_DAYS = np.datetime64("2000-01-01"), 9000

TOML = """\
name = "Large"
notice = "Invented data."
length_unit = "mm"
cut_off = 2025-12-31
clocks = ["flight_hours"]

[tables]
"""


def named(letter, numbers):
    """Names such as L0000012."""
    return pd.Series(np.char.mod(f"{letter}%07d", numbers), dtype="str")


def write_fleet(folder, n_findings, n_looks):
    """Write one panel a zone for good, looks on random days, a finding at each of the first looks."""
    rng = np.random.default_rng(11)
    start = pd.Timestamp(FIRST)
    planes, zones = named("T", np.arange(N_AIRCRAFT)), named("Z", np.arange(N_ZONES))
    square = "POLYGON ((0 0, 2000 0, 2000 1000, 0 1000, 0 0))"
    fitting = np.arange(N_AIRCRAFT * N_ZONES)
    plane, zone = planes.array.take(fitting // N_ZONES), zones.array.take(fitting % N_ZONES)
    place = rng.integers(0, len(fitting), n_looks)
    day = FIRST + rng.integers(1, N_DAYS, n_looks)
    looks = named("L", np.arange(n_looks))
    found = np.arange(n_looks) < n_findings
    corners = 2 * np.pi * np.arange(12) / 12
    radius = rng.uniform(10, 40, n_findings)
    x, y = rng.uniform(100, 1900, n_findings), rng.uniform(100, 900, n_findings)
    ring = np.stack([np.cos(corners), np.sin(corners)], axis=-1)
    outlines = shapely.polygons(
        np.round(radius[:, None, None] * ring + np.stack([x, y], axis=-1)[:, None], 1)
    )
    panels = named("P", fitting)
    readings = np.arange(2 * N_AIRCRAFT)
    tables = {
        "aircraft": {
            "aircraft": planes,
            "subtype": "S1",
            "entry_into_service": start,
            "recorded_on": start,
        },
        "zones": {
            "zone": zones, "subtypes": "S1", "group": "flap", "side": "left", "outline": square, "core_thickness": 12.0,
            "structure_class": "secondary", "removable": True, "recorded_on": start,
        },
        "panels": {
            "fitting": named("F", fitting), "panel": panels, "aircraft": plane, "zone": zone, "fitted_on": start,
            "state": "new", "recorded_on": start,
        },
        "usage": {
            "reading": named("R", readings), "aircraft": planes.array.take(readings // 2),
            "read_on": (FIRST + np.where(readings % 2, N_DAYS, 0)).astype("datetime64[us]"),
            "flight_hours": np.where(readings % 2, 50_000.0, 0.0), "flight_cycles": np.where(readings % 2, 30_000.0, 0.0),
            "meter_change": False, "recorded_on": (FIRST + np.where(readings % 2, N_DAYS, 0)).astype("datetime64[us]"),
        },
        "tasks": {
            "task": ["K1"], "zones": [";".join(zones)], "method": "tap_manual", "repeat_days": 730.0,
            "valid_from": start, "recorded_on": start,
        },
        "inspections": {
            "inspection": looks, "aircraft": plane.take(place), "zone": zone.take(place),
            "panel": panels.array.take(place), "inspected_on": day.astype("datetime64[us]"), "method": "tap_manual",
            "coverage": "full", "outcome": np.where(found, "found", "clean"),
            "recorded_on": (day + 2).astype("datetime64[us]"),
        },
        "findings": {
            "finding": named("D", np.arange(n_findings)), "inspection": looks[:n_findings],
            "aircraft": plane.take(place[:n_findings]), "zone": zone.take(place[:n_findings]),
            "panel": panels.array.take(place[:n_findings]), "found_on": day[:n_findings].astype("datetime64[us]"),
            "method": "tap_manual", "kind": "disbond", "outline": shapely.to_wkb(outlines), "length": 2 * radius.round(),
            "width": 2 * radius.round(), "size_unit": "mm", "rounding": 5.0, "disposition": "monitor",
            "recorded_on": (day[:n_findings] + 2).astype("datetime64[us]"),
        },
        "limits": {
            "limit": ["M1"], "group": "flap", "revision": "1", "valid_from": start, "size": 40.0, "recorded_on": start,
        },
        "cards": {
            "card": pd.Series([], dtype="str"), "task": "", "aircraft": "", "closed_on": start, "recorded_on": start,
        },
        "repairs": {
            "repair": pd.Series([], dtype="str"), "finding": "", "repaired_on": start, "repair_class": "", "recorded_on": start,
        },
    }  # fmt: skip
    for name, columns in tables.items():
        pd.DataFrame(columns).to_parquet(folder / f"{name}.parquet", index=False, compression="zstd")
    lines = "".join(f'{name} = "{name}.parquet"\n' for name in tables)
    (folder / "dataset.toml").write_text(TOML + lines)


def load(folder):
    """Load and check; every row must be accepted."""
    fleet = load_fleet(folder)
    assert len(fleet.tables["inspections"]) > len(fleet.tables["findings"]) > 0
    assert len(fleet.rejected) == 0


def read_only(folder):
    """Read the same files and make the polygons."""
    for path in sorted(folder.glob("*.parquet")):
        frame = pd.read_parquet(path)
        if path.stem == "findings":
            shapely.from_wkb(frame["outline"].to_numpy())


@pytest.mark.parametrize(("n_findings", "n_looks"), [(100_000, 500_000), (N_FINDINGS, N_LOOKS)])
def test_loading_and_checking_findings_and_looks_from_parquet(
    benchmark, capsys, tmp_path, n_findings, n_looks
):
    write_fleet(tmp_path, n_findings, n_looks)
    floor = measured(read_only, tmp_path)
    figures: dict[str, float] = {}
    benchmark.pedantic(lambda: figures.update(measured(load, tmp_path)), rounds=1, iterations=1)
    figures |= {
        "floor_seconds": floor["processor_seconds"],
        "floor_gib": floor["peak_gib"],
        "times_floor": figures["processor_seconds"] / floor["processor_seconds"],
    }
    benchmark.extra_info.update(figures)
    with capsys.disabled():
        print(f"\n{n_findings:,} findings with polygons, {n_looks:,} looks, from Parquet:")  # noqa: T201
        print(pd.Series(figures).map("{:.4g}".format).to_string())  # noqa: T201
