"""How long, wide and far across a region is: its smallest rectangle and its longest chord."""

from __future__ import annotations

from itertools import pairwise
from typing import NamedTuple

import numpy as np
import shapely
from numpy.typing import NDArray

from kit.numerics.typing import Floats
from kit.regions.measure.blocks import slices

Ints = NDArray[np.intp]

_ROWS = 4_000  # regions whose hulls are made at a time
_CORNERS = 32_768  # corners of a block of hulls: they stay in the cache of a core
_SAME = 1e-9  # rectangles whose areas differ by less than this share are equally small


class _Corners(NamedTuple):
    """Corners of some regions, one after the other without the closing one."""

    rows: Ints
    count: Ints
    x: Floats
    y: Floats

    def after(self, values: Floats) -> Floats:
        """Return the value at the next corner, round and round."""
        out = np.empty_like(values)
        end = np.cumsum(self.count)
        out[:-1] = values[1:]
        out[end - 1] = values[end - self.count]
        return out

    def before(self, values: Floats) -> Floats:
        """Return the value at the corner before, round and round."""
        out = np.empty_like(values)
        end = np.cumsum(self.count)
        out[1:] = values[:-1]
        out[end - self.count] = values[end - 1]
        return out

    def some(self, wanted: NDArray[np.bool_]) -> _Corners:
        """Return those of some regions."""
        if wanted.all():
            return self
        keep = np.repeat(wanted, self.count)
        return _Corners(self.rows[wanted], self.count[wanted], self.x[keep], self.y[keep])


def extents(shapes: NDArray[np.object_]) -> Floats:
    """Length and width of the smallest rectangle around each region, and its longest chord.

    Parameters
    ----------
    shapes : ndarray of Geometry, shape (n,)
        Regions [mm].

    Returns
    -------
    ndarray of float, shape (n, 3)
        Length, width and chord [mm]; nan for a region that is missing or empty. Of rectangles that are
        equally small the longest counts.

    Notes
    -----
    The smallest rectangle lies on an edge of the convex hull: all corners of the hull are turned onto
    each of its edges, for all hulls of as many corners at once.
    """
    out = np.full((len(shapes), 3), np.nan)

    parts: list[_Corners] = []
    for block in slices(len(shapes), _ROWS):
        parts += _hulls(shapes[block], np.arange(block.start, block.stop), out)
    if not parts:
        return out
    rows, count, x, y = (np.concatenate(columns) for columns in zip(*parts, strict=True))
    start = np.cumsum(count) - count
    order = np.argsort(count, kind="stable")
    rows, count, start = rows[order], count[order], start[order]
    cuts = np.flatnonzero(np.r_[True, np.diff(count) != 0, True]).tolist()
    for low, high in pairwise(cuts):
        step = max(_CORNERS // int(count[low]), 1)
        for at in range(low, high, step):
            block = slice(at, min(at + step, high))
            take = start[block][None, :] + np.arange(count[low])[:, None]
            own_x, own_y = x[take], y[take]
            sides = _smallest_rectangle(own_x, own_y)
            out[rows[block]] = np.stack([*sides, _longest_chord(own_x, own_y)], axis=1)
    return out


def _hulls(shapes: NDArray[np.object_], rows: Ints, out: Floats) -> list[_Corners]:
    """Return the corners of the hulls; a hull without area is written out at once."""
    plain = (shapely.get_type_id(shapes) == shapely.GeometryType.POLYGON) & ~shapely.is_empty(shapes)
    plain &= shapely.get_num_interior_rings(shapes) == 0
    round_, left = _round_hulls(_open(shapes[plain], rows[plain]))
    others = np.concatenate([np.flatnonzero(~plain), left - rows[0]]) if rows.size else rows
    made = shapely.convex_hull(shapes[others])
    full = shapely.get_type_id(made) == shapely.GeometryType.POLYGON
    full &= ~shapely.is_empty(made)
    flat = ~full & (shapely.get_num_coordinates(made) > 0)
    length = shapely.length(made[flat])
    out[rows[others[flat]]] = np.column_stack([length, np.zeros(length.size), length])
    parts = [round_, _open(made[full], rows[others[full]])]
    return [part for part in parts if part.rows.size]


def _open(shapes: NDArray[np.object_], rows: Ints) -> _Corners:
    """Return the corners of polygons of one ring each, from the first of each."""
    points = shapely.get_coordinates(shapes)
    count = shapely.get_num_coordinates(shapes).astype(np.intp)
    first = np.cumsum(count) - count
    keep = np.ones(len(points), dtype=bool)
    keep[first + count - 1] = False
    # From its first corner, so that a region far from the datum loses no digits.
    x, y = ((points[:, k] - np.repeat(points[first, k], count))[keep] for k in (0, 1))
    return _Corners(rows, count - 1, x, y)


def _round_hulls(corners: _Corners) -> tuple[_Corners, Ints]:
    """Return the hulls of regions that their middle sees whole, and the rows of all others.

    Of such a region an inward corner can be left out and the middle sees it whole again; what is left in
    the end is the hull.
    """
    if not corners.rows.size:
        return corners, corners.rows
    first = np.cumsum(corners.count) - corners.count
    u, v = (
        part - np.repeat(np.add.reduceat(part, first) / corners.count, corners.count)
        for part in (corners.x, corners.y)
    )
    after = corners.after(v)
    sweep = u * after
    sweep -= v * corners.after(u)
    low, high = np.minimum.reduceat(sweep, first), np.maximum.reduceat(sweep, first)
    # Every edge is passed the same way, and once round: it comes up past the middle once.
    once = np.add.reduceat((v < 0) & (after >= 0), first, dtype=np.int32) == 1
    seen = ((low > 0) | (high < 0)) & once
    left = corners.rows[~seen]
    # Mirrored, where it runs clockwise, it is as long and wide.
    corners = corners.some(seen)
    mirror = low[seen] < 0
    if mirror.any():
        corners = corners._replace(x=np.where(np.repeat(mirror, corners.count), -corners.x, corners.x))
    done = []
    while corners.rows.size:
        step_x, step_y = corners.after(corners.x), corners.after(corners.y)
        step_x -= corners.x
        step_y -= corners.y
        bend = corners.before(step_x) * step_y
        bend -= corners.before(step_y) * step_x
        outward = bend > 0
        count = np.add.reduceat(outward, np.cumsum(corners.count) - corners.count, dtype=np.intp)
        fewer = count < corners.count
        done.append(corners.some(~fewer))
        corners = _Corners(corners.rows, count, corners.x[outward], corners.y[outward]).some(fewer)
        lost = corners.count < 3  # by rounding alone
        if lost.any():
            left = np.concatenate([left, corners.rows[lost]])
            corners = corners.some(~lost)
    return _Corners(*(np.concatenate(columns) for columns in zip(*[corners, *done], strict=True))), left


def _smallest_rectangle(x: Floats, y: Floats) -> tuple[Floats, Floats]:
    """Length and width of the smallest rectangle around the hull in each column."""
    length, width = np.zeros(x.shape[1]), np.zeros(x.shape[1])
    smallest = np.full(x.shape[1], np.inf)
    turned, spare = np.empty_like(x), np.empty_like(x)
    for k in range(x.shape[0]):
        along_x, along_y = x[k] - x[k - 1], y[k] - y[k - 1]
        size = np.sqrt(along_x * along_x + along_y * along_y)
        along_x, along_y = along_x / size, along_y / size
        np.multiply(x, along_x, out=turned)
        np.multiply(y, along_y, out=spare)
        turned += spare
        long = turned.max(axis=0) - turned.min(axis=0)
        np.multiply(y, along_x, out=turned)
        np.multiply(x, along_y, out=spare)
        turned -= spare
        wide = turned.max(axis=0) - turned.min(axis=0)
        area, longer = long * wide, np.maximum(long, wide)
        better = (area < smallest * (1 - _SAME)) | ((area <= smallest * (1 + _SAME)) & (longer > length))
        np.copyto(smallest, area, where=better)
        np.copyto(length, longer, where=better)
        np.copyto(width, np.minimum(long, wide), where=better)
    return length, width


def _longest_chord(x: Floats, y: Floats) -> Floats:
    """Longest distance between two corners of the hull in each column."""
    n = x.shape[0]
    double_x, double_y = np.concatenate([x, x]), np.concatenate([y, y])
    most = np.zeros(x.shape[1])
    gap, spare = np.empty_like(x), np.empty_like(x)
    for shift in range(1, n // 2 + 1):
        np.subtract(double_x[shift : shift + n], x, out=gap)
        np.multiply(gap, gap, out=gap)
        np.subtract(double_y[shift : shift + n], y, out=spare)
        np.multiply(spare, spare, out=spare)
        gap += spare
        np.maximum(most, gap.max(axis=0), out=most)
    return np.sqrt(most)
