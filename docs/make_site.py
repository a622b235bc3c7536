"""Make the documentation site: lay its sources out, the notebooks and a page for each package, the gallery and the errors among them, and build it.

Run as ``python docs/make_site.py``; the site is docs/_site/html/index.html. A warning, or a link that does not hold, fails it.
"""

from __future__ import annotations

import ast
import base64
import html
import importlib
import json
import pkgutil
import re
import shutil
import sys
import types
from html.parser import HTMLParser
from pathlib import Path
from urllib.parse import unquote, urldefrag, urlsplit

DOCS = Path(__file__).resolve().parent
ROOT = DOCS.parent
SITE = DOCS / "_site"
_FROM_TOP = ("README.md", "CHANGELOG.md", "DEVELOPERS.md")
_INTO_DOCS = re.compile(r"\]\(docs/")
_OUTPUT_LINK = re.compile(r'href="([0-9]{2}_[a-z_]+)\.ipynb')
_NOT_PUBLIC = ("commands", "numerics", "dictionary", "cautions", "explore", "__main__")


def api_page(package: str) -> str:
    """Return the page of one package: what each of its public names is.

    Parameters
    ----------
    package : str
        Name of the package below kit.

    Returns
    -------
    str
        reStructuredText with a directive for each name.
    """
    module = importlib.import_module(f"kit.{package}")
    title = f"kit.{package}"
    lines = [title, "=" * len(title), "", (module.__doc__ or "").strip(), ""]
    for name in module.__all__:
        value = getattr(module, name)
        if isinstance(
            value, types.GenericAlias
        ):  # it can be called, and the builder would look for its signature
            lines += [f".. py:data:: kit.{package}.{name}", "", f"   Stands for ``{value}``.", ""]
            continue
        kind = "class" if isinstance(value, type) else "function" if callable(value) else "data"
        lines += [f".. auto{kind}:: kit.{package}.{name}", *_options(kind), ""]
    return "\n".join(lines)


def _options(kind: str) -> list[str]:
    """Return the options of a directive: methods of classes by themselves, data without their whole value."""
    if kind == "class":
        return ["   :members:"]
    return ["   :no-value:"] if kind == "data" else []


def gallery_page(source: Path) -> str:
    """Write the pictures of the notebooks to the folder of the site, and return the page that shows them.

    Parameters
    ----------
    source : Path
        What the site is made from; pictures go to gallery/ in it.

    Returns
    -------
    str
        Each picture with the call that made it under it.
    """
    lines = [
        "# Gallery",
        "",
        "Every figure of the notebooks, of the invented demo fleet, with the call that made it. They are the committed outputs, which the tests hold "
        "current.",
        "",
    ]
    (source / "gallery").mkdir(exist_ok=True)
    for path in sorted((ROOT / "notebooks").glob("*.ipynb")):
        book = json.loads(path.read_text(encoding="utf-8"))
        title = next(
            line for line in "".join(book["cells"][0]["source"]).splitlines() if line.startswith("# ")
        )
        shown = []
        for cell in book["cells"]:
            for output in cell.get("outputs", []):
                if "image/png" in output.get("data", {}):
                    name = f"{path.stem}_{len(shown) + 1}.png"
                    picture = base64.b64decode("".join(output["data"]["image/png"]))
                    (source / "gallery" / name).write_bytes(picture)
                    call = "".join(cell["source"]).strip()
                    shown += [
                        f"![Figure {len(shown) + 1} of {path.stem}](gallery/{name})",
                        "",
                        f"```python\n{call}\n```",
                        "",
                    ]
        if shown:
            lines += [
                f"## {title.removeprefix('# ')}",
                "",
                f"[Notebook {path.stem}](notebooks/{path.name})",
                "",
                *shown,
            ]
    return "\n".join(lines)


_ERRORS = (
    "QuestionError",
    "RecordError",
    "NotebookError",
    "ExtractError",
    "TableError",
    "MissingPackage",
    "NoFiniteMaximum",
)
_WORDS = ("reason", "expected", "mend")


def error_rows() -> dict[str, list[tuple[str, ...]]]:
    """Return what the kit says of bad input, as it stands in its code.

    Returns
    -------
    dict of str to list of tuple
        By module: (what is wrong, what was expected, how to mend it) of the checks of rows, (message,) of errors that
        stop a command; what is filled in stands in braces.
    """
    found: dict[str, list[tuple[str, ...]]] = {}
    for path in sorted((ROOT / "kit").rglob("*.py")):
        rows = []
        tree = ast.parse(path.read_text(encoding="utf-8"))
        named = {
            node.targets[0].id: text
            for node in ast.walk(tree)
            if isinstance(node, ast.Assign)
            and isinstance(node.targets[0], ast.Name)
            and (text := _said(node.value))
        }
        for node in ast.walk(tree):
            if isinstance(node, ast.Call):
                words = {
                    one.arg: _said(one.value) or named.get(ast.unparse(one.value), "")
                    for one in node.keywords
                    if one.arg in _WORDS
                }
                if words.get("reason"):
                    rows.append(tuple(words.get(name, "") for name in _WORDS))
            elif isinstance(node, ast.Raise) and (said := _stops_with(node)):
                rows.append((said,))
        if rows:
            found[path.relative_to(ROOT).as_posix()] = list(dict.fromkeys(rows))
    return found


def _stops_with(node: ast.Raise) -> str:
    """Return the message of an error about input that stops a command; "" for any other."""
    if not (isinstance(node.exc, ast.Call) and node.exc.args):
        return ""
    return _said(node.exc.args[0]) if ast.unparse(node.exc.func).split(".")[-1] in _ERRORS else ""


def _said(node: ast.expr) -> str:
    """Return the text of a literal, with what is filled in between braces; "" for anything else."""
    if isinstance(node, ast.Constant) and isinstance(node.value, str):
        return node.value
    if isinstance(node, ast.JoinedStr):
        return "".join(
            str(part.value) if isinstance(part, ast.Constant) else "{" + ast.unparse(part.value) + "}"
            for part in node.values
        )
    if isinstance(node, ast.ListComp):
        return _said(node.elt)
    return ""


def errors_page() -> str:
    """Return the index of errors.

    Returns
    -------
    str
        Markdown, one section a module.
    """
    lines = [
        "# Error index",
        "",
        "What the kit says of input that it cannot use, or uses only with a warning, read from its code; what stands in braces is filled in. "
        "A row that is wrong is named by file, row, column and value. An error that stops a command ends it with status 2.",
        "",
        "Search for the words of your message that are no name, number or day.",
        "",
    ]
    for module, rows in error_rows().items():
        lines += [f"## {module}", ""]
        checks, stops = [row for row in rows if len(row) == 3], [row for row in rows if len(row) == 1]
        if checks:
            lines += ["| what is wrong | expected | how to mend it |", "| --- | --- | --- |"]
            lines += ["| " + " | ".join(_cell(one) for one in row) + " |" for row in checks] + [""]
        if stops:
            lines += ["| stops with |", "| --- |", *(f"| {_cell(row[0])} |" for row in stops), ""]
    return "\n".join(lines)


def _cell(text: str) -> str:
    """Return text as a cell of a Markdown table that shows it letter by letter."""
    plain = " ".join(text.split()).replace("`", "'").replace("|", "/")
    return f"`{plain}`" if plain else ""


class _Page(HTMLParser):
    """What a page refers to, and what may be referred to on it."""

    def __init__(self) -> None:
        super().__init__()
        self.links: list[str] = []
        self.anchors: set[str] = set()
        self.fetched: list[str] = []

    def handle_starttag(self, tag: str, attributes: list[tuple[str, str | None]]) -> None:
        given = {name: value or "" for name, value in attributes}
        self.anchors |= {given[name] for name in ("id", "name") if name in given}
        if tag == "a" and "href" in given:
            self.links.append(given["href"])
        for name in ("src", "data") if tag != "a" else ():
            if given.get(name):
                self.fetched.append(given[name])
        if tag == "link" and given.get("href") and given.get("rel") != "canonical":
            self.fetched.append(given["href"])


def broken_links(site: Path) -> list[str]:
    """Return what does not hold of the links of a site.

    Parameters
    ----------
    site : Path
        Folder of its pages.

    Returns
    -------
    list of str
        Page and link: files and anchors that are not there, and whatever a page would fetch from elsewhere.
    """
    pages = {}
    for path in sorted(site.rglob("*.html")):
        page = _Page()
        page.feed(path.read_text(encoding="utf-8"))
        pages[path.resolve()] = page
    wrong = []
    for path, page in pages.items():
        where = path.relative_to(site.resolve()).as_posix()
        for link in page.links + page.fetched:
            parts = urlsplit(html.unescape(link))
            if parts.scheme == "data" or (parts.scheme in ("mailto", "javascript") and link in page.links):
                continue
            if parts.scheme or parts.netloc:
                wrong += [f"{where}: fetches {link}"] if link in page.fetched else []
                continue
            file, anchor = urldefrag(link)
            file = urlsplit(file).path
            target = (path.parent / unquote(file)).resolve() if file else path
            target = target / "index.html" if target.is_dir() else target
            if not target.is_file():
                wrong.append(f"{where}: {link} is not there")
            elif anchor and target in pages and unquote(anchor) not in pages[target].anchors:
                wrong.append(f"{where}: {link} has no such place")
    return wrong


def packages() -> list[str]:
    """Return the public packages.

    Returns
    -------
    list of str
        In the order of the alphabet.
    """
    import kit

    names = [one.name for one in pkgutil.iter_modules(kit.__path__) if one.name not in _NOT_PUBLIC]
    return sorted(names)


def lay_out(source: Path) -> None:
    """Put together what the site is made from.

    Parameters
    ----------
    source : Path
        Folder to make anew.
    """
    shutil.rmtree(source, ignore_errors=True)
    shutil.copytree(DOCS, source, ignore=shutil.ignore_patterns("_site", "__pycache__"))
    shutil.copytree(
        ROOT / "notebooks", source / "notebooks", ignore=shutil.ignore_patterns("*.py", ".*", "__*")
    )
    for page in source.rglob("*.md"):
        depth = len(page.relative_to(source).parents) - 1
        text = page.read_text(encoding="utf-8")
        page.write_text(_beside_notebooks(text, depth), encoding="utf-8")
    for name in _FROM_TOP:
        text = (ROOT / name).read_text(encoding="utf-8")
        (source / name.lower()).write_text(_moved(text), encoding="utf-8")
    (source / "gallery.md").write_text(gallery_page(source), encoding="utf-8")
    (source / "errors.md").write_text(errors_page(), encoding="utf-8")
    for name in packages():
        page = source / "api" / f"{name}.rst"
        page.parent.mkdir(exist_ok=True)
        page.write_text(api_page(name), encoding="utf-8")


def _beside_notebooks(text: str, depth: int) -> str:
    """Return a page of docs/ with links that hold where notebooks and pages from the top stand among its pages."""
    up = "../" * depth
    text = text.replace(f"]({up}../notebooks/", f"]({up}notebooks/")
    for name in _FROM_TOP:
        text = text.replace(f"]({up}../{name}", f"]({up}{name.lower()}")
    return text


def _moved(text: str) -> str:
    """Return a page from the top with links that hold where the site has it."""
    text = _INTO_DOCS.sub("](", text)
    for name in _FROM_TOP:
        text = text.replace(f"]({name})", f"]({name.lower()})")
    return text


def build() -> int:
    """Build the site.

    Returns
    -------
    int
        0 where it was built without a warning and every link holds.
    """
    from sphinx.cmd.build import build_main

    source, html_folder = SITE / "source", SITE / "html"
    lay_out(source)
    shutil.rmtree(html_folder, ignore_errors=True)
    options = ["-q", "-W", "--keep-going", "-d", str(SITE / "doctrees"), "-b", "html"]
    status = build_main([*options, str(source), str(html_folder)])
    for page in (html_folder / "notebooks").glob(
        "*.html"
    ):  # links in what a cell put out are taken as they are
        page.write_text(
            _OUTPUT_LINK.sub(r'href="\1.html', page.read_text(encoding="utf-8")), encoding="utf-8"
        )
    wrong = broken_links(html_folder) if status == 0 else []
    for line in wrong:
        sys.stderr.write(line + "\n")
    return status or int(bool(wrong))


if __name__ == "__main__":
    sys.exit(build())
