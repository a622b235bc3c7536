"""Over the parts of a small fleet, worked on in this process, every call answers as it does in memory."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from support import Hand

import kit
from kit.cluster import bootstrap, build_histories, fit_tracks, fit_weibull, rank_zones, write_parts
from kit.cluster import tracked_regions as track_parts
from kit.findings import load_fleet
from kit.regions import tracked_regions

ASKED = {"kind": "disbond", "clock": "calendar_days"}
CLOSE = 1e-10


@pytest.fixture(scope="module")
def fleet(tmp_path_factory):
    """Eight aircraft; five have a damage that is mapped three times and grows, each at its own pace."""
    made = Hand(tmp_path_factory.mktemp("small"))
    for k in range(8):
        made.aircraft(f"A{k}", entry=30 * k).panel(f"P{k}", f"A{k}", on=30 * k)
        made.clean(f"A{k}", 700 + 40 * k, 1400 + 25 * k)
        if k < 5:
            for n, size in enumerate((20 + k, 26 + 2 * k, 34 + 4 * k)):
                made.find(f"A{k}", 2000 + 60 * k + 350 * n, at=(200 + 20 * k, 100), size=size)
        else:
            made.clean(f"A{k}", 2100 + 50 * k, 2900)
    return load_fleet(made.write())


@pytest.fixture(scope="module")
def parts(fleet, tmp_path_factory):
    return write_parts(fleet, tmp_path_factory.mktemp("parts") / "fleet", parts=2)


def test_histories(fleet, parts):
    one, other = build_histories(parts, **ASKED), kit.build_histories(fleet, **ASKED)
    frames = [lives.to_frame().sort_values("life", ignore_index=True) for lives in (one, other)]
    assert len(frames[0]) == 8
    pd.testing.assert_frame_equal(*frames, rtol=CLOSE, check_dtype=False, check_column_type=False)
    np.testing.assert_allclose(np.sort(one.look_age), np.sort(other.look_age), rtol=CLOSE)


def test_regions_and_tracks(fleet, parts):
    one, other = (
        rows.set_index("finding").sort_index() for rows in (track_parts(parts), tracked_regions(fleet))
    )
    assert list(one.index) == list(other.index)
    np.testing.assert_allclose(one["diameter_mm"], other["diameter_mm"], rtol=CLOSE)
    np.testing.assert_array_equal(one["track"], other["track"])
    assert one["track"].nunique() == 5


def test_a_life_fitted_by_sums_and_drawn_again(fleet, parts):
    one, other = fit_weibull(parts, **ASKED), kit.fit_weibull(kit.build_histories(fleet, **ASKED))
    np.testing.assert_allclose(
        [one.scale, one.shape, one.log_likelihood],
        [other.scale, other.shape, other.log_likelihood],
        rtol=CLOSE,
    )
    np.testing.assert_allclose(one.covariance, other.covariance, rtol=1e-8)
    again = [bootstrap(fit, n=2, seed=4).points for fit in (one, other)]
    np.testing.assert_allclose(*again, rtol=1e-8)


def test_growth_of_damages(fleet, parts):
    one = fit_tracks(parts, **ASKED)
    groups = tuple(sorted(set(fleet.tables["zones"]["group"])))
    other = kit.fit_tracks(kit.Evidence(fleet).tracks(groups, *ASKED.values(), 1.0), clock=ASKED["clock"])
    assert one.n_tracks == other.n_tracks == 5
    np.testing.assert_allclose(
        [p.value for p in one.parameters], [p.value for p in other.parameters], rtol=CLOSE
    )
    np.testing.assert_allclose(one.log_likelihood, other.log_likelihood, rtol=CLOSE)


def test_rates_of_zones(fleet, parts):
    one, other = rank_zones(parts, by="zone"), kit.rank_zones(fleet, by="zone")
    pd.testing.assert_frame_equal(one, other, rtol=CLOSE, check_dtype=False, check_column_type=False)
