"""Notebook 10: why zones differ, and whom to tap first."""

from __future__ import annotations

import pandas as pd

from kit.numerics.words import in_words, percent


def lots_words(lots: pd.DataFrame) -> str:
    """Say which build lots stand out.

    Parameters
    ----------
    lots : DataFrame
        What `kit.ranking.lots_that_stand_out` gave.

    Returns
    -------
    str
        One sentence.
    """
    called = lots.loc[lots["called"]]
    named = ", ".join(f"{in_words(row.group)} {row.build_lot}" for row in called.itertuples())
    return f"Lots called over all groups, with at most 5 % wrong: {named or 'none'}."


def sides_words(sides: pd.DataFrame) -> str:
    """Say the exact bounds of the share where the other side was damaged, beside those of another library.

    Parameters
    ----------
    sides : DataFrame
        What `kit.ranking.left_and_right` gave.

    Returns
    -------
    str
        One sentence.
    """
    from scipy.stats import binomtest  # slow to load

    row = sides.loc["all"]
    other = binomtest(int(2 * row["both"]), int(2 * row["both"] + row["one"])).proportion_ci(0.95)
    return (
        f"Bounds of the share where the other side was damaged: {row['given_other_lower']:.6f} to {row['given_other_upper']:.6f}; another library: "
        f"{other.low:.6f} to {other.high:.6f}."
    )


def answer_words(climate: object, lots: pd.DataFrame, sides: pd.DataFrame, order: pd.DataFrame) -> str:
    """Say the notebook's answer.

    Parameters
    ----------
    climate : Reasons
        What `kit.ranking.why_zones_differ` gave for the climate.
    lots, sides, order : DataFrame
        Lots that stand out, left and right, and whom to tap first.

    Returns
    -------
    str
        Markdown.
    """
    ratios = climate.fit.time_ratio.dropna()
    row, told = sides.loc["all"], climate.to_frame()
    worst = ratios.index[(ratios - 1).abs().argmax()]
    climate_name = worst.removeprefix("climate[").rstrip("]")
    low, high = told.loc[worst, ["time_ratio_lower", "time_ratio_upper"]]
    return (
        f"Climate: lives under {climate_name} are **{ratios[worst]:.2f}** times as long as under the reference ({low:.2f} to {high:.2f}). {lots_words(lots)} Where "
        f"one side was found damaged, so was the other in {percent(row['given_other'])} ({percent(row['given_other_lower'])} to "
        f"{percent(row['given_other_upper'])}), else in {percent(row['without_other'])}. First to tap: **{order['aircraft'].iloc[0]} zone "
        f"{order['zone'].iloc[0]}**."
    )
