"""The register is a chain: whatever is altered, taken out, put elsewhere or rewritten breaks it where it was done."""

import datetime as dt
import json
import multiprocessing
import os
import re
import signal
import time

import pytest

from kit.decisions import Entry, RecordError, register_add, sign_off, sign_offs_of, verify_register
from kit.decisions.form import digest_of

DAY = dt.date(2026, 1, 5)


@pytest.fixture(scope="module")
def template():
    """A record that was really made, and must only verify."""
    from pathlib import Path

    path = Path(__file__).parents[1] / "data" / "records" / "form_3" / "D-07.json"
    return json.loads(path.read_text(encoding="utf-8"))


@pytest.fixture
def record(template, tmp_path):
    def make(name):
        data = {key: part for key, part in template.items() if key != "digest"} | {"name": name, "curve": []}
        path = tmp_path / f"{name}.json"
        path.write_text(json.dumps(data | {"digest": digest_of(data)}), encoding="utf-8")
        return path

    return make


@pytest.fixture
def register(record, tmp_path):
    """Four decisions, one of them signed."""
    path = tmp_path / "register.jsonl"
    for k, name in enumerate("ABC"):
        register_add(path, record(name), on=DAY + dt.timedelta(days=k))
    sign_off(
        path, tmp_path / "B.json", role="certifying engineer", note="agreed", on=DAY + dt.timedelta(days=3)
    )
    register_add(path, record("D"), on=DAY + dt.timedelta(days=4))
    return path


def lines_of(path):
    return path.read_text(encoding="utf-8").splitlines()


def write(path, lines):
    path.write_text("".join(f"{line}\n" for line in lines), encoding="utf-8")


def test_a_register_holds_its_entries_and_its_head_is_a_short_code(register, tmp_path):
    found = verify_register(register, folder=tmp_path)
    assert found.holds
    assert [(one.what, one.name) for one in found.entries] == [
        ("decision", "A"), ("decision", "B"), ("decision", "C"), ("sign-off", "B"), ("decision", "D"),
    ]  # fmt: skip
    assert len(found.head) == 19
    assert set(found.head) <= set("ABCDEFGHIJKLMNOPQRSTUVWXYZ234567-")
    assert verify_register(register, head=found.head.lower().replace("-", "")).holds


def test_a_code_kept_before_entries_were_added_still_holds(register, record):
    head = verify_register(register).head
    register_add(register, record("E"), on=DAY + dt.timedelta(days=9))
    found = verify_register(register, head=head)
    assert found.holds
    assert "the code kept is that of entry 5 of 6: 1 were added since" in found.notes


def test_the_same_record_is_entered_once(register, tmp_path):
    before = register.read_bytes()
    assert register_add(register, tmp_path / "C.json").number == 3
    assert register.read_bytes() == before


def test_sign_offs_say_who_when_and_which_record(register, tmp_path):
    digest = json.loads((tmp_path / "B.json").read_text())["digest"]
    (signed,) = sign_offs_of(register, digest)
    assert (signed.role, signed.note, signed.digest) == ("certifying engineer", "agreed", digest)
    assert signed.entered_on == DAY + dt.timedelta(days=3)
    assert sign_offs_of(tmp_path / "none.jsonl", digest) == ()
    with pytest.raises(RecordError, match="must say who signs"):
        sign_off(register, tmp_path / "B.json", role=" ")
    for texts in ({"role": "a\nthe chain holds"}, {"role": "a", "note": "\x1b[2J"}, {"role": "a\u202e"}):
        with pytest.raises(RecordError, match="must be one line of plain text"):
            sign_off(register, tmp_path / "B.json", **texts)


ATTACKS = {
    "altered": (lambda lines: [lines[0], lines[1].replace('"B"', '"Z"'), *lines[2:]], "entry 3"),
    "back-dated": (
        lambda lines: [*lines[:2], lines[2].replace("2026-01-07", "2019-07-01"), *lines[3:]],
        "entry 3",
    ),
    "cut out": (lambda lines: lines[:1] + lines[2:], "entry 3 stands in place 2"),
    "re-ordered": (lambda lines: [lines[1], lines[0], *lines[2:]], "entry 2 stands in place 1"),
    "swapped": (
        lambda lines: [
            json.dumps(json.loads(lines[1]) | {"number": 1, "before": "0" * 64}),
            json.dumps(json.loads(lines[0]) | {"number": 2}),
            *lines[2:],
        ],
        "entry 2",
    ),
    "doubled": (lambda lines: [lines[0], *lines], "entry 1 stands in place 2"),
    "no entry": (lambda lines: [*lines[:2], '{"number": 3, "number": 3}', *lines[3:]], "line 3 is no entry"),
    "a number as text": (
        lambda lines: [lines[0].replace('"number":1', '"number":"1"'), *lines[1:]],
        "line 1 is no entry (number '1' is not as entries are written)",
    ),
    "a day with a time": (
        lambda lines: [*lines[:4], re.sub(r'("known_on":"[0-9-]+)"', r'\1T00:00:00"', lines[4])],
        "line 5 is no entry (known_on",
    ),
    "a note added": (lambda lines: [*lines[:3], lines[3].replace("agreed", "refused"), lines[4]], "entry 5"),
}


@pytest.mark.parametrize("name", ATTACKS)
def test_the_first_broken_link_is_named(register, name):
    attack, words = ATTACKS[name]
    write(register, attack(lines_of(register)))
    found = verify_register(register)
    assert not found.holds
    assert found.problems[0].startswith("first broken link: ")
    assert words in found.problems[0]
    with pytest.raises(RecordError, match="nothing is added to a broken register"):
        register_add(register, register.parent / "A.json")


def test_a_tail_cut_off_or_a_register_made_anew_is_found_out_by_the_code_alone(register, record, tmp_path):
    """A chain that is whole in itself: only the code kept elsewhere tells."""
    head = verify_register(register).head
    write(register, lines_of(register)[:-1])
    assert verify_register(register).holds
    assert "is that of no entry" in verify_register(register, head=head).problems[0]
    register.unlink()
    for name in "ABCD":
        register_add(register, tmp_path / f"{name}.json", on=DAY)
    assert verify_register(register).holds
    assert not verify_register(register, head=head).holds


def test_a_record_altered_exchanged_or_removed_since_is_named(register, record, template, tmp_path):
    (tmp_path / "A.json").unlink()
    (tmp_path / "B.json").write_text(
        (tmp_path / "B.json").read_text().replace("agreed", "x").replace('"seed"', '"seed" ')
    )
    data = {key: part for key, part in template.items() if key != "digest"} | {
        "name": "C",
        "cautions": ["All fine."],
    }
    (tmp_path / "C.json").write_text(json.dumps(data | {"digest": digest_of(data)}))
    record("E")
    found = verify_register(register, folder=tmp_path)
    assert len(found.problems) == 2
    assert "the record A is not in" in found.problems[0]
    assert "C.json is not the record that was entered" in found.problems[1]
    assert "E.json is in no entry of the register" in found.notes


def test_an_entry_is_never_dated_before_the_one_before_it(register, record):
    with pytest.raises(RecordError, match=r"entry 6 \(E\) is dated 2019-07-01, before entry 5"):
        register_add(register, record("E"), on=dt.date(2019, 7, 1))
    assert len(verify_register(register).entries) == 5


def test_a_record_of_2019_made_today_says_so(record, register, template, tmp_path):
    data = {key: part for key, part in template.items() if key != "digest"} | {
        "name": "late",
        "record": 4,
        "made_on": "2026-01-09",
    }
    (tmp_path / "late.json").write_text(json.dumps(data | {"digest": digest_of(data)}))
    register_add(register, tmp_path / "late.json", on=DAY + dt.timedelta(days=5))
    assert (
        "entry 6, late: on what was known on 2019-06-30, but made on 2026-01-09"
        in verify_register(register).notes
    )


def test_an_altered_record_is_not_entered(record, tmp_path):
    path = record("A")
    path.write_text(path.read_text().replace('"curve": []', '"curve": [{"repeat": 1}]'))
    with pytest.raises(RecordError, match="does not match its own digest"):
        register_add(tmp_path / "register.jsonl", path)


def test_an_unfinished_line_of_a_stopped_writer_counts_for_nothing_and_is_cleared(register, record):
    with register.open("a") as file:
        file.write('{"number": 6, "bef')
    found = verify_register(register)
    assert found.holds
    assert any("unfinished last line" in note for note in found.notes)
    register_add(register, record("E"), on=DAY + dt.timedelta(days=9))
    found = verify_register(register)
    assert (found.holds, len(found.entries), found.notes) == (True, 6, ())


def test_a_file_that_is_no_register_is_none_though_it_has_no_line_at_all(tmp_path):
    (tmp_path / "x").write_bytes(bytes(99))
    assert verify_register(tmp_path / "x").problems == (
        "first broken link: line 1 is no entry, nor the beginning of one",
    )


def test_a_writer_stopped_after_any_byte_of_its_line_leaves_a_register_that_holds_and_goes_on(
    register, record
):
    """Killed while it was writing: before the first byte, after the last, and anywhere between."""
    *before, last = register.read_bytes().splitlines(keepends=True)
    for cut in range(0, len(last) + 1, 41):
        register.write_bytes(b"".join(before) + last[:cut])
        assert verify_register(register).holds
        assert len(verify_register(register).entries) == len(before) + (cut == len(last))
    register.write_bytes(b"".join(before) + last[:-1])  # all but the end of the line
    register_add(register, record("E"), on=DAY + dt.timedelta(days=9))
    assert [one.name for one in verify_register(register).entries][-1] == "E"


def test_a_file_that_stands_in_for_the_one_that_is_read_is_named(register, template, tmp_path):
    """A true copy in a folder of its own must not hide a record that was exchanged."""
    (tmp_path / "kept").mkdir()
    (tmp_path / "kept" / "C.json").write_bytes((tmp_path / "C.json").read_bytes())
    assert verify_register(register, folder=tmp_path).holds
    data = {key: part for key, part in template.items() if key != "digest"} | {"name": "C", "cautions": []}
    (tmp_path / "C.json").write_text(json.dumps(data | {"digest": digest_of(data)}))
    (problem,) = verify_register(register, folder=tmp_path).problems
    assert "C.json is not the record that was entered" in problem


def test_an_entry_is_never_dated_before_its_record_was_made(register, template, tmp_path):
    """Whoever puts an old day on an entry of a record of today is found out by the record itself."""
    data = {key: part for key, part in template.items() if key != "digest"} | {
        "name": "late",
        "record": 4,
        "made_on": "2026-03-01",
    }
    path = tmp_path / "late.json"
    path.write_text(json.dumps(data | {"digest": digest_of(data)}))
    words = r"is dated 2026-01-10, before 2026-03-01, on which the record says"
    with pytest.raises(RecordError, match=words):
        register_add(register, path, on=DAY + dt.timedelta(days=5))
    entry = verify_register(register).entries[-1]
    forged = entry.model_copy(
        update={
            "number": 6,
            "before": entry.own_digest,
            "digest": json.loads(path.read_text())["digest"],
            "name": "late",
            "made_on": dt.date(2026, 3, 1),
            "entered_on": dt.date(2026, 1, 10),
        }
    )
    write(register, [*lines_of(register), forged.model_dump_json()])
    assert "2026-03-01" in verify_register(register).problems[0]


def test_a_sign_off_of_a_record_that_was_never_entered_is_named(register):
    last = verify_register(register).entries[-1]
    forged = last.model_copy(
        update={
            "number": 6,
            "before": last.own_digest,
            "what": "sign-off",
            "role": "chief",
            "digest": "b" * 64,
        }
    )
    write(register, [*lines_of(register), forged.model_dump_json()])
    assert verify_register(register).problems == (
        "entry 6 signs a record of D that no entry before it enters",
    )


def _enter(register, paths):
    for path in paths:
        register_add(register, path, on=DAY)


def test_two_writers_at_once_lose_nothing_and_break_nothing(record, tmp_path):
    paths = [record(f"R{k}") for k in range(12)]
    context = multiprocessing.get_context("fork")
    writers = [
        context.Process(target=_enter, args=(tmp_path / "r.jsonl", some))
        for some in (paths[::2], paths[1::2])
    ]
    for one in writers:
        one.start()
    for one in writers:
        one.join()
    found = verify_register(tmp_path / "r.jsonl")
    assert found.holds
    assert {one.name for one in found.entries} == {path.stem for path in paths}


def _sign_for_ever(register, paths):
    """Every call adds a line, so that a kill always meets a writer."""
    for k in range(100_000):
        sign_off(register, paths[k % len(paths)], role=f"role {k}", on=DAY)


@pytest.mark.long
def test_two_hundred_kills_at_random_moments_leave_a_valid_register(record, tmp_path):
    """Two writers at once, both killed; what was in the register before is still its beginning."""
    import numpy as np

    rng = np.random.default_rng(1)
    paths = [record(f"R{k}") for k in range(4)]
    register = tmp_path / "r.jsonl"
    register_add(register, paths[0], on=DAY)
    context = multiprocessing.get_context("fork")
    before, added = verify_register(register).entries, 0
    for kill in range(100):
        writers = [context.Process(target=_sign_for_ever, args=(register, paths)) for _ in range(2)]
        for writer in writers:
            writer.start()
        time.sleep(float(rng.uniform(0.0, 0.06)))
        for writer in writers:
            assert writer.is_alive()
            os.kill(writer.pid, signal.SIGKILL)
            writer.join()
        found = verify_register(register)
        assert found.holds, kill
        assert found.entries[: len(before)] == before
        added += len(found.entries) - len(before)
        before = found.entries
        if len(before) > 100:  # a longer chain takes longer to be read, and tells no more
            register.unlink()
            register_add(register, paths[0], on=DAY)
            before = verify_register(register).entries
    assert added > 20
    sign_off(register, paths[1], role="last", on=DAY)
    assert verify_register(register).holds


def test_entries_may_be_signed_by_a_key_that_the_user_holds(record, tmp_path):
    ed25519 = pytest.importorskip("cryptography.hazmat.primitives.asymmetric.ed25519")
    from cryptography.hazmat.primitives import serialization as form

    for name in ("own", "other"):
        key = ed25519.Ed25519PrivateKey.generate()
        private = key.private_bytes(form.Encoding.PEM, form.PrivateFormat.PKCS8, form.NoEncryption())
        public = key.public_key().public_bytes(form.Encoding.PEM, form.PublicFormat.SubjectPublicKeyInfo)
        (tmp_path / f"{name}.pem").write_bytes(private)
        (tmp_path / f"{name}.pub").write_bytes(public)
    register = tmp_path / "r.jsonl"
    register_add(register, record("A"), key=tmp_path / "own.pem", on=DAY)
    assert verify_register(register, signer=tmp_path / "own.pub").holds
    assert "is not signed by that key" in verify_register(register, signer=tmp_path / "other.pub").problems[0]
    register_add(register, record("B"), on=DAY)
    assert "entry 2 (B) is not signed" in verify_register(register, signer=tmp_path / "own.pub").problems[0]
    assert verify_register(register).holds
    first, second = lines_of(register)
    signature = json.loads(first)["signature"]
    write(register, [first.replace(signature, "00" * 64), second])
    assert "a signature that is not of its key" in verify_register(register).problems[0]
    with pytest.raises(RecordError, match="Ed25519 private key as PEM"):
        register_add(register, record("C"), key=tmp_path / "own.pub")


def chained(entries):
    """Entries put one behind the other again by an author who rewrites all of it."""
    lines, before = [], "0" * 64
    for number, one in enumerate(entries, 1):
        entry = Entry.model_validate(one.model_dump() | {"number": number, "before": before})
        lines.append(entry.model_dump_json())
        before = entry.own_digest
    return lines


@pytest.mark.parametrize(
    ("place", "change", "words"),
    [
        (0, {"known_on": dt.date(2012, 1, 1)}, "entry 1 says otherwise than its record A.json: known_on"),
        (1, {"made_on": dt.date(2012, 1, 1)}, "entry 2 says otherwise than its record B.json: made_on"),
        (
            3,
            {"name": "D"},
            r"entry 4 (D) signs the record of entry 2, of which it says otherwise: name B there, D here",
        ),
    ],
)
def test_a_chain_made_anew_with_other_days_or_names_than_its_records_is_found_out(
    register, tmp_path, place, change, words
):
    """Whole as a chain, but the records themselves say otherwise."""
    entries = list(verify_register(register).entries)
    entries[place] = entries[place].model_copy(update=change)
    write(register, chained(entries))
    problems = verify_register(register, folder=tmp_path).problems
    assert any(words in one for one in problems)


def test_an_entry_of_a_day_to_come_is_said(register, record):
    register_add(register, record("E"), on=dt.date.today() + dt.timedelta(days=400))
    assert any("is still to come" in note for note in verify_register(register).notes)


def test_a_signature_taken_off_is_found_out_without_the_key(record, tmp_path):
    """The key stays in the entry, as it is in the chain of digests; the signature is not."""
    pytest.importorskip("cryptography")
    from cryptography.hazmat.primitives import serialization
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

    pem = serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption()
    (tmp_path / "own.pem").write_bytes(Ed25519PrivateKey.generate().private_bytes(*pem))
    path = tmp_path / "register.jsonl"
    register_add(path, record("A"), on=DAY, key=tmp_path / "own.pem")
    signature = json.loads(lines_of(path)[0])["signature"]
    write(path, [lines_of(path)[0].replace(signature, "")])
    assert verify_register(path).problems == ("entry 1 (A) has a signature that is not of its key",)


@pytest.mark.long
def test_ten_thousand_entries_are_verified_and_a_broken_one_among_them_is_named(tmp_path):
    """The time is measured by the benchmark of that name; here it is only that a chain of that length holds."""
    before, lines = "0" * 64, []
    for k in range(1, 10_001):
        entry = Entry(
            number=k,
            before=before,
            what="decision",
            name=f"R{k}",
            digest="a" * 64,
            known_on=DAY,
            entered_on=DAY,
        )
        before = entry.own_digest
        lines.append(entry.model_dump_json())
    write(tmp_path / "r.jsonl", lines)
    assert len(verify_register(tmp_path / "r.jsonl").entries) == 10_000
    lines[7_000] = lines[7_000].replace("R7001", "R7002")
    write(tmp_path / "r.jsonl", lines)
    assert "entry 7002" in verify_register(tmp_path / "r.jsonl").problems[0]
