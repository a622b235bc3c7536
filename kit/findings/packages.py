"""Which package does a kind of source need, and how is it installed."""

from __future__ import annotations


class MissingPackage(ImportError):
    """Say which package is missing and which extra installs it."""


def missing_package(package: str, *, extra: str, what: str) -> MissingPackage:
    """Return the error about a package that is not installed.

    Parameters
    ----------
    package : str
        Name of the package.
    extra : str
        Extra of the kit that installs it; blank where none does.
    what : str
        What needs it.

    Returns
    -------
    MissingPackage
        The error, to be raised.
    """
    install = (
        f'Install it with: pip install "skin-findings-kit[{extra}]"'
        if extra
        else f"Install it, or give an address whose driver is there, such as postgresql+psycopg://; no extra of the kit brings {package}."
    )
    return MissingPackage(
        f"{what} needs the package {package}, which is not installed. {install}",
        name=package,
    )
