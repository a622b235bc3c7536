"""A TOML text that cannot be read is one error of one kind, in bounded time."""

import tomllib

import pytest

from kit.numerics.toml_text import LONGEST_TOML, toml_contents


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("a = ", "Invalid value"),
        ("a = " + "9" * 5000, r"a number in it cannot be read: Exceeds the limit \(4300 digits\)"),
        ("a = " + "[" * 100_000 + "]" * 100_000, "it is nested too deeply"),
        ("#" * (LONGEST_TOML + 1), "it is too long: 4,000,001 characters, and at most 4,000,000 are read"),
    ],
)
def test_what_cannot_be_read_is_one_error(text, words):
    """The standard library ends in errors of three kinds, and takes half a minute for 100 MB."""
    with pytest.raises(tomllib.TOMLDecodeError, match=words):
        toml_contents(text)
