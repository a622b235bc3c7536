"""Notebook 04: when damage begins, and what of that the looks tell."""

from __future__ import annotations

from collections.abc import Mapping

import pandas as pd

from kit.findings import Fleet
from kit.growth import LinearGrowth
from kit.life import (
    ClockComparison,
    CompetingLives,
    DetectionRidge,
    GoodnessOfFit,
    Histories,
    LifeFit,
    TurnbullFit,
    bootstrap,
    fit_competing,
    fit_two_clocks,
)
from kit.numerics.words import in_words, percent

_BY_DAYS = {"moisture_disbond"}  # damage that keeps the calendar; the rest is taken to keep flights
_MIXED = ("moisture_disbond", "disbond")  # kinds whose aging may go on while parked
_DAYS = 365.25


def histories_words(histories: Histories) -> str:
    """Say how many lives there are, with finds, and left out.

    Parameters
    ----------
    histories : Histories
        What `kit.life.build_histories` gave.

    Returns
    -------
    str
        One sentence.
    """
    return f"Lives of panels: {histories.n_lives:,g}, with finds {histories.n_finds:,g}, left out {len(histories.excluded):,}."


def stated_growth(
    clock: str, onset_mm: float, onset_log_sd: float, growth_mm: float, growth_log_sd: float
) -> LinearGrowth:
    """Return the stated growth, on a clock.

    Parameters
    ----------
    clock : str
        Clock of the life.
    onset_mm, onset_log_sd : float
        Median size at onset [mm] and spread of its log [-].
    growth_mm, growth_log_sd : float
        Median growth [mm a year on days, else mm per 1,000 units] and spread of its log [-].

    Returns
    -------
    LinearGrowth
        On that clock.
    """
    per = _DAYS if clock == "calendar_days" else 1000.0
    return LinearGrowth(onset_mm, onset_log_sd, growth_mm / per, growth_log_sd, clock=clock)


def bounds_table(fit: LifeFit, *, share: float, level: float, seed: int) -> pd.DataFrame:
    """Bound the age at a share in five ways.

    Parameters
    ----------
    fit : LifeFit
        The life.
    share, level : float
        Share with damage, and confidence [-].
    seed : int
        Of the bootstraps.

    Returns
    -------
    DataFrame
        A row a way: lower, upper, width [clock units].
    """
    rows = {
        method: fit.quantile_bounds(share, level=level, method=method)
        for method in ("wald", "cluster", "profile")
    }
    for way, n, words in (
        ("cluster", 60, "bootstrap of aircraft"),
        ("parametric", 30, "bootstrap of the schedule"),
    ):
        draws = bootstrap(fit, n, seed=seed, resample=way)
        rows[words] = tuple(float(x) for x in draws.quantile_bounds(share, level=level))
    table = pd.DataFrame(rows, index=["lower", "upper"]).T
    return table.assign(width=table["upper"] - table["lower"])


def parked_words(fleet: Fleet, *, level: float) -> str:
    """Say what a parked month counts for the kinds whose aging may go on while parked.

    Parameters
    ----------
    fleet : Fleet
        As loaded.
    level : float
        Confidence [-].

    Returns
    -------
    str
        Lines of a list; a kind that the fleet cannot tell is said to be none.
    """
    lines = []
    for kind in sorted(set(_MIXED) & set(fleet.damage["kind"]), key=_MIXED.index):
        try:
            told = fit_two_clocks(fleet, kind=kind, level=level).words()
        except ValueError as reason:
            told = f"What a parked month counts cannot be told: {reason}"
        lines.append(f"- {in_words(kind)}: {told}")
    return "\n".join(lines) or "No damage type was found that may go on while parked."


def competing_lives(fleet: Fleet) -> CompetingLives:
    """Fit the lives of all damage types that were found, each on the clock that it is taken to keep.

    Parameters
    ----------
    fleet : Fleet
        As loaded.

    Returns
    -------
    CompetingLives
        As `kit.life.fit_competing` gives them.
    """
    kinds = sorted(set(fleet.damage["kind"]))
    return fit_competing(
        fleet, {kind: "calendar_days" if kind in _BY_DAYS else "flight_cycles" for kind in kinds}
    )


def first_damage(
    lives: CompetingLives,
    *,
    usage: Mapping[str, float],
    level: float,
    seed: int,
    years: tuple[int, ...] = (10, 20),
) -> pd.DataFrame:
    """Return the share of panels whose first damage is of each kind by some ages.

    Parameters
    ----------
    lives : CompetingLives
        What `competing_lives` gave.
    usage : mapping of str to float
        Units of each clock for one calendar day.
    level : float
        Confidence [-].
    seed : int
        Of the draws behind the bounds.
    years : tuple of int
        Ages of 365 days.

    Returns
    -------
    DataFrame
        A row a kind; share, lower, upper, each by years.
    """
    first = lives.cumulative_incidence(
        [365.0 * year for year in years], clock="calendar_days", usage=usage, level=level, seed=seed
    )
    table = first.assign(years=first["age"] / 365).set_index(["years", "kind"])[["share", "lower", "upper"]]
    return table.unstack("years")


def without_model_words(perfect: LifeFit, turnbull: TurnbullFit, *, share: float) -> str:
    """Say what the estimate without a model says at the age where the fit has a share.

    Parameters
    ----------
    perfect : LifeFit
        The life with looks taken as perfect, as the estimate takes them.
    turnbull : TurnbullFit
        The estimate without a model.
    share : float
        Share with damage [-].

    Returns
    -------
    str
        One sentence.
    """
    age = float(perfect.quantile(share))
    least, most = (float(x) for x in turnbull.survival_range(age))
    return (
        f"At {age:,.0f} {in_words(perfect.clock)} the fit with looks taken as perfect says {percent(share)}, the estimate without a model "
        f"{100 * (1 - most):.1f} % to {100 * (1 - least):.1f} %."
    )


def answer_words(
    fleet: Fleet,
    fit: LifeFit,
    goodness: GoodnessOfFit,
    perfect: LifeFit,
    goodness_perfect: GoodnessOfFit,
    clocks: ClockComparison,
    ridge: DetectionRidge,
    *,
    share: float,
    level: float,
) -> tuple[str, ...]:
    """Say the notebook's answer.

    Parameters
    ----------
    fleet : Fleet
        As loaded.
    fit, perfect : LifeFit
        The life with the stated chance of detection, and with looks taken as perfect.
    goodness, goodness_perfect : GoodnessOfFit
        Their checks.
    clocks : ClockComparison
        Clocks side by side.
    ridge : DetectionRidge
        What the looks tell of their own chance of detection.
    share, level : float
        Share with damage, and confidence [-].

    Returns
    -------
    tuple of str
        Sentences.
    """
    there, here = float(perfect.quantile(share)), float(fit.quantile(share))
    late = (
        f", later by a factor of {there / here:.2f}: an interval set by that would be too long"
        if there > here
        else ""
    )
    return (
        f"As known on {fleet.known_on:%Y-%m-%d}: {fit.words(share=share, level=level)}",
        goodness.words(),
        f"Looks taken as perfect would say {there:,.0f}{late}. {goodness_perfect.words()}",
        clocks.words(),
        ridge.words(),
    )
