"""A decision's folder is there as a whole, the old one or the new one, whenever its writer is killed."""

import os
import signal
import time

import numpy as np
import pytest

from kit.decisions import RecordError, decision_folders, register_path

pytestmark = pytest.mark.skipif(not hasattr(os, "fork"), reason="a writer is killed in a forked process")

STEPS = ("replace", "fsync", "unlink", "rmdir", "mkdir")
"""What a writer asks of the system, before and after each of which it is killed."""


@pytest.fixture(autouse=True)
def quick_disk(monkeypatch):
    """A writer that is killed leaves what it wrote to the system; only a computer that stops needs the disk."""
    monkeypatch.setattr(os, "fsync", lambda handle: None)


def write(out, names, version):
    with decision_folders(out) as folders:
        for name in names:
            stage = folders.stage(name)
            for ending in (".json", ".rows.gz", ".png"):
                (stage / f"{name}{ending}").write_text(version)
        folders.exchange()
        return folders.leftovers


def state(out, name):
    """What the files of a decision say; a whole folder says one thing."""
    return sorted({path.read_text() for path in (out / name).iterdir()}), len(list((out / name).iterdir()))


def killed_at(step, work):
    """Run in a child that ends without any clearing up at a step of its own; return whether it got there."""
    child = os.fork()
    if child == 0:
        n_done = 0
        for name in STEPS:
            real = getattr(os, name)

            def counted(*args, _real=real, **more):
                nonlocal n_done
                n_done += 1
                if n_done == 2 * step + 1:
                    os._exit(9)
                out = _real(*args, **more)
                n_done += 1
                if n_done == 2 * step + 2:
                    os._exit(9)
                return out

            setattr(os, name, counted)
        try:
            work()
        finally:
            os._exit(0)
    return os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) == 9


@pytest.mark.filterwarnings("ignore:This process:DeprecationWarning")
def test_killed_before_or_after_any_step_each_folder_is_the_old_or_the_new_one_as_a_whole(tmp_path):
    """Between the two moves the old folder lies whole beside its place; the next run moves it back and says so."""
    told, step = [], 0
    for step in range(500):
        out = tmp_path / f"{step}"
        write(out, ["A", "B"], "old")
        if not killed_at(step, lambda out=out: write(out, ["A", "B"], "new")):
            break
        with decision_folders(out) as folders:
            told += folders.leftovers
        for name in ("A", "B"):
            assert state(out, name) in ((["old"], 3), (["new"], 3)), (step, name)
        assert sorted(one.name for one in out.iterdir() if one.name != ".lock") == ["A", "B"]
        assert write(out, ["A", "B"], "later") == ()
        assert state(out, "A") == (["later"], 3)
    assert step > 20
    for words in ("was moved back", "is there as a whole", "before it was in its place"):
        assert any(words in one for one in told), words


@pytest.mark.long
@pytest.mark.filterwarnings("ignore:This process:DeprecationWarning")
def test_two_hundred_kills_at_random_moments_leave_whole_folders(tmp_path):
    rng = np.random.default_rng(20261130)
    out = tmp_path / "out"
    write(out, ["A", "B"], "0")
    for kill in range(200):
        child = os.fork()
        if child == 0:
            for k in range(10_000):
                write(out, ["A", "B"], f"{kill}.{k}")
            os._exit(0)
        time.sleep(rng.uniform(0.0, 0.05))
        os.kill(child, signal.SIGKILL)
        os.waitpid(child, 0)
        with decision_folders(out):
            pass
        assert [(len(words), n) for words, n in (state(out, name) for name in "AB")] == [(1, 3), (1, 3)]
        assert sorted(one.name for one in out.iterdir()) in (["A", "B"], [".lock", "A", "B"])


@pytest.mark.parametrize("what", ["replace", "fsync"])
def test_an_error_at_any_step_leaves_whole_folders_and_no_leftovers(tmp_path, monkeypatch, what):
    """A full disk, say: what stood there comes back in the same run."""
    real = getattr(os, what)
    for step in range(60):
        out, n_done = tmp_path / f"{step}", [0]
        write(out, ["A", "B"], "old")

        def failing(*args, n_done=n_done, step=step, **more):
            n_done[0] += 1
            if n_done[0] == step + 1:
                raise OSError(28, "No space left on device", "somewhere")
            return real(*args, **more)

        with monkeypatch.context() as patched:
            patched.setattr(os, what, failing)
            try:
                write(out, ["A", "B"], "new")
            except OSError:
                assert [state(out, name)[1] for name in "AB"] == [3, 3]
                assert all(len(state(out, name)[0]) == 1 for name in "AB")
            else:
                break
        assert write(out, ["A"], "later") == ()
    assert step > 2


def test_other_files_of_a_folder_stay_and_a_folder_of_something_else_is_refused(tmp_path):
    write(tmp_path, ["A"], "old")
    (tmp_path / "A" / "notes.txt").write_text("mine")
    (tmp_path / "B").mkdir()
    (tmp_path / "B" / "notes.txt").write_text("mine")
    write(tmp_path, ["A"], "new")
    assert (tmp_path / "A" / "notes.txt").read_text() == "mine"
    with pytest.raises(RecordError, match="B: is there already and was not made by this command"):
        write(tmp_path, ["A", "B"], "newer")
    assert (tmp_path / "A" / "A.json").read_text() == "new"
    assert [one.name for one in (tmp_path / "B").iterdir()] == ["notes.txt"]


def test_one_writer_at_a_time_and_a_new_folder_is_gone_where_nothing_came_in(tmp_path):
    out = tmp_path / "out"
    with (
        decision_folders(out),
        pytest.raises(RecordError, match="another run is writing there"),
        decision_folders(out),
    ):
        pass
    assert not out.exists()

    def failing():
        with decision_folders(out) as folders:
            (folders.stage("A") / "A.json").write_text("x")
            raise RecordError("before the exchange")

    with pytest.raises(RecordError, match="before the exchange"):
        failing()
    assert not out.exists()
    out.write_text("a file")
    with pytest.raises(RecordError, match="out: is there already"), decision_folders(out):
        pass
    assert out.is_file()


def test_the_register_of_a_record_with_a_folder_of_its_own_is_beside_that_folder(tmp_path):
    """So that all decisions stand in one chain, and an exchange of folders never touches it."""
    (tmp_path / "A").mkdir()
    assert register_path(tmp_path / "A" / "A.json").resolve() == (tmp_path / "register.jsonl").resolve()
    assert register_path(tmp_path / "A.json") == tmp_path / "register.jsonl"
