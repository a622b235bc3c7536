"""What is printed goes where it can: letters that a terminal lacks, pipes that close early, output that is full."""

from __future__ import annotations

import codecs
import errno
import io
import os
import sys
import unicodedata
import warnings
from typing import TextIO

from kit.numerics.plain_text import plain_text

BAD_OUTPUT, PIPE_CLOSED = 2, 141
"""Exit status where the output takes nothing more; where its reader went away: that of a program ended by SIGPIPE."""

_PLAINER = {
    "–": "-", "—": "-", "‑": "-", "−": "-", "·": ".", "•": "*", "×": "x", "≤": "<=", "≥": ">=", "≈": "~", "±": "+-",
    "→": "->", "←": "<-", "‘": "'", "’": "'", "“": '"', "”": '"', "…": "...", "√": "sqrt", "∞": "inf", "ß": "ss",
}  # fmt: skip


def _plainer(error: UnicodeError) -> tuple[str, int]:
    """Return what to write in place of letters that an encoding lacks, and where to go on."""
    if not isinstance(error, UnicodeEncodeError):
        raise error
    out = []
    for mark in error.object[error.start : error.end]:
        text = _PLAINER.get(mark) or unicodedata.normalize("NFKD", mark).encode("ascii", "ignore").decode()
        out.append(text or "?")
    return "".join(out), error.end


codecs.register_error("kit.plainer", _plainer)


class GuardedOutput(io.TextIOWrapper):
    """A text stream whose faults end the program: quietly where its reader went away, else with one line.

    The end is a `SystemExit`, so that what is under way (temporary files, connections) is tidied up and no handler of
    file errors takes it for an error about the input.
    """

    def write(self, text: str) -> int:
        """Write a text.

        Parameters
        ----------
        text : str
            The text.

        Returns
        -------
        int
            How many characters were written.

        Raises
        ------
        SystemExit
            If the stream takes nothing more.
        """
        try:
            return super().write(text)
        except OSError as error:
            self._end(error)

    def flush(self) -> None:
        """Hand over what is held back.

        Raises
        ------
        SystemExit
            If the stream takes nothing more.
        """
        try:
            super().flush()
        except OSError as error:
            self._end(error)

    def _end(self, error: OSError) -> None:
        """Let what is left run into nothing, say why, and end."""
        nothing = os.open(os.devnull, os.O_WRONLY)
        os.dup2(nothing, self.fileno())
        os.close(nothing)
        if error.errno in (errno.EPIPE, errno.EINVAL):  # a closed pipe is the second on Windows
            raise SystemExit(PIPE_CLOSED) from None
        if self is sys.stdout and sys.stderr is not None:
            sys.stderr.write(
                f"error: standard output: {error.strerror}. Free some room, or send the output elsewhere.\n"
            )
        raise SystemExit(BAD_OUTPUT) from None


def guard_output() -> None:
    """Put streams in the place of the standard ones that degrade letters and end without a traceback; tell warnings on a line each.

    Raises
    ------
    SystemExit
        If there is no standard output: a file opened later would take its place, and be written over.
    """
    if sys.stderr is None:
        sys.stderr = open(os.devnull, "w", encoding="utf-8")  # noqa: SIM115 - as long as the program runs
    if sys.stdout is None:
        sys.stderr.write("error: standard output is closed. Send it to a file, or to /dev/null.\n")
        raise SystemExit(BAD_OUTPUT)
    sys.stdout, sys.stderr = guarded(sys.stdout), guarded(sys.stderr)
    warnings.showwarning = _warn


def _warn(message: Warning | str, *_: object, **__: object) -> None:
    """Tell a warning on one line; a library may put into it what came with data."""
    sys.stderr.write(f"warning: {' '.join(plain_text(message).split())}\n")


def guarded(stream: TextIO) -> TextIO:
    """Return a stream of the same place that degrades letters and ends without a traceback.

    Parameters
    ----------
    stream : TextIO
        A stream; it is detached from its place. One that is no file is returned as it is.

    Returns
    -------
    TextIO
        The stream to be used instead.
    """
    if type(stream) is not io.TextIOWrapper:
        return stream
    stream.flush()
    encoding, lines = stream.encoding, stream.line_buffering
    return GuardedOutput(stream.detach(), encoding=encoding, errors="kit.plainer", line_buffering=lines)
