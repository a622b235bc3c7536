"""How long tap-test sheets take; run with --benchmark-only."""

import pytest

from kit.tap_sheets import check_sheets, panel_sheets, write_sheets

pytestmark = pytest.mark.long


def test_a_sheet_of_a_panel(benchmark, demo_evidence, tmp_path):
    """Asked for: 1 s."""
    panels = demo_evidence.fleet.tables["panels"]
    panel = panels.loc[panels["removed_on"].isna(), "panel"].iloc[-1]
    made = benchmark(lambda: write_sheets(panel_sheets(demo_evidence, [panel]), tmp_path / "one.pdf"))
    assert made >= 2


def test_the_sheets_of_a_check_of_25_panels(benchmark, demo_evidence, tmp_path):
    """Asked for: 10 s."""
    aircraft = demo_evidence.fleet.tables["aircraft"]["aircraft"].iloc[0]

    def check():
        made, _ = check_sheets(demo_evidence, aircraft, "base check")
        return len(made), write_sheets(made, tmp_path / "check.pdf")

    n_sheets, n_pages = benchmark.pedantic(check, rounds=2)
    assert n_sheets >= 20
    assert n_pages >= 2 * n_sheets
