"""The target of a class of structure: stated by the dataset with its basis and days, overridden by a question in the open."""

import json
from dataclasses import replace

import pandas as pd
import pytest
from made_problem import BASE, problem
from support import QUESTION, Hand

import kit
from kit.decisions import rerun, write_decision
from kit.findings.read.dataset import described
from kit.intervals import Evidence, QuestionError, combine, recommend
from kit.intervals.cautions import own_cautions
from kit.intervals.class_target import is_looser, target_of_class, with_target
from kit.intervals.question import Target

STATED = """
[targets.secondary]
measure = "preventable_exceedances"
per_10000_flight_hours = 0.04
share_of_draws = 0.9
basis = "invented for a test"
"""


@pytest.fixture(scope="module")
def fleet(tmp_path_factory):
    """Ten aircraft whose panels are secondary structure, in a dataset that states a target for these."""
    made = Hand(tmp_path_factory.mktemp("class") / "ten")
    for i in range(10):
        made.aircraft(f"A{i}").panel(f"P{i}", f"A{i}").card(f"A{i}", *range(500, 4001, 500))
    path = made.write() / "dataset.toml"
    path.write_text(path.read_text(encoding="utf-8") + STATED, encoding="utf-8")
    return kit.load_fleet(made.folder)


@pytest.fixture(scope="module")
def asked(tmp_path_factory):
    """Return the shared question without a target."""
    head, rest = QUESTION.split("[target]")
    path = tmp_path_factory.mktemp("asked") / "small.toml"
    path.write_text(head + rest[rest.index("[threshold]") :])
    return kit.read_question(path)


def of_class(fleet, name):
    tables = fleet.tables | {"zones": fleet.tables["zones"].assign(structure_class=name)}
    return replace(fleet, tables=tables)


def test_a_question_without_a_target_takes_that_of_its_class_with_the_basis(fleet, asked):
    answer = recommend(Evidence(of_class(fleet, "secondary")), asked)
    target = answer.question.target
    assert (target.per_10000_flight_hours, target.share_of_draws, target.structure_class) == (
        0.04,
        0.9,
        "secondary",
    )
    assert any(
        "as the dataset states for structure of class secondary: invented for a test" in line
        for line in answer.assumptions
    )
    assert not any(words.startswith("the target of the question") for words in answer.special_cautions)
    (row,) = answer.dataset["reference"]["targets"]
    assert (row["structure_class"], row["per_10000_flight_hours"]) == ("secondary", 0.04)


@pytest.mark.long
def test_a_target_of_the_question_overrides_and_a_looser_one_is_told_with_what_it_does(fleet, asked):
    fleet = of_class(fleet, "secondary")
    own = {"measure": "preventable_exceedances", "share_of_draws": 0.9}
    for value, told in ((0.4, True), (0.02, False)):
        target = Target(per_10000_flight_hours=value, **own)
        answer = recommend(Evidence(fleet), asked.model_copy(update={"target": target}))
        assert answer.question.target == target
        words = [
            one for one in answer.special_cautions if "asks less than that which the dataset states" in one
        ]
        assert bool(words) == told
        assert "targets" not in answer.dataset["reference"]
    assert (
        is_looser(
            Target(per_10000_flight_hours=1.0), Target(per_10000_flight_hours=1.0, measure="exceedances")
        )
        is None
    )


def test_a_class_for_which_nothing_is_stated_is_refused_in_one_line_with_what_to_add(fleet, asked):
    with pytest.raises(
        QuestionError,
        match=r"none for structure of class critical .*stated for: secondary.*\[targets.critical\]",
    ):
        with_target(asked, of_class(fleet, "critical"))
    with pytest.raises(QuestionError, match=r"stated for: none"):
        with_target(asked, replace(fleet, targets=fleet.targets.iloc[:0]))


def test_targets_have_days_and_are_part_of_the_fingerprint_where_there_are_some(fleet):
    assert "targets" in fleet.fingerprint()
    assert (
        "targets"
        not in replace(
            fleet, stated={**fleet.stated, "targets": fleet.stated["targets"].iloc[:0]}
        ).fingerprint()
    )
    rows = fleet.stated["targets"]
    later = rows.assign(per_10000_flight_hours=9.0, recorded_on=pd.Timestamp("2015-01-01"))
    dated = replace(fleet, stated={**fleet.stated, "targets": pd.concat([rows, later], ignore_index=True)})
    assert target_of_class(dated.as_known_on("2014-12-31"), "secondary").per_10000_flight_hours == 0.04
    assert target_of_class(dated.as_known_on("2015-01-01"), "secondary").per_10000_flight_hours == 9.0


def test_a_target_of_a_dataset_without_a_basis_or_of_an_unknown_class_is_refused(fleet):
    plain = 'name = "x"\nlength_unit = "mm"\ncut_off = 2020-12-31\nclocks = ["flight_hours"]\n'
    for text, part in (
        (STATED.replace('basis = "invented for a test"', ""), "basis"),
        (STATED.replace("secondary", "vital"), "vital"),
    ):
        with pytest.raises(ValueError, match=part):
            described(plain + text, name="x", tables={})


@pytest.mark.long
def test_a_record_holds_the_target_and_runs_again_without_that_of_the_dataset(fleet, asked, tmp_path):
    fleet = of_class(fleet, "secondary")
    path = write_decision(recommend(Evidence(fleet), asked), tmp_path)
    stored = json.loads(path.read_text(encoding="utf-8"))["question"]["target"]
    assert (stored["per_10000_flight_hours"], stored["structure_class"]) == (0.04, "secondary")
    result = rerun(path, fleet)
    assert result.then.question.target == result.now.question.target
    assert not [one for one in result.differing if not one.field.startswith(("dataset.", "rows."))]


def test_a_target_that_bounds_another_thing_is_told_by_the_share_of_draws_that_meet_that_of_the_class():
    made = problem(**BASE | {"horizon": 30_000.0})
    stated = Target(
        per_10000_flight_hours=1.0, measure="exceedances", basis="a test", structure_class="critical"
    )
    own, schedule = made.ask.target, combine(made)
    told = own_cautions(made, schedule, current=float("inf"), flown=float("nan"), of_class=stated)
    assert (
        "bounds another thing than that which the dataset states for structure of class critical"
        in told["target"]
    )
    stricter = own.model_copy(
        update={"per_10000_flight_hours": 0.5 * own.per_10000_flight_hours} | {"structure_class": "primary"}
    )
    told = own_cautions(made, schedule, current=float("inf"), flown=float("nan"), of_class=stricter)
    assert "asks less than that which the dataset states for structure of class primary" in told["target"]
    looser = own.model_copy(update={"per_10000_flight_hours": 2 * own.per_10000_flight_hours})
    assert "target" not in own_cautions(
        made, schedule, current=float("inf"), flown=float("nan"), of_class=looser
    )
