"""Where the kit runs changes no answer: time zone, locale, line ends, names of folders, and how long it has run."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest
from support import Tiny

from kit.findings import load_fleet
from scale.soak import Soaked


@pytest.fixture
def zone_of_clock(request):
    before = os.environ.get("TZ")
    os.environ["TZ"] = request.param
    time.tzset()
    yield
    os.environ.pop("TZ")
    if before is not None:
        os.environ["TZ"] = before
    time.tzset()


@pytest.mark.skipif(not hasattr(time, "tzset"), reason="this system's time zone is not the process's own")
@pytest.mark.parametrize(
    "zone_of_clock",
    ["Pacific/Kiritimati", pytest.param("America/St_Johns", marks=pytest.mark.long)],
    indirect=True,
)
@pytest.mark.usefixtures("zone_of_clock")
def test_windows_line_ends_and_odd_folders_are_the_same_dataset_in_every_time_zone(tmp_path):
    tiny = Tiny(tmp_path / "Prüfstand Süd (2) ß").left()
    expected = Tiny(tmp_path / "plain").left().write()
    folder = tiny.write()
    for path in folder.glob("*.*"):
        path.write_bytes(b"\xef\xbb\xbf" + path.read_bytes().replace(b"\r\n", b"\n").replace(b"\n", b"\r\n"))
    fleet = load_fleet(folder)
    assert fleet.fingerprint() == load_fleet(expected).fingerprint()
    assert len(fleet.warnings) == 0


@pytest.mark.long
@pytest.mark.parametrize(
    "surroundings", [{"LC_ALL": "C", "PYTHONUTF8": "0"}, {"LC_ALL": "tr_TR.UTF-8", "TZ": "Asia/Kathmandu"}]
)
def test_the_command_says_the_same_in_other_locales(tmp_path, surroundings):
    folder = Tiny(tmp_path / "Prüf stand").left().write()

    def said(more):
        done = subprocess.run(
            [sys.executable, "-m", "kit", "check", str(folder), "--json"],
            env={**os.environ, **more},
            capture_output=True,
            timeout=120,
            check=False,
        )
        assert done.returncode == 0, done.stderr
        return json.loads(done.stdout)

    assert said(surroundings) == said({})


@pytest.mark.long
def test_deciding_over_and_over_does_not_grow():
    """A leak of a fleet or an answer a round is hundreds of KiB; `python tests/scale/soak.py 1000 PAGE` goes on for a thousand.

    In a process of its own: that of the tests puts off the collection of garbage.
    """
    work = "import json; from scale.soak import soak; print(json.dumps(soak(10, rounds_a_load=1).resident.tolist()))"
    told = subprocess.run(
        [sys.executable, "-c", work],
        capture_output=True,
        text=True,
        check=True,
        cwd=Path(__file__).parents[1],
        env=os.environ | {"PYTHONPATH": os.pathsep.join(sys.path)},
    )
    held = json.loads(told.stdout)
    assert held[-1] - held[3] < 1.0, held


@pytest.mark.parametrize(("kib", "holds"), [(0.0, True), (3.0, True), (30.0, False)])
def test_the_soak_fails_where_something_stays(kib: float, holds: bool):
    """A step while pools fill, a saw-tooth within the rounds of one fleet, and what stays of each round."""
    rounds = np.arange(1000)
    held = 200 + 5.0 * (rounds > 90) + 0.3 * (rounds % 10) + kib / 1024 * rounds
    found = Soaked(held, held, seconds=1.0, rounds_a_load=10)
    assert found.growth * 1024 == pytest.approx(kib, abs=1e-6)
    assert found.holds is holds
