"""How long panels stay without damage: the fit, its bounds and the data under it."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from matplotlib.ticker import FuncFormatter

from kit.figures.style import INK, LINES, PALE, TRUTH, UNITS, axes_of, key_below, thousands
from kit.life import expected_positions, fit_turnbull, plotting_positions

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from numpy.typing import ArrayLike

    from kit.intervals import ModeAnswer
    from kit.life import Histories, LifeFit, TurnbullFit

_NAIVE = {"color": "0.2", "linestyle": ":", "linewidth": 1.8, "label": "the naive way"}
_MOST_INTERVALS = 60  # on one probability plot; more only make a smear

EXPECTED = "found, as the fit expects with these looks"
"""Words for the thin line through the finds: beside it lies the share with damage, which looks are late for and miss."""


def draw_expected(
    ax: Axes,
    histories: Histories,
    detection: object,
    *,
    scale: float,
    shape: float,
    per_unit: float = 1.0,
    on_paper: bool = False,
    **line_kwargs,
) -> None:
    """Draw what these looks are expected to find under a life, on the scale of the finds: a thin line that runs through them.

    Parameters
    ----------
    ax : Axes
        Where to draw.
    histories : Histories
        The lives with their looks; nothing is drawn where they do not hold looks.
    detection : object
        Chance of detection, as the fit has it.
    scale, shape : float
        Weibull life [units of the histories' clock], [-].
    per_unit : float
        Units of the histories' clock for one unit of the axis.
    on_paper : bool
        Whether the axis is that of probability paper, log(-log(1 - share)).
    **line_kwargs
        For the line.
    """
    if not histories.look_age.size:
        return
    expected = expected_positions(histories, detection, scale=scale, shape=shape)
    expected = expected.loc[expected["share"] > 0]
    share = expected["share"].to_numpy()
    height = np.log(-np.log1p(-share)) if on_paper else share
    ax.plot(expected["age"] / per_unit, height, **({"linewidth": 0.8, "label": EXPECTED} | line_kwargs))


def _method(fit: LifeFit) -> str:
    """Which bounds to draw: with few finds the quick ones are rough."""
    return "wald" if fit.n_finds >= 20 else "profile"


def _words_without_model(fit: LifeFit) -> str:
    """Name the estimate without a model; where looks miss, the fitted line rightly lies above it."""
    return "without a model" if fit.looks_find_all else "without a model (takes looks to find all)"


def draw_without_model(ax: Axes, turnbull: TurnbullFit, label: str, until: float) -> None:
    """Draw the estimate without a model as boxes: within one it is not known where the share rises.

    Parameters
    ----------
    ax : Axes
        Where to draw.
    turnbull : TurnbullFit
        The estimate.
    label : str
        For the legend.
    until : float
        End of the age axis [clock units].
    """
    ends = np.r_[0.0, turnbull.lower, turnbull.upper[np.isfinite(turnbull.upper)], until]
    ends = np.unique(ends[ends <= until])
    least, most = turnbull.survival_range((ends[:-1] + ends[1:]) / 2)
    seen = ends[:-1] < turnbull.lower[-1] if np.isinf(turnbull.upper[-1]) else np.ones(least.size, bool)
    low, high = 1 - most[seen], 1 - least[seen]
    at = np.r_[ends[:-1][seen], ends[1:][seen][-1:]]
    ax.fill_between(
        at, np.r_[low, low[-1:]], np.r_[high, high[-1:]], step="post", facecolor="0.75", edgecolor="0.45", linewidth=0.9,
        label=label,
    )  # fmt: skip


def plot_share_damaged(
    fit: LifeFit,
    histories: Histories,
    ax: Axes | None = None,
    *,
    naive: LifeFit | None = None,
    band: tuple[ArrayLike, ArrayLike, ArrayLike] | None = None,
    truth: tuple[float, float] | None = None,
    **line_kwargs,
) -> Axes:
    """Draw the share of panels with damage against age, with bounds, over the estimate without a model.

    Parameters
    ----------
    fit : LifeFit
        The fitted life.
    histories : Histories
        What it was fitted to; the estimate of Turnbull from them is drawn under the fit as boxes.
    ax : Axes, optional
        Where to draw.
    naive : LifeFit, optional
        A fit made the wrong way, drawn dotted as a warning.
    band : tuple of array_like, optional
        Ages, and lower and upper bounds of the share without damage there, as `TurnbullFit.band` gives
        them; drawn as thin dashed lines.
    truth : tuple of float, optional
        Scale and shape of the Weibull life that made the lives, where it is known; drawn dashed above all.
    **line_kwargs
        For the fitted line.

    Returns
    -------
    Axes
        With the age in the clock of the fit.
    """
    ax = axes_of(ax)
    age = np.linspace(fit.oldest_age / 200, fit.oldest_age, 200)
    low, high = fit.survival_bounds(age, method=_method(fit))
    ax.fill_between(
        age, 1 - high, 1 - low, color=PALE, alpha=0.4, linewidth=0, label="95 % bounds of the fit"
    )
    ax.plot(
        age, 1 - fit.survival(age), **({"color": INK, "label": fit.label.replace("_", " ")} | line_kwargs)
    )
    draw_without_model(ax, fit_turnbull(histories), _words_without_model(fit), fit.oldest_age)
    if not fit.looks_find_all:
        points = plotting_positions(histories)
        ax.plot(points["upper"], points["share"], "o", color="0.35", markersize=2.5, label="finds")
        draw_expected(ax, histories, fit.detection, scale=fit.scale, shape=fit.shape, color="black")
    if band is not None:
        ages, lower, upper = (np.asarray(x, float) for x in band)
        for i, bound in enumerate((lower, upper)):
            ax.plot(
                ages, 1 - bound, color="0.45", linestyle="--", linewidth=0.9,
                label="its 95 % band" if i == 0 else None,
            )  # fmt: skip
    if naive is not None:
        ax.plot(age, 1 - naive.survival(age), **_NAIVE)
    if truth is not None:
        share = -np.expm1(-((age / truth[0]) ** truth[1]))
        ax.plot(age, share, **TRUTH, label="the truth", zorder=2.6)
    unit = UNITS.get(fit.clock, fit.clock)
    ax.set(xlabel=f"Panel age [{unit}]", ylabel="Share with damage [-]", xlim=(0, fit.oldest_age))
    _share_axis_and_key(ax)
    return ax


def plot_probability(
    fit: LifeFit, histories: Histories, ax: Axes | None = None, *, naive: LifeFit | None = None
) -> Axes:
    """Draw a Weibull probability plot: a Weibull life is a straight line.

    Parameters
    ----------
    fit : LifeFit
        The fitted life.
    histories : Histories
        Finds, at their plotting positions (exact median ranks where nothing is censored).
    ax : Axes, optional
        Where to draw.
    naive : LifeFit, optional
        A fit made the wrong way, drawn dotted as a warning.

    Returns
    -------
    Axes
        Log age against log(-log(1 - share)), labelled with shares.
    """
    ax = axes_of(ax)
    points = plotting_positions(histories)
    upper = points["upper"].to_numpy()
    lower = np.maximum(points["lower"].to_numpy(), upper.min() / 10)
    y = np.log(-np.log1p(-points["share"].to_numpy()))
    some = np.unique(np.linspace(0, y.size - 1, min(y.size, _MOST_INTERVALS)).round().astype(int))
    words = "finds" if some.size == y.size else f"{some.size} of {y.size} finds, evenly over their ranks"
    ax.hlines(y[some], lower[some], upper[some], color="0.35", linewidth=1.2)
    ax.plot(upper[some], y[some], "o", color="0.35", markersize=3, label=f"{words}; dot: age when found")
    if not fit.looks_find_all:
        draw_expected(
            ax, histories, fit.detection, scale=fit.scale, shape=fit.shape, on_paper=True, color="black"
        )
    age = np.geomspace(lower.min(), max(upper.max(), fit.oldest_age), 100)
    low, high = fit.survival_bounds(age, method=_method(fit))
    share_low, share_high = (np.clip(1 - s, 1e-12, 1 - 1e-12) for s in (high, low))
    ax.fill_between(
        age, np.log(-np.log1p(-share_low)), np.log(-np.log1p(-share_high)), color=PALE, alpha=0.4, linewidth=0
    )
    ax.plot(age, fit.shape * np.log(age / fit.scale), color=INK, label=fit.label.replace("_", " "))
    if naive is not None:
        ax.plot(age, naive.shape * np.log(age / naive.scale), **_NAIVE)
    shares = np.array([0.001, 0.002, 0.005, 0.01, 0.02, 0.05, 0.1, 0.2, 0.4, 0.63, 0.9])
    ticks = np.log(-np.log1p(-shares))
    inside = (ticks > y.min() - 1.5) & (ticks < max(y.max(), fit.shape * np.log(age[-1] / fit.scale)) + 0.5)
    ax.set_xscale("log")
    ax.set_yticks(ticks[inside], [f"{share:g}" for share in shares[inside]])
    ax.set(
        xlabel=f"Panel age [{UNITS.get(fit.clock, fit.clock)}]",
        ylabel="Share with damage [-]",
        xlim=(lower.min() / 1.1, age[-1] * 1.1),
        ylim=(y.min() - 1.0, max(y.max(), fit.shape * np.log(age[-1] / fit.scale)) + 0.3),
    )
    ax.xaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:,.0f}"))
    key_below(ax, ncols=1)
    return ax


def plot_modes(modes: tuple[ModeAnswer, ...], clock: str, horizon: float, ax: Axes | None = None) -> Axes:
    """Draw the share of panels with damage of each kind, all on one clock, with what the draws leave open.

    Parameters
    ----------
    modes : tuple of ModeAnswer
        Evidence by kind of damage.
    clock : str
        Clock of the axis.
    horizon : float
        End of the axis [units of `clock`].
    ax : Axes, optional
        Where to draw.

    Returns
    -------
    Axes
        Thick lines of the central lives, the middle 95 % of the drawn ones, finds at their plotting positions, and thin lines of what
        the looks that were made are expected to find.
    """
    ax = axes_of(ax)
    age = np.linspace(horizon / 200, horizon, 200)
    for i, mode in enumerate(modes):
        colour, dash, marker = LINES[i % len(LINES)]
        per_unit = mode.units_per_schedule_unit
        drawn = mode.draws.on_clock(per_unit, clock)
        shares = -np.expm1(-((age / drawn.scale[:, None]) ** drawn.shape[:, None]))
        label = f"{mode.kind.replace('_', ' ')} ({mode.histories.n_finds:g} finds in {mode.histories.n_lives:g} lives)"
        ax.plot(age, shares[0], color=colour, linestyle=dash, label=label)
        low, high = np.quantile(shares[1:], [0.025, 0.975], axis=0)
        ax.fill_between(age, low, high, color=colour, alpha=0.12, linewidth=0)
        if mode.histories.n_finds > 0:
            points = plotting_positions(mode.histories)
            ax.plot(
                points["upper"] / per_unit, points["share"], marker, color=colour, markersize=3, alpha=0.7
            )
            if mode.fit is not None:
                # The life that was used, with the detection that it was worked out with.
                draw_expected(
                    ax, mode.histories, mode.fit.detection, scale=mode.scale, shape=mode.shape, per_unit=per_unit,
                    color=colour, linestyle=dash, label=None,
                )  # fmt: skip
    ax.set(
        xlabel=f"Panel age [{UNITS.get(clock, clock)}]",
        ylabel="Share with damage [-]",
        xlim=(0, horizon),
    )
    if any(mode.histories.n_finds > 0 for mode in modes):
        ax.plot([], [], "o", color="0.35", markersize=3, label="finds")
        ax.plot([], [], color="0.35", linewidth=0.8, label=f"thin: {EXPECTED}")
    _share_axis_and_key(ax)
    return ax


def _share_axis_and_key(ax: Axes) -> None:
    """Name the artists below an axis that begins at 0 and ends at 1 at the latest, as a share does."""
    ax.set_ylim(0, min(1.0, ax.get_ylim()[1]))
    thousands(ax)
    key_below(ax, ncols=1)
