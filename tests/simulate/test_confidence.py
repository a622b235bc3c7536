"""Stated confidence is delivered confidence, in fleets drawn from a known world."""

import shutil
from functools import partial
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from kit.simulate import confidence
from kit.simulate.confidence import study
from kit.simulate.confidence_fleets import draw_records, simulated_risk
from kit.simulate.confidence_page import measured, page, summary
from kit.simulate.confidence_risks import pod_alone
from kit.simulate.confidence_worlds import LEVELS, OWN, Setting, World, world_of

TINY = Setting(name="tiny", panels=4, sisters=4)


def row(setting, seed, **_):
    shares = {f"delivered_{level:.2f}": True for level in LEVELS}
    ratios = {f"ratio_{level:.2f}": 0.5 for level in LEVELS}
    one = {
        "setting": setting.name,
        "whose": "mean",
        "measure": "exposure",
        "finds": 3,
        "tracks": 9,
        "k_hat": 0.1,
    }
    return [one | shares | ratios | {"band": np.bool_(seed % 2), "off": float(seed), "seconds": 1.0}]


def test_a_study_that_was_broken_off_goes_on_where_it_was(tmp_path, monkeypatch):
    kept, asked = tmp_path / "kept.jsonl", []

    def breaks(setting, seed, **_):
        asked.append(seed)
        if len(asked) == 3:
            raise KeyboardInterrupt
        return row(setting, seed)

    monkeypatch.setattr(confidence, "one_fleet", breaks)
    with pytest.raises(KeyboardInterrupt):
        study([TINY], 4, kept=kept)
    with kept.open("a") as file:
        file.write('{"fleet": "half a li')
    with_break = study([TINY], 4, kept=kept)
    assert asked == [1, 2, 3, 3, 4]
    monkeypatch.setattr(confidence, "one_fleet", row)
    pd.testing.assert_frame_equal(with_break, study([TINY], 4))
    pd.testing.assert_frame_equal(with_break, study([TINY], 4, kept=kept))
    pd.testing.assert_frame_equal(with_break, study([TINY], 6, kept=kept, so_far=True))


def test_fleets_that_other_statistics_answered_are_dropped(tmp_path, monkeypatch):
    kept, asked = tmp_path / "kept.jsonl", []

    def answered(setting, seed, **_):
        asked.append(seed)
        return row(setting, seed)

    monkeypatch.setattr(confidence, "one_fleet", answered)
    study([TINY], 2, kept=kept)
    monkeypatch.setattr(confidence, "statistics_key", lambda: "other")
    assert study([TINY], 2, kept=kept, so_far=True).empty
    study([TINY], 1, kept=kept)
    assert asked == [1, 2, 1]
    assert len(kept.read_text().splitlines()) == 1


def test_statistics_are_known_by_the_code_that_makes_draws_and_risks(tmp_path):
    shutil.copytree(Path(confidence.__file__).parents[1], tmp_path / "kit")
    key = confidence.statistics_key(tmp_path / "kit")
    assert key == confidence.statistics_key()
    (tmp_path / "kit" / "cautions.py").write_text("")
    assert confidence.statistics_key(tmp_path / "kit") == key
    prior = tmp_path / "kit" / "posterior" / "growth.py"
    prior.write_text(prior.read_text().replace('"rate_log_sd": (0.6,', '"rate_log_sd": (0.7,'))
    assert confidence.statistics_key(tmp_path / "kit") != key


def test_chosen_worlds_are_answered_alone_and_numbers_of_both_sorts_are_asked_for(tmp_path, monkeypatch):
    monkeypatch.setattr(confidence, "one_fleet", row)
    monkeypatch.setattr(confidence, "pod_alone", partial(pod_alone, draws=8, samples=48))
    ask = [
        str(tmp_path / "page.md"),
        "3",
        "--broken",
        "2",
        "--processes",
        "1",
        "--worlds",
        "3 finds",
        "frailty",
    ]
    confidence.main(ask)
    text = (tmp_path / "page.md").read_text()
    assert "3 --broken 2`, which is not at its end" in text
    shown = {
        line.split("|")[1].strip(): line.split("|")[4].strip()
        for line in text.splitlines()
        if "| mean |" in line
    }
    assert shown == {"3 finds": "3", "frailty, variance 1": "2"}
    with pytest.raises(SystemExit):
        confidence.main([*ask[:-1], "no such world"])


def test_a_study_without_fleets_of_worlds_that_break_the_model_has_no_page_yet(tmp_path, monkeypatch, capsys):
    monkeypatch.setattr(confidence, "one_fleet", row)
    study([OWN[0]], 2, kept=tmp_path / "page.kept.jsonl")
    with pytest.raises(SystemExit):
        confidence.main([str(tmp_path / "page.md"), "2", "--so-far"])
    told = capsys.readouterr()
    assert OWN[0].name in told.out
    assert "must hold fleets of both kinds of worlds" in told.err
    assert not (tmp_path / "page.md").exists()


def test_the_figures_of_a_study_stand_on_its_page_in_words(monkeypatch):
    monkeypatch.setattr(confidence, "one_fleet", row)
    table = summary(study([TINY], 4))
    best = pd.DataFrame({"measure": confidence.MEASURES, "ratio": [0.71, 0.66], "delivered": [True, True]})
    assert table["off"].item() == pytest.approx(np.sqrt(30 / 4))
    assert measured(table, table).words() in page(table, table, best, 4)
    assert "comes to 0.71 of the" in page(table, table, best, 4)
    assert "not at its end" not in page(table, table, best, 4)
    assert "not at its end" in page(table, table, best, 9, so_far=True)


def test_where_the_pod_is_known_too_the_best_of_answers_is_that_of_the_oracle():
    """And the less it is known, the shorter it gets: the ceiling of the study, which no number of finds lifts."""
    ratios = {
        spread: pod_alone(
            Setting(
                name="", panels=4, sisters=4, known=spread == 0, spreads=(spread, spread, 0)
            ),
            2,
            draws=64,
            samples=512,
        ).groupby("measure")["ratio"].median()
        for spread in (0.0, 0.15, 0.3)
    }  # fmt: skip
    assert np.allclose(ratios[0.0], 1.0, atol=0.06)
    assert (ratios[0.15] < ratios[0.0]).all()
    assert (ratios[0.3] < ratios[0.15]).all()


def test_a_fleet_whose_pod_is_known_has_the_world_of_its_setting():
    known = next(one for one in OWN if one.known)
    assert world_of(known, 3) == known.world
    assert world_of(OWN[0], 3).a50 != OWN[0].world.a50


def test_worlds_with_all_drawn_have_both_forms_of_growth():
    drawn = next(one for one in OWN if one.drawn)
    worlds = [world_of(drawn, seed) for seed in range(1, 41)]
    share = np.mean([world.form == "proportional" for world in worlds])
    assert 0.25 < share < 0.75
    assert np.std(np.log([world.rate_log_sd for world in worlds])) == pytest.approx(0.35, abs=0.15)


@pytest.mark.long
def test_answers_at_95_per_cent_meet_their_target_in_as_many_fleets():
    """Twenty fleets of the model's own world with some 16 finds; less two standard errors of the count."""
    fleets = 20
    table = summary(study([next(one for one in OWN if one.name == "16 finds")], fleets, processes=2))
    error = np.sqrt(0.95 * 0.05 / fleets)
    assert (table["fleets"] + table["refused"] == fleets).all()
    assert (table["delivered_0.95"] >= 0.95 - 2 * error).all()
    assert (table["band"] >= 0.90 - 2 * np.sqrt(0.9 * 0.1 / fleets)).all()


def test_damage_that_jumps_at_its_onset_is_damage_that_begins_larger_and_grows_faster():
    """A jump to twice the size at once: onset and rate of straight growth are twice as large."""
    jumps = simulated_risk(World(jump_share=1.0, jump_factor=2.0, jump_delay=1e-6), panels=4_000)
    larger = simulated_risk(World(onset_median=36.0, rate=0.005), panels=4_000)
    np.testing.assert_allclose(jumps["exposure"], larger["exposure"], rtol=0.1)


def test_records_show_damage_after_its_jump_at_its_larger_size():
    world = World(jump_share=1.0, jump_factor=2.0, jump_delay=1e-6, still=1.0, onset_log_sd=0.0, error=0.0)
    records = draw_records(Setting(name="jumps", panels=200, sisters=0), world, 1)
    np.testing.assert_allclose(records.tracks["diameter_mm"], 2 * world.onset_median)
