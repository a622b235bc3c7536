"""What region do dull and clear taps on a grid stand for, and how far may its boundary be off."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
import shapely
from numpy.typing import ArrayLike, NDArray

from kit.numerics.typing import Floats
from kit.regions.make.lattice import Lattice, find_lattice, nearest_taps
from kit.regions.measure.measure import equivalent_diameter

Area = shapely.Polygon | shapely.MultiPolygon

SAME_PLACE = 1e-6
"""Distance below which two taps are one [mm]."""

SPOT = 0.02
"""Width of the spot that is left out about a clear tap within the outer bound, as a share of the pitch [-]."""

WIDEST = 1.5
"""Largest radius of the circle through three taps of an irregular grid that has been tapped within [pitches]."""

_EMPTY = shapely.MultiPolygon()
# Cells in units of a third of a step, so that their corners are whole numbers and unions are exact.
_AROUND = {
    "square": np.array([(1, 0), (0, 1), (-1, 0), (0, -1), (1, 1), (-1, 1), (-1, -1), (1, -1)]),
    "triangular": np.array([(1, 0), (0, 1), (-1, 1), (-1, 0), (0, -1), (1, -1)]),
}
_CELL = {
    "square": 1.5 * np.array([(-1, -1), (1, -1), (1, 1), (-1, 1)]),
    "triangular": 1.0 * np.array([(1, 1), (-1, 2), (-2, 1), (-1, -1), (1, -2), (2, -1)]),
}


@dataclass(frozen=True, repr=False)
class TapMarkOutlines:
    """The region that tap marks stand for, between two bounds.

    Parameters
    ----------
    inner, best, outer : Polygon or MultiPolygon
        The region at least, as best known, and at most; empty where there is none [mm].
    pitch_mm : float
        Step of the grid [mm].
    n_dull, n_taps : int
        Dull places, and places tapped.
    grid : str
        ``square``, ``triangular`` or ``irregular``.
    open_edge : bool
        Whether dull taps lie at the border of what was tapped and the panel goes on there: the region
        may then reach farther than `outer`.
    """

    inner: Area
    best: Area
    outer: Area
    pitch_mm: float
    n_dull: int
    n_taps: int
    grid: str
    open_edge: bool

    def __repr__(self) -> str:
        """Return the areas and counts on one line."""
        return (
            f"TapMarkOutlines({self.best.area:.0f} mm², {self.inner.area:.0f} to {self.outer.area:.0f}"
            f"{' or more' if self.open_edge else ''}; {self.n_dull} of {self.n_taps} taps dull, "
            f"{self.grid} grid of {self.pitch_mm:.3g} mm)"
        )

    def to_frame(self) -> pd.DataFrame:
        """Return the three shapes as rows.

        Returns
        -------
        DataFrame, 3 rows
            bound (``inner``, ``best``, ``outer``), geometry [mm], area_mm2, diameter_mm (equivalent),
            pitch_mm, n_dull, n_taps, grid and open_edge.
        """
        shapes = np.array([self.inner, self.best, self.outer], dtype=object)
        area = shapely.area(shapes)
        return pd.DataFrame(
            {
                "bound": ["inner", "best", "outer"],
                "geometry": shapes,
                "area_mm2": area,
                "diameter_mm": equivalent_diameter(area),
                "pitch_mm": self.pitch_mm,
                "n_dull": self.n_dull,
                "n_taps": self.n_taps,
                "grid": self.grid,
                "open_edge": self.open_edge,
            }
        )


def tap_mark_outlines(
    x: ArrayLike,
    y: ArrayLike,
    dull: ArrayLike,
    *,
    pitch: float | None = None,
    outline: shapely.Polygon | None = None,
    tapped: ArrayLike | None = None,
) -> TapMarkOutlines:
    r"""Make the region of the dull taps of a grid, with an inner and an outer bound.

    Between a dull tap and the clear one beside it lies the boundary of the damage, nobody knows
    where. The best guess is half way; the bounds put it at the dull taps and at the clear ones.

    Parameters
    ----------
    x, y : array_like of float, shape (n,)
        Places of the taps in panel coordinates [mm].
    dull : array_like of bool, shape (n,)
        Whether the tap sounded dull. Of several taps at one place one dull one is enough.
    pitch : float, optional
        Step of the grid [mm]. Default: from the taps; needed where only one place was tapped.
    outline : Polygon, optional
        Outline of the panel, to which all three shapes are clipped [mm].
    tapped : array_like of bool, shape (n,), optional
        Which places were tapped at all; the others count as not there.

    Returns
    -------
    TapMarkOutlines
        Shapes, counts, and whether the outer bound is open. Holes are kept; shapes are empty where no
        tap is dull, and `inner` where no three dull taps are neighbours.

    Raises
    ------
    ValueError
        If x, y and dull differ in length, a place or a mark is not a finite number, nothing was tapped,
        `pitch` is not positive, or it is missing and only one place was tapped.

    See Also
    --------
    contact_time_regions : The same from readings of an instrumented hammer.
    tap_grid_chance : Chance that a grid meets a damage at all.

    Notes
    -----
    On a grid of rows and columns, turned any way:

    - `best` is the union of the cells of the dull taps: squares of one step about them.
    - `inner` joins neighbouring dull taps: the square between four of them, the triangle of three. Its
      straight sides lie half a step inside those of `best`; taps by themselves add no area.
    - `outer` is the union of the squares between taps of which a corner is dull: half a step outside
      `best`, through the nearest clear taps. A clear tap that dull ones surround is left out as a spot
      of 2 % of the pitch, so that no clear tap is within the bound.

    On a triangular grid the cells are hexagons and the squares triangles. On a grid that is neither
    (a tap more than 0.1 steps off its place) cells are those of the Voronoi diagram and triangles those
    of Delaunay whose circle has a radius up to 1.5 pitches; the pitch is then that of the square grid
    with as many taps to the area. Triangles that are larger hold a place that was not tapped.

    At the border of what was tapped `outer` reaches one step beyond the dull tap. Where the panel ends
    before that step, nothing is open; elsewhere `open_edge` is set, and there is no upper bound.

    The number of taps of a regular grid within a region, at random phase, has the mean area/step²
    whatever its shape, so that the area of `best` has no bias, the misses counted as 0. The bounds hold
    for damage that the grid resolves: everywhere wider than about one and a half steps, and with gaps
    as wide. Damage narrower than that may pass between the taps, and then exceeds the outer bound.

    Examples
    --------
    >>> x, y = np.meshgrid(np.arange(0, 150, 25.0), np.arange(0, 150, 25.0))
    >>> dull = (x - 50) ** 2 + (y - 50) ** 2 <= 40**2
    >>> tap_mark_outlines(x, y, dull)
    TapMarkOutlines(5625 mm², 2500 to 10000; 9 of 36 taps dull, square grid of 25 mm)
    """
    points, is_dull = _places(x, y, dull, tapped, pitch)
    n_dull, n_taps = int(is_dull.sum()), len(points)
    lattice = find_lattice(points, pitch)
    if lattice is not None:
        kind, step = lattice.kind, float(pitch or lattice.pitch)
        shapes, near = _on_lattice(lattice, is_dull)
        probes = _beyond(lattice, is_dull)
    else:
        kind = "irregular"
        shapes, near, probes, step = _irregular(points, is_dull, pitch)
    inner, best, outer = shapes
    if not n_dull:
        probes = probes[:0]
    outer = _without_spots(outer, points[near & ~is_dull], step)
    if outline is not None:
        inner, best, outer = (_areas(shapely.intersection(shape, outline)) for shape in (inner, best, outer))
        probes = probes[shapely.contains_xy(outline, probes[:, 0], probes[:, 1])]
        probes = probes[shapely.distance(shapely.boundary(outline), shapely.points(probes)) > SAME_PLACE]
    return TapMarkOutlines(inner, best, outer, step, n_dull, n_taps, kind, bool(len(probes)))


def _places(
    x: ArrayLike, y: ArrayLike, dull: ArrayLike, tapped: ArrayLike | None, pitch: float | None
) -> tuple[Floats, NDArray[np.bool_]]:
    """Return the places tapped, each once and in order, and which of them are dull."""
    places = [np.asarray(one, np.float64).ravel() for one in (x, y)]
    marks = np.asarray(dull).ravel()
    there = np.ones(len(marks), bool) if tapped is None else np.asarray(tapped).ravel()
    sizes = (*map(len, places), len(marks), len(there))
    if len(set(sizes)) > 1:
        raise ValueError(
            "`x`, `y`, `dull` and `tapped` must have one value for each tap. "
            f"Got {', '.join(map(str, sizes))} values; give arrays of one length."
        )
    points = np.stack(places, axis=-1)
    if pitch is not None and not (np.isfinite(pitch) and pitch > 0):
        raise ValueError(
            f"`pitch` must be positive and finite [mm]. Got {pitch!r}; leave it out to take it from the taps."
        )
    for name, values in (("dull", marks), ("tapped", there)):
        if not np.isin(values.astype(object), [True, False]).all():
            raise ValueError(
                f"`{name}` must be true or false for each tap. Got {values[:3].tolist()!r}...; use `tapped` for places not tapped."
            )
    there = there.astype(bool)
    points, marks = points[there], marks[there].astype(bool)
    bad = ~np.isfinite(points).all(axis=1)
    if bad.any():
        raise ValueError(
            f"`x` and `y` must be finite [mm]. {bad.sum()} of {len(points)} taps are not, first tap "
            f"{int(np.flatnonzero(there)[bad][0])}; leave out taps without a place."
        )
    if not len(points):
        raise ValueError("`x` and `y` must have a tap at least. Got none that was tapped; check `tapped`.")
    order = np.lexsort((points[:, 1], points[:, 0]))
    points, marks = points[order], marks[order]
    at = np.unique(np.rint((points - points[0]) / SAME_PLACE), axis=0, return_inverse=True)[1].ravel()
    first = np.unique(at, return_index=True)[1]
    is_dull = np.bincount(at, marks) > 0
    points = points[first]
    if len(points) == 1 and pitch is None:
        raise ValueError(
            "`pitch` must be given where one place was tapped. Got None; give the step of the grid [mm]."
        )
    return points, is_dull


def _on_lattice(
    lattice: Lattice, is_dull: NDArray[np.bool_]
) -> tuple[tuple[Area, Area, Area], NDArray[np.bool_]]:
    """Return inner, best and outer shape on a regular grid, and which taps are beside a dull one."""
    index = lattice.index
    marked = index[is_dull]
    cells = _polygons(3.0 * marked[:, None, :] + _CELL[lattice.kind])
    if lattice.kind == "square":
        faces, parts = _square_faces(marked)
    else:
        faces, parts = _triangle_faces(marked)
    shapes = tuple(
        _placed(lattice, shapely.coverage_union_all(some) if len(some) else _EMPTY)
        for some in (parts, cells, faces)
    )
    around = (marked[:, None, :] + _AROUND[lattice.kind]).reshape(-1, 2)
    return shapes, _among(index, around)


def _square_faces(marked: NDArray[np.int64]) -> tuple[NDArray[np.object_], NDArray[np.object_]]:
    """Return the squares between taps with a dull corner, and what dull corners span of them."""
    corner = np.array([(0, 0), (1, 0), (1, 1), (0, 1)])
    low = np.unique((marked[:, None, :] - corner).reshape(-1, 2), axis=0)
    places = low[:, None, :] + corner
    hit = _among(places.reshape(-1, 2), marked).reshape(-1, 4)
    whole = _polygons(3.0 * places)
    n_hit = hit.sum(axis=1)
    three = np.flatnonzero(n_hit == 3)
    halves = _polygons(3.0 * places[three][hit[three]].reshape(-1, 3, 2))
    return whole, np.concatenate([whole[n_hit == 4], halves])


def _triangle_faces(marked: NDArray[np.int64]) -> tuple[NDArray[np.object_], NDArray[np.object_]]:
    """Return the triangles between taps with a dull corner, and those with three."""
    whole, parts = [], []
    for corner in (np.array([(0, 0), (1, 0), (0, 1)]), np.array([(1, 1), (0, 1), (1, 0)])):
        low = np.unique((marked[:, None, :] - corner).reshape(-1, 2), axis=0)
        places = low[:, None, :] + corner
        hit = _among(places.reshape(-1, 2), marked).reshape(-1, 3)
        faces = _polygons(3.0 * places)
        whole.append(faces)
        parts.append(faces[hit.all(axis=1)])
    return np.concatenate(whole), np.concatenate(parts)


def _beyond(lattice: Lattice, is_dull: NDArray[np.bool_]) -> Floats:
    """Return the places beside dull taps that were not tapped [mm]."""
    around = (lattice.index[is_dull][:, None, :] + _AROUND[lattice.kind]).reshape(-1, 2)
    around = np.unique(around, axis=0)
    return around[~_among(around, lattice.index)] @ lattice.basis + lattice.origin


def _among(cells: NDArray[np.int64], those: NDArray[np.int64]) -> NDArray[np.bool_]:
    """Return which places of a grid are among others."""
    if not len(those) or not len(cells):
        return np.zeros(len(cells), dtype=bool)
    low = np.minimum(cells.min(axis=0), those.min(axis=0))
    width = int(max(cells[:, 1].max(), those[:, 1].max()) - low[1]) + 1
    keys = [(one[:, 0] - low[0]) * width + (one[:, 1] - low[1]) for one in (cells, those)]
    return np.isin(*keys)


def _polygons(corners: Floats) -> NDArray[np.object_]:
    """Return polygons of corners, none where there are none."""
    return shapely.polygons(corners) if len(corners) else np.empty(0, dtype=object)


def _placed(lattice: Lattice, shape: Area) -> Area:
    """Return a shape in thirds of steps as one in mm."""
    return shapely.transform(shape, lambda at: at @ (lattice.basis / 3) + lattice.origin)


def _irregular(
    points: Floats, is_dull: NDArray[np.bool_], pitch: float | None
) -> tuple[tuple[Area, Area, Area], NDArray[np.bool_], Floats, float]:
    """Return the shapes on an irregular grid, taps beside dull ones, places not tapped, and the pitch."""
    faces, step = _mesh(points, pitch)
    corners = points[faces].reshape(-1, 3, 2)
    triangles = _polygons(corners)
    hit = is_dull[faces].reshape(-1, 3)
    tapped = shapely.union_all(triangles)
    marked = shapely.points(points[is_dull])
    near = shapely.union_all([tapped, *shapely.buffer(shapely.points(points), step / 2)])
    room = shapely.box(*shapely.bounds(shapely.buffer(near, step)))
    cells = shapely.get_parts(
        shapely.voronoi_polygons(shapely.multipoints(points), extend_to=room, ordered=True)
    )
    best = _areas(shapely.intersection(shapely.union_all(cells[is_dull]), near))
    inner = _areas(shapely.intersection(shapely.union_all(triangles[hit.all(axis=1)]), best))
    reach = shapely.difference(shapely.union_all(shapely.buffer(marked, step)), tapped)
    outer = _areas(shapely.union_all([best, reach, *triangles[hit.any(axis=1)]]))
    turn = np.arange(12) * np.pi / 6
    probes = points[is_dull][:, None, :] + step * np.stack([np.cos(turn), np.sin(turn)], axis=-1)
    probes = probes.reshape(-1, 2)
    probes = probes[~shapely.dwithin(tapped, shapely.points(probes), step / 4)] if len(probes) else probes
    return (inner, best, outer), np.ones(len(points), dtype=bool), probes, step


def _mesh(points: Floats, pitch: float | None) -> tuple[NDArray[np.int64], float]:
    """Return the triangles of taps that are near each other, and the pitch."""
    faces, area = _triangles(points)
    step = float(pitch or _spacing(points, area))
    a, b, c = (points[faces[:, k]] for k in range(3))
    sides = [np.linalg.norm(p - q, axis=1) for p, q in ((a, b), (b, c), (c, a))]
    return faces[np.prod(sides, axis=0) <= WIDEST * step * 4 * area], step


def grid_pitch(points: Floats) -> float:
    """Return the pitch of a grid that is neither of rows and columns nor triangular.

    Parameters
    ----------
    points : ndarray of float, shape (n, 2)
        Places of the taps, each once, two at least [mm].

    Returns
    -------
    float
        Step of the square grid with as many taps to the area [mm].
    """
    return _spacing(points, _triangles(points)[1])


def _triangles(points: Floats) -> tuple[NDArray[np.int64], Floats]:
    """Return the Delaunay triangles of points, and their areas."""
    from scipy.spatial import Delaunay, QhullError

    try:
        faces = Delaunay(points).simplices.astype(np.int64)
    except QhullError:  # fewer than three taps, or all on one line
        faces = np.empty((0, 3), dtype=np.int64)
    (ax, ay), (bx, by), (cx, cy) = (points[faces[:, k]].T for k in range(3))
    return faces, np.abs((bx - ax) * (cy - ay) - (by - ay) * (cx - ax)) / 2


def _spacing(points: Floats, area: Floats) -> float:
    """Return the pitch from the areas of triangles, of which there are two for each tap."""
    return float(np.sqrt(2 * np.median(area)) if len(area) else np.median(nearest_taps(points)))


def _without_spots(outer: Area, clear: Floats, step: float) -> Area:
    """Return the outer bound without the spots of clear taps within it."""
    if not len(clear) or shapely.is_empty(outer):
        return outer
    dots = shapely.points(clear)
    within = dots[
        shapely.dwithin(outer, dots, 0.0) & ~shapely.dwithin(shapely.boundary(outer), dots, SPOT * step)
    ]
    if not len(within):
        return outer
    return _areas(shapely.difference(outer, shapely.union_all(shapely.buffer(within, SPOT * step / 2))))


def _areas(shape: shapely.Geometry) -> Area:
    """Return the parts of a shape that have an area."""
    if isinstance(shape, shapely.Polygon | shapely.MultiPolygon):
        return shape
    parts = [part for part in shapely.get_parts(shape) if isinstance(part, shapely.Polygon)]
    return shapely.union_all(parts) if parts else _EMPTY
