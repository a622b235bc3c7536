"""How many finds stand for nothing: false calls per look by method, from finds that were not confirmed and panels opened."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike
from scipy.special import betaincinv

from kit.findings import Fleet
from kit.numerics.confidence import check_level
from kit.numerics.typing import Floats
from kit.ranking.selection import EVERYTHING, Selection, selected_looks, selected_regions

_NOT_CONFIRMED = "not_confirmed"


def binomial_bounds(count: ArrayLike, n: ArrayLike, *, level: float = 0.95) -> tuple[Floats, Floats]:
    """Exact two-sided bounds of a share.

    Parameters
    ----------
    count, n : array_like of float
        Successes and trials [-].
    level : float
        Confidence of both sides together [-].

    Returns
    -------
    lower, upper : ndarray
        Bounds [-].

    References
    ----------
    .. [1] C. J. Clopper and E. S. Pearson, "The use of confidence or fiducial limits illustrated in the case of the
       binomial", *Biometrika*, vol. 26, 1934, pp. 404-413.

    Examples
    --------
    >>> [round(float(b), 5) for b in binomial_bounds(81, 263)]
    [0.25274, 0.36762]
    """
    check_level(level)
    k, m = np.broadcast_arrays(np.asarray(count, np.float64), np.asarray(n, np.float64))
    if not ((k >= 0) & (k <= m)).all():
        raise ValueError("`count` must be from 0 to `n`. Correct the counts.")
    tail = (1 - level) / 2
    some, rest = np.maximum(k, 1e-300), np.maximum(m - k, 1e-300)
    lower = np.where(k > 0, betaincinv(some, m - k + 1, tail), 0.0)
    upper = np.where(k < m, betaincinv(k + 1, rest, 1 - tail), 1.0)
    return lower, upper


def fit_false_calls(
    fleet: Fleet,
    selection: Selection = EVERYTHING,
    *,
    level: float = 0.95,
    looks: pd.Series | None = None,
    regions: pd.DataFrame | None = None,
) -> pd.DataFrame:
    """Estimate the false calls that still stand among accepted first finds, per look, by method.

    Parameters
    ----------
    fleet : Fleet
        The findings as loaded.
    selection : Selection
        What counts.
    level : float
        Confidence of the bounds [-].
    looks : Series, optional
        Number of looks of the selection by method, so that they are not built again.
    regions : DataFrame, optional
        What `selected_regions` gave, likewise.

    Returns
    -------
    DataFrame
        Index method: looks, first_finds (accepted), opened (of them, those whose damage was repaired or whose panel was
        replaced), not_confirmed (finds taken back after a second look), share_false (not_confirmed over not_confirmed and
        opened) with _lower and _upper (exact), and per_look with _lower and _upper: share_false times accepted finds that nobody
        opened, over looks [-].

    Notes
    -----
    A find that was opened and repaired is taken as real, and one that was not confirmed as false. Finds that nobody
    opened are taken to be false as often as those of which it became known (assumed). Methods without either have none.
    """
    if looks is None:
        looks = selected_looks(fleet, selection).groupby("method").size()
    regions = selected_regions(fleet, selection) if regions is None else regions
    first = regions.loc[regions["is_first"]]
    opened = first["disposition"].isin(["permanent_repair", "panel_replaced"])
    findings = fleet.tables["findings"]
    taken_back = findings.loc[findings["disposition"] == _NOT_CONFIRMED]
    taken_back = taken_back.loc[selection.rows(taken_back, day="found_on")]
    out = pd.DataFrame({"looks": looks})
    out["first_finds"] = first.groupby("method").size().reindex(out.index).fillna(0).astype(int)
    out["opened"] = first.loc[opened].groupby("method").size().reindex(out.index).fillna(0).astype(int)
    out["not_confirmed"] = taken_back.groupby("method").size().reindex(out.index).fillna(0).astype(int)
    known = out["opened"] + out["not_confirmed"]
    low, high = binomial_bounds(out["not_confirmed"], np.maximum(known, out["not_confirmed"]), level=level)
    with np.errstate(invalid="ignore"):
        share = np.where(known > 0, out["not_confirmed"] / np.maximum(known, 1), 0.0)
    out["share_false"], out["share_false_lower"], out["share_false_upper"] = share, low, high
    left = (out["first_finds"] - out["opened"]) / np.maximum(out["looks"], 1)
    for end in ("", "_lower", "_upper"):
        out[f"per_look{end}"] = out[f"share_false{end}"] * left
    return out
