"""What is true of a simulated fleet stands beside an answer; beside a real one nothing does."""

import pytest
from support import DEMO

from kit.simulate.beside import (
    NO_TRUTH,
    detection_beside,
    exceedances_beside,
    growth_beside,
    track_beside,
)


def test_growth_is_told_on_the_clock_that_made_it_and_as_mapped():
    """The scenario: disbond by 2.6 mm per 1,000 cycles; outlines e^-0.15 of the truth."""
    words = growth_beside(DEMO, "disbond")
    assert "2.6 mm per 1,000 flight cycles" in words
    assert "on the clock flight cycles" in words
    assert "by 2.24" in words


def test_a_plateau_that_reaches_nine_in_ten_has_an_a90():
    """25 (0.9 / (0.96 - 0.9)) ** 0.27 mm."""
    assert "finds nine in ten of 51.9 mm" in detection_beside(DEMO, "tap_manual", skin_class="mid")


def test_parts_of_the_exceedances_add_up():
    words = exceedances_beside(DEMO, "flap", panel_flight_hours=4.92e6)
    total, preventable, rest = (
        int(words.split(f"{name} ")[1].split(" ")[0]) for name in ("in all", "preventable", "prevents")
    )
    assert total == preventable + rest > 0


@pytest.mark.parametrize(
    "told",
    [
        lambda folder: growth_beside(folder, "disbond"),
        lambda folder: detection_beside(folder, "tap_manual", skin_class="mid"),
        lambda folder: exceedances_beside(folder, "flap", panel_flight_hours=1.0),
        lambda folder: track_beside(folder, "P1", "disbond"),
    ],
)
def test_a_real_fleet_has_no_truth(tmp_path, told):
    assert told(tmp_path) == NO_TRUTH
