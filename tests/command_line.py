"""Commands run in this process, and what holds for whatever any of them prints."""

import re

from typer.testing import CliRunner, Result

from kit.__main__ import app

OTHER_PER_CENT = re.compile(r"\d%(?![\w%])")
"""Per cent without its blank."""


def run(*arguments) -> Result:
    """Run a command; anything but an exit status is a fault, and people read per cent in one spelling."""
    result = CliRunner().invoke(app, [str(one) for one in arguments])
    if result.exception is not None and not isinstance(result.exception, SystemExit):
        raise result.exception
    assert "Traceback" not in result.stdout + result.stderr
    if not result.stdout.startswith("{"):
        assert not OTHER_PER_CENT.findall(result.stdout + result.stderr)
    return result
