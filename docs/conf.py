"""How the documentation becomes a site; `python docs/make_site.py` lays out what it is made from and runs it."""

import html
import re

from docutils.utils.math import MathError
from docutils.utils.math.latex2mathml import tex2mathml
from sphinx.util import logging

project = "Skin Findings Kit"
author = copyright = ""
version = release = ""
extensions = ["sphinx.ext.autodoc", "numpydoc", "myst_nb"]
root_doc = "index"
exclude_patterns = ["conf.py", "make_site.py"]
nitpicky = False

# The site is read where there is no network: nothing on a page is fetched from elsewhere.
html_theme = "furo"
html_title = project
html_math_renderer = "presentation"
html_show_sphinx = False
html_show_copyright = False
html_copy_source = False
html_show_sourcelink = False
templates_path: list[str] = []

myst_enable_extensions = ["dollarmath", "deflist"]
myst_heading_anchors = 3
nb_execution_mode = "off"  # notebooks are committed as they were run, and nbval holds them current
nb_mime_priority_overrides = [("html", "application/vnd.jupyter.widget-view+json", -1)]
nb_merge_streams = True
nb_ipywidgets_js: dict[str, dict[str, str]] = {}  # widgets stand as their static pictures

autodoc_typehints = "none"  # numpydoc docstrings say types, with shapes and units
numpydoc_show_class_members = False
numpydoc_validation_checks: set[str] = set()  # tests/test_docstrings.py holds them

_SIZE = re.compile(r"\\(?:big|Big|bigg|Bigg)(?![A-Za-z])")  # MathML stretches brackets by itself


def _mathml(node, *, as_block):
    """Return an equation as MathML, which browsers draw by themselves; one that cannot be is a warning."""
    text = node.astext()
    try:
        return tex2mathml(_SIZE.sub("", text).replace(r"\dots", r"\ldots"), as_block=as_block)
    except MathError as error:
        logging.getLogger(__name__).warning("%s in the equation %s", error, text, location=node)
        return html.escape(text)


def _inline(self, node):
    from docutils import nodes

    self.body.append(_mathml(node, as_block=False))
    raise nodes.SkipNode


def _block(self, node):
    from docutils import nodes

    self.body.append(f'<div class="math">{_mathml(node, as_block=True)}</div>')
    raise nodes.SkipNode


def setup(app):
    """Register how equations are drawn."""
    app.add_html_math_renderer("presentation", (_inline, None), (_block, None))
    return {"parallel_read_safe": True, "parallel_write_safe": True}
