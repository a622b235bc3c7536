"""Writing from a widget: a new file or one clear line, never a traceback and never over what is there."""

from __future__ import annotations

import os
from pathlib import Path

from kit.findings import replace_text


def write_new(path: Path, content: str, told: str, *, known: str | None = None) -> str:
    """Write a file that is not there yet, or that holds what was last written to it from here.

    Parameters
    ----------
    path : Path
        The file.
    content : str
        Its text.
    told : str
        What is in it, for the line that says so.
    known : str, optional
        What the file may hold for it to be written over.

    Returns
    -------
    str
        What became of it, in one line.
    """
    try:
        if path.exists() and (known is None or path.read_bytes() != known.encode("utf-8")):
            what = "is there already" if known is None else "was changed by someone else since it was read"
            return f"Nothing is written: {path.name} {what}. Give another name, or move that file away."
        if not path.parent.is_dir():
            return f"Nothing is written: there is no folder {str(path.parent)!r}. Make it, or give another."
        if not os.access(path.parent, os.W_OK):
            raise PermissionError
        replace_text(path, content)
    except PermissionError:
        return f"Nothing is written: no permission to write in {str(path.parent)!r}. Give another folder."
    except OSError as error:
        return f"Nothing is written: {error.strerror or error}. Give another name or folder."
    return f"Written: {path.name} ({told})."
