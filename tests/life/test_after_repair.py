"""How soon a repaired panel is due: closed forms at the ends of the factor, and never later for a worse one."""

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from kit.life import after_repair


def made(factor, low, high, *, shape=2.0):
    """A fit with given factor and bounds, as `after_repair` reads it."""
    counts = pd.DataFrame({"lives": [10.0], "finds": [4.0]}, index=["patch"])
    return SimpleNamespace(
        scale=1000.0,
        shape=shape,
        counts=counts,
        restoration=pd.Series({"patch": factor}),
        fitted=("patch",),
        bounds=lambda name, level, method: (low, high),
        life=SimpleNamespace(clock="calendar_days", kind="disbond"),
    )


def test_a_repair_that_renews_is_due_as_a_new_panel_is():
    """With q = 0 the time is the quantile of the life: scale (-log(1 - p))^(1 / shape)."""
    result = after_repair(made(0.0, 0.0, 0.0), age=500.0, share=0.1)
    assert result.new == pytest.approx(1000 * np.sqrt(-np.log(0.9)))
    assert result.to_frame().loc["patch", "after"] == pytest.approx(result.new)


def test_a_repair_that_changes_nothing_leaves_the_rest_of_the_life():
    """With q = 1 the chance of S(a + x) / S(a) is 1 - p."""
    x = after_repair(made(1.0, 1.0, 1.0), age=500.0, share=0.1).to_frame().loc["patch", "after"]
    assert np.exp(-(((500 + x) / 1000) ** 2) + 0.5**2) == pytest.approx(0.9)


def test_a_bound_without_end_is_read_at_the_most_that_is_examined_and_said():
    result = after_repair(made(2.0, 1.4, np.inf), age=500.0)
    row = result.to_frame().loc["patch"]
    assert row["after_lower"] == pytest.approx(row["after"])
    assert row["pays"] == "no"
    assert "no upper bound" in result.words()


@pytest.mark.parametrize("shape", [0.7, 1.0, 2.5])
def test_the_shorter_bound_is_never_the_longer_one(shape):
    row = after_repair(made(0.5, 0.2, 1.3, shape=shape), age=800.0).to_frame().loc["patch"]
    assert row["after_lower"] <= row["after"] <= row["after_upper"] * (1 + 1e-12)
    assert row["pays"] == "open"


@pytest.mark.parametrize(("age", "share"), [(0.0, 0.1), (100.0, 0.0), (100.0, 1.0)])
def test_impossible_ages_and_shares_are_refused(age, share):
    with pytest.raises(ValueError, match="must be positive and `share` between 0 and 1"):
        after_repair(made(0.5, 0.2, 0.9), age=age, share=share)
