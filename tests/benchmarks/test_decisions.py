"""How long a long register takes to verify, beside a floor in the same run; run with --benchmark-only."""

import datetime as dt
import hashlib
import json
import time

import pytest

from kit.decisions import Entry, verify_register

pytestmark = pytest.mark.long

DAY = dt.date(2026, 1, 5)
N_RECORDS = 10_000


def test_a_register_of_ten_thousand_records(benchmark, tmp_path):
    """Asked for: 5 s. The floor reads the lines as plain JSON and digests them, which every reader must."""
    before, lines = "0" * 64, []
    for k in range(1, N_RECORDS + 1):
        entry = Entry(
            number=k,
            before=before,
            what="decision",
            name=f"R{k}",
            digest=hashlib.sha256(str(k).encode()).hexdigest(),
            known_on=DAY,
            made_on=DAY,
            entered_on=DAY,
        )
        before = entry.own_digest
        lines.append(entry.model_dump_json() + "\n")
    path = tmp_path / "register.jsonl"
    path.write_text("".join(lines), encoding="utf-8")

    found = benchmark.pedantic(lambda: verify_register(path, head=entry.code), rounds=3)
    assert (found.holds, len(found.entries)) == (True, N_RECORDS)

    start = time.process_time()
    for line in path.read_bytes().splitlines():
        json.loads(line)
        hashlib.sha256(line).hexdigest()
    floor = time.process_time() - start
    benchmark.extra_info["ratio to the floor"] = benchmark.stats.stats.min / floor
