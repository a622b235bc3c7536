"""What the folded answers of the notebooks' exercises say of the demo fleet, worked out by the calls that the notebooks make.

Each test changes the parameter that its exercise names, takes the others from the notebook itself, and holds what follows against the
answer's claims. A test for every notebook, or the first one fails.
"""

import json
import re
import shutil
from pathlib import Path

import numpy as np
import pytest
from support import DEMO

import kit
from kit import life, programmes, ranking
from kit.decisions import digest_of
from kit.findings import right_edge
from kit.notebook import find_notebook, notebook_parameters, notebook_paths
from kit.notebook.chapters import detect, forecast, interval, rerun
from kit.notebook.chapters import life as lives
from kit.regions import even_spread_test

pytestmark = pytest.mark.long

QUESTIONS = DEMO / "questions"


def given(number):
    """Parameters of a notebook as they stand in it."""
    return {one.name: one.default for one in notebook_parameters(find_notebook(number))}


def test_every_exercise_has_its_answer_checked_here():
    numbers = set(re.findall(r"def test_(\d\d)_", Path(__file__).read_text(encoding="utf-8")))
    assert numbers == {path.stem[:2] for path in notebook_paths()}


def test_00_notebook_08_asks_of_a_change_and_takes_the_question_d_07():
    assert given("08")["question"] == "D-07"
    assert "group" in given("05")
    assert "record" in given("06")


def test_01_at_a_level_of_0_80_findings_are_complete_to_a_later_day_and_only_months_below_it_fall_away(
    demo_fleet,
):
    asked = given("01")["level"]
    sure, lax = right_edge(demo_fleet, asked), right_edge(demo_fleet, 0.80)
    assert sure.incomplete_from < lax.incomplete_from
    fallen = lax.months.loc[lax.months["month"] >= lax.incomplete_from]
    assert (fallen["share_known"].iloc[0]) < 0.80
    kept = lax.months.loc[lax.months["month"] < lax.incomplete_from]
    assert (kept["share_known"] >= 0.80).all()
    assert len(fallen) < len(sure.months.loc[sure.months["month"] >= sure.incomplete_from])


def test_02_core_damage_does_not_keep_to_the_edge_as_moisture_does(demo_fleet):
    now = given("02")
    named = {"group": now["group"], "cell_mm": now["cell_mm"]}

    def edge(kind):
        density = kit.damage_density(demo_fleet, kind=kind, **named)
        told = even_spread_test(density, seed=now["seed"], draws=1999).to_frame().set_index("test")
        return told.loc[next(name for name in told.index if "edge" in name)]

    blows, water = edge("core_damage"), edge(now["kind"])
    assert blows["p_adjusted"] > 0.05
    assert blows["ratio_lower"] < 1 < blows["ratio_upper"]
    assert water["p_adjusted"] < 0.05


def test_03_the_worst_zone_is_told_less_surely_than_the_worst_group(demo_fleet):
    seed = given("03")["seed"]
    groups, zones = (kit.rank_by_damage(demo_fleet, by=by, seed=seed)["all"] for by in ("group", "zone"))
    radome = demo_fleet.tables["zones"].set_index("group").loc[["radome"], "zone"]
    assert len(radome) == 1  # a group of its own
    first_group, first_zone = (one.to_frame()["rank"].idxmin() for one in (groups, zones))
    assert (first_group, first_zone) == ("radome", radome.iloc[0])

    def surely(one, name):
        return one.ranks.among_worst(1)[list(one.ranks.names).index(name)]

    assert surely(zones, first_zone) < surely(groups, first_group)
    assert len(zones.ranks.may_be_worst()) > len(groups.ranks.may_be_worst())


def test_04_core_damage_comes_at_any_age_and_perfect_looks_would_deny_it(demo_fleet):
    now = given("04")
    histories = life.build_histories(demo_fleet, kind="core_damage", clock="flight_cycles")
    pods = kit.DetectionCurve(*(now[name] for name in ("a50_mm", "slope", "plateau", "far_side_share", "far_side_plateau")))  # fmt: skip
    growth = lives.stated_growth(
        "flight_cycles", *(now[name] for name in ("onset_mm", "onset_log_sd", "growth_mm", "growth_log_sd"))
    )
    fit = life.fit_weibull(histories, detection=kit.SizeDetection(pods, growth))
    perfect = life.fit_weibull(histories)
    low, high = np.exp(fit.profile_bounds("shape", now["level"]))
    assert low < 1 < high
    assert perfect.shape > fit.shape
    table = life.compare_lives(histories).to_frame(share=now["share"])
    assert table["p_against_exponential"].dropna().min() < 0.05


def test_05_the_elevator_may_not_stay_and_the_risk_rule_governs(demo_evidence):
    result = kit.recommend(demo_evidence, QUESTIONS / "elevator.toml")
    rules = {rule.rule: rule for rule in result.rules}
    assert rules["risk"].governs
    assert result.repeat < result.current_repeat / 2
    assert result.current_repeat == rules["cap"].interval == 5000
    assert any(line.startswith("repeat: no package is as short") for line in result.special_cautions)
    assert any("finds only" in line for line in result.special_cautions)
    assert len(interval.three_repeats(result)) == 3


def test_06_a_digit_changed_in_a_record_is_told_by_its_digest_with_and_without_the_kit(demo_fleet, tmp_path):
    for path in (DEMO / "decisions").iterdir():
        shutil.copy(path, tmp_path)
    record = tmp_path / "D-07.json"
    contents = json.loads(record.read_text(encoding="utf-8"))
    contents["recommendation"]["repeat"] += 1000
    record.write_text(json.dumps(contents), encoding="utf-8")
    result = kit.rerun(record, demo_fleet)
    assert result.verdict == "record altered"
    assert not result.to_frame()["same"].dropna().all()
    assert "DOES NOT AGREE" in rerun.digest_words(record)
    assert digest_of(contents) != contents["digest"]


def test_07_a_coarser_grid_has_the_last_word_over_the_better_ear():
    trial = detect.blind_trial(DEMO, given("07")["trial_file"])
    fit = detect.fit_trial(trial)
    hand, instrument = (fit.curve(group=name) for name in ("tap_manual", "tap_instrumented"))
    assert instrument.a90 < hand.a90

    def reach(curve, pitch):
        return kit.detection.detectable_size(pitch, curve, pod=0.9)

    assert reach(instrument, 50.0) > reach(hand, 25.0)


def test_08_three_quarters_of_the_step_give_about_half_of_the_hours(demo_fleet):
    """The step in force is from 5,000 to 10,000 flight hours; 7,500 is half of it."""
    now = given("08")
    group = programmes.group_of(demo_fleet, QUESTIONS / "D-07.toml", draws=now["draws"])
    present = programmes.Programme.in_force(group.evidence, group.ask)

    def hours(repeat, days):
        proposed = programmes.Programme.every(group.evidence, group.ask, repeat, days=days)
        change = programmes.compare_programmes(group, present=present, proposed=proposed, years=now["years"])
        return change.to_frame().iloc[-1]["exposure_difference"]

    ratio = hours(7500.0, 1095.0) / hours(now["repeat"], now["repeat_days"])
    assert 0.3 < ratio < 0.6


def test_09_six_parked_aircraft_take_less_than_their_share_of_the_finds(demo_evidence):
    now = given("09")
    group = programmes.group_of(demo_evidence, QUESTIONS / f"{now['question']}.toml", draws=now["draws"])
    told = programmes.forecast_finds(group, quarters=now["quarters"])
    parked = [*now["parked"], "T05", "T06"]
    finds = forecast.with_some_parked(group, told, parked, quarters=now["quarters"]).iloc[:, -1]
    share = group.living.frame["aircraft"].isin(parked).mean()
    lost = 1 - finds["some parked"] / finds["as planned"]
    assert 0 < lost < share


def test_10_blows_do_not_ask_for_the_lot(demo_fleet):
    lots = ranking.lots_that_stand_out(demo_fleet, kinds=["core_damage"], seed=given("10")["seed"])
    assert lots["called"].sum() <= 1


def test_11_fills_and_patches_keep_their_factors_and_a_rare_method_has_no_bound(demo_fleet):
    now = given("11")

    def told(by):
        fit = life.fit_restoration(
            life.repaired_lives(demo_fleet, kind=now["kind"], clock=now["clock"], by=by)
        )
        named = {"age": now["age_at_repair"], "share": now["share"], "level": now["level"]}
        return life.after_repair(fit, **named).to_frame()

    classes, methods = told("repair_class"), told("repair_method")
    for of_class, of_method in (("interim", "potted fill"), ("permanent", "bonded patch")):
        assert methods.loc[of_method, "factor"] == pytest.approx(classes.loc[of_class, "factor"], rel=0.15)
        assert methods.loc[of_method, "pays"] == classes.loc[of_class, "pays"] != "open"
    rare = methods.loc["core plug and patch"]
    assert rare["finds"] <= 1
    assert rare["pays"] == "open"
