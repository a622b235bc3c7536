"""Notebook 08: a change of programme on the fleet as it is."""

from __future__ import annotations

import pandas as pd

from kit.intervals import Evidence
from kit.numerics.words import in_words
from kit.programmes import (
    Extension,
    Group,
    PresentState,
    Programme,
    ProgrammeChange,
    clean_looks_needed,
    looks_made,
)


def asked_words(group: Group, present: Programme) -> str:
    """Say what is asked, on which day, and which programme is in force.

    Parameters
    ----------
    group : Group
        Put together on the day of the question.
    present : Programme
        In force on that day.

    Returns
    -------
    str
        Markdown.
    """
    force = "; ".join(
        " or ".join(f"{number:,.0f} {in_words(unit)}" for unit, number in dict(rule.repeat).items())
        for rule in present.rules
    )
    return (
        f"**{group.ask.title}** Judged on {group.living.cut_off:%Y-%m-%d}, as known then: {len(group.living)} panels, limit "
        f"{group.limit_mm:g} mm. In force: every {force}."
    )


def strongest_factors(group: Group, *, most: int = 6) -> pd.DataFrame:
    """List what zones, lots, bases and aircraft add, farthest from 1 first.

    Parameters
    ----------
    group : Group
        The group.
    most : int
        Rows.

    Returns
    -------
    DataFrame
        Columns kind, factor, name, found, expected, multiplier, lower, upper.
    """
    shared = pd.concat([factor.to_frame() for factor in group.factors.values()], ignore_index=True)
    apart = (shared["multiplier"] - 1).abs()
    return shared.loc[apart.sort_values(ascending=False, kind="stable").index].head(most)


def looks_words(change: ProgrammeChange, fleet: object, group: Group, *, years: int) -> str:
    """Say how many looks were planned and how many are on record.

    Parameters
    ----------
    change : ProgrammeChange
        What `kit.compare_programmes` gave.
    fleet : Fleet
        As known today.
    group : Group
        The group.
    years : int
        Years from the day of the question.

    Returns
    -------
    str
        One sentence.
    """
    end = group.living.cut_off + pd.DateOffset(years=years)
    made = looks_made(Evidence(fleet), group, group.living.cut_off, end)
    return f"Looks planned {change.to_frame().iloc[-1]['looks_proposed']:.0f}, on record {made}."


def clean_looks_beside(shares: tuple[float, ...] = (0.1, 0.05, 0.01)) -> pd.DataFrame:
    """Set the exact numbers of clean looks beside the binomial distribution of another library.

    Parameters
    ----------
    shares : tuple of float
        Shares that the looks are to show [-].

    Returns
    -------
    DataFrame
        Columns share, looks, looks_pod_0.9, chance_clean.
    """
    from scipy.stats import binom  # slow to load

    needed = pd.DataFrame({"share": list(shares)})
    needed["looks"] = [clean_looks_needed(share) for share in shares]
    needed["looks_pod_0.9"] = [clean_looks_needed(share, pod=0.9) for share in shares]
    return needed.assign(chance_clean=binom.cdf(0, needed["looks"], needed["share"]))


def answer_words(change: ProgrammeChange, extension: Extension, state: PresentState) -> tuple[str, ...]:
    """Say the notebook's answer.

    Parameters
    ----------
    change : ProgrammeChange
        Present against proposed.
    extension : Extension
        What the longer repeat needs.
    state : PresentState
        Panels to tap first.

    Returns
    -------
    tuple of str
        Sentences.
    """
    first = state.to_frame().iloc[0]
    return (
        *change.words(),
        *extension.words()[:2],
        f"To tap first: **{first['panel']}** on {first['aircraft']}.",
    )
