"""What share of damage a look finds, by its size: the curve, its bounds and the trial under it."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from matplotlib.patheffects import withStroke

from kit.figures.style import LINES, axes_of, key_below
from kit.numerics.words import in_words, percent

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from kit.detection import DetectionCurve, HitMissFit, ResponseFit

_BANDS = 8  # of size, for the shares of the trial
_JITTER = 0.024  # half the height over which single hits and misses are spread, within the axis
_MOST_SINGLE = 1000  # with more trials single marks only make a smear
_GOLDEN = 0.618033988749895


def plot_pod(
    result: HitMissFit | ResponseFit | DetectionCurve, *, level: float = 0.95, ax: Axes | None = None
) -> Axes:
    """Draw a POD curve, with its bounds and the trial where it was fitted.

    Parameters
    ----------
    result : HitMissFit, ResponseFit or DetectionCurve
        What to draw; each group of a fit gets its line.
    level : float
        One-sided confidence of each bound [-].
    ax : Axes, optional
        Where to draw.

    Returns
    -------
    Axes
        Chance against equivalent diameter.
    """
    ax = axes_of(ax)
    groups = getattr(result, "groups", ("",))
    size = _sizes(result)
    for number, group in enumerate(groups):
        colour, dash, marker = LINES[number % len(LINES)]
        choose = {"group": group} if hasattr(result, "groups") else {}
        if hasattr(result, "pod_bounds"):
            lower, upper = result.pod_bounds(size, level, one_sided=True, **choose)
            ax.fill_between(
                size, lower, upper, color=colour, alpha=0.15, linewidth=0,
                label=f"bounds, each {percent(level)} one-sided" if number == 0 else None,
            )  # fmt: skip
            ax.plot(size, lower, color=colour, linewidth=0.8, linestyle=dash)
        words = in_words(str(group)) or (
            "POD as fitted" if hasattr(result, "a90_95") else f"POD ({result.basis})"
        )
        ax.plot(size, result.pod(size, **choose), color=colour, linestyle=dash, linewidth=2, label=words)
        if hasattr(result, "data"):
            _trial(ax, result, number, colour, marker)
        if len(groups) == 1:
            _marks(ax, result, level)
    ax.set(xlabel="Equivalent diameter of the damage [mm]", ylabel="Chance to be found [-]", ylim=(0, 1))
    ax.set_xlim(0, size[-1])
    ax.axhline(0.9, color="0.6", linewidth=0.8, linestyle=(0, (1, 3)), zorder=0)
    key_below(ax)
    return ax


def _sizes(result):
    """Sizes to draw over: all of the trial, or to where the curve has levelled out."""
    if hasattr(result, "data"):
        top = 1.15 * float(result.data.size.max())
    else:
        ends = [value for value in (result.a90, 2 * result.a50) if np.isfinite(value) and value > 0]
        top = 1.5 * max(ends, default=100.0)
    return np.linspace(top / 400, top, 400)


def _trial(ax: Axes, fit: HitMissFit, number: int, colour: str, marker: str) -> None:
    """Draw shares of hits in bands of size with their counts, and single hits and misses if they are few."""
    data = fit.data
    own = (data.group == number) & ~data.blank
    size, hit, count = data.size[own], data.hit[own], data.count[own]
    order = np.argsort(size, kind="stable")
    size, hit, count = size[order], hit[order], count[order]
    values = np.unique(size)
    if values.size <= _BANDS:
        band = np.searchsorted(values, size)
    else:
        band = np.minimum(((np.cumsum(count) - count / 2) / count.sum() * _BANDS).astype(int), _BANDS - 1)
    total = np.bincount(band, weights=count)
    held = total > 0
    share = np.bincount(band, weights=hit)[held] / total[held]
    middle = np.bincount(band, weights=size * count)[held] / total[held]
    alike = np.unique(total[held])
    each = f"{alike[0]:.0f} trials each" if alike.size == 1 else "trials beside it"
    label = f"share of hits ({each})" if number == 0 or alike.size == 1 else None
    ax.plot(
        middle,
        share,
        marker,
        color=colour,
        markerfacecolor="white",
        markersize=6,
        label=label,
        zorder=3,
        clip_on=False,
    )
    for x, y, n in () if alike.size == 1 else zip(middle, share, total[held], strict=True):
        # Above a point near 0, where the misses lie, and with a rim that keeps it apart from marks and lines.
        note = ax.annotate(
            f"{n:.0f}",
            (x, y),
            xytext=(5, 6 if y < 0.1 else -9),
            textcoords="offset points",
            fontsize="x-small",
        )
        note.set_path_effects([withStroke(linewidth=2, foreground="white")])
    if (count == 1).all() and count.size <= _MOST_SINGLE:
        lift = ((np.arange(size.size) * _GOLDEN) % 1 - 0.5) * 2 * _JITTER
        # Just within the axis, which ends at 0 and 1.
        for found, at, sign, words in ((True, 1 - _JITTER, "|", "a hit"), (False, _JITTER, "x", "a miss")):
            rows = (hit > 0) == found
            ax.plot(
                size[rows], at + lift[rows], sign, color=colour, markersize=4, alpha=0.6, linestyle="none",
                label=words if number == 0 else None,
            )  # fmt: skip


def _marks(ax: Axes, result, level: float) -> None:
    """Mark a50 (half of the plateau), a90 and a90/95 by line, style and words."""
    plateau = getattr(result, "plateau", 1.0)
    half = "a50" if plateau == 1 else "a50 (half of the plateau)"
    marks = [(half, result.a50, plateau / 2, (0, (1, 1))), ("a90", result.a90, 0.9, (0, (4, 2)))]
    if hasattr(result, "a90_95"):
        marks.append((f"a90/{level * 100:.0f}", result.a90_95(level=level), 0.9, "-"))
    for name, value, height, dash in marks:
        if np.isfinite(value):
            ax.vlines(
                value,
                0,
                height,
                colors="0.25",
                linestyles=dash,
                linewidth=1.2,
                label=f"{name} {value:.3g} mm",
            )
        else:
            ax.plot([], [], linestyle="none", label=f"{name}: reached at no size")
