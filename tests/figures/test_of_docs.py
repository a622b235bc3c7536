"""Pictures in the documentation are what the code draws of the demo fleet today."""

import re
from pathlib import Path

import pytest

from kit.figures.of_docs import ANSWERS, pictures

ROOT = Path(__file__).parents[2]


OF_ONE_MACHINE = {"cost_against_size.png"}  # made with docs/benchmarks.md from what was measured there


def test_every_picture_in_the_documentation_is_made_by_a_command():
    made = {f"{name}.png" for name in ANSWERS} | OF_ONE_MACHINE
    assert {path.name for path in (ROOT / "docs" / "images").iterdir()} == made
    shown = {
        Path(link).name
        for page in (ROOT / "README.md", *(ROOT / "docs").glob("*.md"))
        for link in re.findall(r"!\[[^\]]*\]\(([^)]+)\)", page.read_text(encoding="utf-8"))
    }
    assert shown <= made


@pytest.mark.long  # one whole answer
def test_pictures_in_the_documentation_are_current():
    for name, picture in pictures(ROOT / "demo_fleet"):
        assert (ROOT / "docs" / "images" / name).read_bytes() == picture, (
            f"{name}: run python -m kit.figures.of_docs demo_fleet docs/images"
        )
