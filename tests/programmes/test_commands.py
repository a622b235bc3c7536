"""The commands about programmes: tables, one JSON document, figures, exit status, one line on bad input."""

import json

import pytest
from command_line import run

from kit.cautions import CAUTIONS


@pytest.fixture(autouse=True)
def _loaded_once(monkeypatch, small_evidence):
    """Loading has its own tests; what is missing is refused by it."""
    monkeypatch.setattr("kit.commands.programmes.load_aside", lambda source, strict: small_evidence.fleet)


@pytest.fixture(scope="module")
def asked(tmp_path_factory, question_text):
    path = tmp_path_factory.mktemp("asked") / "small.toml"
    path.write_text(question_text, encoding="utf-8")
    return path


@pytest.fixture(scope="module")
def costs(tmp_path_factory):
    path = tmp_path_factory.mktemp("costs") / "costs.toml"
    path.write_text(
        'currency = "crowns"\n[cost]\nlook = 400\nrepair = 3000\nbeyond_limit = 40000\nbeyond_hour = 2\n'
        "[hours]\nlook = 2\nrepair = 12\nrepair_beyond = 40\n",
        encoding="utf-8",
    )
    return path


def test_panels_to_tap_first_are_listed_with_bounds_cautions_and_a_figure(small_folder, asked, tmp_path):
    picture = tmp_path / "panels.png"
    result = run("panels", small_folder, "-q", asked, "--draws", 50, "--figure", picture)
    assert result.exit_code == 0
    assert "panels to tap first" in result.stdout
    assert "assumed: POD of tap_manual" in result.stdout
    assert all(caution in result.stdout for caution in CAUTIONS)
    assert picture.stat().st_size > 10_000


@pytest.mark.long
def test_a_comparison_is_one_json_document(small_folder, asked, costs):
    result = run(
        "compare",
        small_folder,
        "-q",
        asked,
        "--repeat",
        8000,
        "--years",
        2,
        "--draws",
        50,
        "--costs",
        costs,
        "--json",
    )
    assert result.exit_code == 0
    data = json.loads(result.stdout)
    assert data["answer"][-1]["year"] == "all"
    assert {"cost_lower", "exposure_difference", "hours_upper"} <= set(data["answer"][-1])
    assert data["monitoring"]["false_alarm"] <= 0.05
    assert data["cautions"][-1] == CAUTIONS[-1]


@pytest.mark.long
def test_a_forecast_is_tried_at_past_year_ends(small_folder, asked):
    result = run(
        "forecast", small_folder, "-q", asked, "--quarters", 4, "--back-test", 1, "--draws", 50, "--json"
    )
    assert result.exit_code == 0
    data = json.loads(result.stdout)
    assert len(data["answer"]) == 5
    assert len(data["back_test"]) == 1
    assert data["back_test"][0]["inside"] == (data["coverage"] == 1)


@pytest.mark.long
def test_what_moves_the_interval_is_ranked(small_folder, asked):
    result = run("sensitivity", small_folder, "-q", asked, "--draws", 50, "--no-worth", "--json")
    assert result.exit_code == 0
    rows = json.loads(result.stdout)["answer"]
    assert [row["moves"] for row in rows] == sorted((row["moves"] for row in rows), reverse=True)
    by_name = {row["name"]: row for row in rows}
    assert {"POD: a50", "limit", "horizon", "planned usage", "moisture disbond: growth rate"} <= set(by_name)
    # Worse input never gives a longer interval; the search has steps of 2 %.
    for name, worse, better in (
        ("POD: a50", "high", "low"),
        ("limit", "low", "high"),
        ("moisture disbond: growth rate", "high", "low"),
    ):
        assert by_name[name][f"interval_{worse}"] <= by_name[name][f"interval_{better}"] * 1.02


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (("compare", "--repeat", "0"), "must look at something"),
        (("compare", "--repeat", "5000", "--starts-on", "2001-01-01"), "must not start in the past"),
        (("compare", "--repeat", "5000", "--aircraft", "X9"), "aircraft X9 are not in the dataset"),
        (("compare", "--repeat", "5000", "--zone", "999"), "999 are no zones of flap"),
        (
            ("compare", "--repeat", "5000", "--starts-on", "soon"),
            "the day must be a day (YYYY-MM-DD). Got 'soon'",
        ),
    ],
)
def test_bad_input_ends_with_2_and_one_line(small_folder, asked, arguments, message):
    name, *rest = arguments
    result = run(name, small_folder, "-q", asked, "--draws", 50, *rest)
    assert result.exit_code == 2
    lines = [line for line in result.stderr.splitlines() if line.startswith("error:")]
    assert len(lines) == 1
    assert message in lines[0]


@pytest.mark.parametrize(
    ("place", "words"),
    [
        ("nowhere/a.png", "the folder {folder}/nowhere is not there"),
        ("a.txt", "must end in .png or .svg or .pdf"),
        ("", "must end in"),
    ],
)
@pytest.mark.parametrize(
    "command", [("panels",), ("compare", "--repeat", "4000"), ("forecast",), ("sensitivity",)]
)
def test_a_figure_that_cannot_be_written_is_refused_before_the_work(
    monkeypatch, tmp_path, asked, command, place, words
):
    monkeypatch.setattr("kit.commands.programmes.load_aside", lambda *_, **__: pytest.fail("work was done"))
    figure = tmp_path / place
    result = run(command[0], "source", "--question", asked, *command[1:], "--figure", figure)
    assert result.exit_code == 2
    assert result.stderr.startswith(f"error: --figure {figure}: ")
    assert words.format(folder=tmp_path) in result.stderr
