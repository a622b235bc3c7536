"""An answer put together by hand, for what only reads answers."""

import numpy as np
import pandas as pd

from kit.detection import DetectionCurve
from kit.growth import LinearGrowth
from kit.intervals import Question
from kit.intervals.answer import Answer, ModeAnswer
from kit.posterior import KindDraws, PodDraws

MEASURES = tuple(
    f"{name}{ending}"
    for name in ("exceedances", "preventable", "not_preventable", "exposure", "preventable_exposure")
    for ending in ("", "_worst")
)
HORIZON, FIRST, REPEAT, LIMIT = 20000.0, 4000.0, 4000.0, 40.0
PER_UNIT = 2.0  # flight cycles per flight hour
GROWTH = LinearGrowth(20.0, 0.4, 0.002, 0.5, clock="flight_cycles")
CURVE = DetectionCurve(20.0, 4.0, 0.95, 0.1, 0.05)


def make_question(title="How often?", **more):
    return Question.model_validate(
        {
            "name": "small",
            "title": title,
            "group": "outer_door",
            "horizon": HORIZON,
            "modes": [{"kind": "disbond", "clock": "flight_cycles", "far_side_share": 0.1}],
            "detection": {
                "method": "tap_manual",
                "a50_mm": 20,
                "slope": 4,
                "plateau": 0.95,
                "far_side_plateau": 0.05,
                "basis": "assumed",
            },
            "target": {"measure": "preventable_exceedances", "per_10000_flight_hours": 0.05},
            "threshold": {"allowed_share": 0.1},
            "seed": 1,
        }
        | more
    )


def made_draws(*, kind, clock, scale, shape, growth, curve, restoration=0.0, n=64):
    """Draws that differ in the life only, the central value first."""
    size = 1 + n
    z = np.r_[0.0, np.random.default_rng(1).standard_normal(n)]

    def same(value):
        return np.full(size, float(value))

    return KindDraws(
        kind=kind,
        clock=clock,
        scale=scale * np.exp(0.3 * z),
        shape=shape * np.exp(-0.1 * z),
        onset_median=same(growth.onset_median),
        onset_log_sd=same(growth.onset_log_sd),
        rate_median=same(growth.rate_median),
        rate_log_sd=same(growth.rate_log_sd),
        no_growth_share=same(growth.no_growth_share),
        form=np.full(size, growth.form.name),
        pod=PodDraws(
            a50=same(curve.a50),
            slope=same(curve.slope),
            plateau=same(curve.plateau),
            far_side_share=same(curve.far_side_share),
            far_side_plateau=same(curve.far_side_plateau),
        ),
        restoration=None if restoration is None else same(restoration),
        diagnostics={},
    )


def made_mode(*, draws, growth, units_per_schedule_unit, histories=None, fit=None):
    def bounds(values):
        return tuple(float(x) for x in np.quantile(values[1:], [0.025, 0.975]))

    return ModeAnswer(
        kind=draws.kind,
        clock=draws.clock,
        histories=histories,
        fit=fit,
        scale=float(draws.scale[0]),
        shape=float(draws.shape[0]),
        scale_bounds=bounds(draws.scale),
        shape_bounds=bounds(draws.shape),
        life_basis="",
        growth=growth,
        draws=draws,
        units_per_schedule_unit=units_per_schedule_unit,
    )


def make_answer(
    *, question=None, repeats=(1000.0, 2000.1, 2000.4, 4000.0, 8000.0), repeat=REPEAT, rules=(), risk=None
):
    curve = pd.DataFrame({"repeat": repeats})
    curve["share_meeting"] = [0.95 if x <= 4000 else 0.9 for x in repeats]
    for name in MEASURES:
        slope = 0.02 if "exposure" in name else 1e-5
        for ending, factor in (("", 1.0), ("_lower", 0.5), ("_upper", 2.0)):
            curve[name + ending] = slope * factor * curve["repeat"]
    draws = made_draws(
        kind="disbond", clock="flight_cycles", scale=60000.0, shape=2.0, growth=GROWTH, curve=CURVE
    )
    mode = made_mode(draws=draws, growth=GROWTH, units_per_schedule_unit=PER_UNIT)
    return Answer(
        question or make_question(),
        {"name": "Small", "notice": "Invented data. For tests.", "known_on": "2020-01-01"},
        (mode,),
        LIMIT,
        FIRST,
        repeat,
        "words",
        "words",
        "risk",
        rules,
        lambda: curve,
        risk or dict.fromkeys(MEASURES, (1.0, 0.5, 2.0)),
        2000.0,
        None,
        {"flight_hours": 7.0, "flight_cycles": 14.0, "calendar_days": 1.0},
    )
