"""Pictures of the skin show what the tables say, to scale."""

from types import SimpleNamespace

import matplotlib.pyplot as plt
import numpy as np
import pandas as pd
import pytest
import shapely
from matplotlib.patches import PathPatch

from kit.figures import (
    plot_densities,
    plot_density,
    plot_edge_distance,
    plot_growth_strip,
    plot_panel,
    plot_size_by_age,
)
from kit.figures.panel import KIND_STYLE
from kit.findings import KINDS

OUTLINE = shapely.box(0, 0, 1000, 400)


def some_regions():
    """Two damages, one mapped three times."""
    return pd.DataFrame(
        {
            "geometry": [
                shapely.box(100, 100, 120, 130),
                shapely.box(100, 100, 140, 130),
                shapely.box(90, 90, 150, 140),
                shapely.box(700, 200, 720, 220),
            ],
            "kind": ["disbond", "disbond", "disbond", "moisture"],
            "track": [0, 0, 0, 1],
            "found_on": pd.to_datetime(["2015-01-01", "2016-01-01", "2017-01-01", "2016-01-01"]),
            "age": [1000.0, 2000.0, 3000.0, 2000.0],
            "diameter_mm": [27.6, 39.1, 61.8, 22.6],
        }
    )


def filled_areas(ax):
    """Areas of the filled patches [mm²]."""
    areas = []
    for patch in ax.patches:
        if isinstance(patch, PathPatch) and patch.get_facecolor()[3] > 0:
            x, y = patch.get_path().vertices.T
            areas.append(0.5 * abs(x @ np.roll(y, -1) - y @ np.roll(x, -1)))
    return sorted(areas)


def test_every_kind_has_a_hatch_of_its_own_so_that_it_reads_in_grey():
    hatches = [KIND_STYLE[kind][1] for kind in KINDS]
    assert len(set(hatches)) == len(KINDS)


def test_a_panel_is_drawn_to_scale_with_forward_and_up_marked():
    ax = plot_panel(OUTLINE, some_regions().iloc[2:], label="track")
    assert ax.get_aspect() == 1.0
    assert "Forward" in ax.get_xlabel()
    assert "[mm]" in ax.get_xlabel()
    assert "Up" in ax.get_ylabel()
    assert filled_areas(ax) == [400.0, 3000.0]
    assert [text.get_text() for text in ax.texts] == ["0", "1"]
    assert [text.get_text() for text in ax.get_legend().get_texts()] == ["disbond", "moisture"]


def test_holes_stay_open():
    ring = shapely.difference(shapely.box(0, 0, 40, 40), shapely.box(10, 10, 30, 30))
    ax = plot_panel(OUTLINE, pd.DataFrame({"geometry": [ring], "kind": ["disbond"]}))
    ax.set(xlim=(-10, 50), ylim=(-10, 50))
    ax.figure.canvas.draw()
    pixels = np.asarray(ax.figure.canvas.buffer_rgba())

    def is_white(x, y):
        across, up = ax.transData.transform((x, y)).astype(int)
        return (pixels[-up - 4 : -up + 4, across - 4 : across + 4, :3] == 255).all()

    assert is_white(20, 20)
    assert is_white(-5, -5)
    assert not is_white(5, 5)


def test_the_limit_is_a_circle_of_its_diameter():
    ax = plot_panel(OUTLINE, some_regions().iloc[:0], limit_mm=50.0, edge_band_mm=40.0)
    circle = next(p for p in ax.patches if isinstance(p, plt.Circle))
    assert circle.radius == 25.0


def test_a_region_without_a_shape_is_left_out_and_unknown_kinds_are_drawn():
    rows = pd.DataFrame({"geometry": [None, shapely.box(0, 0, 10, 10)], "kind": ["disbond", "scratch"]})
    assert filled_areas(plot_panel(OUTLINE, rows)) == [100.0]


def test_a_strip_has_one_picture_a_look_with_the_one_before_dashed():
    figure = plot_growth_strip(OUTLINE, some_regions())
    shown = [ax for ax in figure.axes if ax.get_visible()]
    assert [ax.get_title() for ax in shown] == [
        "2015-01-01: 6.0 cm²",
        "2016-01-01: 16.0 cm²",
        "2017-01-01: 30.0 cm²",
    ]
    assert [len(filled_areas(ax)) for ax in shown] == [1, 2, 1]
    dashed = [sum(p.get_linestyle() == "--" for p in ax.patches) for ax in shown]
    assert dashed == [0, 1, 2]
    assert len({ax.get_xlim() for ax in shown}) == 1


def test_a_long_strip_keeps_its_first_and_last_look_and_says_how_many_there_were():
    rows = pd.concat([some_regions().iloc[:1]] * 30, ignore_index=True)
    rows["age"] = np.arange(30.0)
    figure = plot_growth_strip(OUTLINE, rows, when="age", most=5)
    titles = [ax.get_title() for ax in figure.axes if ax.get_visible()]
    assert len(titles) == 5
    assert titles[0].startswith("0:")
    assert titles[-1].startswith("29:")
    assert figure.legends[0].get_title().get_text() == "5 of 30 looks that mapped damage"


def test_a_close_up_shows_the_damage_large():
    figure = plot_growth_strip(OUTLINE, some_regions().iloc[:3], close_up=True)
    low, high = figure.axes[0].get_xlim()
    assert high - low < 200


def test_size_by_age_draws_each_damage_as_a_line_with_its_bounds():
    rows = some_regions().assign(diameter_lower_mm=lambda f: f["diameter_mm"] - 5)
    rows["diameter_upper_mm"] = rows["diameter_mm"] + 5
    ax = plot_size_by_age(rows, limit_mm=50.0)
    assert ax.get_xlabel() == "Panel age [flight hours]"
    assert ax.get_ylabel() == "Equivalent diameter [mm]"
    lines = [line for line in ax.lines if line.get_marker() in ("o", "s")]
    assert [len(line.get_xdata()) for line in lines] == [3, 1]
    bars = [c for c in ax.collections if len(c.get_segments())]
    assert bars[0].get_segments()[0][:, 1].tolist() == pytest.approx([22.6, 32.6])
    assert any(line.get_ydata()[0] == 50.0 for line in ax.lines)


@pytest.mark.parametrize("name", ["geometry", "kind"])
def test_a_missing_column_is_named(name):
    with pytest.raises(ValueError, match=f"must have a column {name}"):
        plot_panel(OUTLINE, some_regions().drop(columns=name))
    with pytest.raises(ValueError, match=f"must have a column {name}"):
        plot_growth_strip(OUTLINE, some_regions().drop(columns=name))


def test_an_empty_strip_is_refused():
    with pytest.raises(ValueError, match=r"must have rows\. Got none"):
        plot_growth_strip(OUTLINE, some_regions().iloc[:0])


def test_maps_of_several_kinds_have_one_scale_and_those_without_a_find_are_left_out(monkeypatch):
    """The same grey is the same rate in every map of the figure."""
    drawn = []
    monkeypatch.setattr(
        "kit.figures.panel.plot_density", lambda one, ax, **given: drawn.append((one.kind, given["darkest"]))
    )

    def a_map(kind, finds, rate):
        return SimpleNamespace(
            kind=kind, points=[0] * finds, rate=np.array([[0.0, rate], [np.nan, 0.0]]), n_looks=100
        )

    figure = plot_densities([a_map("dent", 0, 0.0), a_map("disbond", 3, 0.1), a_map("core_damage", 5, 0.4)])
    assert drawn == [("core_damage", 0.4), ("disbond", 0.4)]
    assert [ax.get_title() for ax in figure.axes] == [
        "core damage: 5 first finds at 100 looks",
        "disbond: 3 first finds at 100 looks",
    ]
    with pytest.raises(ValueError, match="must hold a find"):
        plot_densities([a_map("dent", 0, 0.0)])


def test_cells_off_the_skin_have_no_number():
    """Finds are no number where the panel is not: nothing is written there."""
    edges = np.array([0.0, 500.0, 1000.0])
    density = SimpleNamespace(
        outline=shapely.Polygon([(0, 0), (1000, 0), (0, 1000)]), x_edges_mm=edges, y_edges_mm=edges, fastener_rows=None, unit="look and m²",
        rate=np.array([[0.1, 0.0], [0.0, np.nan]]), finds=np.array([[1.0, 0.0], [0.0, np.nan]]), looks=np.array([[9.0, 9.0], [9.0, np.nan]]),
    )  # fmt: skip
    written = [text.get_text() for text in plot_density(density).texts]
    assert "nan" not in written
    assert "1" in written


def test_finds_by_distance_from_the_edge_are_steps_over_the_band_of_even_spreads():
    bands = pd.DataFrame(
        {
            "from_mm": [0, 50],
            "to_mm": [50, 120],
            "finds": [6, 1],
            "expected": [2.0, 5.0],
            "lower": [0, 2],
            "upper": [5, 9],
        }
    )
    ax = plot_edge_distance(
        SimpleNamespace(by_distance=bands, draws=999, n_finds=7, kind="moisture_disbond", group="cowl_door")
    )
    (steps,) = [one for one in ax.patches if hasattr(one, "get_data")]
    assert steps.get_data().values.tolist() == [3.0, 0.2]
    assert steps.get_data().edges.tolist() == [0, 50, 120]
    assert [text.get_text() for text in ax.texts] == ["6", "1"]
    assert "middle 95 % of 999 even spreads" in [text.get_text() for text in ax.get_legend().get_texts()]
