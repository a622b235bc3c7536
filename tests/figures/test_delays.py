import numpy as np
import pytest

from kit.figures import plot_reporting_delay
from kit.findings import delay_distribution


def drawn(ax, label):
    (line,) = [line for line in ax.lines if line.get_label().startswith(label)]
    return line


def test_the_corrected_share_is_drawn_beside_the_naive_one_dotted():
    delay = delay_distribution([0, 2, 30, 30], [20, 40, 40, 40])
    ax = plot_reporting_delay(delay)
    corrected, naive = drawn(ax, "corrected"), drawn(ax, "naive")
    assert corrected.get_xdata().tolist() == naive.get_xdata().tolist() == [1, 2, 30, 30]
    np.testing.assert_allclose(corrected.get_ydata(), [1 / 6, 1 / 3, 1, 1])
    np.testing.assert_allclose(naive.get_ydata(), [0.25, 0.5, 1, 1])
    assert (corrected.get_linestyle(), naive.get_linestyle()) == ("-", ":")


def test_the_band_is_two_sided_and_stays_between_nought_and_one():
    delay = delay_distribution([2, 2, 5, 9], [50, 50, 50, 50])
    (band,) = plot_reporting_delay(delay).collections
    heights = band.get_paths()[0].vertices[:, 1]
    assert heights.min() == pytest.approx(0.0)
    assert heights.max() == pytest.approx(1.0)
    # at 2 days the share is 1/2, its error 1/4
    assert np.isclose(heights, 0.5 - 1.959964 / 4).any()


def test_level_axes_and_number_of_rows_are_named():
    ax = plot_reporting_delay(delay_distribution([2, 5], [50, 50]), level=0.9)
    assert (ax.get_xlabel(), ax.get_ylabel()) == ("Time since the event [days]", "Share recorded [-]")
    assert ax.get_title() == "findings: 2 rows"
    assert [text.get_text() for text in ax.texts] == ["90 %"]
    assert ax.get_xlim() == (1, 10)


def test_a_delay_without_rows_is_refused():
    with pytest.raises(ValueError, match=r"`delay` must have rows. Got none"):
        plot_reporting_delay(delay_distribution([], []))
