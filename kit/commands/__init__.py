"""Commands of the command line, a module a topic; `kit.__main__` registers them."""

from kit.commands.answers import SHORT, answer_block, short_row
from kit.commands.decisions import document, opened, pack, register_app, sign_off
from kit.commands.new import new
from kit.commands.notebook import NOTEBOOKS
from kit.commands.programmes import COMMANDS
from kit.commands.ranking import rank
from kit.commands.sheet import sheet
from kit.commands.shell import (
    BAD_INPUT,
    FINE,
    NO,
    AsJson,
    Source,
    Strict,
    bad_input,
    cell,
    console,
    load,
    load_aside,
    notice,
    plain,
    print_json,
    say,
    show,
    steps,
    writable_file,
    writable_folder,
)
from kit.commands.streams import guard_output

__all__ = [
    "BAD_INPUT",
    "COMMANDS",
    "FINE",
    "NO",
    "NOTEBOOKS",
    "SHORT",
    "AsJson",
    "Source",
    "Strict",
    "answer_block",
    "bad_input",
    "cell",
    "console",
    "document",
    "guard_output",
    "load",
    "load_aside",
    "new",
    "notice",
    "opened",
    "pack",
    "plain",
    "print_json",
    "rank",
    "register_app",
    "say",
    "sheet",
    "short_row",
    "show",
    "sign_off",
    "steps",
    "writable_file",
    "writable_folder",
]
