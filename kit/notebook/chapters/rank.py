"""Notebook 03: which zones are damaged most."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

import numpy as np
import pandas as pd
from scipy.special import gammaincinv

from kit.findings import Fleet
from kit.numerics.gamma_poisson import fit_gamma_poisson
from kit.numerics.words import in_words
from kit.ranking import DamageRanking, PoissonCusum, poisson_cusum, yearly_table

_PLAN = ("zone", "group", "outline")


def found_table(rates: pd.DataFrame, *, by: str) -> pd.DataFrame:
    """Return the rates of finds of all kinds together.

    Parameters
    ----------
    rates : DataFrame
        What `kit.rank_zones` gave.
    by : str
        ``group`` or ``zone``.

    Returns
    -------
    DataFrame
        A row a zone or group.
    """
    return rates.loc[rates["kind"] == "all"].set_index(by)


def plan_of(source: str | Path) -> pd.DataFrame:
    """Read the outlines of zones on a plan of the aircraft that stand beside a dataset.

    Parameters
    ----------
    source : str or Path
        Folder of the dataset.

    Returns
    -------
    DataFrame
        Columns zone, group, outline; no rows where there is no such file.
    """
    path = Path(source, "plan_view.csv")
    if not path.is_file():
        return pd.DataFrame(columns=list(_PLAN))
    return pd.read_csv(path, dtype=str, keep_default_na=False)


def years_of(marks: Mapping[str, str]) -> dict[int, str]:
    """Return words by year, where years are written as text.

    Parameters
    ----------
    marks : mapping of str to str
        Words by year.

    Returns
    -------
    dict of int to str
        The same by number.
    """
    return {int(year): words for year, words in marks.items()}


def alarm_over_the_years(fleet: Fleet, *, by: str, seed: int) -> PoissonCusum:
    """Add up finds a year beyond what its looks lead to expect.

    Parameters
    ----------
    fleet : Fleet
        As loaded.
    by : str
        ``group`` or ``zone``.
    seed : int
        Of the simulated chance of a false alarm.

    Returns
    -------
    PoissonCusum
        As `kit.ranking.poisson_cusum` gives it.
    """
    years = yearly_table(fleet, by=by).groupby("year")[["looks", "finds"]].sum()
    share = years["finds"].sum() / years["looks"].sum()
    return poisson_cusum(years["finds"], years["looks"] * share, seed=seed)


def bounds_beside_words(found: pd.DataFrame, *, level: float) -> str:
    """Work out the exact lower bounds of the rates once more, from the gamma distribution.

    Parameters
    ----------
    found : DataFrame
        What `found_table` gave.
    level : float
        Confidence [-].

    Returns
    -------
    str
        One sentence.
    """
    finds = found["finds"].to_numpy(float)
    low = np.where(finds > 0, gammaincinv(np.maximum(finds, 1e-300), (1 - level) / 2), 0.0)
    gap = np.abs(low / (found["panel_flight_hours"] / 1000) - found["per_1000_fh_lower"]).max()
    return f"Largest difference of a lower bound of finds per 1,000 hours: {gap:.9f}."


def multipliers_beside(damage: DamageRanking) -> pd.Series:
    """Divide the multipliers by draws by those by maximum likelihood, of the kind with most finds.

    Parameters
    ----------
    damage : DamageRanking
        What `kit.rank_by_damage` gave.

    Returns
    -------
    Series
        By zone or group [-].
    """
    kinds = [kind for kind in damage.kinds if kind != "all"]
    one = damage[max(kinds, key=lambda kind: damage[kind].found.sum())]
    fitted = fit_gamma_poisson(one.found, one.expected)
    ratio = one.draws.to_frame()["multiplier"] / fitted.posterior_mean
    return ratio.rename(f"{in_words(one.kind)}: by draws over by maximum likelihood")


def beside_the_truth(damage: DamageRanking, arose: pd.Series, *, worst: int) -> pd.DataFrame:
    """Set ranks and rates beside what truly arose.

    Parameters
    ----------
    damage : DamageRanking
        What `kit.rank_by_damage` gave.
    arose : Series
        Damages that truly arose per 1,000 panel flight hours, by zone or group; empty where that is not known.
    worst : int
        Of the chance to be among the worst.

    Returns
    -------
    DataFrame
        A row a zone or group; truth is missing where it is not known.
    """
    table = damage["all"].to_frame(k=worst)[["raw_rank", "rank", "rate", "rate_lower", "rate_upper"]]
    check = table.join(arose.rename("truth"))
    check["rank_in_truth"] = check["truth"].rank(ascending=False, method="min")
    check["inside"] = check["truth"].between(check["rate_lower"], check["rate_upper"])
    return check


def truth_words(check: pd.DataFrame) -> str:
    """Say how far both rankings are from the true one.

    Parameters
    ----------
    check : DataFrame
        What `beside_the_truth` gave.

    Returns
    -------
    str
        Sentences.
    """
    if check["truth"].isna().all():
        return "No truth is known of this dataset, as of any real one."
    off = {name: (check[name] - check["rank_in_truth"]).abs().mean() for name in ("raw_rank", "rank")}
    return (
        f"Mean distance from the true rank: {off['raw_rank']:.2f} by finds, {off['rank']:.2f} by damage. The true rate lies within the 90 % "
        f"bounds for {check['inside'].sum()} of {len(check)}."
    )


def answer_words(
    fleet: Fleet,
    damage: DamageRanking,
    found: pd.DataFrame,
    severity: pd.DataFrame,
    *,
    worst: int,
    level: float,
) -> tuple[str, ...]:
    """Say the notebook's answer.

    Parameters
    ----------
    fleet : Fleet
        As loaded.
    damage : DamageRanking
        What `kit.rank_by_damage` gave.
    found, severity : DataFrame
        Rates of finds, and of damage beyond its limit, the worst first.
    worst : int
        How many are named.
    level : float
        Probability that the worst is among those named [-].

    Returns
    -------
    tuple of str
        Sentences.
    """
    every = damage["all"]
    table = every.to_frame(k=worst)
    first = table.iloc[0]
    lists = [
        ", ".join(in_words(name) for name in names[:worst])
        for names in (found.index, table.index, severity.index)
    ]
    return (
        f"As known on {fleet.known_on:%Y-%m-%d}, **{in_words(table.index[0])}** is damaged most: {first['rate']:.4f} damages per 1,000 panel "
        f"flight hours (90 % bounds {first['rate_lower']:.4f} to {first['rate_upper']:.4f}), the worst with a chance of {first['p_worst']:.2f}.",
        *every.words(level=level),
        f"By finds alone the first {worst} are {lists[0]}; by damage {lists[1]}; by damage beyond its limit {lists[2]}.",
    )
