"""Columns that an extract does not have, made out of those that it has."""

import pytest

from kit.findings import TableError, load_fleet


def with_made(tiny, table, **made):
    """Take columns out of a table, and say how they are made."""
    for name in made:
        tiny.columns[table].remove(name)
        for row in tiny.rows[table]:
            row.pop(name, None)
    folder = tiny.write()
    lines = "\n".join(f'{name} = "{text}"' for name, text in made.items())
    with (folder / "dataset.toml").open("a") as file:
        file.write(f"\n[map.{table}.made]\n{lines}\n")
    return folder


def test_a_column_is_made_out_of_cells_and_the_number_of_the_row(tiny):
    fleet = load_fleet(with_made(tiny, "usage", reading="{aircraft}/{row}"))
    assert fleet.tables["usage"]["reading"].tolist()[:2] == ["A1/2", "A1/3"]


def test_a_text_without_headings_stands_in_every_row(tiny):
    fleet = load_fleet(with_made(tiny, "zones", structure_class="primary", recorded_on="2000-01-01"))
    assert set(fleet.tables["zones"]["structure_class"]) == {"primary"}


def test_a_cell_made_out_of_a_blank_one_is_blank(tiny):
    """An outline without its width is no outline."""
    tiny.columns["zones"] += ["L", "W"]
    for row in tiny.rows["zones"]:
        row |= {"L": "900", "W": ""}
    outline = "POLYGON ((0 0, {L} 0, {L} {W}, 0 {W}, 0 0))"
    with pytest.raises(TableError, match=r"outline = '': outline is blank"):
        load_fleet(with_made(tiny, "zones", outline=outline))


def test_a_heading_that_is_not_there_is_named(tiny):
    words = r"ON = '': no heading of that name, out of which reading is to be made.*map\.usage\.made\.reading"
    with pytest.raises(TableError, match=words):
        load_fleet(with_made(tiny, "usage", reading="{ON}"))


def test_a_column_is_read_or_made_not_both(tiny):
    folder = with_made(tiny, "usage", reading="{row}")
    with (folder / "dataset.toml").open("a") as file:
        file.write('\n[map.usage.columns]\nreading = "aircraft"\n')
    with pytest.raises(TableError, match="a column is read or made, not both"):
        load_fleet(folder)


def test_guesses_that_nobody_confirmed_are_told(tiny):
    folder = tiny.write()
    toml = folder / "dataset.toml"
    toml.write_text('guessed = ["cut_off", "map.findings.units"]\n' + toml.read_text())
    (told,) = load_fleet(folder).warnings.itertuples()
    assert (told.table, told.value, told.reason) == (
        "dataset",
        "cut_off; map.findings.units",
        "2 guesses of the draft not confirmed",
    )
