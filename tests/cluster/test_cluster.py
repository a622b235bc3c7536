"""A fleet in parts answers as the whole one does, on two worker processes and when one of them is killed."""

from __future__ import annotations

import os
import shutil
import signal
import threading
from functools import partial
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import kit
from kit.cluster import (
    bootstrap,
    build_histories,
    evidence_of,
    fit_tracks,
    fit_weibull,
    load_parts,
    local_cluster,
    open_parts,
    over_parts,
    present_state,
    rank_by_damage,
    rank_zones,
    spread,
    write_parts,
)
from kit.cluster import tracked_regions as track_parts
from kit.findings import load_fleet
from kit.life import bootstrap as bootstrap_in_memory
from kit.programmes import present_state as present_in_memory
from kit.ranking import Selection
from kit.ranking import rank_by_damage as rank_by_damage_in_memory
from kit.regions import tracked_regions

DEMO = Path(__file__).parents[2] / "demo_fleet"
QUESTION = DEMO / "questions" / "aileron.toml"
ASKED = {"kind": "disbond", "clock": "flight_cycles"}


@pytest.fixture(scope="module")
def fleet(tmp_path_factory):
    return load_fleet(DEMO, set_aside=tmp_path_factory.mktemp("aside"))


@pytest.fixture(scope="module")
def parts(fleet, tmp_path_factory):
    folder = tmp_path_factory.mktemp("parts") / "fleet"
    write_parts(fleet, folder, parts=4)
    return open_parts(folder)


def equal_histories(one, other):
    frame = one.to_frame().sort_values("life", ignore_index=True)
    again = other.to_frame().sort_values("life", ignore_index=True)
    pd.testing.assert_frame_equal(frame, again, rtol=1e-10, check_dtype=False)
    np.testing.assert_allclose(np.sort(one.look_age), np.sort(other.look_age), rtol=1e-10)
    pd.testing.assert_series_equal(one.excluded_by_reason, other.excluded_by_reason)


@pytest.mark.long
def test_parts_hold_each_aircraft_once(fleet, tmp_path):
    with pytest.raises(ValueError, match="`parts` must hold each aircraft once"):
        write_parts(fleet, tmp_path / "x", parts=[["T01"], ["T01", "T02"]])


@pytest.mark.long
@pytest.mark.parametrize("kind", ["disbond", "moisture"])
def test_histories_of_parts_are_those_of_the_whole(fleet, parts, kind):
    asked = {"kind": kind, "clock": "calendar_days"}
    equal_histories(build_histories(parts, **asked), kit.build_histories(fleet, **asked))


@pytest.mark.long
def test_regions_of_parts_have_the_measures_and_tracks_of_the_whole(fleet, parts):
    found = track_parts(parts).set_index("finding").sort_index()
    whole = tracked_regions(fleet).set_index("finding").sort_index()
    assert list(found.index) == list(whole.index)
    np.testing.assert_allclose(found["diameter_mm"], whole["diameter_mm"], rtol=1e-10)
    np.testing.assert_array_equal(found["track"], whole["track"])


@pytest.mark.long
def test_a_fit_by_sums_over_parts_is_the_fit_in_memory(fleet, parts):
    found, whole = fit_weibull(parts, **ASKED), kit.fit_weibull(kit.build_histories(fleet, **ASKED))
    np.testing.assert_allclose(
        [found.scale, found.shape, found.log_likelihood],
        [whole.scale, whole.shape, whole.log_likelihood],
        rtol=1e-10,
    )
    np.testing.assert_allclose(found.covariance, whole.covariance, rtol=1e-8)
    np.testing.assert_allclose(found.robust_covariance, whole.robust_covariance, rtol=1e-8)
    assert (found.clock, found.kind) == (whole.clock, whole.kind)
    np.testing.assert_allclose(found.bounds("shape", method="profile"), whole.bounds("shape", method="profile"), rtol=1e-8)  # fmt: skip


@pytest.mark.long
def test_growth_fitted_over_parts_is_that_in_memory(fleet, parts):
    asked = {"kind": "disbond", "clock": "flight_cycles"}
    found = fit_tracks(parts, **asked)
    groups = tuple(sorted(set(fleet.tables["zones"]["group"])))
    tracks = kit.Evidence(fleet).tracks(groups, *asked.values(), 1.0)
    equal_growth(found, kit.fit_tracks(tracks, clock=asked["clock"], polish=True))


def equal_growth(one, other):
    # A correlation of next to nothing is told to 1e-12, not to ten digits of its own.
    np.testing.assert_allclose(
        [p.value for p in one.parameters], [p.value for p in other.parameters], rtol=1e-10, atol=1e-12
    )
    np.testing.assert_allclose(one.log_likelihood, other.log_likelihood, rtol=1e-10)
    np.testing.assert_allclose(one.covariance, other.covariance, rtol=1e-6)
    assert (one.n_tracks, one.n_once, one.cautions) == (other.n_tracks, other.n_once, other.cautions)


def equal_rankings(one, other):
    pd.testing.assert_frame_equal(one.to_frame(), other.to_frame(), rtol=1e-10, check_dtype=False)
    for kind, ranked in one.kinds.items():
        np.testing.assert_allclose(ranked.ranks.rate, other[kind].ranks.rate, rtol=1e-10)


def equal_states(one, other):
    pd.testing.assert_frame_equal(one.frame, other.frame, rtol=1e-10, check_dtype=False)
    np.testing.assert_allclose(one.beyond, other.beyond, rtol=1e-10)
    assert one.cautions == other.cautions


@pytest.mark.long
@pytest.mark.parametrize(
    ("by", "selection"),
    [("zone", Selection()), ("group", Selection(since="2014-01-01", methods=("tap_manual",)))],
)
def test_rates_of_zones_over_parts_are_those_of_the_whole(fleet, parts, by, selection):
    found = rank_zones(parts, by=by, selection=selection)
    whole = kit.rank_zones(fleet, by=by, selection=selection)
    pd.testing.assert_frame_equal(found, whole, rtol=1e-10, check_dtype=False)


def test_a_table_that_stays_with_the_parts_is_no_empty_table(tiny, tmp_path):
    whole = load_fleet(tiny.left().write())
    parts = write_parts(whole, tmp_path / "parts", parts=1)
    evidence = evidence_of(parts)
    assert evidence.fingerprint == whole.fingerprint()
    # Texts of the parts lie in Arrow's memory, those of a tiny table do not.
    pd.testing.assert_frame_equal(
        evidence.fleet.warnings, whole.warnings, check_dtype=False, check_column_type=False
    )
    with pytest.raises(KeyError, match="the table inspections stays with the parts"):
        kit.build_histories(evidence.fleet)
    with pytest.raises(ValueError, match="Write parts of that day"):
        evidence.as_known_on("2010-01-01")


def of_aircraft(folder, target, planes):
    """Copy a dataset with the rows of some aircraft alone, and of what hangs on their findings."""
    target.mkdir(parents=True)
    shutil.copy(folder / "dataset.toml", target)
    findings = pd.read_csv(folder / "findings.csv", dtype=str, keep_default_na=False)
    findings = findings[findings["aircraft"].isin(planes)]
    for path in folder.glob("*.csv"):
        rows = pd.read_csv(path, dtype=str, keep_default_na=False)
        if "aircraft" in rows:
            rows = rows[rows["aircraft"].isin(planes)]
        elif "finding" in rows:
            rows = rows[rows["finding"].isin(findings["finding"])]
        elif "grid" in rows:
            rows = rows[rows["grid"].isin(findings["tap_grid"])]
        rows.to_csv(target / path.name, index=False)
    return target


@pytest.mark.long
def test_datasets_of_two_operators_load_as_the_one_of_all_their_rows(tiny, tmp_path):
    """P1 goes from A1 to A3: these two are one operator's."""
    whole = tiny.left().write()
    sources = [
        of_aircraft(whole, tmp_path / name, planes)
        for name, planes in (("one", ["A1", "A3"]), ("two", ["A2"]))
    ]
    fleet, parts = load_fleet(whole), load_parts(sources, tmp_path / "parts")
    assert parts.aircraft == (("A1", "A3"), ("A2",))
    assert parts.head["fingerprint"] == fleet.fingerprint()
    for name in ("inspections", "findings", "usage", "repairs", "taps"):
        rows = pd.concat([parts.rows(name, k) for k in range(2)])
        assert sorted(rows.iloc[:, 0]) == sorted(fleet.tables[name].iloc[:, 0])
    asked = {"kind": "disbond", "clock": "calendar_days"}
    equal_histories(build_histories(parts, **asked), kit.build_histories(fleet, **asked))
    with pytest.raises(ValueError, match="aircraft A1 stands in"):
        load_parts([sources[0], sources[0]], tmp_path / "twice")
    zones = sources[1] / "zones.csv"
    zones.write_text(zones.read_text().replace("secondary", "primary"))
    with pytest.raises(ValueError, match=r"zones of .*two differ from those of .*one"):
        load_parts(sources, tmp_path / "other")
    assert not (tmp_path / "other").exists()


def some_numbers(stream, n):
    return np.random.default_rng(stream).standard_normal(n)


def test_pieces_of_draws_have_streams_of_their_own():
    drawn = np.concatenate(spread(some_numbers, 150, seed=4))
    assert drawn.size == len(set(drawn)) == 150
    np.testing.assert_array_equal(drawn, np.concatenate(spread(some_numbers, 150, seed=4)))


def killed_once(mark: str, part: int):
    """End the worker in the middle of its work, the first time that part 1 is worked on."""
    if part == 1 and not Path(mark).exists():
        Path(mark).write_text("killed", encoding="utf-8")
        os.kill(os.getpid(), signal.SIGKILL)
    return part


def histories_and_a_death(mark, parts, asked, part):
    from kit.cluster.histories import histories_of_part

    killed_once(mark, part)
    return histories_of_part(parts, asked, part)


@pytest.mark.long
@pytest.mark.filterwarnings("ignore")  # of the cluster's own: a worker that dies is told of
def test_two_worker_processes_answer_the_same_and_lose_nothing_when_one_is_killed(fleet, parts, tmp_path):
    from kit.cluster.histories import joined

    whole = kit.build_histories(fleet, **ASKED)
    mark = tmp_path / "killed"
    with local_cluster(2) as client:
        assert len(client.scheduler_info()["workers"]) == 2
        before = set(client.scheduler_info()["workers"])
        work = partial(histories_and_a_death, str(mark), parts, ASKED)
        equal_histories(joined(over_parts(work, range(len(parts)), client=client)), whole)
        assert mark.exists()
        assert before - set(client.scheduler_info()["workers"])  # one of them is gone for good
        found = fit_weibull(parts, client=client, **ASKED)
        drawn = bootstrap(found, 200, seed=3, client=client)
        regions = track_parts(parts, client=client)
        ranked = rank_by_damage(parts, client=client)
        stands = present_state(parts, QUESTION, draws=50, client=client)
        grown = fit_tracks(parts, client=client, **ASKED)
        with local_cluster(1) as alone:
            np.testing.assert_array_equal(drawn.points, bootstrap(found, 200, seed=3, client=alone).points)
    there = kit.fit_weibull(whole)
    np.testing.assert_allclose([found.scale, found.shape], [there.scale, there.shape], rtol=1e-10)
    pd.testing.assert_frame_equal(
        regions.drop(columns="geometry"), track_parts(parts).drop(columns="geometry")
    )
    np.testing.assert_array_equal(drawn.points, bootstrap(fit_weibull(parts, **ASKED), 200, seed=3).points)
    equal_growth(grown, fit_tracks(parts, **ASKED))
    equal_rankings(ranked, rank_by_damage_in_memory(fleet))
    equal_states(stands, present_in_memory(fleet, QUESTION, draws=50))
    usual = bootstrap_in_memory(there, 200, seed=3)
    np.testing.assert_allclose(drawn.bounds("shape"), usual.bounds("shape"), rtol=0.15)


def loaded_while_a_worker_dies(sources, folder, client):
    """Load on a cluster, and end one of its workers in the middle of it."""
    pids = list(client.run(os.getpid).values())
    killer = threading.Timer(0.5, os.kill, (pids[0], signal.SIGKILL))
    killer.start()
    parts = load_parts(sources, folder, client=client)
    assert not killer.is_alive()
    return parts


@pytest.mark.long
@pytest.mark.filterwarnings("ignore")  # of the cluster's own: a worker that dies is told of
def test_two_worker_processes_load_and_check_and_lose_nothing_when_one_is_killed(tiny, tmp_path):
    whole = tiny.left().write()
    sources = [
        of_aircraft(whole, tmp_path / name, planes)
        for name, planes in (("one", ["A1", "A3"]), ("two", ["A2"]))
    ]
    with local_cluster(2) as client:
        parts = loaded_while_a_worker_dies(sources, tmp_path / "parts", client)
    assert parts.head["fingerprint"] == load_fleet(whole).fingerprint()
