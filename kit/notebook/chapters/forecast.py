"""Notebook 09: what will be found, and what would change the answer."""

from __future__ import annotations

import itertools
from collections.abc import Sequence

import numpy as np
import pandas as pd

from kit.intervals import Question
from kit.numerics.words import in_words, percent
from kit.programmes import (
    BackTest,
    Forecast,
    Group,
    Parked,
    Tornado,
    UsagePlan,
    forecast_finds,
    poisson_binomial,
)


def with_some_parked(
    group: Group, forecast: Forecast, parked: Sequence[str], *, quarters: int
) -> pd.DataFrame:
    """Forecast again with some aircraft out of service for two years.

    Parameters
    ----------
    group : Group
        The group.
    forecast : Forecast
        As planned.
    parked : sequence of str
        Aircraft.
    quarters : int
        Quarters ahead.

    Returns
    -------
    DataFrame
        Finds by quarter, as planned and with some parked.
    """
    begin = group.living.cut_off
    away = [Parked(name, begin, begin + pd.Timedelta(days=730)) for name in parked]
    other = forecast_finds(group, quarters=quarters, usage=UsagePlan(parked=away))
    planned = forecast.to_frame()
    finds = pd.DataFrame({"as planned": planned["finds"], "some parked": other.to_frame()["finds"]})
    return finds.set_index(planned["quarter"]).T


def brute_force_words(panels: int = 10) -> str:
    """Hold the exact distribution of a number found against all outcomes, one by one.

    Parameters
    ----------
    panels : int
        Panels; 2 to this power outcomes are gone through.

    Returns
    -------
    str
        One sentence.
    """
    chances, by_count = np.linspace(0.02, 0.4, panels), np.zeros(panels + 1)
    for outcome in itertools.product((0, 1), repeat=panels):
        by_count[sum(outcome)] += np.prod(np.where(outcome, chances, 1 - chances))
    off = np.abs(poisson_binomial(chances) - by_count).max()
    return f"Largest difference over {2**panels:,} outcomes: {off:.1e}."


def answer_words(forecast: Forecast, test: BackTest, tornado: Tornado, asked: Question) -> str:
    """Say the notebook's answer.

    Parameters
    ----------
    forecast : Forecast
        By quarter.
    test : BackTest
        Past forecasts.
    tornado : Tornado
        What moves the interval.
    asked : Question
        The question.

    Returns
    -------
    str
        Markdown.
    """
    rows, most = forecast.to_frame(), tornado.to_frame().iloc[0]
    total = rows.iloc[-1]
    return (
        f"Over {len(rows) - 1} quarters **{total['finds']:.1f} finds** ({total['finds_lower']:.0f} to {total['finds_upper']:.0f}), "
        f"{total['hours']:,.0f} working hours ({total['hours_lower']:,.0f} to {total['hours_upper']:,.0f}). Past forecasts held in "
        f"{percent(test.coverage)} of {len(test.to_frame())} years: {test.frame['finds'].sum():.1f} finds expected, {test.frame['came'].sum():.0f} came. The interval of the risk rule, {tornado.base:,.0f} {in_words(asked.clock)}, hangs most "
        f"on {most['name']}: {most['interval_low']:,.0f} to {most['interval_high']:,.0f}."
    )
