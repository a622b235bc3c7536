"""One kind of damage as a problem for the rules, with few draws, in no fleet."""

import numpy as np

from kit.intervals import Problem, Question, Usage
from kit.intervals.packages import Package
from kit.posterior import KindDraws, PodDraws

N_DRAWS = 128
DRAWS = np.random.default_rng(1).standard_normal((3, N_DRAWS))
PER_UNIT = {"flight_hours": 1.0, "flight_cycles": 0.75, "calendar_days": 0.05}
PER_DAY = {"flight_hours": 20.0, "flight_cycles": 15.0, "calendar_days": 1.0}


def problem(*, packages=(), cap=np.inf, **given):
    """One kind of damage, driven by the clock of the schedule."""
    ask = Question.model_validate(
        {
            "name": "law",
            "title": "How often?",
            "group": "flap",
            "horizon": given["horizon"],
            "modes": [{"kind": "disbond", "clock": "flight_hours"}],
            "detection": {
                "method": "tap_manual",
                "a50_mm": given["a50"],
                "slope": given["slope"],
                "plateau": given["plateau"],
                "basis": "assumed",
            },
            "target": {
                "measure": given["measure"],
                "per_10000_flight_hours": given["target"],
                "share_of_draws": given["share"],
                "window_flight_hours": 5000.0,
            },
            "threshold": {"allowed_share": given["allowed"]},
            "seed": 1,
        }
    )
    one = np.ones(N_DRAWS + 1)
    kind = KindDraws(
        kind="disbond",
        clock="flight_hours",
        scale=given["scale"] * np.exp(np.r_[0, 0.25 * DRAWS[0]]),
        shape=given["shape"] * np.exp(np.r_[0, 0.15 * DRAWS[1]]),
        onset_median=given["onset"] * one,
        onset_log_sd=given["onset_sd"] * one,
        rate_median=given["rate"] * np.exp(np.r_[0, 0.3 * DRAWS[2]]),
        rate_log_sd=given["rate_sd"] * one,
        no_growth_share=given["still"] * one,
        form=np.full(N_DRAWS + 1, "linear"),
        pod=PodDraws(
            a50=given["a50"] * one,
            slope=given["slope"] * one,
            plateau=given["plateau"] * one,
            far_side_share=given["far"] * one,
            far_side_plateau=given["far_plateau"] * one,
        ),
        restoration=0.0 * one,
        diagnostics={},
    )
    return Problem(
        ask=ask,
        kinds=(kind,),
        usages=(Usage(name="all", share=1.0, clock_per_unit=PER_UNIT),),
        limit_mm=given["limit"],
        packages=tuple(Package(f"every {length:g}", length, {"flight_hours": length}) for length in packages),
        cap=cap,
        cap_basis="a test",
        units_per_day=PER_DAY,
    )


BASE = {
    "scale": 52_000.0, "shape": 2.2, "onset": 18.0, "onset_sd": 0.35, "rate": 0.0025, "rate_sd": 0.6, "still": 0.0,
    "a50": 22.0, "slope": 4.0, "plateau": 0.95, "far": 0.0, "far_plateau": 0.0, "limit": 50.8, "horizon": 50_000.0,
    "measure": "exposure", "target": 40.0, "share": 0.95, "allowed": 0.1,
}  # fmt: skip
