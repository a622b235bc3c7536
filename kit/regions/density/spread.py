"""Is damage spread evenly over a panel type, or does it gather at edges, corners, fasteners or low down."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray
from scipy.special import betaincinv

from kit.numerics.typing import Floats
from kit.numerics.words import in_words
from kit.regions.density.density import DamageDensity

SHARPEST_BEND = 30.0
"""Turn of the outline from which a point of it counts as a corner [degrees]."""

_MOST_ROUNDS = 10_000  # of drawing spots anew that fell off the outline
_MOST_POINTS = 500_000


@dataclass(frozen=True, repr=False)
class EvenSpread:
    """Finds against an even spread over what was looked at.

    Parameters
    ----------
    group : str
        Zone group.
    kind : str or None
        Kind of damage; None for all.
    table : DataFrame
        A row for each test, as from `to_frame`.
    n_finds : int
        Finds tested.
    draws : int
        Sets of finds drawn with an even spread.
    seed : int
        Seed of the draws.
    confidence : float
        Confidence of the bounds of the density ratio [-].
    cautions : tuple of str
        What the figures do not tell.
    by_distance : DataFrame
        By distance from the edge: from_mm, to_mm, finds, expected (of an even spread), and lower and upper: the middle
        95 % of the even spreads that were drawn [finds].
    """

    group: str
    kind: str | None
    table: pd.DataFrame
    n_finds: int
    draws: int
    seed: int
    confidence: float
    cautions: tuple[str, ...]
    by_distance: pd.DataFrame

    def __repr__(self) -> str:
        """Say what it holds in one line."""
        tests = self.table.dropna(subset="p_adjusted")
        words = ", ".join(f"{row.test} {row.p_adjusted:.2g}" for row in tests.itertuples())
        return f"<EvenSpread {self.group} {self.kind or 'all kinds'}: {self.n_finds} finds; adjusted p {words or 'none'}>"

    def words(self) -> str:
        """Say whether finds keep to the edge.

        Returns
        -------
        str
            Sentences, with the p-value that counts all tests.
        """
        kind = in_words(self.kind or "all kinds")
        where = f"Finds of {kind} on {in_words(self.group)}"
        if not self.n_finds:
            return f"{where}: none, so that nothing can be said of where they lie."
        edge = self.table.set_index("test").loc["edge"]
        near = "keep to" if edge["density_ratio"] > 1 else "keep away from"
        told = f"{near} the edge" if edge["p_adjusted"] < _TOLD else "are not told from an even spread"
        return (
            f"{where} {told}: {self.n_finds} finds lie {edge['observed_mm']:.0f} mm from the edge in the mean, {edge['expected_mm']:.0f} mm if "
            f"spread evenly. In the band of {edge['band_mm']:.0f} mm there are {edge['density_ratio']:.1f} times as many for each look and m² "
            f"({edge['ratio_lower']:.1f} to {edge['ratio_upper']:.1f}) as inside it, p = {edge['p']:.3f}, {edge['p_adjusted']:.3f} with all "
            "tests counted."
        )

    def to_frame(self) -> pd.DataFrame:
        """Return a row for each test.

        Returns
        -------
        DataFrame
            test (edge, corner, fastener_row, low, overall); observed_mm and expected_mm (mean distance
            of the finds, and under an even spread); direction (nearer or farther); band_mm (width of the band);
            n_in_band; expected_share (of finds in the band under an even spread [-]); density_ratio,
            ratio_lower and ratio_upper (finds for each look and m² inside the band over outside [-]);
            p, p_error (standard error from the number of draws) and p_adjusted (for testing several) [-].
            For overall only p, its error and its adjusted value.
        """
        return self.table.copy()


def even_spread_test(
    density: DamageDensity,
    *,
    edge_band_mm: float = 100.0,
    corner_band_mm: float = 150.0,
    fastener_band_mm: float = 50.0,
    low_band_mm: float = 100.0,
    confidence: float = 0.9,
    draws: int = 999,
    seed: int = 1,
) -> EvenSpread:
    r"""Test finds against an even spread over what was looked at, by drawing even spreads.

    Parameters
    ----------
    density : DamageDensity
        Finds and looks of a panel type.
    edge_band_mm, corner_band_mm, fastener_band_mm, low_band_mm : float
        How near to an edge, a corner, a row of fasteners, or the level of the lowest point of the
        panel a find counts as in the band [mm].
    confidence : float
        Confidence of the bounds of the density ratio [-].
    draws : int
        Sets of finds to draw, each as many as there are finds.
    seed : int
        Seed of the draws.

    Returns
    -------
    EvenSpread
        Tests of the mean distance to the edge, a corner, a row of fasteners and the lowest level, and
        one of all cells at once. Where there are no finds, p is nan.

    Raises
    ------
    ValueError
        If a parameter is not positive, `confidence` is not between 0 and 1, or nothing was looked at.

    Notes
    -----
    A spot is drawn with a chance in proportion to the looks at its cell. The distance tests are
    two-sided: with r draws at least as near (or as far, the smaller number),
    :math:`p = 2(r + 1)/(n + 1)`, at most 1. The overall test counts finds in blocks of about five
    expected ones and takes r from draws with at least the same chi-square,
    :math:`p = (r + 1)/(n + 1)`. No p is below what the draws can show. The adjusted values allow for
    the several tests of one density (Holm); testing many groups or kinds needs more.

    The bounds of the density ratio are exact binomial ones on the share of finds in the band. A row
    of fasteners along the edge, or a corner, is near the edge as well: such tests do not tell which of
    the two it is. A damage stands where its centroid is, which is never on the edge itself; take bands
    that are wide against the damages.

    References
    ----------
    A. C. Davison and D. V. Hinkley, *Bootstrap Methods and their Application*, 1997, ch. 4 (Monte Carlo
    tests). S. Holm, *Scandinavian Journal of Statistics* 6, 1979, 65-70.
    """
    bands = {"edge": edge_band_mm, "corner": corner_band_mm, "fastener_row": fastener_band_mm}
    bands["low"] = low_band_mm
    for name, band in bands.items():
        if not (np.isfinite(band) and band > 0):
            raise ValueError(f"the band of {name} must be positive. Got {band!r}; give its width in mm.")
    if not 0 < confidence < 1:
        raise ValueError(f"`confidence` must be between 0 and 1. Got {confidence!r}; give 0.9 for 90 %.")
    if draws < 1:
        raise ValueError(f"`draws` must be at least 1. Got {draws!r}; take 999 or more.")
    points, n = density.points, len(density.points)
    rng = np.random.default_rng(seed)
    size = n * draws
    pool = _even_points(density, min(max(size, 20_000), _MOST_POINTS), rng)
    pick = np.arange(size) if size <= len(pool) else rng.integers(0, len(pool), size)
    pick = pick.reshape(draws, n)
    rows, by_distance = [], pd.DataFrame()
    for name, distance in _features(density).items():
        far = distance(pool)
        if name == "edge":
            by_distance = _by_distance(
                distance(points) if n else np.empty(0), far, pick, step=edge_band_mm / 2
            )
        row = {"test": name, "band_mm": bands[name], "expected_mm": float(far.mean())}
        share = float((far <= bands[name]).mean())
        if n:
            own = distance(points)
            drawn = far[pick].mean(axis=1)
            near, away = ((compare(drawn, own.mean())).sum() for compare in (np.less_equal, np.greater_equal))
            inside = int((own <= bands[name]).sum())
            row |= {"observed_mm": float(own.mean()), "n_in_band": inside}
            row["direction"] = "nearer" if own.mean() < far.mean() else "farther"
            row |= _ratio(inside, n, share, confidence) | _p(min(near, away), draws, sides=2)
        rows.append(row | {"expected_share": share})
    overall = _overall(density, points, pool, pick) if n else None
    rows.append({"test": "overall"} | ({} if overall is None else _p(overall, draws, sides=1)))
    table = pd.DataFrame(rows).reindex(columns=_COLUMNS)
    table["direction"] = table["direction"].astype("object").fillna("").astype("str")
    table = table.astype(dict.fromkeys(_COLUMNS[3:], "float64") | {"observed_mm": "float64"})
    table["p_adjusted"] = _holm(table["p"].to_numpy())
    return EvenSpread(
        group=density.group,
        kind=density.kind,
        table=table,
        n_finds=n,
        draws=draws,
        seed=seed,
        confidence=confidence,
        cautions=(
            "A p above any level does not show an even spread: few finds show little.",
            "The chance to find damage is taken as the same all over what was looked at.",
            "Finds on one panel, or of one event, are taken as independent of each other.",
        ),
        by_distance=by_distance,
    )


_TOLD = 0.05  # p below which a departure from an even spread is said to be shown
_LEAST_SHARE = 0.02  # of the skin that was looked at, within the farthest band

_COLUMNS = [
    "test",
    "observed_mm",
    "direction",
    "expected_mm",
    "band_mm",
    "n_in_band",
    "expected_share",
    "density_ratio",
    "ratio_lower",
    "ratio_upper",
    "p",
    "p_error",
    "p_adjusted",
]


def corners(outline: shapely.Polygon) -> Floats:
    """Return the points where an outline turns sharply.

    Parameters
    ----------
    outline : Polygon
        Outline of a panel [mm].

    Returns
    -------
    ndarray of float, shape (n_corners, 2)
        Points at which the outer ring turns by 30 degrees or more [mm]; none on a round panel.

    Examples
    --------
    >>> len(corners(shapely.box(0, 0, 400, 200))), len(corners(shapely.Point(0, 0).buffer(500)))
    (4, 0)
    """
    ring = shapely.get_coordinates(shapely.get_exterior_ring(outline))[:-1]
    ring = ring[np.hypot(*(ring - np.roll(ring, 1, axis=0)).T) > 0]
    before, after = ring - np.roll(ring, 1, axis=0), np.roll(ring, -1, axis=0) - ring
    cross = before[:, 0] * after[:, 1] - before[:, 1] * after[:, 0]
    turn = np.degrees(np.abs(np.arctan2(cross, (before * after).sum(axis=1))))
    return ring[turn >= SHARPEST_BEND - 1e-9]


def _features(density: DamageDensity) -> dict:
    """Return functions from points to their distance from each feature that the panel has [mm]."""
    edge = shapely.boundary(density.outline)
    points = corners(density.outline)
    lowest = shapely.bounds(density.outline)[1]
    shapely.prepare(edge)
    features = {"edge": lambda at: shapely.distance(shapely.points(at), edge)}
    if len(points):
        features["corner"] = lambda at: np.min([np.hypot(*(at - point).T) for point in points], axis=0)
    if density.fastener_rows is not None:
        shapely.prepare(density.fastener_rows)
        features["fastener_row"] = lambda at: shapely.distance(shapely.points(at), density.fastener_rows)
    features["low"] = lambda at: at[:, 1] - lowest
    return features


def _even_points(density: DamageDensity, n: int, rng: np.random.Generator) -> Floats:
    """Draw spots, each with a chance in proportion to the looks at its cell [mm]."""
    weight = np.nan_to_num(density.looks).ravel()
    if not weight.sum() > 0:
        raise ValueError(
            f"`density` must have looks. Group {density.group} has none of the methods and basis counted; choose others."
        )
    # Spots off the outline are drawn anew with their cell, so that a cell counts by its area on the panel.
    chance = weight / weight.sum()
    n_columns = density.looks.shape[1]
    shapely.prepare(density.outline)
    drawn, have = [], 0
    for _ in range(_MOST_ROUNDS):
        if have >= n:
            break
        cell = rng.choice(chance.size, size=n, p=chance)
        row, column = cell // n_columns, cell % n_columns
        u, v = rng.random((2, n))
        x = density.x_edges_mm[column] + u * np.diff(density.x_edges_mm)[column]
        y = density.y_edges_mm[row] + v * np.diff(density.y_edges_mm)[row]
        on = shapely.contains_xy(density.outline, x, y)
        drawn.append(np.column_stack([x[on], y[on]]))
        have += int(on.sum())
    else:
        raise ValueError(
            f"`density` must have looks on the panel. Of group {density.group} next to none of the cells with looks lie on the "
            "outline; check the outline."
        )
    return np.concatenate(drawn)[:n]


def _overall(density: DamageDensity, points: Floats, pool: Floats, pick: NDArray[np.int64]) -> int:
    """Return how many draws differ at least as much from an even spread over blocks."""
    draws, n = pick.shape
    left, bottom, right, top = shapely.bounds(density.outline)
    per_side = int(np.clip(np.sqrt(n / 5), 2, 8))
    x_edges, y_edges = np.linspace(left, right, per_side + 1), np.linspace(bottom, top, per_side + 1)

    def block(at: Floats) -> NDArray[np.int64]:
        column = np.clip(np.searchsorted(x_edges, at[:, 0], side="right") - 1, 0, per_side - 1)
        return column + per_side * np.clip(
            np.searchsorted(y_edges, at[:, 1], side="right") - 1, 0, per_side - 1
        )

    n_blocks = per_side**2
    of_pool = block(pool)
    # A block in which no spot was drawn counts as half a spot, so that a find there weighs much, not nan.
    expected = n * np.maximum(np.bincount(of_pool, minlength=n_blocks), 0.5) / len(pool)
    drawn = of_pool[pick] + n_blocks * np.arange(draws)[:, None]
    counts = np.bincount(drawn.ravel(), minlength=n_blocks * draws).reshape(draws, n_blocks)
    chi = ((counts - expected) ** 2 / expected).sum(axis=1)
    own = ((np.bincount(block(points), minlength=n_blocks) - expected) ** 2 / expected).sum()
    return int((chi >= own * (1 - 1e-12)).sum())


def _by_distance(own: Floats, far: Floats, pick: NDArray[np.int64], *, step: float) -> pd.DataFrame:
    """Count finds by distance from the edge, beside the even spreads that were drawn.

    Bands beyond which hardly any skin lies are joined to the one before.
    """
    ends = np.arange(step, far.max() + step, step)
    beyond = 1 - np.searchsorted(np.sort(far), ends[:-1], side="right") / far.size
    kept = np.r_[0.0, ends[:-1][beyond >= _LEAST_SHARE], ends[-1]]
    band = np.clip(np.searchsorted(kept, far, side="left") - 1, 0, kept.size - 2)
    drawn = np.stack([(band[pick] == k).sum(axis=1) for k in range(kept.size - 1)])
    low, high = np.quantile(drawn, [0.025, 0.975], axis=1)
    found = np.clip(np.searchsorted(kept, own, side="left") - 1, 0, kept.size - 2)
    expected = np.bincount(band, minlength=kept.size - 1) / far.size * own.size
    return pd.DataFrame(
        {
            "from_mm": kept[:-1],
            "to_mm": kept[1:],
            "finds": np.bincount(found, minlength=kept.size - 1),
            "expected": expected,
            "lower": low,
            "upper": high,
        }
    )


def _ratio(inside: int, n: int, share: float, confidence: float) -> dict[str, float]:
    """Return density inside a band over outside, with exact binomial bounds."""
    if not 0 < share < 1:
        return {}
    tail = (1 - confidence) / 2
    low = betaincinv(inside, n - inside + 1, tail) if inside else 0.0
    high = betaincinv(inside + 1, n - inside, 1 - tail) if inside < n else 1.0
    with np.errstate(divide="ignore"):
        ratio = [np.divide(p, 1 - p) * (1 - share) / share for p in np.array([inside / n, low, high])]
    return dict(zip(("density_ratio", "ratio_lower", "ratio_upper"), map(float, ratio), strict=True))


def _p(r: int, draws: int, *, sides: int) -> dict[str, float]:
    """Return the chance of draws as extreme, and its standard error from their number."""
    one = (int(r) + 1) / (draws + 1)
    error = sides * np.sqrt(one * max(1 - one, 0.0) / (draws + 1))
    return {"p": min(1.0, sides * one), "p_error": float(error)}


def _holm(p: Floats) -> Floats:
    """Return p adjusted for testing several, nan where there is none."""
    out = np.full(p.size, np.nan)
    order = np.argsort(p)[: int(np.isfinite(p).sum())]
    if order.size:
        steps = p[order] * np.arange(order.size, 0, -1)
        out[order] = np.minimum(np.maximum.accumulate(steps), 1.0)
    return out
