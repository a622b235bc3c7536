"""Fixtures that several parts of the tests share."""

from __future__ import annotations

import gc
import os
from collections.abc import Iterator
from pathlib import Path

import hypothesis
import pandas as pd
import pytest
from support import DEMO, QUESTION, Hand, Tiny

import kit
from kit.findings import Fleet
from kit.simulate import default_scenario, make_demo

# Two workers with two threads of linear algebra each get in each other's way; workers and kernels inherit this.
for _name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")


# Of each law a quarter of the examples in the fast suite; CI asks for all of them: HYPOTHESIS_PROFILE=thorough. On a
# machine with other work an example takes longer than any deadline.
hypothesis.settings.register_profile("thorough", max_examples=100, deadline=None)
hypothesis.settings.register_profile("quick", max_examples=25, deadline=None)
hypothesis.settings.load_profile(os.environ.get("HYPOTHESIS_PROFILE", "quick"))


# Workers that share the tests are given the width of a terminal; a command's output has one only where a test says so.
os.environ.pop("COLUMNS", None)


# What imports and collection make stays to the end: the garbage collector need not go round it again and again.
gc.disable()


def pytest_collection_finish() -> None:
    """Let the garbage collector begin with what the tests make."""
    gc.freeze()
    gc.set_threshold(20_000, 10, 10)
    gc.enable()


@pytest.fixture
def plain_text() -> Iterator[None]:
    """Keep text as pandas does without pyarrow: twice as fast for tables of a few rows.

    The tables made by hand are loaded so, the demo fleet and the simulated ones with pyarrow where it is
    installed: the same code is held with and without it.
    """
    with pd.option_context("mode.string_storage", "python"):
        yield


@pytest.fixture
def tiny(tmp_path: Path, plain_text: None) -> Tiny:
    return Tiny(tmp_path / "tiny")


@pytest.fixture
def hand(tmp_path: Path, plain_text: None) -> Hand:
    return Hand(tmp_path / "hand")


@pytest.fixture(scope="session")
def demo_fleet(tmp_path_factory) -> Fleet:
    """Return the demo fleet of the repository, its rejected rows written elsewhere."""
    return kit.load_fleet(DEMO, set_aside=tmp_path_factory.mktemp("demo") / "rejected_rows.csv")


@pytest.fixture(scope="session")
def demo_evidence(demo_fleet) -> kit.Evidence:
    return kit.Evidence(demo_fleet)


@pytest.fixture(scope="session")
def small_folder(tmp_path_factory) -> Path:
    """Return a simulated fleet of ten aircraft; not to be altered, copy it for that."""
    return make_demo(
        tmp_path_factory.mktemp("small") / "fleet", seed=5, scenario=default_scenario(n_aircraft=10)
    )


@pytest.fixture(scope="session")
def small_fleet(small_folder) -> Fleet:
    return kit.load_fleet(small_folder, set_aside=small_folder.parent / "rejected_rows.csv")


@pytest.fixture(scope="session")
def small_evidence(small_fleet) -> kit.Evidence:
    return kit.Evidence(small_fleet)


@pytest.fixture(scope="session")
def question_text() -> str:
    """Return a question of one kind of damage, with growth and size at onset stated."""
    return QUESTION


@pytest.fixture(scope="session")
def small_question(tmp_path_factory) -> kit.Question:
    path = tmp_path_factory.mktemp("question") / "small.toml"
    path.write_text(QUESTION)
    return kit.read_question(path)
