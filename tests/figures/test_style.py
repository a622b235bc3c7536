"""All figures take their colours from one module, and lines differ by dash and marker as well."""

import itertools
import re
from pathlib import Path

from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure

from kit.figures import as_written, style

FIGURES = Path(style.__file__).parent


def test_colours_are_named_in_one_module_only():
    for path in FIGURES.glob("*.py"):
        if path.name != "style.py":
            assert not re.findall(r"#[0-9a-fA-F]{6}", path.read_text(encoding="utf-8")), path.name


def test_lines_are_told_apart_by_colour_dash_and_marker_each():
    for part in zip(*style.LINES, strict=True):
        assert len(set(part)) == len(style.LINES)


def test_lines_differ_in_grey_or_by_dash():
    """Luminance of sRGB (IEC 61966-2-1 weights, without the curve): two lines of like grey have different dashes."""

    def grey(colour):
        return sum(w * int(colour[i : i + 2], 16) for w, i in ((0.2126, 1), (0.7152, 3), (0.0722, 5)))

    lines = sorted((grey(colour), dash) for colour, dash, _ in style.LINES)
    for (one, dash), (other, other_dash) in itertools.pairwise(lines):
        assert abs(one - other) > 10 or dash != other_dash


def test_what_came_with_data_is_no_formula_and_steers_nothing():
    """A formula that cannot be set would end the drawing; the powers of a logarithmic axis stay powers."""
    figure = Figure()
    ax = figure.add_subplot(title="costs $\\frac{1}{0}$ \x1b[2J", xscale="log", xlim=(1, 1000))
    as_written(figure)
    FigureCanvasAgg(figure).draw()
    assert ax.get_title() == "costs $\\frac{1}{0}$ \N{REPLACEMENT CHARACTER}[2J"
    assert not ax.title.get_parse_math()
    assert ax.get_xticklabels()[0].get_parse_math()
