"""Whatever bytes a file holds, its reader reads it or refuses it in words: no other error, and in bounded time.

The bytes are those of a sound file of the kind, cut, doubled and overwritten by hypothesis.
"""

from __future__ import annotations

import os
import shutil
import warnings
from pathlib import Path

import pytest
from findings.stored import to_database, to_parquet, to_workbook
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from support import Tiny

from kit.decisions import RecordError, read_decision
from kit.findings import TableError, load_fleet
from kit.intervals import QuestionError, read_question

DEMO = Path(__file__).parents[2] / "demo_fleet"
REFUSALS = (TableError, QuestionError, RecordError, FileNotFoundError, NotImplementedError)

EDIT = st.one_of(
    st.tuples(st.just("cut"), st.floats(0, 1), st.integers(1, 200)),
    st.tuples(st.just("double"), st.floats(0, 1), st.integers(1, 200)),
    st.tuples(st.just("put"), st.floats(0, 1), st.binary(min_size=1, max_size=12)),
    st.tuples(st.just("over"), st.floats(0, 1), st.binary(min_size=1, max_size=4)),
    st.tuples(
        st.just("put"),
        st.floats(0, 1),
        st.sampled_from([b"\xef\xbb\xbf", b"\x00", b'"', b"\r\n", b"\r", b",", b";", b"\xff\xfe", "\u202e".encode(), b"nan", b"=", b"1e999", b"{", b"[[", b"#", b"'''"]),
    ),
    st.tuples(st.just("end"), st.floats(0, 1), st.just(0)),
)  # fmt: skip


def edited(data: bytes, edits: list[tuple]) -> bytes:
    for kind, place, what in edits:
        at = int(place * len(data))
        if kind == "cut":
            data = data[:at] + data[at + what :]
        elif kind == "double":
            data = data[: at + what] + data[at:]
        elif kind == "put":
            data = data[:at] + what + data[at:]
        elif kind == "over":
            data = data[:at] + what + data[at + len(what) :]
        else:
            data = data[:at]
    return data


def a_table(name: str):
    def make(tmp: Path) -> tuple[Path, Path]:
        folder = Tiny(tmp / "tiny").left().write()
        return folder, folder / f"{name}.csv"

    return make


def a_description(tmp: Path) -> tuple[Path, Path]:
    folder = Tiny(tmp / "tiny").left().write()
    return folder, folder / "dataset.toml"


def a_parquet_table(tmp: Path) -> tuple[Path, Path]:
    folder = to_parquet(Tiny(tmp / "tiny").left().write(), tmp / "parquet")
    return folder, folder / "findings.parquet"


def a_workbook(tmp: Path) -> tuple[Path, Path]:
    path = to_workbook(Tiny(tmp / "tiny").left().write(), tmp / "fleet.xlsx")
    return path, path


def a_database(tmp: Path) -> tuple[str, Path]:
    path = tmp / "fleet.db"
    return to_database(Tiny(tmp / "tiny").left().write(), f"sqlite:///{path}", as_text=True), path


def a_question(tmp: Path) -> tuple[Path, Path]:
    path = Path(shutil.copy(DEMO / "questions" / "flap.toml", tmp))
    return path, path


def a_record(tmp: Path) -> tuple[Path, Path]:
    path = Path(shutil.copy(next((DEMO / "decisions").rglob("D-07.json")), tmp))
    return path, path


LOADED = {
    "findings.csv": a_table("findings"),
    "usage.csv": a_table("usage"),
    "dataset.toml": a_description,
    "findings.parquet": a_parquet_table,
    "fleet.xlsx": a_workbook,
    "fleet.db": a_database,
}
READERS = {
    **{name: (make, lambda source, aside: load_fleet(source, set_aside=aside)) for name, make in LOADED.items()},
    "question": (a_question, lambda source, aside: read_question(source)),
    "record": (a_record, lambda source, aside: read_decision(source)),
}  # fmt: skip
CASES = {"question": 4200, "record": 4000, "dataset.toml": 1400, "findings.csv": 60, "usage.csv": 60, "fleet.xlsx": 120, "fleet.db": 80, "findings.parquet": 80}  # fmt: skip
"""Cases of a long run, 10,000 in all: about three minutes of processor time; KIT_FUZZ_TIMES multiplies them."""


def withstood(reader: str, cases: int, tmp: Path) -> None:
    make, read = READERS[reader]
    source, path = make(tmp)
    sound = path.read_bytes()

    @settings(max_examples=cases, deadline=None, database=None, derandomize=True, suppress_health_check=list(HealthCheck))  # fmt: skip
    @given(st.lists(EDIT, min_size=1, max_size=4))
    def one(edits):
        path.write_bytes(edited(sound, edits))
        try:
            with warnings.catch_warnings():
                warnings.simplefilter("error")
                read(source, tmp / "rejected.csv")
        except REFUSALS as error:
            words = str(error)
        else:
            words = "read"
        assert words.strip()
        assert "Traceback" not in words

    one()


@pytest.mark.parametrize("reader", ["question", "dataset.toml", "fleet.xlsx"])
def test_a_few_odd_files_are_read_or_refused_in_words(reader, tmp_path):
    withstood(reader, 8, tmp_path)


@pytest.mark.long
@pytest.mark.parametrize("reader", READERS)
def test_thousands_of_odd_files_are_read_or_refused_in_words(reader, tmp_path):
    withstood(reader, int(CASES[reader] * float(os.environ.get("KIT_FUZZ_TIMES", "1"))), tmp_path)
