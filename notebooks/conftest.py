"""Compare notebooks strictly: pictures too, and only such as were run whole in a fresh kernel."""

import functools

import nbformat
import pytest

_PICTURES = {"image/jpeg", "image/png"}

_LONG = {
    f"{name}.ipynb"
    for name in (
        "02_map_damage",
        "03_rank_zones",
        "04_fit_life",
        "06_rerun_decision",
        "08_change_programme",
        "09_forecast",
        "10_why_zones_differ",
    )
}
"""Notebooks of more than about ten seconds of processor time: checked with the long tests, the others with the fast ones."""


def pytest_collectstart(collector):
    """Take pictures off the list of what is not compared."""
    if getattr(collector, "skip_compare", None) and collector.path.suffix == ".ipynb":
        collector.skip_compare = tuple(key for key in collector.skip_compare if key not in _PICTURES)


@pytest.hookimpl(tryfirst=True)
def pytest_collection_modifyitems(items):
    """Mark the cells of long notebooks before tests are chosen by their marks."""
    for item in items:
        if item.path.suffix == ".ipynb" and item.path.name in _LONG:
            item.add_marker(pytest.mark.long)


@functools.cache
def _why_not(path):
    """Say why nothing would be compared, and all would pass; blank where a full run stands in the file."""
    cells = nbformat.read(path, as_version=4).cells
    ran = [cell.execution_count for cell in cells if cell.cell_type == "code" and cell.source.strip()]
    if ran == list(range(1, len(ran) + 1)):
        return ""
    return (
        f"{path.name}: its code cells must have been run 1 to {len(ran)} in a fresh kernel. Got {ran}. "
        "Run it again: jupyter nbconvert --to notebook --execute --inplace"
    )


def pytest_runtest_setup(item):
    """Refuse the cells of a notebook without a full run behind them."""
    if item.path.suffix == ".ipynb" and _why_not(item.path):
        pytest.fail(_why_not(item.path), pytrace=False)
