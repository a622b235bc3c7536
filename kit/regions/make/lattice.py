"""Which grid do tap points lie on: its directions, its steps, and the place of each tap in it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from kit.numerics.typing import Floats

OFF_GRID = 0.1
"""How far a tap may lie from its place in a grid, as a share of the step (assumed) [-]."""

LONGEST_STEP = 4.0
"""Largest ratio of the two steps of a grid of rows and columns (assumed) [-]."""

_APART = 0.25  # taps nearer than this share of the step are at one place of a row
_LONGER = 1.2  # taps farther apart than this many steps are no neighbours in a row
_ALIGNED = 0.8  # least mean length of unit vectors whose directions count as one


@dataclass(frozen=True)
class Lattice:
    """A regular grid of taps.

    Parameters
    ----------
    kind : str
        ``square`` (rows and columns, also of unequal steps) or ``triangular``.
    basis : ndarray of float, shape (2, 2)
        Its two steps, one a row [mm].
    origin : ndarray of float, shape (2,)
        Place of the tap 0, 0 [mm].
    index : ndarray of int, shape (n, 2)
        Place of each tap, in steps.
    """

    kind: str
    basis: Floats
    origin: Floats
    index: NDArray[np.int64]

    @property
    def pitch(self) -> float:
        """Step of the grid; the geometric mean of two unequal ones [mm]."""
        return float(np.sqrt(np.prod(np.linalg.norm(self.basis, axis=1))))


def nearest_taps(points: Floats) -> Floats:
    """Return how far each tap is from its nearest neighbour.

    Parameters
    ----------
    points : ndarray of float, shape (n, 2)
        Places, each once, two at least [mm].

    Returns
    -------
    ndarray of float, shape (n,)
        Distance [mm].
    """
    from scipy.spatial import cKDTree

    return cKDTree(points).query(points, k=2)[0][:, 1]


def _close_steps(points: Floats, farthest: float) -> Floats:
    """Return the steps between all pairs of taps that are near each other."""
    from scipy.spatial import cKDTree

    pairs = cKDTree(points).query_pairs(farthest, output_type="ndarray")
    return points[pairs[:, 1]] - points[pairs[:, 0]]


def find_lattice(points: Floats, pitch: float | None = None) -> Lattice | None:
    """Return the regular grid that taps lie on.

    Parameters
    ----------
    points : ndarray of float, shape (n, 2)
        Places of the taps, each once [mm].
    pitch : float, optional
        Step of the grid [mm]. Default: from the taps, of which there must then be two.

    Returns
    -------
    Lattice or None
        None where the taps lie on no such grid, or two of them at one place of it.

    Notes
    -----
    The directions are those of the pairs of neighbours, modulo a right angle for rows and
    columns and modulo 60 degrees for triangles; the steps are the medians of the gaps between rows.
    A tap may lie `OFF_GRID` of a step from its place.
    """
    if len(points) == 1:
        index = np.zeros((1, 2), dtype=np.int64)
        return Lattice("square", np.eye(2) * pitch, points[0].copy(), index)
    near = float(np.median(nearest_taps(points)))
    step = _close_steps(points, _LONGER * near)
    turn = np.arctan2(step[:, 1], step[:, 0])
    for kind, fold in (("square", 4), ("triangular", 6)):
        mean = np.exp(1j * fold * turn).mean()
        if np.abs(mean) < _ALIGNED:
            continue
        angle = float(np.angle(mean) / fold)
        angle = 0.0 if abs(angle) < 1e-9 else angle
        found = _fitted(points, kind, angle, near, pitch)
        if found is not None:
            return found
    return None


def _fitted(points: Floats, kind: str, angle: float, near: float, pitch: float | None) -> Lattice | None:
    """Return the grid of a kind and a direction, None where the taps do not lie on it."""
    along = np.array([np.cos(angle), np.sin(angle)])
    across = np.array([-along[1], along[0]])
    if kind == "square":
        steps = [pitch or _row_step(points @ way, near) for way in (along, across)]
        steps = [step if step else max(filter(None, steps), default=near) for step in steps]
        # Steps shorter than the distance of neighbours: a triangular grid, or rows that are staggered.
        if max(steps) > LONGEST_STEP * min(steps) or (not pitch and min(steps) < near / _LONGER):
            return None
        basis = np.stack([along * steps[0], across * steps[1]])
    else:
        size = pitch or near
        basis = size * np.stack([along, along / 2 + across * np.sqrt(0.75)])
    for _ in range(2):
        place = points @ np.linalg.inv(basis)
        shift = np.angle(np.exp(2j * np.pi * place).mean(axis=0)) / (2 * np.pi)
        index = np.rint(place - shift)
        off = (place - shift - index) @ basis
        if np.abs(off).max() > OFF_GRID * np.linalg.norm(basis, axis=1).min():
            return None
        if pitch:
            break
        basis = _refined(points, index, basis, kind)
    index = index.astype(np.int64)
    if len(np.unique(index, axis=0)) < len(index):
        return None
    return Lattice(kind, basis, (points - index @ basis).mean(axis=0), index)


def _row_step(values: Floats, near: float) -> float:
    """Return the distance between neighbouring rows, 0 where there is one row."""
    ordered = np.sort(values)
    new = np.diff(ordered) > _APART * near
    row = np.concatenate([[0], np.cumsum(new)])
    means = np.bincount(row, ordered) / np.bincount(row)
    return float(np.median(np.diff(means))) if len(means) > 1 else 0.0


def _refined(points: Floats, index: Floats, basis: Floats, kind: str) -> Floats:
    """Return the steps that fit all taps best, their directions kept."""
    moved = index - index.mean(axis=0)
    centred = points - points.mean(axis=0)
    if kind == "triangular":
        whole = moved @ basis
        return basis * float((centred * whole).sum() / (whole**2).sum())
    out = basis.copy()
    for k in range(2):
        way = basis[k] / np.linalg.norm(basis[k])
        spread = float((moved[:, k] ** 2).sum())
        if spread > 0:
            out[k] = way * float((centred @ way * moved[:, k]).sum() / spread)
    return out
