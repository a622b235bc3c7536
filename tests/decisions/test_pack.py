"""An evidence pack is all that another machine needs to run a decision again."""

import datetime as dt
import shutil
import zipfile

import pytest

import kit
from kit.decisions import RecordError, open_pack, pack_decision, rerun, write_decision


@pytest.fixture(scope="module")
def packed(small_evidence, small_question, tmp_path_factory):
    folder = tmp_path_factory.mktemp("pack")
    asked = small_question.model_copy(update={"known_on": dt.date(2019, 6, 30)})
    record = write_decision(kit.recommend(small_evidence, asked), folder)
    return pack_decision(record, small_evidence.fleet)


def test_a_pack_runs_again_without_the_data(packed, tmp_path):
    alone = shutil.copy(packed, tmp_path / "elsewhere.zip")
    with open_pack(alone) as (record, fleet):
        result = rerun(record, fleet)
    assert (result.verdicts, result.reasons) == (("reproduced",), ())
    assert len(result.row_changes) == 0


@pytest.mark.long
def test_a_pack_holds_no_row_that_was_not_known_then(packed, small_evidence):
    with open_pack(packed) as (_, fleet):
        then = small_evidence.fleet.as_known_on("2019-06-30")
        assert fleet.as_known_on("2019-06-30").fingerprint() == then.fingerprint()
        assert (
            max(table["recorded_on"].max() for table in fleet.tables.values() if len(table)) <= then.known_on
        )


def test_packing_twice_gives_the_same_bytes(packed, small_evidence, tmp_path):
    record = packed.with_name("small.json")
    again = pack_decision(record, small_evidence.fleet, tmp_path / packed.name)
    assert again.read_bytes() == packed.read_bytes()


@pytest.mark.parametrize(
    ("name", "content", "words"),
    [
        ("data/limits.csv", b"limit\n", "altered after it was packed: data/limits.csv"),
        ("data/../x", b"", "does not belong in it"),
        ("/etc/x", b"", "does not belong in it"),
        ("more.txt", b"", "altered after it was packed: more.txt"),
    ],
)
def test_an_altered_pack_is_refused_and_nothing_is_written_outside(packed, tmp_path, name, content, words):
    other = tmp_path / "other.zip"
    with zipfile.ZipFile(packed) as source, zipfile.ZipFile(other, "w") as target:
        for one in source.namelist():
            if one != name:
                target.writestr(one, source.read(one))
        target.writestr(name, content)
    with pytest.raises(RecordError, match=words), open_pack(other):
        pass


def test_what_is_no_archive_is_refused(tmp_path):
    (tmp_path / "x.zip").write_bytes(b"no archive")
    with pytest.raises(RecordError, match="not an evidence pack"), open_pack(tmp_path / "x.zip"):
        pass
