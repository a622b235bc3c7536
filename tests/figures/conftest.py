"""One small answer with numbers that can be checked by eye, and a fleet of ten panels."""

import matplotlib

matplotlib.use("Agg")

import matplotlib.pyplot as plt
import numpy as np
import pandas as pd
import pytest
from made_answer import made_draws, made_mode

from kit.detection import DetectionCurve
from kit.growth import LinearGrowth
from kit.intervals import Question
from kit.intervals.answer import Answer, RuleAnswer
from kit.life import Histories, fit_weibull


@pytest.fixture(autouse=True)
def _no_figures_left_open():
    yield
    plt.close("all")


@pytest.fixture
def question():
    return Question.model_validate(
        {
            "name": "small",
            "title": "How often?",
            "group": "outer_door",
            "horizon": 20000,
            "modes": [{"kind": "core_damage", "clock": "flight_hours"}],
            "detection": {
                "method": "tap_manual",
                "a50_mm": 20,
                "slope": 4,
                "plateau": 0.95,
                "basis": "assumed",
            },
            "target": {"measure": "preventable_exceedances", "per_10000_flight_hours": 0.05},
            "threshold": {"allowed_share": 0.1},
            "seed": 1,
        }
    )


@pytest.fixture
def histories():
    """Ten panels looked at every 1,000 hours; number i is found damaged at 1,000 i, the last three never."""
    rows = [
        {"life": f"P{i}", "age": 1000.0 * look, "found": look == i and i <= 7}
        for i in range(1, 11)
        for look in range(1, min(i, 8) + 1)
    ]
    return Histories.from_looks(pd.DataFrame(rows), clock="flight_hours", kind="core_damage")


@pytest.fixture
def fit(histories):
    return fit_weibull(histories)


@pytest.fixture
def mode(histories, fit):
    growth = LinearGrowth(20.0, 0.4, 0.02, 0.5)
    draws = made_draws(
        kind="core_damage",
        clock="flight_hours",
        scale=fit.scale,
        shape=fit.shape,
        growth=growth,
        curve=DetectionCurve(20.0, 4.0, 0.95),
    )
    return made_mode(histories=histories, fit=fit, growth=growth, draws=draws, units_per_schedule_unit=1.0)


def make_curve(repeats):
    """Risk that rises in proportion to the repeat interval."""
    repeat = np.asarray(repeats, float)
    frame = pd.DataFrame({"repeat": repeat, "share_meeting": np.where(repeat <= 4000, 1.0, 0.2)})
    for name, slope in (
        ("exceedances", 3e-5),
        ("preventable", 1e-5),
        ("not_preventable", 2e-5),
        ("exposure", 0.5),
        ("preventable_exposure", 0.1),
    ):
        for ending, factor in (("", 1.0), ("_lower", 0.8), ("_upper", 1.5)):
            frame[name + ending] = slope * factor * repeat
            frame[f"{name}_worst{ending}"] = 2 * slope * factor * repeat
    return frame


@pytest.fixture
def make_answer(question, mode):
    def make(*, repeats=(1000, 2000, 4000, 8000), repeat=4000.0, current=2000.0, question=question):
        curve = make_curve(repeats)
        measures = ("exceedances", "preventable", "not_preventable", "exposure", "preventable_exposure")
        row = curve.iloc[-1]
        return Answer(
            question,
            {"name": "Small", "notice": "Invented data. For tests.", "known_on": "2020-01-01"},
            (mode,),
            40.0,
            3000.0,
            repeat,
            "none" if repeat is None else "every long check",
            "at a long check",
            "no answer" if repeat is None else "risk",
            (RuleAnswer("risk", repeat, True, "words"),),
            lambda: curve,
            {name: (row[name], row[f"{name}_lower"], row[f"{name}_upper"]) for name in measures},
            current,
            None,
            {"flight_hours": 7.0, "flight_cycles": 5.0, "calendar_days": 1.0},
        )

    return make
