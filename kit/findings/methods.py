"""Which methods see which kinds of damage, what a clean look counts for, and which findings are damage."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import pandas as pd

KINDS = ("disbond", "moisture", "moisture_disbond", "delamination", "dent", "puncture", "core_damage")
"""Kinds of damage that a finding may name: moisture is water in the core, moisture_disbond the bond that it broke."""

METHODS = (
    "tap_manual",
    "tap_instrumented",
    "moisture_meter",
    "thermography",
    "x_ray",
    "ultrasonic",
    "weighing",
    "visual",
)
"""Inspection methods."""

TAP_METHODS = ("tap_manual", "tap_instrumented")
"""Methods whose clean result is evidence about the bond."""

SEES: dict[str, tuple[str, ...]] = {
    "tap_manual": ("disbond", "moisture_disbond", "delamination", "dent", "puncture", "core_damage"),
    "tap_instrumented": ("disbond", "moisture_disbond", "delamination", "dent", "puncture", "core_damage"),
    "moisture_meter": ("moisture",),
    "thermography": ("disbond", "moisture", "moisture_disbond", "delamination", "core_damage"),
    "x_ray": ("moisture", "puncture", "core_damage"),
    "ultrasonic": ("disbond", "moisture", "moisture_disbond", "delamination", "core_damage"),
    "weighing": ("moisture",),
    "visual": ("disbond", "moisture_disbond", "delamination", "dent", "puncture", "core_damage"),
}
"""Kinds of damage that each method can see; it is blind to the others (common practice, no source).

A tap does not tell water: a wet core whose bond is sound rings, and it is the bond that moisture breaks which sounds
dull. Looking sees a disbond only where the skin bulges, which its POD has to say."""

CONDUCTIVE = ("aluminium", "aluminum", "titanium", "steel", "CFRP", "carbon")
"""Words for skins through which a moisture meter tells nothing: it reads the loss of a radio-frequency field."""

DISPOSITIONS = (
    "within_limits",
    "monitor",
    "temporary_repair",
    "permanent_repair",
    "panel_replaced",
    "engineering_disposition",
    "not_confirmed",
    "duplicate",
    "void",
)
"""What was done about a finding; the last three mean that there is no such damage."""

NO_DAMAGE = ("not_confirmed", "duplicate", "void")
"""Dispositions of findings that are kept in the table but are no damage."""

DAMAGE_LEFT = ("monitor", "temporary_repair")
"""Dispositions by which damage stays on the panel."""


def is_damage(findings: pd.DataFrame) -> pd.Series:
    """Return which findings stand for damage.

    Parameters
    ----------
    findings : DataFrame
        Rows with the column disposition.

    Returns
    -------
    Series of bool
        False for a false call, a duplicate and what is void.
    """
    return ~findings["disposition"].isin(NO_DAMAGE)


def blind_to(method: str) -> tuple[str, ...]:
    """Return the kinds of damage that a method cannot see.

    Parameters
    ----------
    method : str
        Inspection method.

    Returns
    -------
    tuple of str
        Kinds, as in `KINDS`.

    Examples
    --------
    >>> blind_to("tap_manual")
    ('moisture',)
    """
    return tuple(kind for kind in KINDS if kind not in SEES[method])


def methods_seeing(kind: str) -> tuple[str, ...]:
    """Return the methods that can see a kind of damage.

    Parameters
    ----------
    kind : str
        Kind of damage.

    Returns
    -------
    tuple of str
        Methods, as in `METHODS`.

    Examples
    --------
    >>> methods_seeing("moisture")
    ('moisture_meter', 'thermography', 'x_ray', 'ultrasonic', 'weighing')
    """
    return tuple(method for method in METHODS if kind in SEES[method])


def clean_methods(kind: str) -> tuple[str, ...]:
    """Return the methods whose clean looks count for a kind of damage where nothing else is said.

    Parameters
    ----------
    kind : str
        Kind of damage.

    Returns
    -------
    tuple of str
        Tapping where it sees the kind; else the methods that do. Looking is none of them: it sees an
        inner damage only where the skin bulges.

    Examples
    --------
    >>> clean_methods("moisture_disbond")
    ('tap_manual', 'tap_instrumented')
    >>> clean_methods("moisture")
    ('moisture_meter', 'thermography', 'x_ray', 'ultrasonic', 'weighing')
    """
    seeing = tuple(method for method in methods_seeing(kind) if method != "visual")
    return tuple(method for method in seeing if method in TAP_METHODS) or seeing


def is_conductive(material: pd.Series) -> pd.Series:
    """Return which skins a moisture meter cannot be used on.

    Parameters
    ----------
    material : Series of str
        Material as written.

    Returns
    -------
    Series of bool
        True where it names a metal or carbon (see `CONDUCTIVE`); False where it is blank.
    """
    return material.str.contains("|".join(CONDUCTIVE), case=False, regex=True)


def kind_as_seen(kind: str, method: str) -> str:
    """Return what a kind of damage must have been, by the method that found it.

    Parameters
    ----------
    kind : str
        Kind as written.
    method : str
        Method that found it.

    Returns
    -------
    str
        Moisture that was found by a method that is blind to water is the bond that it broke; else the kind.

    Examples
    --------
    >>> kind_as_seen("moisture", "tap_manual"), kind_as_seen("moisture", "thermography")
    ('moisture_disbond', 'moisture')
    """
    return "moisture_disbond" if kind == "moisture" and method in SEES and kind in blind_to(method) else kind
