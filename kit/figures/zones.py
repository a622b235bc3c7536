"""Which zones are found damaged most, with what chance alone would allow."""

from __future__ import annotations

from typing import TYPE_CHECKING

import matplotlib.pyplot as plt
import numpy as np
from matplotlib.ticker import MaxNLocator

from kit.figures.life import INK

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes

_WORDS = {
    "per_1000_fh": "Finds [per 1,000 panel flight hours]",
    "per_look": "Finds [per look]",
    "per_m2": "Finds [per m² of skin in the fleet]",
}


def plot_zone_rates(
    ranking: pd.DataFrame, *, kind: str = "all", rate: str = "per_1000_fh", ax: Axes | None = None
) -> Axes:
    """Draw the rates of a ranking with their bounds, highest on top.

    Parameters
    ----------
    ranking : DataFrame
        What `kit.rank_zones` gave.
    kind : str
        Kind of damage.
    rate : str
        ``per_1000_fh``, ``per_look`` or ``per_m2``.
    ax : Axes, optional
        Where to draw.

    Returns
    -------
    Axes
        One row a zone or group, its raw count beside its name.
    """
    if ax is None:
        _, ax = plt.subplots()
    rows = ranking.loc[ranking["kind"] == kind].sort_values(rate, ascending=True, kind="stable")
    name = rows.columns[0]
    y = np.arange(len(rows))
    value = rows[rate].to_numpy()
    reach = np.stack([value - rows[f"{rate}_lower"], rows[f"{rate}_upper"] - value])
    ax.errorbar(
        value, y, xerr=reach, fmt="o", color=INK, ecolor="0.55", capsize=3, markersize=5, clip_on=False
    )
    ax.set_yticks(
        y,
        [
            f"{zone.replace('_', ' ')} ({finds})"
            for zone, finds in zip(rows[name], rows["finds"], strict=True)
        ],
    )
    ax.set(xlabel=_WORDS[rate], xlim=(0, None))
    ax.set_ylabel(f"{name.capitalize()} (finds)")
    ax.set_title(
        f"{'all kinds' if kind == 'all' else kind.replace('_', ' ')}: rate and exact bounds",
        fontsize="medium",
    )
    ax.xaxis.set_major_locator(MaxNLocator(5))
    ax.grid(axis="x", color="0.9")
    ax.set_axisbelow(True)
    return ax
