"""Histories from looks: what each pattern of clean and finding looks says, and what is left out."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from kit.life.lives.censored import Histories, check_rows


def looks(*rows, **columns):
    """Looks from (life, age, found) rows; further columns by name."""
    frame = pd.DataFrame(rows, columns=["life", "age", "found"])
    return frame.assign(**columns)


def only_row(frame, **more):
    """Entry, lower and upper of the one history."""
    histories = Histories.from_looks(frame, **more)
    assert len(histories) == 1
    return histories.entry[0], histories.lower[0], histories.upper[0]


def reasons(histories):
    return dict(zip(histories.excluded["life"], histories.excluded["reason"], strict=True))


def test_find_after_clean_looks_lies_after_the_last_of_them():
    assert only_row(looks(("a", 400, False), ("a", 800, False), ("a", 1200, True))) == (0, 800, 1200)


def test_find_at_the_first_look_lies_between_new_and_the_look():
    assert only_row(looks(("a", 400, True))) == (0, 0, 400)


def test_clean_looks_only_leave_the_onset_open():
    assert only_row(looks(("a", 400, False), ("a", 900, False))) == (0, 900, np.inf)


def test_looks_after_the_first_find_say_nothing():
    histories = Histories.from_looks(
        looks(("a", 400, False), ("a", 800, True), ("a", 900, False), ("a", 950, True))
    )
    assert histories.to_frame()[["lower", "upper"]].values.tolist() == [[400, 800]]
    np.testing.assert_array_equal(histories.look_age, [400, 800])


def test_left_truncation_counts_from_the_entry():
    frame = looks(("a", 500, False), ("a", 900, False), ("a", 1300, True), entry=500)
    assert only_row(frame) == (500, 900, 1300)


def test_left_truncation_without_a_look_at_the_entry_has_its_onset_after_the_entry():
    assert only_row(looks(("a", 900, True), entry=500)) == (500, 500, 900)


def test_looks_before_the_entry_are_kept_for_the_fit_but_do_not_lower_the_interval():
    histories = Histories.from_looks(looks(("a", 100, False), ("a", 300, False), ("a", 900, True), entry=500))
    assert (histories.entry[0], histories.lower[0], histories.upper[0]) == (500, 500, 900)
    np.testing.assert_array_equal(histories.look_age, [100, 300, 900])


@pytest.mark.parametrize("age", [300, 500])
def test_damage_found_at_or_before_the_entry_is_prevalent_and_left_out(age):
    histories = Histories.from_looks(looks(("a", age, True), ("b", 900, False), entry=500))
    assert list(histories.life) == ["b"]
    assert reasons(histories) == {"a": "already damaged at its first recorded look (prevalent)"}


def test_damage_found_at_age_0_is_prevalent():
    histories = Histories.from_looks(looks(("a", 0, True), ("b", 10, False)))
    assert reasons(histories) == {"a": "already damaged at its first recorded look (prevalent)"}


def test_life_with_no_look_after_its_entry_is_left_out():
    histories = Histories.from_looks(looks(("a", 500, False), ("b", 900, False), entry=500))
    assert list(histories.life) == ["b"]
    assert reasons(histories) == {"a": "no look after it came under watch"}


def test_clean_look_at_age_0_alone_says_nothing():
    histories = Histories.from_looks(looks(("a", 0, False), ("b", 10, False)))
    assert reasons(histories) == {"a": "no look after it came under watch"}


def test_all_lives_left_out_leave_an_empty_result_that_counts_them():
    histories = Histories.from_looks(looks(("a", 0, False), ("b", 0, True)))
    assert len(histories) == 0
    assert histories.n_lives == 0
    assert histories.excluded_by_reason.sum() == 2
    assert list(histories.look_start) == [0]


def test_no_looks_give_no_histories():
    histories = Histories.from_looks(looks().astype({"age": float, "found": bool}))
    assert len(histories) == 0
    assert histories.to_frame().empty
    assert len(histories.excluded) == 0


def test_find_and_clean_look_at_one_age_count_as_a_find():
    frame = looks(("a", 400, False), ("a", 800, False), ("a", 800, True))
    assert only_row(frame) == (0, 400, 800)
    assert only_row(frame.iloc[::-1]) == (0, 400, 800)


def test_two_clean_looks_at_one_age_are_two_looks():
    histories = Histories.from_looks(looks(("a", 400, False), ("a", 400, False)))
    assert histories.to_frame()["n_looks"].tolist() == [2]
    assert histories.lower[0] == 400


def test_count_and_cluster_belong_to_the_life():
    frame = looks(("a", 400, False), ("a", 800, True), ("b", 500, False)).assign(
        count=[3, 3, 2], cluster=["X1", "X1", "X2"]
    )
    histories = Histories.from_looks(frame, clock="flight_hours", kind="disbond")
    assert (histories.n_lives, histories.n_finds) == (5, 3)
    assert list(histories.cluster) == ["X1", "X2"]
    assert (histories.clock, histories.kind) == ("flight_hours", "disbond")
    assert repr(histories) == "Histories(kind='disbond', clock='flight_hours', lives=5, finds=3, excluded=0)"
    assert list(histories.to_frame()["cluster"]) == ["X1", "X2"]


def test_without_clusters_each_life_is_its_own():
    histories = Histories.from_looks(looks(("a", 400, False), ("b", 500, True)))
    assert histories.cluster is None
    assert list(histories.to_frame()["cluster"]) == ["a", "b"]


def test_cluster_of_a_panel_that_moved_is_that_of_its_first_look():
    frame = looks(("a", 400, False), ("a", 800, True)).assign(cluster=["X1", "X2"])
    assert list(Histories.from_looks(frame).cluster) == ["X1"]
    assert list(Histories.from_looks(frame.iloc[::-1]).cluster) == ["X1"]


def test_looks_of_each_life_stay_together():
    frame = looks(("b", 100, False), ("a", 400, False), ("b", 300, True), ("a", 200, False), ("c", 0, False))
    histories = Histories.from_looks(frame)
    assert list(histories.life) == ["a", "b"]
    parts = np.split(histories.look_age, histories.look_start[1:-1])
    assert [list(part) for part in parts] == [[200, 400], [100, 300]]


def test_lives_left_out_before_are_counted_with_those_left_out_here():
    before = pd.DataFrame({"life": ["x", "y"], "reason": "age of the panel unknown"})
    histories = Histories.from_looks(looks(("a", 0, True), ("b", 10, False)), excluded=before)
    assert list(histories.excluded["life"]) == ["x", "y", "a"]
    assert histories.excluded_by_reason["age of the panel unknown"] == 2


def test_found_may_be_0_and_1():
    assert only_row(looks(("a", 400, 0), ("a", 800, 1))) == (0, 400, 800)


def test_life_names_may_be_numbers():
    assert list(Histories.from_looks(looks((10, 400, False), (9, 500, True))).life) == [9, 10]


@pytest.mark.parametrize(
    ("frame", "message"),
    [
        (
            pd.DataFrame({"life": ["a"], "hours": [1.0], "found": [True]}),
            "columns life, age and found.*age missing",
        ),
        (looks(("a", 5, False), ("b", -1, False)), r"1 of 2 looks are not, first row 1 \(life='b', age=-1\)"),
        (looks(("a", np.nan, False)), "`age` must be finite"),
        (looks(("a", np.inf, False)), "`age` must be finite"),
        (looks((None, 5, False)), "`life` must name a life"),
        (looks(("a", 5, False), ("b", 9, None)), r"`found` must be true or false.*row 1 \(life='b'\)"),
        (looks(("a", 5, "no")), "`found` must be true or false.*'no'"),
        (looks(("a", 5, False), ("a", 9, False)).assign(entry=[0, 2]), "`entry` must be the same.*life .'a'"),
        (looks(("a", 5, False), ("a", 9, False)).assign(count=[1, 2]), "`count` must be the same"),
        (looks(("a", 5, False), count=0), "`count` must be finite and above 0.*'a'"),
        (looks(("a", 5, False), count=np.nan), "`count` must be"),
        (looks(("a", 5, False), entry=-1), "`entry` must be finite and at least 0"),
        (looks(("a", 5, False), entry=np.nan), "`entry` must be"),
    ],
)
def test_bad_looks_get_one_clear_error(frame, message):
    with pytest.raises(ValueError, match=message):
        Histories.from_looks(frame)


def test_looks_are_not_changed():
    frame = looks(("b", 800, True), ("a", 400, False))
    before = frame.copy()
    Histories.from_looks(frame)
    pd.testing.assert_frame_equal(frame, before)


@st.composite
def look_tables(draw):
    lives = draw(st.lists(st.sampled_from("abcdef"), min_size=1, max_size=25))
    n = len(lives)
    ages = draw(st.lists(st.integers(0, 8).map(lambda x: 100.0 * x), min_size=n, max_size=n))
    found = draw(st.lists(st.booleans(), min_size=n, max_size=n))
    entry = {life: draw(st.sampled_from([0.0, 0.0, 250.0, 300.0])) for life in "abcdef"}
    count = {life: draw(st.sampled_from([1.0, 2.0, 0.5])) for life in "abcdef"}
    return pd.DataFrame(
        {
            "life": lives,
            "age": ages,
            "found": found,
            "entry": [entry[x] for x in lives],
            "count": [count[x] for x in lives],
            "cluster": [f"X{ord(x) % 3}" for x in lives],
        }
    )


LAW = settings(max_examples=80, deadline=None, derandomize=True)


@LAW
@given(look_tables(), st.integers(0, 2**32 - 1))
def test_order_of_looks_does_not_matter(frame, seed):
    one = Histories.from_looks(frame)
    other = Histories.from_looks(frame.sample(frac=1, random_state=seed))
    pd.testing.assert_frame_equal(one.to_frame(), other.to_frame())
    pd.testing.assert_frame_equal(one.excluded, other.excluded)
    np.testing.assert_array_equal(one.look_age, other.look_age)
    np.testing.assert_array_equal(one.look_start, other.look_start)


@LAW
@given(look_tables())
def test_histories_say_what_a_plain_reading_of_each_life_says(frame):
    """The same rules life by life, written with lists."""
    expected, left_out = [], set()
    for life, group in frame.groupby("life", sort=True):
        entry, count = group["entry"].iloc[0], group["count"].iloc[0]
        finds = group.loc[group["found"], "age"]
        upper = finds.min() if len(finds) else np.inf
        clean = [age for age in group.loc[~group["found"], "age"] if age < upper]
        lower = max([entry, *clean])
        if upper <= entry or (np.isinf(upper) and lower == entry):
            left_out.add(life)
        else:
            expected.append((life, entry, lower, upper, count, len(clean) + np.isfinite(upper)))
    histories = Histories.from_looks(frame)
    got = histories.to_frame().drop(columns="cluster")
    assert [tuple(row) for row in got.itertuples(index=False)] == expected
    assert set(histories.excluded["life"]) == left_out
    assert set(got["life"]) | left_out == set(frame["life"])
    check_rows(histories.lower, histories.upper, histories.entry, histories.count)


def test_check_rows_fills_in_entry_and_count():
    entry, lower, upper, count = check_rows(5.0, np.inf)
    assert (entry[0], lower[0], upper[0], count[0]) == (0, 5, np.inf, 1)
    entry, _, _, count = check_rows([5.0, 6.0], [7.0, 6.0], entry=2.0, count=[1, 4])
    assert list(entry) == [2, 2]
    assert list(count) == [1, 4]
