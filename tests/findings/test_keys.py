"""Look-ups of whole columns answer as those of pandas, whichever side is hashed."""

import numpy as np
import pandas as pd
import pytest

from kit.findings.keys import all_apart, among, places


@pytest.mark.parametrize("n_cells", [0, 3, 40, 400])
def test_places_and_among_answer_as_pandas(n_cells):
    """Few cells among many names hash the cells, many cells the names; blanks and unknown names are not there."""
    rng = np.random.default_rng(n_cells)
    names = pd.Series([f"L{k:03d}" for k in rng.permutation(120)], dtype="str")
    cells = pd.Series([*names.sample(n_cells, replace=True, random_state=1), "", "L999"], dtype="str")
    expected = pd.Index(names).get_indexer(pd.Index(cells))
    assert places(cells, names).tolist() == expected.tolist()
    assert among(cells, names).tolist() == (expected >= 0).tolist()
    assert places(cells[:0], names).tolist() == among(cells[:0], names).tolist() == []


@pytest.mark.parametrize(
    ("cells", "apart"),
    [([], True), (["L1"], True), (["L1", "L2"], True), (["L1", "L1"], False), (["L2", "L1"], False)],
)
def test_cells_that_rise_are_all_apart(cells, apart):
    """What does not rise is looked at one by one: False says nothing."""
    assert all_apart(pd.Series(cells, dtype="str")) is apart
