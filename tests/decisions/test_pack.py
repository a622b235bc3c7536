"""An evidence pack is all that another machine needs to run a decision again."""

import datetime as dt
import json
import os
import re
import shutil
import zipfile
from hashlib import sha256

import pytest
from support import DEMO

import kit
from kit.decisions import (
    RecordError,
    compare,
    open_pack,
    pack_decision,
    read_decision,
    rerun,
    verify_register,
    write_decision,
)
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
    with (
        pytest.raises(RecordError, match=r"elsewhere\.zip: small\.json: bad"),
        open_pack(alone) as (record, _),
    ):
        raise RecordError(f"{record}: bad")  # as it is told to whoever has the archive, not the folder


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
    chosen = []

    def change(files):
        rows = files["data/findings.csv"].decode().splitlines()
        for kind in ("moisture_disbond", "core_damage", "disbond"):
            rows[1] = rows[1].replace(kind, "dent")
        chosen.append(rows[1].split(",")[0])
        asked = json.loads(files["question.json"])
        return {
            "data/findings.csv": ("\n".join(rows) + "\n").encode(),
            "question.json": json.dumps(asked | {"horizon": asked["horizon"] * 1.5}).encode(),
        }

    made_anew(packed, tmp_path / "other.zip", change)
    with open_pack(tmp_path / "other.zip") as (record, fleet):
        result = rerun(record, fleet)
    assert {"data changed in place", "question altered"} <= set(result.verdicts)
    assert chosen[0] in set(result.row_changes["id"])


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


POD = """
[[pods]]
name = "own"
method = "tap_manual"
skin_class = "thin skin"
side = "outer"
conditions = "hangar"
a50_mm = 20.0
slope = 4.0
plateau = 1.0
far_side_plateau = 0.0
basis = "assumed"
source = "invented"
recorded_on = {}
"""


def made_anew(packed, path, change):
    """A pack of which files were altered, and the list of their digests made anew so that it agrees."""
    with zipfile.ZipFile(packed) as source:
        files = {name: source.read(name) for name in source.namelist()}
    stated = json.loads(files.pop("manifest.json"))
    files |= change(files)
    stated |= json.loads(files.pop("manifest.json", b"{}"))
    stated["files"] = {name: sha256(content).hexdigest() for name, content in files.items()}
    with zipfile.ZipFile(path, "w") as target:
        for name, content in (files | {"manifest.json": json.dumps(stated).encode()}).items():
            target.writestr(name, content)
    return path


FORGED = {
    "cautions": (
        lambda files: {"cautions.txt": b"All fine.\n"},
        "cautions.txt does not say what the record says",
    ),
    "versions": (lambda files: {"versions.json": b"{}\n"}, "versions.json does not say what the record says"),
    "a second record": (
        lambda files: {"other.json": files["small.json"]},
        "other.json does not belong in it",
    ),
    "another record is run": (
        lambda files: {"other.json": files["small.json"], "manifest.json": b'{"record": "other"}'},
        "the record other.json is of small",
    ),
    "a program": (lambda files: {"open_me.exe": b"MZ"}, "open_me.exe does not belong in it"),
    "another digest": (
        lambda files: {"manifest.json": b'{"digest": "0"}'},
        "the digest in manifest.json is not",
    ),
    "a file of the reader": (
        lambda files: {
            "data/dataset.toml": files["data/dataset.toml"].replace(b'"zones.csv"', b'"/etc/passwd"')
        },
        "names files that are not tables in it",
    ),
    "regions elsewhere": (
        lambda files: {"data/dataset.toml": files["data/dataset.toml"] + b'[regions]\nfile = "../x.json"\n'},
        "has regions, which no pack has",
    ),
    "words of its own": (
        lambda files: {"README.txt": files["README.txt"] + b"All fine.\n"},
        "README.txt does not say what a pack says of itself",
    ),
    "a note in the list of digests": (
        lambda files: {"manifest.json": b'{"note": "All fine."}'},
        "must name the record, its digest and the files, and nothing else",
    ),
    "PODs that are none": (lambda files: {"data/pods.toml": b"\xff"}, "data/pods.toml cannot be read"),
    "a POD of later": (
        lambda files: {"data/pods.toml": "".join(map(POD.format, ("2019-01-01", "2020-01-01"))).encode()},
        "data/pods.toml has PODs that were recorded after 2019-06-30",
    ),
    "a row of later": (
        lambda files: {
            "data/usage.csv": re.sub(
                rb"(,20[0-9-]{8})(?=,*\n)", b",2020-05-05", files["data/usage.csv"], count=1
            )
        },
        "data/usage.csv holds rows that were recorded after 2019-06-30",
    ),
    "no description": (lambda files: {"data/dataset.toml": b"\xff"}, "data/dataset.toml cannot be read"),
}


@pytest.mark.parametrize("name", FORGED)
def test_a_pack_that_was_put_together_anew_shows_nothing_that_its_record_does_not_say(packed, tmp_path, name):
    change, words = FORGED[name]
    with (
        pytest.raises(RecordError, match=words),
        open_pack(made_anew(packed, tmp_path / "other.zip", change)),
    ):
        pass


def test_a_packed_question_that_two_readers_could_read_otherwise_is_refused_before_anything_is_run(
    packed, small_evidence, tmp_path
):
    record = shutil.copy(packed.with_name("small.json"), tmp_path)
    with zipfile.ZipFile(packed) as source:
        asked = source.read("question.json")
    for raw, words in (
        (b'{"horizon": 9e9, ' + asked[1:], "the name 'horizon' stands twice"),
        (b"\xef\xbb\xbf" + asked, "byte-order mark"),
        (b"[]", "no JSON object"),
    ):
        (tmp_path / "question.json").write_bytes(raw)
        with pytest.raises(RecordError, match=f"question.json: not the question of a record.*{words}"):
            rerun(record, small_evidence)


def test_a_pack_of_which_a_file_was_taken_out_is_refused(packed, tmp_path):
    def left(files):
        del files["question.json"]
        return {}

    with (
        pytest.raises(RecordError, match=r"question\.json was taken out"),
        open_pack(made_anew(packed, tmp_path / "other.zip", left)),
    ):
        pass


def test_an_archive_made_to_fill_the_memory_is_refused_unread(tmp_path):
    with zipfile.ZipFile(tmp_path / "x.zip", "w", zipfile.ZIP_DEFLATED) as target:
        target.writestr("manifest.json", bytes(9_000_000))
    with (
        pytest.raises(RecordError, match=r"more than [12],\d{3},\d{3} bytes when unpacked from"),
        open_pack(tmp_path / "x.zip"),
    ):
        pass


def test_what_is_no_regular_file_is_never_waited_for(tmp_path):
    """A pipe never ends."""
    os.mkfifo(tmp_path / "pipe")
    for read, words in (
        (read_decision, "not a regular file"),
        (verify_register, "not a regular file"),
        (lambda path: open_pack(path).__enter__(), "not a regular file"),
    ):
        with pytest.raises(RecordError, match=words):
            read(tmp_path / "pipe")


def test_a_spoiled_byte_in_a_file_of_a_pack_is_one_clear_line(packed, tmp_path):
    raw, other = packed.read_bytes(), tmp_path / "other.zip"
    with zipfile.ZipFile(packed) as source:
        entries = source.infolist()
    for one in entries[:: len(entries) // 4]:
        place = one.header_offset + 30 + len(one.filename) + one.compress_size // 2
        other.write_bytes(raw[:place] + bytes([raw[place] ^ 0xFF]) + raw[place + 1 :])
        with pytest.raises(RecordError, match=r"other\.zip"), open_pack(other):
            pytest.fail(f"{one.filename} was altered and nothing said")


def test_what_is_no_archive_is_refused(tmp_path):
    (tmp_path / "x.zip").write_bytes(b"no archive")
    with pytest.raises(RecordError, match="not an evidence pack"), open_pack(tmp_path / "x.zip"):
        pass
