"""Each row that a decision used has a digest; what became of it is told by table, id and column."""

import gzip
import hashlib

import pytest
from findings.stored import to_parquet
from hypothesis import given
from hypothesis import strategies as st

import kit
from kit.decisions import RecordError, UsedRows, merkle_root, read_rows, rows_changed


def row(table, key, **cells):
    body = ",".join(f'"{name}":"{cell}"' for name, cell in cells.items())
    return f'["{table}","{key}",{{{body}}}]'


def test_the_root_of_two_leaves_is_the_digest_of_both_by_hand():
    a, b, c = (bytes([n]) * 32 for n in (1, 2, 3))
    both = hashlib.sha256(b"\x01" + a + b).digest()
    assert merkle_root([a]) == a.hex()
    assert merkle_root([a, b]) == both.hex()
    assert merkle_root([a, b, c]) == hashlib.sha256(b"\x01" + both + c).hexdigest()


@given(st.lists(st.binary(min_size=32, max_size=32), min_size=1, max_size=40, unique=True), st.data())
def test_any_leaf_altered_taken_out_or_exchanged_gives_another_root(leaves, data):
    root = merkle_root(leaves)
    k = data.draw(st.integers(0, len(leaves) - 1))
    assert merkle_root([*leaves[:k], bytes(32 * [0]) + b"x", *leaves[k + 1 :]]) != root
    assert merkle_root([*leaves, leaves[k]]) != root
    if len(leaves) > 1:
        assert merkle_root(leaves[:k] + leaves[k + 1 :]) != root
        assert merkle_root(leaves[1:] + leaves[:1]) != root


def test_altered_back_dated_and_deleted_rows_are_named_apart():
    then = UsedRows((row("cards", "C1", closed_on="2012-01-01"), row("cards", "C2", task="K1", zone="Z1")))
    now = UsedRows((row("cards", "C2", task="K2"), row("cards", "C3", task="K1")))
    assert rows_changed(then, now).to_numpy().tolist() == [
        ["cards", "C1", "deleted", "", "", ""],
        ["cards", "C2", "altered", "task", "K1", "K2"],
        ["cards", "C2", "altered", "zone", "Z1", ""],
        ["cards", "C3", "back-dated", "", "", ""],
    ]
    assert rows_changed(then, then).empty


@pytest.mark.parametrize(
    "content",
    [
        b"no gzip",
        gzip.compress(b"[1]\n"),
        gzip.compress(b'["a","b",{"c":1,"c":2}]\n'),
        gzip.compress(b"5\n"),
        gzip.compress(b'["a","b",["c"]]\n'),
        gzip.compress(b'["a","b",{"c":"d"}]\n' * 99)[:-9],
        gzip.compress(bytes(range(256)) * 9)[:40] + b"\xff" * 40,
        gzip.compress(b"\n" * 9_000_000),
    ],
    ids=[
        "no gzip",
        "no row",
        "a column twice",
        "a number",
        "cells as a list",
        "cut short",
        "spoiled",
        "a bomb",
    ],
)
def test_what_is_no_side_file_is_refused(tmp_path, content):
    (tmp_path / "x.rows.gz").write_bytes(content)
    with pytest.raises(RecordError, match=r"x\.rows\.gz: not the rows of a decision"):
        read_rows(tmp_path / "x.rows.gz")


def test_the_root_is_the_same_from_any_order_of_rows_and_kind_of_source(tiny, tmp_path):
    folder = tiny.write()
    fleet = kit.load_fleet(folder)
    texts = fleet.row_texts()
    for name in ("findings", "cards", "usage"):
        lines = tiny.path(name).read_text().splitlines()
        tiny.path(name).write_text("\n".join([lines[0], *reversed(lines[1:])]) + "\n")
    assert UsedRows(kit.load_fleet(folder).row_texts()).root == UsedRows(texts).root
    stored = to_parquet(folder, tmp_path / "parquet")
    assert UsedRows(kit.load_fleet(stored).row_texts()).root == UsedRows(texts).root
    assert sum(text.startswith('["packages"') for text in texts) == 2
