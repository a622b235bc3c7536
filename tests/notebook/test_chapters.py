"""What single notebooks say: the odd cases, which the demo fleet does not show and another fleet may."""

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from kit.detection import DetectionCurve
from kit.notebook import NoAnswer, bullets, where_possible
from kit.notebook.chapters import check, detect, interval, maps, rank, rerun


def test_a_list_says_each_line_once():
    assert bullets(["a", "b"], ("a", "c")) == "- a\n- b\n- c"
    assert bullets([]) == ""


def test_what_an_answer_does_not_hang_on_is_left_out_in_a_sentence(capsys):
    def refuses():
        raise ValueError("no looks by instrument.")

    assert where_possible(refuses) is None
    assert where_possible(int, "7") == 7


def test_no_row_set_aside_is_said_as_such():
    shares = pd.DataFrame({"accepted": [10], "set_aside": [0]}, index=["findings"])
    assert check.worst_words(shares) == "None of 10 current rows is set aside."


def test_a_group_without_any_look_is_said_to_have_none():
    coverage = pd.DataFrame({"recorded": [0], "implied": [0], "fitted_days": [400], "without_look": [True]})
    assert check.coverage_words(coverage, "gear_door") == "Gear door: no look at all."


def mode(finds, fit=None):
    upper = pd.DataFrame({"upper": finds})
    histories = SimpleNamespace(n_finds=np.isfinite(finds).sum(), n_lives=len(finds), to_frame=lambda: upper)
    return SimpleNamespace(kind="core_damage", fit=fit, histories=histories, life_basis="assumed shape 1")


@pytest.mark.parametrize("finds", [[np.inf, np.inf], [np.inf, 900.0], [900.0, 900.0]])
def test_without_two_finds_of_different_age_the_naive_way_has_nothing_to_fit(finds):
    one = mode(finds)
    assert interval.naive_fit(one) is None
    (words,) = interval.naive_words(one, None)
    assert "the naive way has nothing to fit" in words
    assert "assumed shape 1" in words


def test_a_trial_whose_a90_with_confidence_is_never_reached_is_an_answer():
    """Twelve damages a size of which a fifth is missed at every size: nine in ten is found at none."""
    size = np.repeat(np.linspace(10, 90, 12), 12)
    rng = np.random.default_rng(3)
    hit = (rng.random(size.size) < 0.8 / (1 + np.exp(-4 * np.log(size / 25)))).astype(int)
    names = np.tile([f"inspector {k}" for k in range(4)], size.size // 4)
    trial = pd.DataFrame({"size": size, "hit": hit, "method": "tap_manual", "inspector": names})
    fit = detect.fit_trial(trial)
    assert not np.isfinite(fit.a90_95(group="tap_manual"))
    assert detect.size_to_prove(fit, "tap_manual", trial) == pytest.approx(1.25 * 90)
    assert "at no size" in fit.words(group="tap_manual")
    deaf = DetectionCurve(25.0, 4.0, 0.8)
    assert detect.grid_words(deaf, 25) == "On a grid of 25 mm nine in ten are found at no size."


def test_a_dataset_without_a_blind_trial_is_told_so(tmp_path):
    with pytest.raises(NoAnswer, match=r"no blind trial trial\.csv in the dataset's folder"):
        detect.blind_trial(tmp_path, "trial.csv")


def test_too_few_damages_mapped_again_tell_no_rate():
    sizes = pd.DataFrame(
        {"track": [1, 1, 2], "age": [100.0, 200.0, 100.0], "diameter_mm": [20.0, 25.0, 20.0]}
    )
    assert maps.growth_of(sizes, "calendar_days") is None
    assert maps.tracks_picture(None, sizes, 50.0) is None
    assert "too few damages of this kind were mapped again (1; 8 are asked)" in maps.growth_words(None, sizes)


def test_a_plan_view_or_a_truth_that_is_not_there_is_none(tmp_path):
    assert rank.plan_of(tmp_path).empty
    check_table = pd.DataFrame({"truth": [np.nan], "inside": [False]})
    assert rank.truth_words(check_table) == "No truth is known of this dataset, as of any real one."


def test_a_record_with_nothing_recorded_since_says_so():
    empty = pd.DataFrame(columns=["table", "id", "what"])
    result = SimpleNamespace(
        rows_since=empty, then=SimpleNamespace(question=SimpleNamespace(group="gear_door"))
    )
    assert rerun.rows_since_words(result, empty) == ("No row that bears on that time was recorded since.",)
    assert rerun.rows_since_table(result).empty


def test_a_record_altered_by_hand_fails_its_digest(tmp_path):
    from kit.notebook import demo_files

    record = next(one for one in demo_files() if one.name == "D-07.toml").parents[1] / "decisions/D-07.json"
    text = record.read_text(encoding="utf-8")
    assert rerun.digest_words(record).endswith("agrees with the one stated.")
    altered = tmp_path / "altered.json"
    altered.write_text(text.replace('"flight_hours"', '"flight_cycles"', 1), encoding="utf-8")
    assert rerun.digest_words(altered).endswith("**DOES NOT AGREE**.")
