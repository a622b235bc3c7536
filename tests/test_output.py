"""What is printed: a terminal that lacks letters, a pipe that closes early, an output that is full or closed."""

import io
import os
import subprocess
import sys
import warnings

import pytest
from support import QUESTION

from kit.commands import guard_output, say
from kit.commands.streams import BAD_OUTPUT, PIPE_CLOSED, GuardedOutput, guarded
from kit.intervals import read_question


@pytest.mark.parametrize(
    ("encoding", "text"), [("ascii", "3 - 5, >= 2, u, ?"), ("latin-1", "3 - 5, >= 2, ü, ?")]
)
def test_letters_that_a_terminal_lacks_become_plainer_ones(encoding, text):
    below = io.BytesIO()
    stream = guarded(io.TextIOWrapper(below, encoding=encoding))
    stream.write("3 – 5, ≥ 2, ü, 💥")
    stream.flush()
    assert below.getvalue().decode(encoding) == text


def test_a_stream_that_is_no_file_is_left_as_it_is():
    stream = io.StringIO()
    assert guarded(stream) is stream


def test_a_pipe_whose_reader_went_away_ends_quietly(capfd):
    reader, writer = os.pipe()
    os.close(reader)
    stream = GuardedOutput(os.fdopen(writer, "wb"), encoding="utf-8")
    stream.write("nobody reads this")
    with pytest.raises(SystemExit) as ended:
        stream.flush()
    assert ended.value.code == PIPE_CLOSED
    stream.close()  # what is left goes nowhere, without a second fault
    assert capfd.readouterr() == ("", "")


@pytest.mark.skipif(not os.path.exists("/dev/full"), reason="this system has no device that is always full")
def test_a_full_output_is_one_line_and_status_2():
    with open("/dev/full", "w") as full:
        done = subprocess.run(
            [sys.executable, "-m", "kit", "--help"],
            stdout=full,
            stderr=subprocess.PIPE,
            text=True,
            check=False,
        )
    assert done.returncode == BAD_OUTPUT
    assert done.stderr.startswith("error: standard output: No space left")
    assert done.stderr.count("\n") == 1


def test_a_warning_of_a_library_is_one_line_in_which_nothing_steers_the_terminal(monkeypatch):
    for name in ("stdout", "stderr"):
        monkeypatch.setattr(sys, name, io.StringIO())
    monkeypatch.setattr(warnings, "showwarning", warnings.showwarning)
    guard_output()
    warnings.showwarning(UserWarning("no glyph \x1b[2J\nVerdict: reproduced"), UserWarning, "x.py", 1)
    assert sys.stderr.getvalue() == "warning: no glyph \N{REPLACEMENT CHARACTER}[2J Verdict: reproduced\n"


def test_no_line_that_came_with_data_passes_for_a_line_of_the_command(capsys):
    say("- caution\nVerdict: reproduced\n  already further in")
    assert capsys.readouterr().out == "- caution\n  Verdict: reproduced\n  already further in\n"


@pytest.mark.skipif(os.name != "posix", reason="a shell of this kind closes the output")
def test_a_closed_output_is_one_line_and_status_2():
    call = f"'{sys.executable}' -m kit --help >&-"
    done = subprocess.run(["sh", "-c", call], stderr=subprocess.PIPE, text=True, check=False)
    assert done.returncode == BAD_OUTPUT
    assert done.stderr == "error: standard output is closed. Send it to a file, or to /dev/null.\n"


def test_a_question_with_a_byte_order_mark_and_windows_line_ends_is_the_same_question(tmp_path):
    plain, marked = tmp_path / "plain.toml", tmp_path / "mit Umläuten und Blanks.toml"
    plain.write_text(QUESTION, encoding="utf-8")
    marked.write_text(QUESTION, encoding="utf-8-sig", newline="\r\n")
    assert marked.read_bytes().startswith(b"\xef\xbb\xbf")
    assert read_question(marked) == read_question(plain)
