"""Work on all cores gives what work on one core gives."""

import os

import pytest

from kit.numerics.forked import forked_map


def test_the_answers_come_in_the_order_of_the_items_and_see_what_their_maker_saw():
    base = {"add": 10}  # inherited, never sent
    assert list(forked_map(lambda x: x + base["add"], range(5))) == [10, 11, 12, 13, 14]
    assert list(forked_map(lambda x: x, [])) == []


def test_one_map_within_another_keeps_its_own_work():
    assert list(forked_map(lambda x: sum(forked_map(lambda y: x * y, [1, 2])), [1, 10])) == [3, 30]


def test_what_the_work_raises_for_the_first_item_comes_out():
    def work(x):
        if x:
            raise ValueError(f"item {x}")
        return os.getpid()

    with pytest.raises(ValueError, match="item 1"):
        list(forked_map(work, [0, 1, 2]))
