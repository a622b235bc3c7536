import numpy as np
import pytest
from made_answer import make_answer, make_question

from kit.cautions import CAUTIONS
from kit.explore import risk_picture, risk_text
from kit.intervals.answer import RuleAnswer


def test_text_gives_risk_band_exposure_and_whether_the_target_is_met():
    """The value shown is the median of the draws, as no single case is the answer."""
    text = risk_text(make_answer(), 4000)
    assert (
        max(map(len, text.split("\nCautions")[0].splitlines())) <= 95
    )  # what a page shows without parting a word
    lines = text.replace("\n  ", " ").splitlines()
    assert lines == [
        "Repeat interval: 4,000 flight hours",
        "Preventable exceedances: 0.0400 (5 % to 95 % of draws: 0.0200 to 0.0800) per 10,000 panel flight hours",
        "Undetected hours beyond limits: 80.0 (5 % to 95 % of draws: 40.0 to 160.0) per 10,000 panel flight hours",
        "Target, preventable exceedances at most 0.05 per 10,000 panel flight hours in the worst 10,000 flight hours of "
        "age: met",
        "Assurance 95.0 % (share of draws that meet it), 95.0 % is asked (middle of the draws 0.04)",
        "Cautions",
        "",
        *(f"- {caution}" for caution in CAUTIONS),
    ]


def test_text_says_not_met_by_the_share_of_draws_and_not_by_their_middle():
    answer = make_answer(
        question=make_question(target={"measure": "exceedances", "per_10000_flight_hours": 1.0})
    )
    assert "NOT met\nAssurance 90.0 % (share of draws that meet it)" in risk_text(answer, 8000)


def test_text_says_that_an_interval_is_longer_than_the_cap():
    answer = make_answer(rules=(RuleAnswer("cap", 5000.0, False, "never"),))
    assert "Longer than the not-to-exceed limit of 5,000 flight hours: never allowed" in risk_text(
        answer, 8000
    )
    assert "Longer than the not-to-exceed limit" not in risk_text(answer, 4000)


def test_nothing_is_read_between_examined_intervals():
    with pytest.raises(ValueError, match=r"one of the 5 intervals .* Got 3000\. The nearest are .*4,000"):
        risk_text(make_answer(), 3000)
    with pytest.raises(ValueError, match=r"Got 3000\."):
        risk_picture(make_answer(), [3000])


def test_picture_rings_each_interval_at_its_risk_and_its_exposure():
    figure = risk_picture(make_answer(), [1000, 8000])
    for ax, slope in zip(figure.axes, (1e-5, 0.02), strict=True):
        rings = [one.get_xydata()[0] for one in ax.get_lines() if one.get_markerfacecolor() == "none"]
        np.testing.assert_allclose(rings, [[1000, slope * 1000], [8000, slope * 8000]])
        assert [text.get_text() for text in ax.texts] == ["1,000", "8,000"]


def test_picture_shows_the_measure_that_the_target_bounds():
    answer = make_answer(
        question=make_question(target={"measure": "exceedances", "per_10000_flight_hours": 1.0})
    )
    assert risk_picture(answer, [1000]).axes[0].get_ylabel().startswith("Exceedances, at the worst age")


def test_importing_the_module_does_not_load_widgets():
    import subprocess
    import sys

    code = "import sys, kit.explore; print('ipywidgets' in sys.modules)"
    assert (
        subprocess.run(
            [sys.executable, "-c", code], capture_output=True, text=True, check=True
        ).stdout.strip()
        == "False"
    )
