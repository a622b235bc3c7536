"""Points and weights integrate what they are for."""

import numpy as np
import pytest

from kit.numerics.quadrature import line_nodes, normal_nodes, unit_nodes


def test_normal_nodes_give_the_moments_of_a_normal():
    z, weight = normal_nodes(15)
    assert [float(z**k @ weight) for k in (0, 2, 4, 6)] == pytest.approx([1, 1, 3, 15])


def test_line_nodes_integrate_a_bell_of_any_place_and_width():
    z, log_weight = line_nodes(20)
    at = 0.3 + 0.8 * z
    bell = np.exp(log_weight - 0.5 * ((at - 0.3) / 0.8) ** 2) * 0.8
    assert float(bell.sum()) == pytest.approx(0.8 * np.sqrt(2 * np.pi), rel=1e-12)


@pytest.mark.parametrize("nodes", [unit_nodes, normal_nodes, line_nodes])
def test_points_that_callers_share_cannot_be_changed(nodes):
    points, _ = nodes(5)
    assert nodes(5)[0] is points
    with pytest.raises(ValueError, match="read-only"):
        points[0] = 0.0
