"""Whatever stands in a cell, it is harmless, reported or refused: no other error, no silent change.

Many copies of the tiny dataset, each under names of its own, are checked in one go, and one
cell of each copy is corrupted. So a corruption that reaches beyond its copy is caught as well.
"""

from __future__ import annotations

import functools
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import shapely
from support import Tiny

from kit.findings import TABLES, TableError, find_traps, load_fleet, problems_html, problems_text
from kit.findings.check.check import check_tables
from kit.findings.read.columns import type_table

COPIES = 139
"""Copies of the tiny dataset in one go: a prime, so that the columns meet each copy in turn."""

CUT_OFF = pd.Timestamp("2020-12-31")

WORDS = [
    "", "x", "nan", "NaT", "None", "1e999", "-1", "-0", "0", "1e15", "9" * 400, "0x10", "1,5", "5 mm", "٣", "½",
    "2015-13-01", "2015-02-30", "31.12.2015", "03/04/2015", "2015-04-03", "0001-01-01", "9999-12-31", "99999-01-01",
    "2015-04-03 12:00", "yes", "YES", "no", "=cmd|'/c calc'!A0", "+1", "@x", "-", ";", ";;", "Z1;;Z2", "full", "mm",
    "POLYGON", "POLYGON ((0 0, 1 1))", "POLYGON ((0 0, 10 10, 10 0, 0 10, 0 0))", "POLYGON ((0 0, nan 1, 1 1, 0 0))",
    "POLYGON ((0 0, 1e308 0, 1e308 1e308, 0 0))", "POLYGON EMPTY", "POINT (1 1)", "POLYGON ((0 0, 9 0, 9 9, 0 9, 0 0))",
    "MULTIPOLYGON (((0 0, 1 0, 1 1, 0 0)))", "POLYGON Z ((0 0 1, 30 0 1, 30 30 1, 0 0 1))", "a" * 20_000, "\u202eabc",
    "💥", "tab\there", "line\nbreak", "null\x00byte", "'", '"', "\\", "%s", "{x}", "<b>", "[1]", "true", "inf", "-inf",
]  # fmt: skip


def prefixed(name: str, column, cell: str, copy: int) -> str:
    """Return a cell under the names of a copy of the dataset."""
    named = column.type in ("id", "ref", "refs") or column.name in (
        "replaces", "panel", "subtype", "subtypes", "group", "former_label", "grid", "tap_grid",
    )  # fmt: skip
    if not named or not cell:
        return cell
    return ";".join(f"c{copy}.{part}" for part in cell.split(";"))


@functools.cache
def clean_texts() -> dict[str, pd.DataFrame]:
    """Return the tables of many copies of the tiny dataset as text, as they are read from a file."""
    rows = Tiny(Path("nowhere")).left().rows
    texts = {}
    for name, table in TABLES.items():
        cells = [
            [prefixed(name, column, row.get(column.name, ""), copy) for column in table.all_columns]
            for copy in range(COPIES)
            for row in rows[name]
        ]
        text = pd.DataFrame(cells, columns=[column.name for column in table.all_columns], dtype="str")
        text["file"] = pd.Series(f"{name}.csv", index=text.index, dtype="str")
        text["row"] = np.arange(len(text), dtype=np.int64)
        texts[name] = text
    return texts


@functools.cache
def clean_raw() -> dict:
    return {name: type_table(TABLES[name], text, length_unit="mm") for name, text in clean_texts().items()}


def checked(raw: dict):
    recorded = [table.typed["recorded_on"].max() for table in raw.values()]
    return check_tables(raw, cut_off=CUT_OFF, known_on=max([CUT_OFF, *recorded]))


@functools.cache
def clean_result():
    return checked(clean_raw())


def values(rng: np.random.Generator, text: pd.DataFrame, row: int, column: str) -> list[str]:
    """Return what may be written instead: words, other cells of the row, column or table, and turns of the cell."""
    cell = text.at[row, column]
    others = [str(text.iat[row, rng.integers(text.shape[1] - 2)])]
    n = len(text) // COPIES
    start = row - row % n
    other = "".join(text.columns[:1]) if column == "replaces" else column
    others += [text.at[int(start + rng.integers(n)), other] for _ in range(2)]
    digits = cell.replace("-", "")
    turned = [cell[:4] + "-" + cell[8:] + "-" + cell[5:7]] if len(cell) == 10 and digits.isdigit() else []
    own = [cell * 2, cell[:-1], cell.upper(), cell + " ", f"{cell}0", f"-{cell}", cell.replace(".", ",")]
    return [one for one in [*others, *turned, *own] if one != cell]


def corruptions(seed: int) -> list[list[tuple[str, int, str, str]]]:
    """Return batches of (table, row, column, cell), one corruption of each copy in a batch."""
    rng = np.random.default_rng(seed)
    texts = clean_texts()
    columns = [(name, column.name) for name, table in TABLES.items() for column in table.all_columns]
    batches = []
    for turn in range(16):
        batch = []
        for k in range(COPIES):
            name, column = columns[(k + turn * 5) % len(columns)]
            n = len(texts[name]) // COPIES
            row = int(k * n + rng.integers(n))
            pool = values(rng, texts[name], row, column) if rng.random() < 0.4 else WORDS
            cell = pool[int(rng.integers(len(pool)))] if pool else "x"
            declared = next(c for c in TABLES[name].all_columns if c.name == column)
            if (
                (pool is WORDS or cell in ("-", "0"))
                and prefixed(name, declared, "x", k) != "x"
                and cell.strip(";")
            ):
                cell += str(k)  # so that the copies do not name each other
            batch.append((name, row, column, cell.strip()))  # reading takes blanks off
        batches.append(batch)
    return batches


def corrupted_raw(batch: list[tuple[str, int, str, str]]) -> dict:
    raw = dict(clean_raw())
    for name in {one[0] for one in batch}:
        text = clean_texts()[name].copy()
        for table, row, column, cell in batch:
            if table == name:
                text.at[row, column] = cell
        raw[name] = type_table(TABLES[name], text, length_unit="mm")
    return raw


def copy_of(table: str, row: int) -> int:
    return row // (len(clean_texts()[table]) // COPIES)


def differences(one: dict[str, pd.DataFrame], other: dict[str, pd.DataFrame]) -> list[tuple[str, int, str]]:
    """Return table, row and column of every cell that differs, and of rows that only one has under column ''."""
    found = []
    for name in TABLES:
        first, second = one[name].set_index("row"), other[name].set_index("row")
        alone = first.index.symmetric_difference(second.index)
        found += [(name, int(row), "") for row in alone]
        both = first.index.intersection(second.index)
        first, second = first.loc[both], second.loc[both]
        for column in first.columns:
            a, b = first[column].to_numpy(dtype=object), second[column].to_numpy(dtype=object)
            if first[column].dtype == object:
                a, b = (shapely.to_wkb(shapes) for shapes in (a, b))
            differs = (a != b) & ~(pd.isna(a) & pd.isna(b))
            found += [(name, int(row), column) for row in both[differs]]
    return found


def copies_with_problems(result, base) -> set[int]:
    """Return the copies of which a problem is reported that the clean dataset does not have."""
    keys = ["table", "row", "column", "reason"]
    copies = set()
    for new, old in ((result.rejected, base.rejected), (result.warnings, base.warnings)):
        before = set(old[keys].itertuples(index=False, name=None))
        for table, row, column, reason in new[keys].itertuples(index=False, name=None):
            if (table, row, column, reason) not in before:
                copies.add(copy_of(table, row))
    return copies


def typed_again(name: str, column: str, cell: str):
    """Return what a cell means, read by itself."""
    declared = next(c for c in TABLES[name].all_columns if c.name == column)
    if declared.type == "date":
        return pd.Timestamp(cell) if cell else pd.NaT
    if declared.type in ("number", "length"):
        return float(cell) if cell else float("nan")
    if declared.type == "flag":
        return cell == "yes"
    if declared.type in ("polygon", "lines"):
        return shapely.force_2d(shapely.from_wkt(cell)) if cell else None
    return cell


SIZES = {"length", "width", "rounding"}


def allowed(name: str, row: int, column: str, cell: str) -> set[tuple[str, int, str]]:
    """Return the cells that may differ where a corruption is taken for a valid value."""
    cells = {(name, row, column)}
    if column == "replaces":  # that is what the cell says: the row named does not stand any more
        ids = clean_texts()[name].iloc[:, 0]
        cells |= {(name, int(target), "") for target in np.flatnonzero(ids == cell)}
    if name == "findings" and column in {"size_unit", *SIZES}:
        cells |= {(name, row, size) for size in SIZES}
    if name in ("inspections", "findings") and column in ("zone", "panel"):
        cells.add((name, row, f"{column}_as_written"))
    return cells


@pytest.mark.long
def test_corruptions_of_single_cells_are_harmless_reported_or_refused():
    """A sample of 278: every column of the larger tables, once or twice."""
    n, n_silent, _ = withstood(corruptions(0)[::8])
    assert n == 2 * COPIES
    assert 0.05 < n_silent / n < 0.7


@pytest.mark.long
def test_2224_corruptions_of_single_cells_are_harmless_reported_or_refused():
    n, n_silent, hit = withstood(corruptions(0))
    assert n >= 2000
    assert hit == {(name, column.name) for name, table in TABLES.items() for column in table.all_columns}
    assert 0.1 < n_silent / n < 0.6  # blank optional cells and other valid values


def withstood(batches) -> tuple[int, int, set[tuple[str, str]]]:
    """Corrupt cells batch by batch; how many, how many of them without a word, and which columns."""
    base = clean_result()
    assert not len(base.rejected)
    assert not len(base.warnings)
    hit, n, n_silent = set(), 0, 0
    for batch in batches:
        result = checked(corrupted_raw(batch))
        told = copies_with_problems(result, base)
        changed: dict[int, set] = {}
        for cell in differences(base.tables, result.tables):
            changed.setdefault(copy_of(cell[0], cell[1]), set()).add(cell)
        for copy, (name, row, column, cell) in enumerate(batch):
            hit.add((name, column))
            n += 1
            if copy in told:
                continue
            n_silent += 1
            where = f"copy {copy}: {name} row {row}, {column} = {cell!r} (was {clean_texts()[name].at[row, column]!r})"
            may = allowed(name, row, column, cell)
            extra = changed.get(copy, set()) - may
            if (
                name == "panels" and column == "panel"
            ):  # looks and findings take the serial that the fittings name
                extra = {
                    one for one in extra if one[2] != "panel" or one[0] not in ("inspections", "findings")
                }
            assert not extra, f"{where} changes {sorted(extra)}"
            accepted = result.tables[name].set_index("row")
            if (
                row in accepted.index
                and column not in ("zone", "panel")
                and not (name == "findings" and column in SIZES)
            ):
                value, meant = accepted.at[row, column], typed_again(name, column, cell)
                same = shapely.equals(value, meant) if isinstance(value, shapely.Geometry) else value == meant
                assert same or (pd.isna(value) and pd.isna(meant)), f"{where} was read as {value!r}"
    return n, n_silent, hit


@pytest.mark.parametrize("times", [0.25, pytest.param(2, marks=pytest.mark.long)])
def test_corrupted_files_load_or_are_refused_and_everything_after_works(tmp_path, times):
    rng = np.random.default_rng(3)
    tiny = Tiny(tmp_path / "tiny").left()
    clean = {name: [dict(row) for row in rows] for name, rows in tiny.rows.items()}
    names, refused = list(TABLES), []
    for k in range(int(times * len(names))):  # each table twice, or every fourth once
        tiny.rows = {name: [dict(row) for row in rows] for name, rows in clean.items()}
        name = names[(k if times > 1 else 4 * k) % len(names)]
        row = tiny.rows[name][int(rng.integers(len(tiny.rows[name])))]
        column = tiny.columns[name][int(rng.integers(len(tiny.columns[name])))]
        row[column] = WORDS[int(rng.integers(len(WORDS)))].replace("\x00", "0")
        try:
            fleet = load_fleet(tiny.write(), set_aside=tmp_path / "rejected.csv")
        except TableError as error:
            refused.append(len(error.problems))
            continue
        assert problems_text(fleet.rejected)
        assert "</html>" in problems_html(fleet)
        find_traps(fleet)
        fleet.as_known_on("2016-01-01").fingerprint()
    assert all(refused)


def test_the_copies_stand_for_the_dataset_as_it_is_loaded(tiny):
    fleet = load_fleet(tiny.left().write())
    for name, table in fleet.tables.items():
        one = clean_result().tables[name]
        one = one[one["row"] < len(clean_texts()[name]) // COPIES]
        assert len(one) == len(table)
        dates = [
            column.name for column in TABLES[name].columns if column.type in ("date", "number", "length")
        ]
        one = one.sort_values("row")[dates].reset_index(drop=True)
        same = table.sort_values("row")[dates].reset_index(drop=True)
        # The headings may be kept with pyarrow in one of them and without in the other.
        pd.testing.assert_frame_equal(one, same, check_column_type=False)


def rejected(tiny: Tiny) -> str:
    with pytest.raises(TableError) as caught:
        load_fleet(tiny.write())
    return str(caught.value)


@pytest.mark.parametrize("points", ["1e300 0,1e300 1e300", "2e6 0,5 5"])
def test_an_outline_that_reaches_farther_than_an_aircraft_is_refused(tiny, points):
    tiny.set("findings", "D1", outline=f"POLYGON((0 0,{points},0 0))")
    line = "findings.csv row 2, outline = 'POLYGON((0 0,"
    text = rejected(tiny)
    assert line in text
    assert "outline reaches farther than any aircraft. Expected: coordinates within 1e+06 mm" in text


def test_an_outline_with_a_point_that_is_no_number_is_refused(tiny):
    assert "outline" in rejected(tiny.set("findings", "D1", outline="POLYGON((0 0,9 0,nan 9,0 9,0 0))"))


@pytest.mark.parametrize(
    ("table", "key", "column"), [("tasks", "K1", "zones"), ("cards", "C1", "zones_not_done")]
)
def test_a_list_of_separators_names_nothing(tiny, table, key, column):
    assert f"row 2, {column} = ';;': {column} names nothing." in rejected(
        tiny.set(table, key, **{column: ";;"})
    )


def test_an_id_that_two_rows_have_is_not_corrected_away(tiny):
    text = rejected(tiny.set("panels", "F3", fitting="F0"))  # F1 corrects F0
    assert "panels.csv row 5, fitting = 'F0': id used twice, and the rows differ" in text


def test_a_correction_of_another_row_than_meant_is_warned_of(tiny):
    tiny.set("inspections", "L2", replaces="L1")  # another card and another day: L1 would be gone
    warning = load_fleet(tiny.write()).warnings.iloc[0]
    assert warning["reason"] == "the correction shares little with the row that it corrects"
    assert warning[["table", "row", "column", "value"]].tolist() == ["inspections", 3, "replaces", "L1"]
    assert "3 of 8 differ" in warning["expected"]


def test_a_correction_of_a_cell_is_not_doubted(tiny):
    tiny.add("findings", "D2", finding="D5", replaces="D2", kind="disbond", recorded_on="2018-01-01")
    assert not len(load_fleet(tiny.write()).warnings)
