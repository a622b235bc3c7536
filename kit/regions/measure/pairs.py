"""Which regions of one place touch, and how far each is from the nearest other one."""

from __future__ import annotations

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components
from scipy.spatial import KDTree

from kit.numerics.typing import Floats
from kit.regions.measure.blocks import by_rows

Ints = NDArray[np.intp]
_FEW = 64  # regions of a place of which all pairs are tried
_NEAREST = 6  # neighbours by their middles that are looked at first


def touching(shapes: NDArray[np.object_], place: Ints) -> tuple[Ints, Ints]:
    """Return the pairs of regions of one place that have a point in common.

    Parameters
    ----------
    shapes : ndarray of Geometry, shape (n,)
        Regions in the plane of their place [mm]; a missing one touches none.
    place : ndarray of int, shape (n,)
        Number of the place of each.

    Returns
    -------
    first, second : ndarray of int
        Rows of each pair, the smaller one first.
    """
    pairs = [np.empty((2, 0), np.intp)]
    for rows in _groups(place):
        if rows.size < 2:
            continue
        if rows.size <= _FEW:
            i, j = np.triu_indices(rows.size, 1)
        else:
            i, j = shapely.STRtree(shapes[rows]).query(shapes[rows])
            i, j = i[i < j], j[i < j]
        pairs.append(np.stack([rows[i], rows[j]]))
    first, second = np.concatenate(pairs, axis=1)
    touch = by_rows(shapely.intersects, shapes[first], shapes[second])
    return first[touch], second[touch]


def joined(first: Ints, second: Ints, n: int) -> Ints:
    """Return a number for each row: the same for rows that pairs join, directly or by others."""
    links = coo_array((np.ones(first.size, np.int8), (first, second)), shape=(n, n))
    return connected_components(links, directed=False)[1]


def neighbour_distance(shapes: NDArray[np.object_], place: Ints) -> Floats:
    """Distance of each region to the nearest other one of its place.

    Parameters
    ----------
    shapes : ndarray of Geometry, shape (n,)
        Regions in the plane of their place [mm].
    place : ndarray of int, shape (n,)
        Number of the place of each.

    Returns
    -------
    ndarray of float, shape (n,)
        Distances [mm]: 0 where they touch, nan where there is no other or the region is missing or empty.

    Notes
    -----
    Exact. Neighbours by their middles give a first distance. A region beyond the last of them can be
    nearer only by its size; where that is not out of the question, all regions whose box is within the
    first distance are tried.
    """
    out = np.full(len(shapes), np.nan)
    box = shapely.bounds(shapes)
    rows = np.flatnonzero(np.isfinite(box[:, 0]))
    _, code, alone = np.unique(place[rows], return_inverse=True, return_counts=True)
    rows, code = rows[alone[code] > 1], code[alone[code] > 1]
    if not rows.size:
        return out
    shapes, box = shapes[rows], box[rows]
    middle = (box[:, :2] + box[:, 2:]) / 2
    reach = np.hypot(box[:, 2] - box[:, 0], box[:, 3] - box[:, 1]) / 2
    best = np.full(rows.size, np.inf)
    near, far = _by_middles(middle, code)
    here = np.repeat(np.arange(rows.size), near.shape[1])
    pair = _once(here, near.ravel())
    box_gap = _gap(box, *pair)
    # The nearest boxes first: what they give spares most of the others.
    lowest = np.full(rows.size, np.inf)
    for side in pair:
        np.minimum.at(lowest, side, box_gap)
    first = (box_gap <= lowest[pair[0]]) | (box_gap <= lowest[pair[1]])
    _try(best, shapes, pair[0][first], pair[1][first])
    pair, box_gap = pair[:, ~first], box_gap[~first]
    left = box_gap < np.maximum(best[pair[0]], best[pair[1]])
    _try(best, shapes, pair[0][left], pair[1][left])
    most = np.zeros(int(code.max()) + 1)
    np.maximum.at(most, code, reach)
    open_ = np.flatnonzero((best > 0) & (far - reach - most[code] < best))
    if open_.size:
        _try(best, shapes, *_within(box, best, code, open_))
    out[rows] = best
    return out


def _groups(place: Ints) -> list[Ints]:
    """Return the rows of each place."""
    order = np.argsort(place, kind="stable")
    return np.split(order, np.flatnonzero(np.diff(place[order])) + 1)


def _by_middles(middle: Floats, code: Ints) -> tuple[Ints, Floats]:
    """Return the nearest middles of the same place (-1: none), and how far all others are at least."""
    low, high = middle.min(axis=0), middle.max(axis=0)
    # Places side by side, further apart than two middles of one place can be.
    stride = (high - low)[0] + 2 * np.hypot(*(high - low)) + 1.0
    points = middle - low
    points[:, 0] += code * stride
    tree = KDTree(points, balanced_tree=False, compact_nodes=False)
    distance, near = tree.query(points, k=_NEAREST + 1, workers=-1 if len(points) > 100_000 else 1)
    rows = np.arange(len(points))
    same = np.isfinite(distance)
    same[same] = code[near[same]] == np.repeat(code, _NEAREST + 1)[same.ravel()]
    near = np.where(same & (near != rows[:, None]), near, -1)
    # Rounding of the places side by side is taken off.
    far = np.where(same[:, -1], distance[:, -1] - 1e-12 * stride * (code.max() + 1), np.inf)
    return near, far


def _once(first: Ints, second: Ints) -> NDArray[np.intp]:
    """Return each pair once, the smaller row first."""
    there = second >= 0
    low, high = np.minimum(first, second)[there], np.maximum(first, second)[there]
    n = int(high.max(initial=0)) + 1
    key = np.sort(low.astype(np.int64) * n + high)
    key = key[np.r_[True, np.diff(key) != 0]] if key.size else key
    return np.stack([key // n, key % n])


def _gap(box: Floats, first: Ints, second: Ints) -> Floats:
    """Distance between the boxes of each pair."""
    a, b = box[first], box[second]
    beside = np.maximum(np.maximum(a[:, 0] - b[:, 2], b[:, 0] - a[:, 2]), 0.0)
    above = np.maximum(np.maximum(a[:, 1] - b[:, 3], b[:, 1] - a[:, 3]), 0.0)
    return np.hypot(beside, above)


def _try(best: Floats, shapes: NDArray[np.object_], first: Ints, second: Ints) -> None:
    """Take over the distances of pairs where they are less than the best so far."""
    distance = by_rows(shapely.distance, shapes[first], shapes[second])
    np.minimum.at(best, first, distance)
    np.minimum.at(best, second, distance)


def _within(box: Floats, best: Floats, code: Ints, wanted: Ints) -> NDArray[np.intp]:
    """Return the pairs of wanted rows and those of the same place whose box is within the best distance."""
    found = []
    is_wanted = np.zeros(len(code), dtype=bool)
    is_wanted[wanted] = True
    for rows in _groups(code):
        some = rows[is_wanted[rows]]
        if not some.size:
            continue
        tree = shapely.STRtree(shapely.box(*box[rows].T))
        wide = box[some] + best[some, None] * np.array([-1.0, -1.0, 1.0, 1.0])
        i, j = tree.query(shapely.box(*wide.T))
        found.append(np.stack([some[i], rows[j]]))
    first, second = np.concatenate(found, axis=1)
    first, second = first[first != second], second[first != second]
    close = _gap(box, first, second) < best[first]
    return np.stack([first[close], second[close]])
