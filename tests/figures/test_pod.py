import matplotlib.pyplot as plt
import numpy as np
import pytest

from kit.detection import DetectionCurve, fit_hit_miss, fit_response
from kit.figures import plot_pod

SIZE, HITS = [10, 15, 20, 25, 30, 40], [1, 3, 5, 8, 9, 10]


@pytest.fixture
def fit():
    return fit_hit_miss(SIZE, HITS, trials=[10] * 6)


@pytest.fixture
def single():
    rng = np.random.default_rng(1)
    size = np.exp(rng.uniform(np.log(8), np.log(60), 160))
    return size, (rng.random(160) < 1 / (1 + (20 / size) ** 4)).astype(int)


def line(ax, label):
    (found,) = [artist for artist in ax.get_lines() if artist.get_label() == label]
    return found


def labels(ax):
    return [text.get_text() for text in ax.get_legend().get_texts()]


def test_the_line_is_the_curve_and_axes_have_words_and_units(fit):
    ax = plot_pod(fit)
    drawn = line(ax, "POD as fitted")
    np.testing.assert_allclose(drawn.get_ydata(), fit.pod(drawn.get_xdata()))
    assert ax.get_xlabel() == "Equivalent diameter of the damage [mm]"
    assert ax.get_ylabel() == "Chance to be found [-]"


def test_the_band_reaches_from_bound_to_bound(fit):
    ax = plot_pod(fit, level=0.9)
    vertices = ax.collections[0].get_paths()[0].vertices
    at = line(ax, "POD as fitted").get_xdata()[100]
    lower, upper = fit.pod_bounds(at, 0.9, one_sided=True)
    height = vertices[np.isclose(vertices[:, 0], at), 1]
    assert (height.min(), height.max()) == pytest.approx((float(lower), float(upper)))
    assert "bounds, each 90 % one-sided" in labels(ax)


def test_the_trial_stands_under_the_fit_with_its_counts(fit):
    ax = plot_pod(fit)
    points = line(ax, "share of hits (10 trials each)")  # said once, not beside each
    np.testing.assert_allclose(points.get_xdata(), SIZE)
    np.testing.assert_allclose(points.get_ydata(), np.array(HITS) / 10)
    assert not ax.texts


def test_counts_that_differ_stand_beside_their_points():
    ax = plot_pod(fit_hit_miss(SIZE, HITS, trials=[20, 10, 10, 10, 10, 10]))
    line(ax, "share of hits (trials beside it)")
    assert [text.get_text() for text in ax.texts] == ["20", *["10"] * 5]


def test_a50_a90_and_its_bound_are_marked_with_words(fit):
    ax = plot_pod(fit)
    marks = {c.get_label(): c.get_segments()[0] for c in ax.collections[1:]}
    assert list(marks) == [f"a50 {fit.a50:.3g} mm", f"a90 {fit.a90:.3g} mm", f"a90/95 {fit.a90_95():.3g} mm"]
    ends = [segment[1] for segment in marks.values()]
    np.testing.assert_allclose(ends, [[fit.a50, 0.5], [fit.a90, 0.9], [fit.a90_95(), 0.9]])
    assert len({str(c.get_linestyle()) for c in ax.collections[1:]}) == 3  # told apart in grey


def test_single_hits_and_misses_are_drawn_one_by_one(single):
    size, hit = single
    ax = plot_pod(fit_hit_miss(size, hit))
    hits, misses = line(ax, "a hit"), line(ax, "a miss")
    assert (len(hits.get_xdata()), len(misses.get_xdata())) == (hit.sum(), 160 - hit.sum())
    assert (np.abs(hits.get_ydata() - 1) < 0.05).all()
    assert hits.get_marker() != misses.get_marker()
    shares = line(ax, "share of hits (20 trials each)")
    assert len(shares.get_xdata()) == 8


def test_each_group_has_its_line_and_they_differ_in_grey(single):
    size, hit = single
    ax = plot_pod(fit_hit_miss(size, hit, np.where(np.arange(160) % 2, "thin", "thick")))
    thin, thick = line(ax, "thin"), line(ax, "thick")
    assert thin.get_linestyle() != thick.get_linestyle()


def test_a_plateau_below_has_no_a90_and_says_so():
    ax = plot_pod(DetectionCurve(a50=20.0, plateau=0.8, basis="published"))
    assert "a90: reached at no size" in labels(ax)
    assert line(ax, "POD (published)").get_ydata().max() < 0.8


def test_readings_and_given_axes_will_do_as_well():
    _, ax = plt.subplots()
    fit = fit_response([8, 10, 14, 20, 28, 40], [1.1, 1.25, 1.4, 1.9, 2.2, 3.4], threshold=1.5)
    assert plot_pod(fit, ax=ax) is ax
    assert f"a90/95 {fit.a90_95():.3g} mm" in labels(ax)
