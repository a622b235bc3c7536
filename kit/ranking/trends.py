"""Does a zone show more and more: mean cumulative function, trend tests, and a chart whose false alarms are known."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike
from scipy.special import ndtr

from kit.findings import Fleet, Meters
from kit.life import MeanCumulative, mean_cumulative
from kit.numerics.typing import Floats
from kit.numerics.words import percent
from kit.ranking.funnel import step_up
from kit.ranking.selection import (
    EVERYTHING,
    Selection,
    check_by,
    exposure_of,
    first_detections,
    selected_looks,
)

_DAYS_PER_YEAR = 365.25
_HIGHEST = 200.0


def zone_events(
    fleet: Fleet, *, by: str = "group", kinds: Sequence[str] | None = None, selection: Selection = EVERYTHING
) -> pd.DataFrame:
    """Return the finds at each position of each aircraft as recurrent events, by hours flown under watch.

    Parameters
    ----------
    fleet : Fleet
        The findings as loaded.
    by : str
        ``zone`` or ``group``.
    kinds : sequence of str, optional
        Kinds of damage. Default: `DISBOND_KINDS`.
    selection : Selection
        What counts.

    Returns
    -------
    DataFrame
        Columns zone or group, unit (aircraft and zone), age [flight hours since the position came under watch], day and
        event (1 for the first detection of a damage, 0 for the end of watch), as `kit.mean_cumulative` takes them.
    """
    check_by(by)
    selection.checked(fleet)
    flown = exposure_of(fleet, selection)
    watch = (
        flown.groupby(["aircraft", "zone"]).agg(start=("start", "min"), stop=("stop", "max")).reset_index()
    )
    meters = Meters(fleet.tables["usage"], fleet.tables["aircraft"], cut_off=fleet.cut_off)
    names = watch["aircraft"].to_numpy(object)
    begin = meters.at(names, watch["start"].to_numpy(), "flight_hours")
    end = meters.at(names, watch["stop"].to_numpy(), "flight_hours") - begin
    ends = watch.assign(age=end, begin=begin, event=0, day=watch["stop"])
    ends = ends.loc[np.isfinite(ends["age"]) & (ends["age"] > 0)]
    first = first_detections(fleet, selection, kinds=kinds)
    finds = first[["aircraft", "zone", "found_on"]].merge(
        ends[["aircraft", "zone", "begin", "age"]], on=["aircraft", "zone"]
    )
    at = meters.at(finds["aircraft"].to_numpy(object), finds["found_on"].to_numpy(), "flight_hours")
    since = at - finds["begin"].to_numpy()
    inside = np.isfinite(since) & (since > 0) & (since <= finds["age"].to_numpy())
    events = pd.DataFrame(
        {
            "aircraft": finds["aircraft"],
            "zone": finds["zone"],
            "age": since,
            "day": finds["found_on"],
            "event": 1,
        }
    ).loc[inside]
    out = pd.concat([events, ends[["aircraft", "zone", "age", "day", "event"]]], ignore_index=True)
    out["unit"] = out["aircraft"].astype(str) + " " + out["zone"].astype(str)
    group = fleet.tables["zones"].set_index("zone")["group"]
    out["group"] = group.reindex(out["zone"]).to_numpy(object)
    columns = ["group", "zone"] if by == "zone" else ["group"]
    return out[[*columns, "unit", "age", "day", "event"]]


def zone_mean_cumulative(events: pd.DataFrame, *, by: str = "group") -> dict[str, MeanCumulative]:
    """Return the mean number of finds of a position by hours under watch, for each zone.

    Parameters
    ----------
    events : DataFrame
        As `zone_events` gives them.
    by : str
        Column of the zones.

    Returns
    -------
    dict of str to MeanCumulative
        By zone; zones without a find are left out.
    """
    return {
        str(name): mean_cumulative(part[["unit", "age", "event"]])
        for name, part in events.groupby(by, sort=True)
        if (part["event"] == 1).any()
    }


def laplace(age: ArrayLike, end: ArrayLike) -> float:
    r"""Return Laplace's statistic of a trend over several units.

    Parameters
    ----------
    age : array_like of float, shape (n_events,)
        Ages of the events [clock units].
    end : array_like of float, shape (n_events,)
        End of the watch of the unit of each event [clock units].

    Returns
    -------
    float
        :math:`\sum (t - T/2) / \sqrt{\sum T^2 / 12}`, standard normal given the number of events of each unit where nothing
        changes; above 0 for more and more [-].

    See Also
    --------
    kit.life.trend_tests : For one unit or a few, with other tests beside.
    """
    at, stop = np.asarray(age, np.float64), np.asarray(end, np.float64)
    return float((at - stop / 2).sum() / np.sqrt((stop**2).sum() / 12))


def trend_table(
    fleet: Fleet,
    *,
    by: str = "group",
    kinds: Sequence[str] | None = None,
    selection: Selection = EVERYTHING,
    rate: float = 0.05,
) -> pd.DataFrame:
    """Test each zone for a trend, in hours flown and against its own looks.

    Parameters
    ----------
    fleet : Fleet
        The findings as loaded.
    by : str
        ``zone`` or ``group``.
    kinds : sequence of str, optional
        Kinds of damage. Default: `DISBOND_KINDS`.
    selection : Selection
        What counts.
    rate : float
        Greatest share of wrong calls among the zones called [-].

    Returns
    -------
    DataFrame
        Index zone or group: finds, laplace_hours and p_hours (Laplace's test on hours under watch), laplace_looks and
        p_looks (the same with looks made as the clock), q_looks and called (step-up rule over the zones), direction.

    Notes
    -----
    More finds with time are no trend of damage where looks grew more frequent. With the looks of the zone as the
    clock, a find is as likely at each look if nothing changes: the place of a find is the share of the zone's looks made before
    its day, and half of those of its day. Better methods, and damage that rises with age, still show as a trend.
    """
    events = zone_events(fleet, by=by, kinds=kinds, selection=selection)
    looks = selected_looks(fleet, selection)
    group = fleet.tables["zones"].set_index("zone")["group"]
    looks["group"] = group.reindex(looks["zone"]).to_numpy(object)
    rows = []
    for name, part in events.groupby(by, sort=True):
        finds, ends = part.loc[part["event"] == 1], part.loc[part["event"] == 0]
        end = ends.set_index("unit")["age"]
        n = len(finds)
        if not n:
            rows.append((name, 0, np.nan, np.nan, np.nan, np.nan))
            continue
        own = end.reindex(finds["unit"]).to_numpy()
        u = laplace(finds["age"].to_numpy(), own)
        days = np.sort(looks.loc[looks[by] == name, "looked_on"].to_numpy())
        at = finds["day"].to_numpy()
        place = (
            (np.searchsorted(days, at, "left") + np.searchsorted(days, at, "right")) / 2 / max(days.size, 1)
        )
        v = laplace(place, np.ones(n)) if days.size else np.nan
        rows.append((name, n, u, float(2 * ndtr(-abs(u))), v, float(2 * ndtr(-abs(v)))))
    columns = [by, "finds", "laplace_hours", "p_hours", "laplace_looks", "p_looks"]
    out = pd.DataFrame(rows, columns=columns).set_index(by)
    some = out["p_looks"].notna()
    out["q_looks"], out["called"] = np.nan, False
    if some.any():
        called, q = step_up(out.loc[some, "p_looks"], rate=rate)
        out.loc[some, "q_looks"], out.loc[some, "called"] = q, called
    out["direction"] = np.where(out["called"], np.where(out["laplace_looks"] > 0, "rising", "falling"), "")
    return out


def yearly_table(
    fleet: Fleet, *, by: str = "group", kinds: Sequence[str] | None = None, selection: Selection = EVERYTHING
) -> pd.DataFrame:
    """Return looks and finds of each zone by calendar year, by method and purpose of the look.

    Parameters
    ----------
    fleet : Fleet
        The findings as loaded.
    by : str
        ``zone`` or ``group``.
    kinds : sequence of str, optional
        Kinds of damage. Default: `DISBOND_KINDS`.
    selection : Selection
        What counts.

    Returns
    -------
    DataFrame
        Columns zone or group, year, method, purpose, looks and finds (first detections by that method): the time line on which
        a campaign or a change of method shows.
    """
    looks = selected_looks(fleet, selection)
    first = first_detections(fleet, selection, kinds=kinds)
    group = fleet.tables["zones"].set_index("zone")["group"]
    # Only what the looks that are counted could find, so that both stand side by side.
    first = first.loc[first["method"].isin(looks["method"].unique())]
    keys = [by, "year", "method", "purpose"]
    counted = []
    for name, table, day in (("looks", looks, "looked_on"), ("finds", first, "found_on")):
        rows = table.assign(year=table[day].dt.year, group=group.reindex(table["zone"]).to_numpy(object))
        counted.append(rows.groupby(keys).size().rename(name))
    return pd.concat(counted, axis=1).fillna(0).astype(int).reset_index()


@dataclass(frozen=True, eq=False, kw_only=True)
class PoissonCusum:
    """A chart that adds up finds beyond what is expected, and alarms when they pass a threshold.

    Parameters
    ----------
    found, expected : ndarray, shape (n_periods,)
        Finds and expected finds of each period [-].
    score : ndarray, shape (n_periods,)
        The sum after each period [-].
    threshold : float
        Above it the chart alarms [-].
    ratio : float
        Ratio of found to expected that it is to notice [-].
    false_alarm : float
        Chance of at least one alarm over the periods if nothing changes, as asked [-].
    simulated_false_alarm, standard_error : float
        The same as simulated with another seed, and its standard error [-].
    """

    found: Floats
    expected: Floats
    score: Floats
    threshold: float
    ratio: float
    false_alarm: float
    simulated_false_alarm: float
    standard_error: float

    @property
    def alarms(self) -> np.ndarray:
        """Periods at which the chart is above its threshold."""
        return np.flatnonzero(self.score > self.threshold)

    def words(self) -> str:
        """Say whether the chart alarms, and how often it would by chance.

        Returns
        -------
        str
            Sentences.
        """
        at = f"The first alarm is in period {self.alarms[0] + 1}" if self.alarms.size else "No alarm"
        return (
            f"{at} of {self.found.size} periods: the sum reaches {self.score.max():.2f}, the threshold is {self.threshold:.2f}. If nothing "
            f"changed, {percent(self.simulated_false_alarm)} of such charts would alarm."
        )

    def __repr__(self) -> str:
        """Return one line."""
        at = f"first alarm in period {self.alarms[0] + 1}" if self.alarms.size else "no alarm"
        return (
            f"PoissonCusum({at} of {self.found.size}, threshold={self.threshold:.2f}, false alarms "
            f"{self.simulated_false_alarm:.3f} +- {self.standard_error:.3f})"
        )


def _scores(found: Floats, expected: Floats, ratio: float) -> Floats:
    """Cumulative sums of log-likelihood ratios, never below 0; periods along the last axis."""
    step = found * np.log(ratio) - expected * (ratio - 1)
    out, level = np.empty(step.shape), np.zeros(step.shape[:-1])
    for t in range(step.shape[-1]):
        level = np.maximum(level + step[..., t], 0.0) if ratio != 1 else level
        out[..., t] = level
    return out


def poisson_cusum(
    found: ArrayLike,
    expected: ArrayLike,
    *,
    ratio: float = 2.0,
    false_alarm: float = 0.05,
    simulations: int = 20_000,
    seed: int = 1,
) -> PoissonCusum:
    r"""Chart finds against expected finds, with a threshold for a stated chance of false alarms.

    Parameters
    ----------
    found, expected : array_like of float, shape (n_periods,)
        Finds and expected finds of each period, such as the looks of the period times a common rate [-].
    ratio : float
        Ratio of found to expected that is to be noticed: above 1 for more, below 1 for fewer [-].
    false_alarm : float
        Chance of at least one alarm over these periods while found is Poisson about expected [-].
    simulations, seed : int
        Simulated charts that set the threshold, and as many others that check it.

    Returns
    -------
    PoissonCusum
        The chart.

    Raises
    ------
    ValueError
        If counts are impossible, the ratio is 1 or not positive, or the chance not between 0 and 1.

    Notes
    -----
    :math:`C_t = \max(0, C_{t-1} + x_t \log\rho - e_t(\rho - 1))`. The threshold is the quantile of the highest value of
    simulated charts without a change; the share of alarms is then simulated anew. Finds after each other are taken as independent.

    References
    ----------
    .. [1] J. M. Lucas, "Counted data CUSUM's", *Technometrics*, vol. 27, 1985, pp. 129-144 (formula from memory).
    """
    x, e = np.asarray(found, np.float64), np.asarray(expected, np.float64)
    if x.shape != e.shape or x.ndim != 1 or not x.size or not ((x >= 0).all() and (e >= 0).all()):
        raise ValueError("`found` and `expected` must be counts of the same periods, not negative.")
    if not (0 < ratio < _HIGHEST and ratio != 1 and 0 < false_alarm < 1):
        raise ValueError(
            f"`ratio` must be above 0 and not 1, and `false_alarm` between 0 and 1. Got {ratio!r} and {false_alarm!r}."
        )
    rng = np.random.default_rng(seed)
    highest, check = (
        _scores(rng.poisson(e, (simulations, e.size)).astype(float), e, ratio).max(axis=1) for _ in range(2)
    )
    threshold = float(np.quantile(highest, 1 - false_alarm, method="higher"))
    share = float((check > threshold).mean())
    return PoissonCusum(
        found=x,
        expected=e,
        score=_scores(x, e, ratio),
        threshold=threshold,
        ratio=ratio,
        false_alarm=false_alarm,
        simulated_false_alarm=share,
        standard_error=float(np.sqrt(max(share * (1 - share), 1e-12) / simulations)),
    )


def alert_levels(expected: ArrayLike, *, false_alarm: float = 0.05) -> Floats:
    """Return the count of a period that calls for a look into it.

    Parameters
    ----------
    expected : array_like of float
        Expected finds of the period [-].
    false_alarm : float
        Chance that a period without change reaches it, at most [-].

    Returns
    -------
    ndarray
        Least count whose chance is at most so [-].

    Examples
    --------
    >>> alert_levels([1.0, 5.0]).tolist()
    [4.0, 10.0]
    """
    from scipy.stats import poisson  # takes long to load

    return np.asarray(poisson.isf(false_alarm, np.asarray(expected, np.float64)), np.float64) + 1
