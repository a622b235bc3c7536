"""Over the parts of a small fleet, worked on in this process, every call answers as it does in memory."""

from __future__ import annotations

import copy

import numpy as np
import pandas as pd
import pytest
from support import QUESTION, Hand

import kit
from kit.cluster import (
    bootstrap,
    build_histories,
    fit_tracks,
    fit_weibull,
    load_parts,
    present_state,
    rank_by_damage,
    rank_zones,
    write_parts,
)
from kit.cluster import tracked_regions as track_parts
from kit.cluster.growth import SummedTracks
from kit.detection import DetectionCurve
from kit.findings import load_fleet
from kit.growth import LINEAR, Likelihood, read_mappings
from kit.numerics.covariance import second_derivatives
from kit.programmes import present_state as present_in_memory
from kit.ranking import rank_by_damage as rank_in_memory
from kit.regions import tracked_regions

ASKED = {"kind": "disbond", "clock": "calendar_days"}
CLOSE = 1e-10


@pytest.fixture(scope="module")
def made(tmp_path_factory):
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
    return made


@pytest.fixture(scope="module")
def fleet(made):
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
    tracks = kit.Evidence(fleet).tracks(groups, *ASKED.values(), 1.0)
    other = kit.fit_tracks(tracks, clock=ASKED["clock"], polish=True)
    assert one.n_tracks == other.n_tracks == 5
    np.testing.assert_allclose(
        [p.value for p in one.parameters], [p.value for p in other.parameters], rtol=CLOSE
    )
    np.testing.assert_allclose(one.log_likelihood, other.log_likelihood, rtol=CLOSE)


def test_the_likelihood_of_growth_is_the_sum_over_the_parts_with_its_derivatives():
    """Value, gradient and Hessian at a point of no note, with all that damage may do, on some of the tracks."""
    rng = np.random.default_rng(4)
    frame = pd.DataFrame({"track": np.repeat(np.arange(12), 3), "age": np.tile([0.0, 900.0, 2100.0], 12)})
    frame["diameter_mm"] = np.exp(rng.normal(3.0, 0.3, 12))[frame["track"]] + frame["age"] * 0.01
    data, _ = read_mappings(frame)
    active, some = np.ones(11, bool), np.arange(0, 12, 2)
    p = np.array([3.1, -1.0, -4.8, -0.4, 0.2, -2.0, -1.0, -8.0, -3.0, 0.7, -1.0])
    whole = Likelihood(data.take(some), LINEAR, active, DetectionCurve(a50=15.0, plateau=0.9))
    pieces = [data.take(one) for one in (some[:1], some[1:4], some[4:])]
    summed = SummedTracks(whole.data, LINEAR, active, whole.curve, pieces)
    both = []
    for like in (whole, summed):
        like.place(p)
        both.append(
            [*like.value(p), second_derivatives(lambda q, like=like: like.value(q)[1], p, range(11), 1e-3)]
        )
    for one, other in zip(*both, strict=True):
        np.testing.assert_allclose(one, other, rtol=1e-10, atol=1e-9)


def test_rates_of_zones(fleet, parts):
    one, other = rank_zones(parts, by="zone"), kit.rank_zones(fleet, by="zone")
    pd.testing.assert_frame_equal(one, other, rtol=CLOSE, check_dtype=False, check_column_type=False)


def test_zones_ranked_by_the_damage_that_arises(fleet, parts):
    asked = {"kinds": ["disbond"], "draws": 32, "pod_sets": 2}
    one, other = rank_by_damage(parts, **asked), rank_in_memory(fleet, **asked)
    pd.testing.assert_frame_equal(one.to_frame(), other.to_frame(), rtol=CLOSE, check_dtype=False)
    np.testing.assert_allclose(one["disbond"].ranks.rate, other["disbond"].ranks.rate, rtol=CLOSE)


def test_what_stands_on_each_panel_today(fleet, parts, tmp_path):
    ask = tmp_path / "flap.toml"
    ask.write_text(QUESTION.replace("moisture_disbond", "disbond"), encoding="utf-8")
    one, other = present_state(parts, ask, draws=8), present_in_memory(fleet, ask, draws=8)
    pd.testing.assert_frame_equal(one.frame, other.frame, rtol=CLOSE, check_dtype=False)
    np.testing.assert_allclose(one.beyond, other.beyond, rtol=CLOSE)
    assert one.cautions == other.cautions


def test_datasets_of_two_operators_are_loaded_as_one(made, fleet, tmp_path):
    sources = []
    for name, planes in (("one", {f"A{k}" for k in range(3)}), ("two", {f"A{k}" for k in range(3, 8)})):
        own = copy.copy(made)
        own.folder = tmp_path / name
        own.rows = {t: [r for r in rows if r.get("aircraft", next(iter(planes))) in planes] for t, rows in made.rows.items()}  # fmt: skip
        sources.append(own.write())
    both = load_parts(sources, tmp_path / "parts")
    assert both.head["fingerprint"] == fleet.fingerprint()
    assert [len(one) for one in both.aircraft] == [3, 5]
    found = pd.concat([both.rows("findings", k) for k in range(2)])
    assert sorted(found["finding"]) == sorted(fleet.tables["findings"]["finding"])
