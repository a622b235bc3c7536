"""Speed of measuring and tracking the regions of a large fleet.

Left out of the normal suite; run with::

    pytest tests/benchmarks/test_regions.py --benchmark-only -n0 -s -p no:cacheprovider

The number of regions is that of the environment variable KIT_BENCH_REGIONS, 1,000,000 by default. No time
is asserted: machines differ. Each is printed with its ratio to a floor taken in the same run: shapely's area
and minimum rotated rectangle of as many regions, on one thread.
"""

import os
import time

import numpy as np
import pandas as pd
import pytest
import shapely

from kit.regions import measure, panel_share, track, track_graph

N = int(os.environ.get("KIT_BENCH_REGIONS", "1000000"))
PER_PANEL = 100
PANEL = (2000.0, 1000.0)
CORNERS = (8, 21)


def outlines(rng, x, y, radius):
    """Polygons of 8 to 20 corners about their middles, bent in here and there."""
    count = rng.integers(*CORNERS, len(x))
    owner = np.repeat(np.arange(len(x)), count)
    k = np.arange(owner.size) - np.repeat(np.cumsum(count) - count, count)
    turn = 2 * np.pi * (k + rng.uniform(0, 0.6, owner.size)) / count[owner]
    far = radius[owner] * rng.uniform(0.7, 1.0, owner.size)
    points = np.column_stack([x[owner] + far * np.cos(turn), y[owner] + far * np.sin(turn)])
    return shapely.polygons(shapely.linearrings(points, indices=owner))


def damage(n, seed=1):
    """Regions of 20 to 80 mm across, a hundred on each panel."""
    rng = np.random.default_rng(seed)
    x, y = rng.uniform(45, PANEL[0] - 45, n), rng.uniform(45, PANEL[1] - 45, n)
    return outlines(rng, x, y, rng.uniform(10, 40, n)), np.arange(n) // PER_PANEL


def of_panels(make, place, n_shapes=20):
    """One of a few geometries for each region, the same object for all of a panel."""
    return np.array([make(k) for k in range(n_shapes)], dtype=object)[place % n_shapes]


def rivets(_):
    """Rows along three edges, and one across."""
    w, h = PANEL
    ends = [((25, 25), (w - 25, 25)), ((25, h - 25), (w - 25, h - 25)), ((25, 25), (25, h - 25))]
    return shapely.MultiLineString([*ends, ((w / 2, 25), (w / 2, h - 25))])


def patches(k):
    """Three repairs at random places."""
    corners = np.random.default_rng(k).uniform(0, 900, (3, 2))
    return shapely.multipolygons([shapely.box(x, y, x + 100, y + 90) for x, y in corners])


def seconds(call):
    start = time.process_time()
    call()
    return time.process_time() - start


def floor_seconds(shapes):
    """Area and smallest rectangle by shapely, for a tenth of the regions, times ten."""
    some = shapes[: max(len(shapes) // 10, 1)]
    return (
        seconds(lambda: (shapely.area(some), shapely.minimum_rotated_rectangle(some)))
        * len(shapes)
        / len(some)
    )


def shown(capsys, title, figures):
    with capsys.disabled():
        print(f"\n{title}:")  # noqa: T201
        print(pd.Series(figures).map("{:.4g}".format).to_string())  # noqa: T201


def test_measuring_regions(benchmark, capsys):
    shapes, place = damage(N)
    given = {
        "outlines": of_panels(lambda _: shapely.box(0, 0, *PANEL), place),
        "place": place,
        "fastener_rows": of_panels(rivets, place),
        "repairs": of_panels(patches, place),
    }
    floor = floor_seconds(shapes)
    result = benchmark.pedantic(lambda: measure(shapes, **given), rounds=3, warmup_rounds=1)
    assert result.shape == (N, 9)
    assert result.notna().all(axis=None)
    spent = benchmark.stats.stats.median
    figures = {"all measures [s]": spent, "floor [s]": floor, "ratio to the floor": spent / floor}
    figures["sizes alone [s]"] = seconds(lambda: measure(shapes))
    for name, value in given.items():
        figures[f"sizes and {name} [s]"] = seconds(
            lambda name=name, value=value: measure(shapes, **{name: value})
        )
    shown(capsys, f"{N:,} regions measured", figures)


def test_share_of_the_panels(benchmark, capsys):
    shapes, place = damage(N)
    given = of_panels(lambda _: shapely.box(0, 0, *PANEL), place)
    floor = floor_seconds(shapes)
    result = benchmark.pedantic(lambda: panel_share(shapes, place, given), rounds=1)
    assert (result["union_area_mm2"] <= result["sum_area_mm2"]).all()
    spent = benchmark.stats.stats.median
    shown(
        capsys,
        f"Share of {len(result):,} panels with {N:,} regions",
        {"share [s]": spent, "floor [s]": floor, "ratio to the floor": spent / floor},
    )


def inspected_twice(n, per_panel=PER_PANEL, seed=2):
    """As many regions at a second look, two thirds of them at the places of earlier ones."""
    rng = np.random.default_rng(seed)
    side = np.sqrt(per_panel / PER_PANEL)
    x, y = rng.uniform(45, PANEL[0] * side - 45, n), rng.uniform(45, PANEL[1] * side - 45, n)
    radius = rng.uniform(10, 40, n)
    again = rng.random(n) < 2 / 3
    later_x = np.where(again, x + rng.normal(0, 5, n), rng.uniform(45, PANEL[0] * side - 45, n))
    later_y = np.where(again, y + rng.normal(0, 5, n), rng.uniform(45, PANEL[1] * side - 45, n))
    shapes = np.r_[outlines(rng, x, y, radius), outlines(rng, later_x, later_y, radius * 1.1)]
    return pd.DataFrame(
        {
            "geometry": shapes,
            "panel": np.tile(np.arange(n) // per_panel, 2),
            "age": np.repeat([1000.0, 2000.0], n),
            "kind": pd.Categorical.from_codes(np.tile(rng.integers(0, 2, n), 2), ["disbond", "moisture"]),
        }
    )


@pytest.mark.parametrize("per_panel", [PER_PANEL, 10_000])
def test_tracking_regions_against_as_many_earlier_ones(benchmark, capsys, per_panel):
    regions = inspected_twice(N, per_panel)
    floor = floor_seconds(regions["geometry"].to_numpy(object))
    result = benchmark.pedantic(lambda: track(regions), rounds=1)
    spent = benchmark.stats.stats.median
    all_kinds = seconds(lambda: track(regions.drop(columns="kind")))
    graph, start = [], time.process_time()
    graph.append(track_graph(regions))
    in_graph = time.process_time() - start
    shown(
        capsys,
        f"{N:,} regions tracked against {N:,} earlier ones, {per_panel:,} of each on a panel",
        {
            "track [s]": spent,
            "track whatever the kind [s]": all_kinds,
            "graph with overlaps [s]": in_graph,
            "floor [s]": floor,
            "ratio of track to the floor": spent / floor,
            "tracks": result["track"].nunique(),
            "edges": len(graph[0].edges),
        },
    )
