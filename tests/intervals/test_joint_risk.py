"""Risk of schedules under joint draws, held against the quadrature of one schedule."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from kit.detection import DetectionCurve
from kit.growth import LinearGrowth
from kit.intervals.damage_samples import Particles, sample_damage, sample_points
from kit.intervals.joint_risk import JointRisk, Usage
from kit.intervals.risk import WeibullLife, schedule_kernel
from kit.intervals.schedule_sums import SUMMED, schedule_risk
from kit.intervals.windows import worst_window
from kit.posterior.draws import KindDraws, PodDraws

N = 256


def alike(
    *, n=N, scale=50_000.0, shape=2.0, onset=18.0, onset_sd=0.4, rate=0.0025, still=0.2, far=0.0, a50=20.0
):
    """Draws that are all the same, so that their mean is the risk of one set of parameters."""
    one = np.ones(n)
    return KindDraws(
        kind="disbond",
        clock="flight_hours",
        scale=scale * one,
        shape=shape * one,
        onset_median=onset * one,
        onset_log_sd=onset_sd * one,
        rate_median=rate * one,
        rate_log_sd=0.6 * one,
        no_growth_share=still * one,
        form=np.full(n, "linear"),
        pod=PodDraws(
            a50=a50 * one,
            slope=4 * one,
            plateau=0.97 * one,
            far_side_share=far * one,
            far_side_plateau=0.1 * one,
        ),
        restoration=None,
        diagnostics={},
    )


def sampled(draws: KindDraws, *, limit: float, horizon: float, n: int, seed: int) -> Particles:
    return sample_damage(draws, sample_points(draws, horizon=horizon, n=n, seed=seed), limit=limit)


@pytest.mark.parametrize(
    ("first", "repeat", "shape", "far"),
    [
        (10_000, 6_000, 2.0, 0.0),
        (5_000, 1_500, 1.3, 0.15),
        (20_000, 15_000, 3.0, 0.15),
        (50_000, 5_000, 2.0, 0.3),
    ],
)
def test_the_mean_of_equal_draws_is_the_quadrature(first, repeat, shape, far):
    particles = sampled(alike(shape=shape, far=far), limit=40.0, horizon=40_000.0, n=128, seed=3)
    sums = schedule_risk(particles, first=first, repeat=repeat).counts
    exact = schedule_kernel(
        growth=LinearGrowth(18.0, 0.4, 0.0025, 0.6, 0.2),
        detection=DetectionCurve(20.0, 4.0, 0.97, far, 0.1),
        limit=40.0,
        first=first,
        repeat=repeat,
        horizon=40_000.0,
    ).risk(WeibullLife(50_000.0, shape))
    for name, values in sums.items():
        error = values[:, -1].std() / np.sqrt(N)
        # Up to 1 % for the straight lines on which ages at onset lie between 64 ages.
        assert abs(values[:, -1].mean() - float(exact[name])) < 4 * error + 0.01 * float(exact[name]), name


def looked_at_one_by_one(particles, first, repeat):
    """Sums at the horizon, sample by sample and look by look; beyond the limit the POD stays as it is at it."""
    out = {name: np.zeros(particles.draws.n) for name in SUMMED}
    pod, looks = particles.draws.pod, np.arange(first, particles.horizon, repeat)
    for i, j in np.ndindex(particles.onset.shape):
        onset, limit = particles.onset[i, j], particles.limit[i]
        passes = onset + particles.delay[i, j]
        for share, plateau, side in (
            (1 - pod.far_side_share[i], pod.plateau[i], "near"),
            (pod.far_side_share[i], pod.far_side_plateau[i], "far"),
        ):
            seen = looks[looks > onset]
            size = np.minimum(particles.start[i, j] + particles.speed[i, j] * (seen - onset), limit)
            missed = 1 - plateau / (1 + (pod.a50[i] / size) ** pod.slope[i])
            begun = left = particles.weight[i, j] * share * missed[seen < passes].prod()
            unfound, since = 0.0, passes
            for look, chance in zip(seen[seen >= passes], missed[seen >= passes], strict=True):
                unfound, since, left = unfound + left * (look - since), look, left * chance
            unfound += left * (particles.horizon - since)
            out["exceedances"][i] += begun
            out["exposure"][i] += unfound
            if side == "near" and not particles.born[j]:
                out["preventable"][i] += begun
                out["preventable_exposure"][i] += unfound
    return out


@pytest.mark.parametrize(("first", "repeat"), [(3_000.0, 700.0), (12_000.0, 9_000.0), (41_000.0, 500.0)])
def test_sums_by_draw_are_those_of_every_sample_looked_at_one_by_one(first, repeat):
    particles = sampled(alike(n=3, far=0.2), limit=40.0, horizon=40_000.0, n=32, seed=8)
    sums = schedule_risk(particles, first=first, repeat=repeat, step=2_500.0, is_capped=True).counts
    for name, values in looked_at_one_by_one(particles, first, repeat).items():
        assert sums[name][:, -1] == pytest.approx(values, rel=2e-6), name


def test_a_measure_alone_is_the_same_as_among_all():
    particles = sampled(alike(n=8, far=0.2), limit=40.0, horizon=40_000.0, n=32, seed=8)
    every = schedule_risk(particles, first=5_000.0, repeat=3_000.0, is_capped=True).counts
    for name in SUMMED:
        alone = schedule_risk(particles, first=5_000.0, repeat=3_000.0, is_capped=True, names=(name,)).counts
        assert list(alone) == [name]
        assert np.array_equal(alone[name], every[name]), name


@given(st.integers(0, 2**31), st.floats(0.05, 1.5))
def test_the_worst_window_is_that_of_a_fine_search(seed, window):
    rng = np.random.default_rng(seed)
    ages = np.r_[0.0, np.sort(rng.random(5)), 1.0]
    sums = np.r_[0.0, np.cumsum(rng.random(6) ** 3)][None]
    begin = np.linspace(0.0, max(1.0 - window, 0.0), 2001)
    length = min(window, 1.0)
    fine = (np.interp(begin + length, ages, sums[0]) - np.interp(begin, ages, sums[0])).max() / length
    assert float(worst_window(ages[1:], sums[:, 1:], window=window, horizon=1.0)[0]) >= fine - 1e-9
    assert float(worst_window(ages[1:], sums[:, 1:], window=window, horizon=1.0)[0]) == pytest.approx(
        fine, rel=0.02
    )


@given(st.integers(0, 2**31))
def test_the_worst_window_is_never_below_the_mean(seed):
    rng = np.random.default_rng(seed)
    ages = np.r_[0.0, np.sort(rng.random(4)), 1.0]
    sums = np.r_[0.0, np.cumsum(rng.random(5))][None]
    assert float(worst_window(ages[1:], sums[:, 1:], window=0.3, horizon=1.0)[0]) >= sums[0, -1] - 1e-12


worse = st.sampled_from(["limit", "a50", "rate", "onset", "far", "scale", "still"])


@settings(max_examples=25)
@given(which=worse, factor=st.floats(1.1, 2.0), repeat=st.floats(1500, 20_000))
def test_worse_damage_or_worse_looks_never_give_less_exposure(which, factor, repeat):
    base = {"onset": 18.0, "rate": 0.0025, "a50": 20.0, "far": 0.1, "scale": 50_000.0, "still": 0.3}
    limit, changed = 40.0, dict(base)
    if which == "limit":
        limit = 40.0 / factor
    elif which in ("scale", "still"):
        changed[which] = base[which] / factor
    else:
        changed[which] = base[which] * factor

    def exposure(settings, bound):
        particles = sampled(alike(n=64, **settings), limit=bound, horizon=40_000.0, n=128, seed=1)
        return schedule_risk(particles, first=10_000.0, repeat=repeat).mean("exposure").mean()

    assert exposure(changed, limit) >= exposure(base, 40.0) * 0.99


def test_parts_of_the_risk_add_up_in_every_draw():
    risk = JointRisk.prepare(
        [alike(n=32, far=0.2)],
        usages=(Usage(name="all", share=1.0, clock_per_unit={"flight_hours": 1.0}),),
        clock="flight_hours",
        limit=40.0,
        horizon=40_000.0,
        seed=1,
    )
    total, prevented, rest = (
        risk.values(name, first=10_000.0, repeat=6_000.0, worst=False)
        for name in ("exceedances", "preventable", "not_preventable")
    )
    assert prevented + rest == pytest.approx(total, rel=1e-9)


def test_a_part_of_the_fleet_that_flies_more_cycles_has_more_of_the_damage_that_they_drive():
    """Aircraft of 0.4 and 1.6 cycles an hour: their mean is not the risk at the mean usage."""
    usages = tuple(
        Usage(name=name, share=0.5, clock_per_unit={"flight_hours": 1.0, "flight_cycles": pace})
        for name, pace in (("slow", 0.4), ("fast", 1.6))
    )
    risk = JointRisk.prepare(
        [replace(alike(n=128), clock="flight_cycles")],
        usages=usages, clock="flight_hours", limit=40.0, horizon=40_000.0, seed=1,
    )  # fmt: skip
    slow, fast, both = (
        risk.values("exposure", first=10_000.0, repeat=6_000.0, part=part, worst=False).mean()
        for part in ("slow", "fast", None)
    )
    assert fast > 4 * slow
    assert both == pytest.approx((slow + fast) / 2, rel=1e-6)


def test_what_does_not_fit_the_memory_is_worked_out_again_and_is_the_same(monkeypatch):
    """Schedules that are let go of, and damage that begins smaller and is not kept, leave every risk as it is."""
    usages = (Usage(name="all", share=1.0, clock_per_unit={"flight_hours": 1.0}),)
    draws = [alike(n=32, far=0.2)]
    asked = [(2000.0, 1000.0 * k) for k in (1, 2, 1, 3, 2, 1)]

    def all_risks():
        joint = JointRisk.prepare(
            draws, usages=usages, clock="flight_hours", limit=40.0, horizon=40_000.0, seed=1
        )
        smaller = [joint.with_smaller_onset(1.25) for _ in range(2)]
        return joint, [
            one.values(name, first=first, repeat=repeat)
            for first, repeat in asked
            for one in (joint, *smaller)
            for name in ("preventable", "exposure")
        ]

    joint, kept = all_risks()
    assert not joint.is_large
    monkeypatch.setattr("kit.intervals.joint_risk._KEPT_BYTES", 1)
    monkeypatch.setattr("kit.intervals.damage_samples._LARGE", 1)
    small, anew = all_risks()
    assert small.is_large
    np.testing.assert_array_equal(kept, anew)


def test_a_schedule_of_too_many_looks_is_refused():
    particles = sampled(alike(n=4), limit=40.0, horizon=40_000.0, n=32, seed=1)
    with pytest.raises(ValueError, match=r"`repeat` must leave at most 2000 looks"):
        schedule_risk(particles, first=10.0, repeat=1.0)
