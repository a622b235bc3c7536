import numpy as np
import pytest
import shapely

from kit.simulate import default_scenario
from kit.simulate.shapes import draw_shape, outline_of


@pytest.mark.parametrize("group", ["radome", "aileron", "rudder"])
@pytest.mark.parametrize("mode", ["M", "G", "I"])
def test_outlines_are_valid_inside_and_of_the_measured_area(group, mode):
    family = default_scenario().family(group)
    panel = shapely.Polygon(family.outline)
    rng = np.random.default_rng(4)
    for _ in range(60):
        size = float(rng.uniform(8, 0.5 * family.height))
        points, _, _ = outline_of(draw_shape(rng, family, mode, 20.0), family, size)
        polygon = shapely.Polygon(points)
        assert polygon.is_valid
        assert panel.contains(polygon)
        assert 12 <= len(points) <= 16
        # corners are rounded to 0.1 mm
        assert polygon.area == pytest.approx(np.pi * size**2 / 4, abs=0.05 * polygon.length)


def test_repeated_outlines_of_one_damage_overlap():
    family = default_scenario().family("flap")
    shape = draw_shape(np.random.default_rng(1), family, "G", 20.0)
    small, large = (shapely.Polygon(outline_of(shape, family, size)[0]) for size in (22.0, 40.0))
    assert (small & large).area > 0.9 * small.area


def test_size_that_does_not_fit_is_refused():
    family = default_scenario().family("aileron")
    shape = draw_shape(np.random.default_rng(1), family, "G", 20.0)
    with pytest.raises(
        ValueError,
        match=r"`size` must fit on a panel of group aileron, of 1700 by 360 mm\. Got 900 mm instead",
    ):
        outline_of(shape, family, 900.0)
