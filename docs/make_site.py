"""Make the documentation site: lay its sources out, the notebooks and a page for each package among them, and build it.

Run as ``python docs/make_site.py``; the site is docs/_site/html/index.html. A warning stops it.
"""

from __future__ import annotations

import importlib
import pkgutil
import re
import shutil
import sys
from pathlib import Path

DOCS = Path(__file__).resolve().parent
ROOT = DOCS.parent
SITE = DOCS / "_site"
_FROM_TOP = ("README.md", "CHANGELOG.md", "DEVELOPERS.md")
_INTO_DOCS = re.compile(r"\]\(docs/")
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
        kind = "class" if isinstance(value, type) else "function" if callable(value) else "data"
        lines += [f".. auto{kind}:: kit.{package}.{name}", *_options(kind), ""]
    return "\n".join(lines)


def _options(kind: str) -> list[str]:
    """Return the options of a directive: methods of classes by themselves, data without their whole value."""
    if kind == "class":
        return ["   :members:"]
    return ["   :no-value:"] if kind == "data" else []


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
    for name in _FROM_TOP:
        text = (ROOT / name).read_text(encoding="utf-8")
        (source / name.lower()).write_text(_moved(text), encoding="utf-8")
    for name in packages():
        page = source / "api" / f"{name}.rst"
        page.parent.mkdir(exist_ok=True)
        page.write_text(api_page(name), encoding="utf-8")


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
        0 where it was built without a warning.
    """
    from sphinx.cmd.build import build_main

    source, html = SITE / "source", SITE / "html"
    lay_out(source)
    shutil.rmtree(html, ignore_errors=True)
    return build_main(
        ["-q", "-W", "--keep-going", "-d", str(SITE / "doctrees"), "-b", "html", str(source), str(html)]
    )


if __name__ == "__main__":
    sys.exit(build())
