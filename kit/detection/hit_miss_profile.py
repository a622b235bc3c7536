"""How far a size of given POD can go before the likelihood drops, and hits against what a fit expects."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from scipy.special import chdtrc, logit

from kit.detection.hit_miss_surface import Anchor, Surface, line_design, maximise_on
from kit.detection.links import shares
from kit.numerics.quadrature import normal_nodes
from kit.numerics.typing import Floats

if TYPE_CHECKING:
    from kit.detection.hit_miss_fit import HitMissFit


def profile_excess(fit: HitMissFit, g: int, pod: float, z: float) -> Callable[[float], float]:
    """Return how far the likelihood ratio of a size exceeds a bound, negative where the size may have the POD.

    Parameters
    ----------
    fit : HitMissFit
        The fit.
    g : int
        Number of the group.
    pod : float
        The POD that the size is to have [-].
    z : float
        Normal quantile of the confidence [-].

    Returns
    -------
    callable
        Of the size, or its log.
    """
    data, n_groups = fit.data, len(fit.groups)
    own = data.group == g
    common = fit.slopes.size == 1
    slope_at = n_groups + (0 if common else g)
    keep = [i for i in range(n_groups + fit.slopes.size) if i != g]
    line = np.r_[fit.intercepts, fit.slopes]
    middle = float(np.mean(data.x[~data.blank]))
    unit = float(np.std(data.x[~data.blank]))
    base = np.hstack(
        [(data.group[:, None] == np.arange(n_groups)).astype(float), np.zeros((own.size, fit.slopes.size))]
    )
    for column in range(n_groups, n_groups + fit.slopes.size):
        rows = np.ones(own.size, bool) if common else data.group == column - n_groups
        base[rows, column] = (data.x[rows] - middle) / unit
    # The line in these units.
    start = line.copy()
    for i in range(n_groups):
        start[i] += line[n_groups + (0 if common else i)] * middle
    start[n_groups:] *= unit
    more = []
    for name in fit.fitted:
        value = getattr(fit, name)
        more.append(np.log(value) if name == "spread" else logit(value))
    given = {
        "plateau": None if "plateau" in fit.fitted else fit.plateau,
        "false_calls": None if "false_calls" in fit.fitted else fit.false_calls,
    }
    starts = np.flatnonzero(np.r_[True, np.diff(data.inspector) != 0]) if "spread" in fit.fitted else None
    state = {"point": np.r_[start[keep], more]}

    def excess(x: float) -> float:
        design = base.copy()
        design[own, slope_at] = (data.x[own] - x) / unit
        surface = Surface(
            fit.link,
            design[:, keep],
            data.hit,
            data.count - data.hit,
            data.blank,
            starts=starts,
            anchor=Anchor(own, pod),
            **given,
        )
        point = state["point"]
        if starts is None:
            point, value, _, _ = maximise_on(surface, point)
        else:
            for _ in range(6):
                before = point
                surface = surface.centred(point)
                point, value, _, _ = maximise_on(surface, point)
                if np.abs(point - before).max() < 1e-7:
                    break
        if np.isfinite(value):
            state["point"] = point
        return 2 * (fit.log_likelihood - value) - z * z

    return excess


def whole_surface(fit: HitMissFit) -> Callable[[Floats], tuple[float, Floats, Floats]]:
    """Return the log-likelihood by all parameters that were fitted, with its derivatives.

    Parameters
    ----------
    fit : HitMissFit
        The fit.

    Returns
    -------
    callable
        Of a point in the order and on the scales of the covariance; inspectors' nodes are placed for each.
    """
    data = fit.data
    surface = Surface(
        fit.link,
        line_design(data, fit.slopes.size == 1, 0.0, 1.0),
        data.hit,
        data.count - data.hit,
        data.blank,
        None if "plateau" in fit.fitted else fit.plateau,
        None if "false_calls" in fit.fitted else fit.false_calls,
        np.flatnonzero(np.r_[True, np.diff(data.inspector) != 0]) if "spread" in fit.fitted else None,
    )
    return surface if surface.starts is None else lambda point: surface.centred(point)(point)


def bands(fit: HitMissFit, bins: int) -> pd.DataFrame:
    """Compare hits with what a fit expects, in bands of fitted chance.

    Parameters
    ----------
    fit : HitMissFit
        The fit.
    bins : int
        Number of bands.

    Returns
    -------
    DataFrame
        As `HitMissFit.observed_against_fitted` says.
    """
    if not bins >= 2:
        raise ValueError(f"`bins` must be at least 2. Got {bins!r}.")
    data = fit.data
    slopes = np.broadcast_to(fit.slopes, (len(fit.groups),))
    line = fit.intercepts[data.group] + slopes[data.group] * data.x
    z, weight = normal_nodes(24) if fit.spread else (np.zeros(1), np.ones(1))
    pod = fit.plateau * (shares(fit.link, line[:, None] + fit.spread * z).share @ weight)
    chance = fit.false_calls + (1 - fit.false_calls) * np.where(data.blank, 0.0, pod)
    order = np.lexsort((data.size, chance))
    before = np.cumsum(data.count[order]) - data.count[order] / 2
    band = np.minimum((before / data.count.sum() * bins).astype(int), bins - 1)
    # Rows alike stay in one band.
    ranked = chance[order]
    first = np.flatnonzero(np.r_[True, np.diff(ranked) > 0])
    band = np.repeat(band[first], np.diff(np.r_[first, ranked.size]))
    frame = pd.DataFrame(
        {
            "band": band,
            "size": data.size[order],
            "trials": data.count[order],
            "hits": data.hit[order],
            "expected": data.count[order] * ranked,
            "variance": data.count[order] * ranked * (1 - ranked),
        }
    )
    out = (
        frame.groupby("band")
        .agg(
            size_from=("size", "min"),
            size_to=("size", "max"),
            trials=("trials", "sum"),
            hits=("hits", "sum"),
            expected=("expected", "sum"),
            variance=("variance", "sum"),
        )
        .reset_index(drop=True)
    )
    out["observed_share"] = out["hits"] / out["trials"]
    out["fitted_share"] = out["expected"] / out["trials"]
    out["pearson"] = (out["hits"] - out["expected"]) / np.sqrt(np.maximum(out["variance"], 1e-300))
    out = out.drop(columns="variance")
    statistic, df = float((out["pearson"] ** 2).sum()), len(out) - 2
    out.attrs = {
        "statistic": statistic,
        "df": df,
        "p_value": float(chdtrc(df, statistic)) if df > 0 else float("nan"),
    }
    return out
