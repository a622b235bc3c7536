"""How soon after an event is it in the records."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from matplotlib.ticker import StrMethodFormatter

from kit.figures.style import INK, axes_of, key_below
from kit.numerics.words import percent

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from kit.findings import ReportingDelay

_TWO_SIDED_95 = 1.959964


def plot_reporting_delay(delay: ReportingDelay, ax: Axes | None = None, *, level: float = 0.95) -> Axes:
    """Draw the share recorded against the time since the event, the naive share dotted.

    Parameters
    ----------
    delay : ReportingDelay
        What `kit.findings.reporting_delay` gave.
    ax : Axes, optional
        Where to draw.
    level : float
        Share from which a month counts as complete, drawn as a thin line [-].

    Returns
    -------
    Axes
        The corrected share with its 95 % band, and the plain share of the rows known.

    Raises
    ------
    ValueError
        If there are no rows.
    """
    if not delay.n_rows:
        raise ValueError("`delay` must have rows. Got none: no events with a day are known.")
    ax = axes_of(ax)
    most = max(float(delay.delay_days[-1]), 10.0)
    age = np.r_[1.0, delay.delay_days[delay.delay_days > 1], most]
    frame = delay.to_frame().set_index("delay_days")["standard_error"].to_numpy()
    at = np.maximum(np.searchsorted(delay.delay_days, age, side="right") - 1, 0)
    share = delay.share_reported(age)
    reach = _TWO_SIDED_95 * frame[at]
    ax.fill_between(
        age,
        np.clip(share - reach, 0, 1),
        np.clip(share + reach, 0, 1),
        step="post",
        color="0.85",
        linewidth=0,
    )
    ax.step(age, share, where="post", color=INK, linewidth=1.8, label="corrected for rows still to come")
    ax.step(
        age,
        delay.naive_share_reported(age),
        where="post",
        color="0.2",
        linestyle=":",
        linewidth=1.8,
        label="naive: rows known",
    )
    ax.axhline(level, color="0.5", linewidth=0.8)
    ax.annotate(
        percent(level),
        (age[0], level),
        xytext=(3, 3),
        textcoords="offset points",
        fontsize="small",
        color="0.3",
    )
    ax.set(xscale="log", xlim=(1, most), ylim=(0, 1))
    ax.xaxis.set_major_formatter(StrMethodFormatter("{x:,.0f}"))
    ax.set(xlabel="Time since the event [days]", ylabel="Share recorded [-]")
    ax.set_title(f"{delay.table}: {delay.n_rows:,} rows", fontsize="medium")
    ax.grid(color="0.9")
    ax.set_axisbelow(True)
    key_below(ax)
    return ax
