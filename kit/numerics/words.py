"""How numbers and names stand in a sentence: one spelling for all."""

from __future__ import annotations

import math
import re

_WORDS = {
    "calendar_days": "days",
    "growth_window": "detectable-growth interval",
    "cap": "not-to-exceed limit",
}


def in_words(name: str) -> str:
    """Return a name of a table, kind, group, method, rule or clock as it stands in a sentence.

    Parameters
    ----------
    name : str
        Such as ``moisture_disbond`` or ``calendar_days``.

    Returns
    -------
    str
        With spaces; days are days of the calendar, and rules of an interval have the names of the trade.

    Examples
    --------
    >>> in_words("cowl_door"), in_words("calendar_days")
    ('cowl door', 'days')
    """
    return _WORDS.get(name, name.replace("_", " "))


def percent(share: float) -> str:
    """Return a share in per cent, with a space before the sign as the standards for units write it.

    Parameters
    ----------
    share : float
        Share [-].

    Returns
    -------
    str
        Two leading digits below 10 %, else whole per cent; a share that is not 0 or 1 is not shown as such.

    Examples
    --------
    >>> percent(0.1), percent(0.123), percent(0.034), percent(0.9999)
    ('10 %', '12 %', '3.4 %', 'more than 99 %')
    """
    if not math.isfinite(share):
        return "an unknown share"
    value = 100.0 * share
    if 99.5 <= value < 100:
        return "more than 99 %"
    if 0 < value < 0.01:
        return "less than 0.01 %"
    return f"{value:.2g} %" if abs(value) < 9.95 else f"{value:.0f} %"


def spelled(text: str) -> str:
    """Return a text with a space before each sign of per cent, as `percent` writes it.

    Parameters
    ----------
    text : str
        As results and their rules put it together.

    Returns
    -------
    str
        For people; what programs read stays as it was.

    Examples
    --------
    >>> spelled("95% of draws, 80 % asked")
    '95 % of draws, 80 % asked'
    """
    return re.sub(r"(?<=\d)%(?![\w%])", " %", text)


def number(value: float) -> str:
    """Return a number with three leading digits and separators of thousands.

    Parameters
    ----------
    value : float
        Any.

    Returns
    -------
    str
        Words where it is not finite.

    Examples
    --------
    >>> number(12345.6), number(0.01234), number(float("inf"))
    ('12,346', '0.0123', 'no finite value')
    """
    if not math.isfinite(value):
        return "no finite value"
    return f"{value:,.0f}" if abs(value) >= 100 else f"{value:.3g}"


def interval_in_words(length: float, unit: str, packages: str) -> str:
    """Say an interval with its unit, and as packages where it is one of them or several.

    Parameters
    ----------
    length : float
        The interval [clock units].
    unit : str
        Name of the unit.
    packages : str
        The interval as a schedule words it: ``every 2nd base check (...)``, or ``every 700 flight hours`` where it is none;
        of a single look ``at`` in place of ``every``.

    Returns
    -------
    str
        Without the word every.

    Examples
    --------
    >>> interval_in_words(700.0, "flight hours", "every 700 flight hours")
    '700 flight hours'
    >>> interval_in_words(8_000.0, "flight hours", "every 2nd base check")
    '8,000 flight hours (every 2nd base check)'
    """
    plain = f"{length:,.0f} {unit}"
    is_none = packages.startswith((f"every {length:,.0f} ", f"at {length:,.0f} "))
    return plain if is_none else f"{plain} ({packages})"


def signed(value: float) -> str:
    """Return a change with its sign, three leading digits and separators of thousands.

    Parameters
    ----------
    value : float
        A difference.

    Returns
    -------
    str
        ``0`` without a sign where nothing changed; words where it is not finite.

    Examples
    --------
    >>> signed(10000.0), signed(-0.25684), signed(0.0)
    ('+10,000', '-0.257', '0')
    """
    if value == 0 or not math.isfinite(value):
        return number(abs(value))
    return ("+" if value > 0 else "-") + number(abs(value))


def span(value: float, low: float, high: float) -> str:
    """Return a value with its bounds.

    Parameters
    ----------
    value, low, high : float
        The value and its bounds.

    Returns
    -------
    str
        Such as ``12.3 (10.1 to 15)``; an open side in words.

    Examples
    --------
    >>> span(12.34, 10.12, 15.0), span(1.0, 0.5, float("inf"))
    ('12.3 (10.1 to 15)', '1 (at least 0.5)')
    """
    if not math.isfinite(low) and not math.isfinite(high):
        return f"{number(value)} (no bounds)"
    if not math.isfinite(high):
        return f"{number(value)} (at least {number(low)})"
    if not math.isfinite(low):
        return f"{number(value)} (at most {number(high)})"
    return f"{number(value)} ({number(low)} to {number(high)})"
