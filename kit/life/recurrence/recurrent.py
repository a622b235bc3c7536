"""How many damages a panel, zone or aircraft has had by an age: the mean cumulative function."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from kit.numerics.confidence import check_level, normal_reach
from kit.numerics.refusals import need
from kit.numerics.typing import Floats

_CELLS = 2_000_000  # units x ages that are held at once
_FEW_UNITS = 5
_VARIANCES = ("robust", "sample")


@dataclass(frozen=True, eq=False)
class MeanCumulative:
    """Mean number (or cost) of events of a unit by each age, with its standard error.

    Parameters
    ----------
    age : ndarray of float, shape (n_ages,)
        Ages at which there were events, in order [clock units].
    at_risk : ndarray of int, shape (n_ages,)
        Units under watch at each age [-].
    mcf : ndarray of float, shape (n_ages,)
        Mean number of events of a unit up to and at each age [-], or their mean cost.
    standard_error : ndarray of float, shape (n_ages,)
        Its standard error; nan where the units say nothing of how units differ.
    n_units : int
        Units that were watched [-].
    n_events : float
        Events, counted with their count [-].
    variance : str
        ``robust`` or ``sample``.
    watched_from : float
        Age at which the first unit comes under watch [clock units].
    """

    age: Floats
    at_risk: NDArray[np.int64]
    mcf: Floats
    standard_error: Floats
    n_units: int
    n_events: float
    variance: str
    watched_from: float

    def __repr__(self) -> str:
        """Return one line with the counts."""
        last = f"{self.mcf[-1]:.4g} at {self.age[-1]:g}" if self.age.size else "no events"
        return f"MeanCumulative(units={self.n_units}, events={self.n_events:g}, {last})"

    def __getitem__(self, column: str) -> pd.Series:
        """Return one column of the table."""
        return self.to_frame()[column]

    @property
    def cautions(self) -> tuple[str, ...]:
        """What the reader of the numbers must know."""
        notes = []
        few = np.flatnonzero(self.at_risk < _FEW_UNITS)
        if few.size:
            notes.append(
                f"fewer than {_FEW_UNITS} units are under watch at some ages, first at {self.age[few[0]]:g}: "
                "steps there rest on few"
            )
        if self.watched_from > 0:
            notes.append(
                f"no unit is watched before {self.watched_from:g}: events are counted from that age on"
            )
        unknown = np.flatnonzero(np.isnan(self.standard_error))
        if unknown.size:
            notes.append(
                f"no standard error at {unknown.size} of {self.age.size} ages: one unit alone, or units that were all "
                "alike, do not say how units differ"
            )
        return tuple(notes)

    def at(self, age: ArrayLike) -> Floats:
        """Return the mean number of events by any age.

        Parameters
        ----------
        age : array_like of float
            Ages [clock units].

        Returns
        -------
        ndarray of float
            The step function; 0 before the first event [-].
        """
        return np.r_[0.0, self.mcf][np.searchsorted(self.age, np.asarray(age, np.float64), side="right")]

    def bounds(self, *, level: float = 0.95, scale: str = "log") -> tuple[Floats, Floats]:
        """Two-sided bounds at each age.

        Parameters
        ----------
        level : float
            Confidence at each age [-].
        scale : str
            ``log``: normal in the log of the mean, which stays above 0; ``plain``: normal in the mean.

        Returns
        -------
        lower, upper : ndarray of float, shape (n_ages,)
            Bounds; nan where there is no standard error, or where a mean cost is not above 0 on the log
            scale [-].

        Raises
        ------
        ValueError
            If the level or the scale is unknown.
        """
        check_level(level)
        if scale not in ("log", "plain"):
            raise ValueError(f"`scale` must be log or plain. Got {scale!r}.")
        reach = normal_reach(level) * self.standard_error
        if scale == "plain":
            return self.mcf - reach, self.mcf + reach
        mean = np.where(self.mcf > 0, self.mcf, np.nan)
        return mean * np.exp(-reach / mean), mean * np.exp(reach / mean)

    def to_frame(self, *, level: float = 0.95) -> pd.DataFrame:
        """Return the ages as a table.

        Parameters
        ----------
        level : float
            Confidence of the bounds [-].

        Returns
        -------
        DataFrame
            Columns age, at_risk, mcf, standard_error, lower, upper (on the log scale).
        """
        low, high = self.bounds(level=level)
        return pd.DataFrame(
            {
                "age": self.age,
                "at_risk": self.at_risk,
                "mcf": self.mcf,
                "standard_error": self.standard_error,
                "lower": low,
                "upper": high,
            }
        )


def mean_cumulative(frame: pd.DataFrame, *, variance: str = "robust") -> MeanCumulative:
    r"""Estimate the mean number of events of a unit by each age, without a model.

    For damage that comes again: finds on a zone whose panels are repaired or exchanged, or on an
    aircraft. No pattern over age is assumed, and events of one unit need not be independent.

    Parameters
    ----------
    frame : DataFrame
        Columns ``unit``; ``age`` [clock units]; ``event``, 1 for an event and 0 for the end of watch, of
        which each unit has one row. Optional: ``entry``, the age at which the unit comes under watch
        [clock units], the same in all its rows, default 0; ``count``, events that a row stands for,
        default 1; ``cost`` of each event, default 1.
    variance : str
        ``robust`` (Lawless and Nadeau: squared sums of each unit, never negative) or ``sample`` (with
        n - 1 under watch in place of n, unbiased, which may turn negative and is then nan).

    Returns
    -------
    MeanCumulative
        A row for each age with events.

    Raises
    ------
    ValueError
        If a column is missing, an age is not finite or negative, or a unit has no end of watch, more
        than one, or an event outside its watch.

    See Also
    --------
    fit_power_law : The same with a rate that is a power of the age.

    Notes
    -----
    With :math:`\delta_i(t)` 1 while unit i is under watch (entry < t ≤ end), n(t) their number, and
    :math:`d_i(t)` its events at t, the mean is :math:`M(t) = \sum_{s \le t} \bar d(s)`,
    :math:`\bar d = \sum_i d_i / n`, and the robust variance
    :math:`\sum_i [\sum_{s \le t} \delta_i(s) (d_i(s) - \bar d(s)) / n(s)]^2`. The form ``sample`` sums
    the sample variances (n - 1) of the d over n, and twice their sample covariances with those of each
    earlier age over n there. Valid where the end of watch has nothing to do with the events. A unit whose entry is 0
    counts at age 0 too.

    References
    ----------
    .. [1] J. F. Lawless and C. Nadeau, "Some simple robust methods for the analysis of recurrent
       events", *Technometrics* 37, 1995, 158-168.
    .. [2] W. Nelson, "Confidence limits for recurrence data", *Technometrics* 37, 1995, 147-157.

    Examples
    --------
    >>> watch = pd.DataFrame({"unit": ["A", "A", "A", "B", "C", "C", "C", "C"],
    ...                       "age": [5.0, 8, 12, 16, 1, 8, 16, 20], "event": [1, 1, 0, 0, 1, 1, 1, 0]})
    >>> mean_cumulative(watch).to_frame()[["age", "at_risk", "mcf", "standard_error"]].round(3)
        age  at_risk    mcf  standard_error
    0   1.0        3  0.333           0.272
    1   5.0        3  0.667           0.272
    2   8.0        3  1.333           0.544
    3  16.0        2  1.833           0.869
    """
    need(
        "frame",
        frame,
        pd.DataFrame,
        "a table of events",
        "Make a DataFrame with the columns unit, age, event.",
    )
    if variance not in _VARIANCES:
        raise ValueError(f"`variance` must be one of {', '.join(_VARIANCES)}. Got {variance!r}.")
    unit, age, event, size, entry, end, n_events = _watches(frame)
    ages, at = np.unique(age[event], return_inverse=True)
    unit, size = unit[event], size[event]
    mean = np.empty(ages.size)
    at_risk = np.empty(ages.size, np.int64)
    spread = np.empty(ages.size)
    carried = np.zeros(end.size)  # of each unit: its sum so far
    variance_so_far, total = 0.0, 0.0
    width = max(1, _CELLS // max(end.size, 1))
    for start in range(0, ages.size, width):
        block = slice(start, min(start + width, ages.size))
        t = ages[block]
        watched = ((entry[:, None] < t) | ((entry[:, None] == 0) & (t == 0))) & (t <= end[:, None])
        here = (at >= block.start) & (at < block.stop)
        d = np.zeros(watched.shape)
        np.add.at(d, (unit[here], at[here] - block.start), size[here])
        n = watched.sum(axis=0)
        step = d.sum(axis=0) / n
        apart = np.where(watched, d - step, 0.0)
        mean[block] = total + np.cumsum(step)
        at_risk[block] = n
        if variance == "robust":
            sums = carried[:, None] + np.cumsum(apart / n, axis=1)
            spread[block] = (sums**2).sum(axis=0)
        else:
            sums = carried[:, None] + np.cumsum(d / n, axis=1)
            before = np.column_stack([carried, sums[:, :-1]])
            with np.errstate(divide="ignore", invalid="ignore"):
                more = ((apart**2).sum(axis=0) / n + 2 * (apart * before).sum(axis=0)) / (n - 1)
            spread[block] = variance_so_far + np.cumsum(np.where(n > 1, more, np.nan))
            variance_so_far = spread[block][-1]
        carried, total = sums[:, -1], mean[block][-1]
    # Units that were all alike leave no more than rounding.
    told = spread > 1e-24 * np.maximum(mean**2, 1e-300)
    return MeanCumulative(
        ages,
        at_risk,
        mean,
        np.sqrt(np.where(told, spread, np.nan)),
        end.size,
        n_events,
        variance,
        float(entry.min()),
    )


def _watches(
    frame: pd.DataFrame,
) -> tuple[NDArray[np.int64], Floats, NDArray[np.bool_], Floats, Floats, Floats, float]:
    """Check the rows: unit, age, event or not, size of each; entry and end of each unit; number of events."""
    missing = [name for name in ("unit", "age", "event") if name not in frame.columns]
    if missing:
        raise ValueError(
            f"`frame` must have the columns unit, age and event. Got {', '.join(map(str, frame.columns))}: "
            f"{', '.join(missing)} missing. Rename the columns."
        )
    if not len(frame):
        raise ValueError("`frame` must hold at least one unit with its end of watch. Got no rows.")
    unit, names = pd.factorize(frame["unit"], sort=True)
    unit = unit.astype(np.int64)
    if (unit < 0).any():
        raise ValueError(
            f"`unit` must name a unit in every row. Got a blank in row {int(np.argmin(unit))}. Fill it in, or drop the row."
        )

    def refuse(bad: NDArray[np.bool_], what: str, value: object, mend: str) -> None:
        if bad.any():
            row = int(np.argmax(bad))
            got = np.asarray(value)[row]
            raise ValueError(
                f"{what}. Got {got} in row {row} (unit {names[unit[row]]}), {int(bad.sum())} of {bad.size} rows. {mend}"
            )

    age = frame["age"].to_numpy(np.float64)
    refuse(
        ~(np.isfinite(age) & (age >= 0)), "`age` must be finite and at least 0", age, "Drop events of unknown age, or give them one."
    )  # fmt: skip
    refuse(
        ~frame["event"].isin([0, 1]).to_numpy(), "`event` must be 1, or 0 for the end of watch", frame["event"], "Give counts in `count`."
    )  # fmt: skip
    event = frame["event"].to_numpy(np.float64) == 1
    values = {}
    for name, default in (("count", 1.0), ("cost", 1.0), ("entry", 0.0)):
        column = frame[name].to_numpy(np.float64) if name in frame.columns else np.full(age.size, default)
        if name == "entry":
            refuse(~(np.isfinite(column) & (column >= 0)), "`entry` must be finite and at least 0", column, "Correct it.")  # fmt: skip
        else:
            column = np.where(event, column, default)
            refuse(~np.isfinite(column), f"`{name}` must be finite for every event", column, "Fill it in.")
        values[name] = column
    refuse(
        values["count"] <= 0, "`count` must be above 0 for every event", values["count"], "Drop rows of no event."
    )  # fmt: skip
    ends = np.bincount(unit[~event], minlength=len(names))
    if (ends != 1).any():
        which = int(np.argmax(ends != 1))
        raise ValueError(
            f"Each unit must have one row with `event` 0, the age at its end of watch. Got {ends[which]} for unit "
            f"{names[which]}, {int((ends != 1).sum())} of {len(names)} units. Add the age at which each was last watched."
        )
    end, entry = np.empty(len(names)), np.empty(len(names))
    end[unit[~event]] = age[~event]
    entry[unit] = values["entry"]
    refuse(
        entry[unit] != values["entry"], "`entry` must be the same in all rows of a unit", values["entry"], "Correct one of them."
    )  # fmt: skip
    refuse(event & (age > end[unit]), "`age` must not be beyond the unit's end of watch", age, "Correct the age, or the end.")  # fmt: skip
    refuse(
        event & (age <= entry[unit]) & ~((age == 0) & (entry[unit] == 0)), "`age` must be after the unit's entry", age, "Leave out what was before the watch."
    )  # fmt: skip
    if (end < entry).any():
        which = int(np.argmax(end < entry))
        raise ValueError(
            f"`entry` must not be beyond the end of watch. Got {entry[which]:g} and {end[which]:g} for unit {names[which]}. Correct one."
        )
    return unit, age, event, values["count"] * values["cost"], entry, end, float(values["count"][event].sum())
