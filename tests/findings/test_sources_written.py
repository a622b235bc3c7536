"""Typed cells give the texts that a CSV file would hold, and only where they are asked for."""

import datetime as dt
import decimal

import numpy as np
import pandas as pd
import pytest
import shapely

from kit.findings.keys import among, places
from kit.findings.read.lazy_text import LazyText, cell_text, column_text, is_given


@pytest.fixture
def given():
    return pd.DataFrame(
        {
            "name": pd.Series(["a", "", "c"], dtype="str"),
            "day": pd.to_datetime(["2014-01-05", None, "2015-12-31"]),
            "size": [50.0, np.nan, 0.1],
            "flag": [True, False, True],
            "outline": pd.Series(
                [shapely.to_wkb(shapely.box(0, 0, 1, 1)), "", "POLYGON((0 0))"], dtype=object
            ),
            "row": [2, 3, 5],
        }
    ).set_axis([7, 8, 9])


def test_columns_rows_and_masks_give_texts(given):
    written = LazyText(given)
    assert len(written) == 3
    assert written["day"].tolist() == ["2014-01-05", "", "2015-12-31"]
    assert written["size"].tolist() == ["50", "", "0.1"]
    assert written["flag"].tolist() == ["yes", "", "yes"]
    assert written["outline"].tolist() == ["POLYGON ((1 0, 1 1, 0 1, 0 0, 1 0))", "", "POLYGON((0 0))"]
    assert written.loc[[9, 7]]["name"].tolist() == ["c", "a"]
    assert written.loc[[9], "size"].to_dict() == {9: "0.1"}
    assert written[np.array([False, True, True])].iloc[[1]]["row"].tolist() == [5]
    assert written.loc[[8, 9]][["name", "row"]].to_numpy().tolist() == [["", 3], ["c", 5]]
    with pytest.raises(KeyError):
        written.loc[[1]]


def test_anything_else_is_asked_of_the_table_of_texts(given):
    written = LazyText(given)
    table = written.drop(columns=["row", "outline"])
    assert table.dtypes.astype("str").tolist() == ["str"] * 4
    assert table.duplicated().sum() == 0
    assert written.frame().equals(written.loc[[7, 8, 9]].frame())


@pytest.mark.parametrize(
    ("column", "expected"),
    [("name", "101"), ("day", "101"), ("size", "101"), ("flag", "101"), ("outline", "101")],
)
def test_whether_a_cell_is_given_needs_no_text(given, column, expected):
    assert is_given(LazyText(given), column).tolist() == [digit == "1" for digit in expected]
    texts = LazyText(given).frame()
    assert is_given(texts, column).tolist() == is_given(LazyText(given), column).tolist()


@pytest.mark.parametrize(
    ("cell", "text"),
    [
        (50.0, "50"),
        (-0.25, "-0.25"),
        (1e300, "1e+300"),
        (float("nan"), ""),
        (np.int64(7), "7"),
        (decimal.Decimal("12.500"), "12.5"),
        (decimal.Decimal("1E+2"), "100"),
        (dt.date(2014, 1, 5), "2014-01-05"),
        (dt.datetime(2014, 1, 5), "2014-01-05"),
        (dt.datetime(2014, 1, 5, 13, 30), "2014-01-05 13:30:00"),
        (pd.NaT, ""),
        (None, ""),
        (" x ", "x"),
        (True, "TRUE"),
        (b"\x00\x01", "0001"),
    ],
)
def test_the_text_of_a_cell_is_what_a_csv_file_would_hold(cell, text):
    assert cell_text(cell) == text
    assert column_text(pd.Series([cell], dtype=object)).tolist() == [text]


@pytest.mark.parametrize("storage", ["pyarrow", "python"])
def test_look_ups_give_what_pandas_gives(storage):
    rng = np.random.default_rng(1)
    kind = pd.StringDtype(storage, na_value=np.nan)
    names = pd.Series([f"N{k}" for k in rng.permutation(50)], dtype=kind)
    cells = pd.Series([f"N{k}" for k in rng.integers(0, 80, 500)], dtype=kind)
    assert places(cells, names).tolist() == pd.Index(names).get_indexer(pd.Index(cells)).tolist()
    assert among(cells, names).tolist() == cells.isin(names).tolist()
    assert among(cells, set(names[:5])).tolist() == cells.isin(names[:5]).tolist()
    assert places(cells[:0], names).tolist() == among(cells, names[:0])[:0].tolist() == []
