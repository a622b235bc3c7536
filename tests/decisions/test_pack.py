"""An evidence pack is all that another machine needs to run a decision again."""

import datetime as dt
import json
import shutil
import zipfile
from hashlib import sha256

import pytest
from support import DEMO

import kit
from kit.decisions import RecordError, compare, open_pack, pack_decision, read_decision, rerun, write_decision
from kit.decisions.record import set_aside


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


@pytest.mark.long
def test_a_row_and_the_question_altered_in_a_pack_whose_digests_were_made_anew_are_found_by_the_record(
    packed, tmp_path
):
    """The list of digests is no lock: what the record says of its rows and its question is held against them."""
    with zipfile.ZipFile(packed) as source:
        files = {name: source.read(name) for name in source.namelist()}
    rows = files["data/findings.csv"].decode().splitlines()
    rows[1] = (
        rows[1].replace("moisture_disbond", "dent").replace("core_damage", "dent").replace("disbond", "dent")
    )
    files["data/findings.csv"] = ("\n".join(rows) + "\n").encode()
    asked = json.loads(files["question.json"])
    files["question.json"] = json.dumps(asked | {"horizon": asked["horizon"] * 1.5}).encode()
    stated = json.loads(files.pop("manifest.json"))
    stated["files"] = {name: sha256(content).hexdigest() for name, content in files.items()}
    with zipfile.ZipFile(tmp_path / "other.zip", "w") as target:
        for name, content in (files | {"manifest.json": json.dumps(stated).encode()}).items():
            target.writestr(name, content)
    with open_pack(tmp_path / "other.zip") as (record, fleet):
        result = rerun(record, fleet)
    assert {"data changed in place", "question altered"} <= set(result.verdicts)
    assert rows[1].split(",")[0] in set(result.row_changes["id"])


@pytest.mark.long
def test_the_pack_of_the_demo_is_small_and_says_what_the_demo_says(demo_fleet, tmp_path):
    """Under 3 MB; rows set aside are named alike, though fewer rows stand around them in the pack."""
    path = pack_decision(DEMO / "decisions" / "D-07.json", demo_fleet, tmp_path / "D-07.pack.zip")
    assert path.stat().st_size < 3_000_000
    with open_pack(path) as (record, fleet):
        then = read_decision(record)
        now = fleet.as_known_on(then.known_on)
    here = demo_fleet.as_known_on(then.known_on)
    assert now.fingerprint() == here.fingerprint()
    aside = compare({"set_aside": list(set_aside(here))}, {"set_aside": list(set_aside(now))})
    assert len(aside) > 5
    assert {one.state for one in aside} == {"same"}


def test_what_is_no_archive_is_refused(tmp_path):
    (tmp_path / "x.zip").write_bytes(b"no archive")
    with pytest.raises(RecordError, match="not an evidence pack"), open_pack(tmp_path / "x.zip"):
        pass
