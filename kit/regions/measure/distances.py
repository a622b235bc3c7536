"""How far each region is from the lines and areas of its panel: edge, fastener rows, repairs."""

from __future__ import annotations

import numpy as np
import shapely
from numpy.typing import NDArray

from kit.numerics.typing import Floats
from kit.regions.measure.blocks import slices

Ints = NDArray[np.intp]

_SEGMENTS = 16  # of a line that is tried by boxes first
_ROWS = 20_000


class Others:
    """For each region the geometry it is measured to, each of them kept once.

    Parameters
    ----------
    given : Geometry or array_like of Geometry, shape (n,)
        One for all regions, or one for each; None where there is none.
    n : int
        Number of regions.
    name : str
        What the caller calls it.
    """

    def __init__(self, given: object, n: int, name: str) -> None:
        if given is None or isinstance(given, shapely.Geometry):
            self.code = np.zeros(n, np.intp)
            self.unique = np.array([given], dtype=object)
        else:
            every = np.asarray(given, dtype=object)
            if every.shape != (n,):
                raise ValueError(
                    f"`{name}` must be one geometry, or one for each of the {n} regions. "
                    f"Got the shape {every.shape}; give one value a row, None where there is none."
                )
            # The same object is the same geometry; equal ones of their own cost time alone.
            ids = np.fromiter(map(id, every), np.int64, n)
            _, first, code = np.unique(ids, return_index=True, return_inverse=True)
            self.code, self.unique = code.astype(np.intp), every[first]
        check_geometries(self.unique, name)

    def each(self, cut: slice) -> NDArray[np.object_]:
        """Return the geometry for each region of a block."""
        return self.unique[self.code[cut]]


def check_geometries(shapes: NDArray[np.object_], name: str) -> None:
    """Refuse what is neither a geometry nor missing."""
    good = shapely.is_geometry(shapes) | shapely.is_missing(shapes)
    if not good.all():
        row = int(np.argmin(good))
        raise TypeError(
            f"`{name}` must be shapely geometries. Got {type(shapes[row]).__name__} in row {row}."
        )


def distance_jobs(
    out: Floats, shapes: NDArray[np.object_], box: Floats, others: Others, *, lines: bool
) -> list:
    """Return calls that each write the distances of a block of regions.

    Parameters
    ----------
    out : ndarray of float, shape (n,)
        Where the distances [mm] are written: 0 where they touch, nan where there is none.
    shapes : ndarray of Geometry, shape (n,)
        Regions [mm].
    box : ndarray of float, shape (n, 4)
        Their bounds.
    others : Others
        What they are measured to.
    lines : bool
        Whether that is lines, of which the straight ones along an axis are measured by boxes.

    Returns
    -------
    list of callable
        In any order, on any thread.

    Notes
    -----
    To a segment along an axis that passes the whole of one side of a region the distance is that of the
    region's box, and no segment is nearer than its box. Where that leaves the nearest one open, shapely
    measures.
    """
    segments = _segments(others.unique) if lines and others.unique.size * 4 <= max(len(shapes), 4) else None

    def job(cut: slice) -> None:
        own = shapes[cut]
        rest = np.ones(own.size, dtype=bool)
        if segments is not None:
            found, settled = _by_boxes(box[cut], segments, others.code[cut])
            out[cut] = found
            rest = ~settled
        if rest.any():
            out[cut][rest] = shapely.distance(own[rest], others.each(cut)[rest])

    return [lambda cut=cut: job(cut) for cut in slices(len(shapes), _ROWS)]


def _segments(lines: NDArray[np.object_]) -> Floats | None:
    """Boxes of the segments of each line, the first again where there are fewer; None if there are many."""
    parts, owner = shapely.get_parts(lines, return_index=True)
    points, part = shapely.get_coordinates(parts, return_index=True)
    joined = np.flatnonzero(part[1:] == part[:-1])
    line = owner[part[joined]]
    count = np.bincount(line, minlength=lines.size)
    if not count.size or not 0 < count.max() <= _SEGMENTS:
        return None
    out = np.full((int(count.max()), 4, lines.size), np.nan)
    place = np.arange(line.size) - np.repeat(np.cumsum(count) - count, count)
    ends = np.stack([points[joined], points[joined + 1]])
    out[place, :2, line] = ends.min(axis=0)
    out[place, 2:, line] = ends.max(axis=0)
    return np.where(np.isnan(out), out[:1], out)


def _by_boxes(box: Floats, segments: Floats, code: Ints) -> tuple[Floats, NDArray[np.bool_]]:
    """Distances to lines as boxes give them, and where that is the distance of the region."""
    left, low, right, high = np.ascontiguousarray(box.T)
    exact, least = np.full(left.size, np.inf), np.full(left.size, np.inf)
    for west, south, east, north in segments:
        if west.size == 1:
            w, s, e, n = west[0], south[0], east[0], north[0]
        else:
            w, s, e, n = west[code], south[code], east[code], north[code]
        beside = np.maximum(np.maximum(left - e, w - right), 0.0)
        above = np.maximum(np.maximum(low - n, s - high), 0.0)
        gap = np.sqrt(beside * beside + above * above)
        passes = (s == n) & (left >= w) & (right <= e) & (above > 0)
        passes |= (w == e) & (low >= s) & (high <= n) & (beside > 0)
        np.minimum(exact, gap, out=exact, where=passes)
        np.minimum(least, gap, out=least, where=~passes)
    return exact, exact <= np.where(np.isfinite(exact), least, -np.inf)
