"""How a file is written: whole or not at all."""

from __future__ import annotations

import os
import tempfile
from pathlib import Path


def replace_text(path: Path, text: str) -> None:
    """Write a text file whole or not at all.

    Parameters
    ----------
    path : Path
        The file; its folder must be there.
    text : str
        Its text, with the line ends that it is to have.

    Raises
    ------
    OSError
        If it cannot be written; what was there stays as it was.
    """
    replace_bytes(path, text.encode("utf-8"))


def replace_bytes(path: Path, content: bytes) -> None:
    """Write a file whole or not at all.

    Parameters
    ----------
    path : Path
        The file; its folder must be there.
    content : bytes
        What it is to hold.

    Raises
    ------
    OSError
        If it cannot be written; what was there stays as it was.
    """
    handle, name = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.")
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        os.chmod(name, 0o644)
        os.replace(name, path)
    except BaseException:
        Path(name).unlink(missing_ok=True)
        raise
