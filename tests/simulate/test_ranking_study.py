"""Is the ranking fooled: a short version of the study."""

import numpy as np
import pandas as pd
import pytest

from kit.simulate.ranking_study import (
    METHODS,
    WORLDS,
    all_by_chance,
    calibration,
    study,
    summary,
    worlds_behind,
    worlds_off,
)


def test_equal_scores_share_the_places_that_are_left():
    """Two of three true worst zones have the highest scores; the third shares the last place with two others."""
    from kit.simulate.ranking_study import share_found

    scores = np.array([9.0, 8.0, 5.0, 5.0, 5.0, 1.0])
    worst = np.array([True, True, True, False, False, False])
    assert share_found(scores, worst) == pytest.approx((2 + 1 / 3) / 3)


def test_chances_are_sorted_into_fifths():
    zones = pd.DataFrame({"p": [0.0, 0.1, 0.5, 0.9, 1.0], "is_worst": [False, False, True, True, True]})
    table = calibration(zones)
    assert table["zones"].tolist() == [2, 0, 1, 0, 2]
    assert table["gap"].iloc[[0, 2, 4]].tolist() == pytest.approx([-0.05, 0.5, 0.05])


@pytest.mark.parametrize(("was", "named"), [(0.5, False), (0.7, True)])
def test_a_world_whose_chances_are_off_is_named_and_no_chance(was, named):
    """1,000 zones at a chance of one half, whose standard error is .016."""
    rng = np.random.default_rng(3)
    zones = pd.DataFrame({"p": 0.5, "is_worst": rng.random(1000) < was, "world": WORLDS[1].name})
    assert worlds_off(zones) == ((WORLDS[1],) if named else ())
    assert (all_by_chance(zones)[2] < 0.001) == named


@pytest.mark.parametrize("behind", [False, True])
def test_a_world_in_which_another_way_names_more_is_named(behind):
    """Two fleets in which every way finds two of three, and the kit's way one less of one of them where it is behind."""
    rows = [dict.fromkeys(METHODS, 2 / 3) | {"world": WORLDS[0].name, "fleet": i} for i in range(2)]
    rows[1][METHODS[-1]] -= behind / 3
    assert worlds_behind(pd.DataFrame(rows)) == ((WORLDS[0],) if behind else ())


@pytest.mark.long
def test_expected_against_found_is_fooled_least():
    """30 fleets of each of three worlds; the page has 200 of six. Bounds allow for chance: 2 standard errors."""
    found, zones = study(30, seed=7, worlds=(WORLDS[0], WORLDS[3], WORLDS[5]))
    table = summary(found)
    assert (table["gain"] + 2 * table["standard_error"] >= 0).all()
    assert table["gain"].iloc[1:].mean() > 0.02
    assert table[METHODS[-1]].min() > 0.5
    gap = calibration(zones)
    assert (gap["gap"].abs() <= 0.05 + 2 * gap["standard_error"]).all()
