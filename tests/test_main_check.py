"""The check command: what became known, how late, and which months are complete."""

import json

import command_line
import numpy as np
import pandas as pd
import pytest

from kit.cautions import CAUTIONS
from kit.findings import find_traps, propose_corrections, reporting_delay, right_edge

FINE, NO, BAD_INPUT = 0, 1, 2


def run(*arguments):
    return command_line.run("check", *arguments)


@pytest.fixture(scope="module")
def text(small_folder):
    """Return what `check` says of the simulated fleet."""
    return run(small_folder).stdout


def test_the_text_ends_with_delay_right_edge_and_advice(small_fleet, text):
    fleet = small_fleet
    for table in ("findings", "cards"):
        assert repr(reporting_delay(fleet, table=table)) in text
        assert right_edge(fleet, table=table).words() in text
    assert fleet.notice in text
    for caution in CAUTIONS:
        assert f"- {caution}\n" in text
    assert "Became known" not in text


def test_the_json_holds_delay_edge_and_changes(small_folder, small_fleet):
    fleet = small_fleet
    data = json.loads(run(small_folder, "--since", "2024-12-31", "--until", "2025-06-30", "--json").stdout)
    delay, edge = reporting_delay(fleet), right_edge(fleet)
    assert [row["share"] for row in data["reporting_delay"]["findings"]] == pytest.approx(
        delay.share.tolist()
    )
    assert data["right_edge"]["findings"]["text"] == edge.words()
    shares = [row["share_known"] for row in data["right_edge"]["findings"]["months"]]
    np.testing.assert_allclose(shares, edge.months["share_known"])
    assert len(data["right_edge"]["cards"]["months"]) >= 12
    changes = fleet.changes("2024-12-31", "2025-06-30")
    assert [row["id"] for row in data["changes"]] == changes["id"].tolist()
    assert [tuple(row["changed"]) for row in data["changes"]] == changes["changed"].tolist()


def test_changes_between_two_days_are_listed(tiny):
    tiny.add("findings", "D2", finding="D2b", length="3", recorded_on="2020-04-01", replaces="D2")
    result = run(tiny.write(), "--since", "2020-03-31", "--until", "2020-04-30")
    assert result.exit_code == FINE
    assert "Became known after 2020-03-31 to 2020-04-30: 1 rows" in result.stdout
    assert "2020-04-01 findings D2b: corrected, replaces D2; length '2' to '3'" in result.stdout
    assert "Nothing became known." in run(tiny.folder, "--since", "2020-12-31").stdout


def test_the_problems_are_written_as_an_html_report_when_asked_for(tiny, tmp_path):
    tiny.set("limits", "M1", size="4,5")
    report = tmp_path / "report.html"
    result = run(tiny.write(), "--html", report)
    assert result.exit_code == NO
    assert f"Report: {report}" in result.stdout
    assert "4,5" in report.read_text(encoding="utf-8")
    data = json.loads(run(tiny.folder, "--html", tmp_path / "again.html", "--json").stdout)
    assert data["usable"] is True
    assert (tmp_path / "again.html").read_bytes() == report.read_bytes()


def test_a_report_that_cannot_be_written_is_one_message(tiny, tmp_path):
    (tmp_path / "file").write_text("in the way")
    result = run(tiny.write(), "--html", tmp_path / "file" / "report.html")
    assert result.exit_code == BAD_INPUT
    assert result.stdout == ""
    assert result.stderr.startswith("error: ")
    assert "report.html" in result.stderr


def test_the_exit_status_is_that_of_the_rejected_rows_whatever_the_edge(tiny):
    tiny.set("limits", "M1", size="4,5")
    assert run(tiny.write(), "--since", "2020-03-31").exit_code == NO


def test_a_dataset_without_findings_and_cards_is_checked_all_the_same(hand):
    hand.aircraft("A1").panel("P1", "A1")
    hand.load()
    result = run(hand.folder)
    assert result.exit_code == FINE
    assert (
        "Right edge: no findings with an event day, so nothing can be said of the newest months."
        in result.stdout
    )
    data = json.loads(run(hand.folder, "--json").stdout)
    assert "changes" not in data
    assert data["right_edge"]["cards"]["incomplete_from"] is None
    assert data["reporting_delay"]["cards"] == []


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("--until", "2020-01-01"), "--until 2020-01-01 needs --since"),
        (("--since", "soon"), "`since` must be a day such as '2019-06-30'. Got 'soon'"),
        (("--since", "2020-01-02", "--until", "2020-01-01"), "`since` must not be after `until`"),
    ],
)
def test_days_that_are_none_or_in_the_wrong_order_are_one_message(tiny, arguments, words):
    result = run(tiny.write(), *arguments)
    assert result.exit_code == BAD_INPUT
    assert result.stdout == ""
    assert result.stderr.startswith("error: ")
    assert words in result.stderr


@pytest.mark.long
def test_proposed_corrections_are_written_for_a_person_to_accept(small_folder, small_fleet, tmp_path):
    """The file holds what `propose_corrections` proposes, nothing accepted; a second one is not written over it."""
    path = tmp_path / "proposals.csv"
    result = run(small_folder, "--proposals", path)
    assert str(path) in result.stdout
    written = pd.read_csv(path, dtype=str, keep_default_na=False)
    assert written["proposal"].tolist() == propose_corrections(small_fleet)["proposal"].tolist()
    assert (written["accept"] == "").all()
    again = run(small_folder, "--proposals", path)
    assert again.exit_code == BAD_INPUT
    assert str(path) in again.stderr


def test_the_text_counts_the_traps(small_fleet, text):
    for trap, n in find_traps(small_fleet).groupby("trap").size().items():
        assert f"{trap} {n}" in text
