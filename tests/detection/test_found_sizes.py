"""Sizes at first find: no POD, but an upper bound where misses are known."""

import numpy as np
import pytest

from kit.detection import pod_bounds, what_sizes_at_find_tell


def test_without_known_misses_nothing_bounds_the_pod():
    result = what_sizes_at_find_tell([10, 20, 30, 40])
    assert (result.bands["upper_pod_95"] == 1).all()
    assert result.bands["finds"].sum() == 4
    assert "no POD can be fitted" in result.text
    assert "trial on known damage" in result.text


def test_known_misses_bound_the_pod_from_above_in_their_band():
    result = what_sizes_at_find_tell([12, 18, 25, 40], size_at_missed_look=[10, 11, 17, 24], bands=2)
    assert result.bands["known_misses"].tolist() == [3, 1]
    assert result.bands["upper_pod"].tolist() == pytest.approx([2 / 5, 2 / 3])
    assert result.bands["upper_pod_95"].iloc[0] == pytest.approx(pod_bounds(2, 5, one_sided=True)[1])


def test_sizes_at_find_are_larger_than_those_there_are():
    """Damage found in proportion to size: the weighted median is that of all damage, the plain one is not."""
    rng = np.random.default_rng(1)
    size = 20 * np.exp(0.5 * rng.standard_normal(40000))
    found = size[rng.random(size.size) < size / size.max()]
    result = what_sizes_at_find_tell(found)
    assert result.median_mm > 1.2 * np.median(size)
    assert result.median_if_in_proportion_mm == pytest.approx(np.median(size), rel=0.05)


def test_the_upper_bound_is_above_the_true_pod_in_a_simulated_fleet():
    """Damage of one size looked at three times with POD 0.4: what is never found counts nowhere."""
    rng = np.random.default_rng(2)
    hit = rng.random((3000, 3)) < 0.4
    found = hit.any(axis=1)
    misses = hit[found].argmax(axis=1).sum()
    result = what_sizes_at_find_tell(
        np.full(found.sum(), 20.0), size_at_missed_look=np.full(misses, 20.0), bands=1
    )
    assert 0.4 < result.bands["upper_pod"].iloc[0] < 0.7


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        ({"size": []}, r"at least one find. Got none"),
        ({"size": [10, -1]}, r"`size` must be positive and finite \[mm\]. Got -1"),
        ({"size": [10], "size_at_missed_look": [np.nan]}, r"`size_at_missed_look` .*Got nan"),
        ({"size": [10], "bands": 0}, r"`bands` .*Got 0"),
    ],
)
def test_wrong_input_is_refused(arguments, message):
    with pytest.raises(ValueError, match=message):
        what_sizes_at_find_tell(**arguments)
