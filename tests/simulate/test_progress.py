"""Progress is shown to whoever waits at a terminal, and leaves files and pipes alone."""

import io
import sys

from kit.simulate.progress import progress


class Terminal(io.StringIO):
    def isatty(self):
        return True


def test_a_terminal_sees_how_far_the_work_has_come(monkeypatch):
    screen = Terminal()
    monkeypatch.setattr(sys, "stderr", screen)
    assert list(progress(iter("abc"), "fleets", total=3)) == ["a", "b", "c"]
    assert "fleets: " in screen.getvalue()
    assert "0/3" in screen.getvalue()


def test_a_file_or_a_pipe_sees_nothing(monkeypatch, capsys):
    pipe = io.StringIO()
    monkeypatch.setattr(sys, "stderr", pipe)
    assert list(progress([1, 2], "fleets")) == [1, 2]
    assert pipe.getvalue() == ""
    assert capsys.readouterr().out == ""
