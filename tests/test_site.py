"""The documentation as a site: built without a warning, every link holds, every command on its pages is one."""

import importlib.util
import re
import shlex
import subprocess
import sys

import click
import pytest
import typer
from support import DEMO

import kit
from kit.__main__ import app

DOCS = DEMO.parent / "docs"
PAGES = ["first_fleet.md", *(f"roles/{path.name}" for path in sorted((DOCS / "roles").glob("*.md")))]
TOP = typer.main.get_command(app)


def make_site():
    spec = importlib.util.spec_from_file_location("make_site", DOCS / "make_site.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def commands(page):
    """Lines of the blocks of shell on a page."""
    text = (DOCS / page).read_text(encoding="utf-8")
    return [
        line for block in re.findall(r"```sh\n(.*?)```", text, re.S) for line in block.splitlines() if line
    ]


def test_a_link_that_does_not_hold_and_what_would_be_fetched_are_named(tmp_path):
    (tmp_path / "b.html").write_text('<h1 id="top">B</h1>')
    (tmp_path / "a.html").write_text(
        '<a href="b.html#top">1</a><a href="b.html#no">2</a><a href="c.html">3</a><img src="http://x.invalid/p.png">'
        '<a href="http://x.invalid/read">a link out is not fetched</a>'
    )
    assert make_site().broken_links(tmp_path) == [
        "a.html: b.html#no has no such place",
        "a.html: c.html is not there",
        "a.html: fetches http://x.invalid/p.png",
    ]


def test_links_between_pages_hold_in_the_repository_as_well():
    top = DOCS.parent
    for page in [*top.glob("*.md"), *DOCS.rglob("*.md")]:
        if "_site" in page.parts:
            continue
        for link in re.findall(r"\]\(([^)#\s]+)[^)]*\)", page.read_text(encoding="utf-8")):
            if page.name != "index.md" and not link.startswith("http"):
                assert (page.parent / link).exists(), f"{page.relative_to(top)}: {link}"


def test_each_role_of_the_trade_has_a_page_with_question_command_notebook_and_what_to_sign():
    assert len(PAGES) == 5
    for page in PAGES[1:]:
        text = (DOCS / page).read_text(encoding="utf-8")
        assert "**The question.**" in text, page
        for heading in ("## Command", "## Notebook", "## What to sign"):
            assert heading in text, (page, heading)


@pytest.mark.parametrize("page", PAGES)
def test_commands_on_a_page_are_commands_of_the_kit_with_their_options(page):
    lines = commands(page)
    assert lines
    for line in lines:
        words = shlex.split(line)
        assert words[:3] == ["python", "-m", "kit"], line
        command, rest = TOP, words[3:]
        while isinstance(command, click.Group) or hasattr(command, "commands"):
            command, rest = command.commands[rest[0]], rest[1:]
        known = {name for option in command.params for name in (*option.opts, *option.secondary_opts)}
        assert {word for word in rest if word.startswith("-")} <= known, line


def test_every_reason_that_a_check_gives_stands_in_the_error_index():
    page = make_site().errors_page()
    for words in (
        "sizes of the group are smaller",
        "the hinge line is not one straight line",
        "a size without a unit",
    ):
        assert words in page, words
    assert "| stops with |" in page


def test_a_name_for_a_type_is_documented_as_data():
    """It can be called like a function, and has no signature: the builder warned."""
    assert ".. py:data:: kit.posterior.DrawsKey" in make_site().api_page("posterior")


def test_every_public_package_has_a_page_that_names_each_of_its_names():
    site = make_site()
    names = {name for name in site.packages() if name != "simulate"}
    assert {"findings", "intervals", "decisions", "figures"} <= names
    for name in kit.__all__:
        assert (
            any(f".{name}\n" in site.api_page(package) for package in site.packages()) or name == "CAUTIONS"
        ), name


@pytest.mark.long
def test_the_site_is_built_without_a_warning_and_every_link_holds():
    # In a process of its own: the builder's warnings about its own parts are not the kit's, and are errors in here.
    built = subprocess.run(
        [sys.executable, str(DOCS / "make_site.py")], capture_output=True, text=True, check=False
    )
    assert built.returncode == 0, built.stdout[-2000:] + built.stderr[-2000:]
    html = make_site().SITE / "html"
    assert (html / "search.html").is_file()
    assert "recommend" in (html / "searchindex.js").read_text(encoding="utf-8")
    gallery = (html / "gallery.html").read_text(encoding="utf-8")
    assert gallery.count("<img") > 20


@pytest.fixture(scope="module")
def desk(tmp_path_factory):
    """A folder in which pages are followed; the demo fleet is made once."""
    return tmp_path_factory.mktemp("desk")


@pytest.mark.long
@pytest.mark.parametrize("page", PAGES[1:])
def test_a_role_page_is_followed_word_for_word(desk, page):
    """An answer may be no (status 1), as the checks of the demo fleet are; input may not be bad (status 2)."""
    for line in commands(page):
        if line == "python -m kit demo fleet" and (desk / "fleet").is_dir():
            continue
        done = subprocess.run(
            [sys.executable, *shlex.split(line)[1:]], cwd=desk, capture_output=True, text=True, check=False
        )
        assert done.returncode in (0, 1), f"{line}\n{done.stdout[-2000:]}\n{done.stderr[-2000:]}"
