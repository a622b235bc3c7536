"""A register of PODs is read whole or refused with entry and field; the built-in anchors say what is assumed."""

from pathlib import Path

import pandas as pd
import pytest

from kit.detection import BUILT_IN, PodError, PodRegister

EXPECTED = pd.read_csv(Path(__file__).parents[1] / "data" / "references" / "expected.csv").query(
    "case == 'D4'"
)

TEXT = """\
[[pods]]
name = "manual-thin"
method = "tap_manual"
skin_class = "thin"
side = "outer"
conditions = "hangar, quiet, full access"
a50_mm = 20
slope = 4.0
plateau = 0.97
far_side_plateau = 0.10
basis = "assumed"
source = "invented for a test"
recorded_on = 2018-05-01
"""


@pytest.fixture
def read(tmp_path):
    def read_with(old="", new=""):
        assert old in TEXT
        (tmp_path / "pods.toml").write_text(TEXT.replace(old, new, 1) if old else TEXT)
        return PodRegister.read(tmp_path / "pods.toml")

    return read_with


@pytest.mark.parametrize("name", ["manual", "automated"])
def test_built_in_anchor_genest_2023(name):
    """The published a90/95 is taken as a90; slope, plateau and far side are assumed and say so."""
    row = EXPECTED.query(f"quantity == '{name}_a90/95_mm'").iloc[0]
    entry = PodRegister().get(f"published-{name}")
    assert entry.curve().a90 == pytest.approx(row["expected"], abs=row["tol_abs"])
    assert entry.basis == "published"
    assert set(entry.assumed) == {"slope", "plateau", "far_side_plateau"}
    for words in (
        "upper bound",
        "assumed: slope, plateau, far_side_plateau",
        "70 damage sites, 11 inspectors",
    ):
        assert words in entry.words


def test_the_anchors_differ_by_six_tenths_of_an_inch():
    row = EXPECTED.query("quantity == 'difference_in'").iloc[0]
    manual, automated = (
        PodRegister().get(f"published-{name}").curve().a90 / 25.4 for name in ("manual", "automated")
    )
    assert manual - automated == pytest.approx(row["expected"], abs=row["tol_abs"])


def test_what_stands_in_the_file_is_the_entry(read):
    register = read()
    entry = register.get("manual-thin")
    curve = entry.curve(far_side_share=0.15)
    assert (curve.a50, curve.slope, curve.plateau, curve.far_side_plateau, curve.far_side_share) == (
        20,
        4,
        0.97,
        0.1,
        0.15,
    )
    assert curve.basis == "assumed"
    assert list(register.to_frame()["name"]) == ["manual-thin", *(built_in.name for built_in in BUILT_IN)]
    assert register.to_frame()["a90_mm"].iloc[0] == pytest.approx(curve.a90)


def test_a_published_bound_places_the_curve(read):
    entry = read("a50_mm = 20", "a90_95_mm = 40").get("manual-thin")
    assert entry.curve().a90 == pytest.approx(40.0)
    assert "upper bound" in entry.words


@pytest.mark.parametrize(
    ("old", "new", "parts"),
    [
        ("plateau = 0.97\n", "", ["1 (manual-thin), plateau: Field required"]),
        ("far_side_plateau = 0.10\n", "", ["far_side_plateau: Field required"]),
        ("slope = 4.0", "slope = 0", ["slope: ", "greater than 0", "Got 0"]),
        ("plateau = 0.97", "plateau = 1.2", ["plateau: ", "less than or equal to 1", "Got 1.2"]),
        ('basis = "assumed"', 'basis = "guess"', ["basis: ", "'trial', 'published' or 'assumed'", "Got 'guess'"]),
        ('side = "outer"', 'side = "top"', ["side: ", "Got 'top'"]),
        ("a50_mm = 20\n", "", ["entry: ", "give one of a50_mm and a90_95_mm"]),
        ("a50_mm = 20", "a50_mm = 20\na90_95_mm = 40", ["give one of a50_mm and a90_95_mm"]),
        ("a50_mm = 20", "a90_95_mm = 40\nassumed = ['all']", ["assumed: ", "Got 'all'"]),
        ("a50_mm = 20\nslope = 4.0\nplateau = 0.97", "a90_95_mm = 40\nslope = 4.0\nplateau = 0.9", ["plateau above 0.9"]),
        ("a50_mm = 20", 'a50_mm = "20"', ["a50_mm: ", "Got '20'"]),
        ('skin_class = "thin"', 'skin = "thin"', ["skin_class: Field required", "skin: Extra inputs"]),
        ('name = "manual-thin"', 'name = "published-manual"', ["stands twice with the same days, or is that of a built-in entry"]),
        ('name = "manual-thin"', 'name = "two words"', ["name: ", "Got 'two words'"]),
        ("[[pods]]", "[pods]", ["must hold a table [[pods]] for each POD"]),
        ("[[pods]]", "[[pods", ["not a TOML file"]),
    ],
)  # fmt: skip
def test_a_wrong_entry_is_refused_with_file_entry_and_field(read, old, new, parts):
    with pytest.raises(PodError) as caught:
        read(old, new)
    for part in ("pods.toml: ", *parts):
        assert part in str(caught.value), str(caught.value)


def test_an_unknown_name_is_answered_with_those_there_are(read):
    with pytest.raises(
        PodError, match=r"Got 'manual-thn'. Known are manual-thin, .*Did you mean manual-thin\?"
    ):
        read().get("manual-thn")
    with pytest.raises(PodError, match=r"\(built in\). Got 'x'.*Add it to pods.toml"):
        PodRegister().get("x")


def test_a_folder_without_a_register_has_the_built_in_entries(tmp_path, read):
    assert PodRegister.of_dataset(tmp_path / "elsewhere") == PodRegister()
    read()
    assert PodRegister.of_dataset(tmp_path).get("manual-thin").a50 == 20
    with pytest.raises(PodError, match=r"cannot be read \(No such file or directory\)"):
        PodRegister.read(tmp_path / "none.toml")


def test_the_example_of_the_documentation_can_be_read(tmp_path):
    text = (Path(__file__).parents[2] / "docs" / "pods.md").read_text(encoding="utf-8")
    (tmp_path / "pods.toml").write_text(text.split("```toml\n")[1].split("```")[0], encoding="utf-8")
    entry = PodRegister.read(tmp_path / "pods.toml").get("hand-mid-hangar")
    assert (entry.a50_mm, entry.plateau, entry.basis) == (27.0, 0.98, "trial")
