"""A TOML file that somebody wrote by hand, or one clear line that says why it cannot be read."""

from __future__ import annotations

import tomllib
from pathlib import Path

from kit.numerics.toml_text import toml_contents


def read_toml_file(path: str | Path, *, of: str, refuse: type[ValueError]) -> dict:
    """Read a TOML file in UTF-8.

    Parameters
    ----------
    path : str or Path
        The file.
    of : str
        What it should be, for the message.
    refuse : type of ValueError
        What is raised where it cannot be read.

    Returns
    -------
    dict
        As written.
    """
    try:
        return toml_contents(Path(path).read_text(encoding="utf-8-sig"))
    except OSError as error:
        raise refuse(f"{path}: cannot be read ({error.strerror}). Give the path of {of}.") from None
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise refuse(f"{path}: not a TOML file ({error}). Correct the line named.") from None
