"""A dataset in PostgreSQL means the same as in a CSV folder; the server is private and ends with the tests."""

import os
import pwd
import shutil
import socket
import subprocess
import tempfile
from pathlib import Path

import pytest
import sqlalchemy
from support import DEMO

from findings.stored import copied_by_pandas, to_database
from kit.findings import load_fleet
from kit.findings.read.database import Database

BINARIES = sorted(Path("/usr/lib/postgresql").glob("*/bin/initdb"))
pytestmark = pytest.mark.skipif(
    not BINARIES, reason="PostgreSQL's server is not installed (Debian's package postgresql)"
)


def _as_owner():
    """Run as the user postgres where the tests run as root, whom the server refuses."""
    if os.geteuid():
        return {}
    try:
        owner = pwd.getpwnam("postgres")
    except KeyError:
        pytest.skip("the server may not run as root, and there is no user postgres")
    return {"user": owner.pw_uid, "group": owner.pw_gid, "extra_groups": []}


@pytest.fixture(scope="module")
def server():
    """Return the address of a private server on loopback with one empty database."""
    folder, owner, tools = Path(tempfile.mkdtemp(prefix="pg")), _as_owner(), BINARIES[-1].parent
    if owner:
        os.chown(folder, owner["user"], owner["group"])
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]

    def run(*command):
        done = subprocess.run(
            [str(part) for part in command],
            cwd=folder,
            capture_output=True,
            text=True,
            timeout=60,
            check=False,
            **owner,
        )
        assert done.returncode == 0, done.stdout + done.stderr

    data = folder / "data"
    try:
        run(
            tools / "initdb",
            "-D",
            data,
            "-U",
            "tester",
            "-A",
            "trust",
            "-E",
            "UTF8",
            "--locale=C",
            "--no-sync",
        )
        options = f"-p {port} -c listen_addresses=127.0.0.1 -c unix_socket_directories='' -c fsync=off"
        run(tools / "pg_ctl", "-D", data, "-o", options, "-l", folder / "log", "-w", "start")
        try:
            yield f"postgresql+psycopg://tester@127.0.0.1:{port}/postgres"
        finally:
            run(tools / "pg_ctl", "-D", data, "-m", "immediate", "-w", "stop")
    finally:
        shutil.rmtree(folder)


@pytest.mark.long
@pytest.mark.parametrize("as_text", [False, True])
def test_the_tiny_fleet_is_the_same_from_postgresql(tiny, server, as_text):
    expected = load_fleet(tiny.write())
    fleet = load_fleet(to_database(tiny.folder, server, as_text=as_text))
    assert fleet.fingerprint() == expected.fingerprint()
    assert len(fleet.warnings) == 0


@pytest.mark.long
def test_a_copy_that_pandas_made_is_the_same(demo_fleet, server, tmp_path):
    """Days are timestamps at midnight there, whole numbers with gaps are doubles, and nobody named a type."""
    engine = sqlalchemy.create_engine(server)
    copied_by_pandas(DEMO, engine)
    kinds = {one["name"]: str(one["type"]) for one in sqlalchemy.inspect(engine).get_columns("panels")}
    engine.dispose()
    assert (kinds["fitted_on"], kinds["prior_flight_cycles"]) == ("TIMESTAMP", "DOUBLE PRECISION")
    fleet = load_fleet(server, set_aside=tmp_path / "rejected_rows.csv")
    assert fleet.fingerprint() == demo_fleet.fingerprint()
    assert len(fleet.warnings) == len(demo_fleet.warnings)


@pytest.mark.long
def test_the_demo_fleet_and_its_problems_are_the_same_from_postgresql(demo_fleet, server, tmp_path):
    url = to_database(DEMO, server, as_text=True)
    fleet = load_fleet(url, set_aside=tmp_path / "rejected_rows.csv")
    assert fleet.fingerprint() == demo_fleet.fingerprint()
    for name in ("rejected", "warnings"):
        mine, theirs = getattr(fleet, name), getattr(demo_fleet, name)
        counts = [
            frame[["table", "column", "reason"]].value_counts().sort_index() for frame in (mine, theirs)
        ]
        words = [count.rename(lambda reason: reason.split("(")[0], level="reason") for count in counts]
        assert words[0].to_dict() == words[1].to_dict()
        assert sorted(mine["value"]) == sorted(theirs["value"])


def test_one_transaction_sees_one_state_and_cannot_write(tiny, server):
    url = to_database(tiny.write(), server)
    database = Database(url)
    before, _ = database.given("limits", "limits", "limit")
    engine = sqlalchemy.create_engine(url)
    with engine.begin() as other:
        other.exec_driver_sql("delete from limits")
    engine.dispose()
    assert before.n_rows == database.given("limits", "limits", "limit")[0].n_rows == 1
    assert before.read(["limit"])["limit"].tolist() == ["M1"]
    with pytest.raises(sqlalchemy.exc.InternalError, match="read-only transaction"):
        database._connection.exec_driver_sql("delete from usage")
    database.close()
