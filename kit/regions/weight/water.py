"""What do trapped water and repair patches weigh."""

from __future__ import annotations

import numpy as np
import shapely
from numpy.typing import ArrayLike, NDArray

from kit.numerics.typing import Floats

WATER_KG_M3 = 1000.0
"""Density of water [kg/m³]."""


def porosity(core_density_kg_m3: ArrayLike, solid_density_kg_m3: ArrayLike) -> Floats:
    r"""Share of a core that is not solid, which water can fill.

    Parameters
    ----------
    core_density_kg_m3 : array_like of float
        Density of the core as a whole [kg/m³].
    solid_density_kg_m3 : array_like of float
        Density of what its walls are made of [kg/m³].

    Returns
    -------
    ndarray of float
        Porosity [-]; nan where one of them is missing.

    Raises
    ------
    ValueError
        If a core is not lighter than its solid, or a density is negative.

    Notes
    -----
    :math:`1 - \rho_\mathrm{core} / \rho_\mathrm{solid}`. Adhesive fillets and closed walls are left
    out: they take some of it.

    Examples
    --------
    >>> float(porosity(64.0, 1380.0).round(4))
    0.9536
    """
    core, solid = np.broadcast_arrays(
        *(np.asarray(value, np.float64) for value in (core_density_kg_m3, solid_density_kg_m3))
    )
    bad = (core < 0) | (core >= solid)
    if bad.any():
        raise ValueError(
            f"`solid_density_kg_m3` must be above the density of the core: {int(bad.sum())} of {bad.size} are not, "
            f"first core {core[bad][0]:g}, solid {solid[bad][0]:g}. Check the units."
        )
    return 1.0 - core / solid


def hexagon_area(cell_size_mm: ArrayLike) -> Floats:
    """Area of a hexagonal cell from its size across flats.

    Parameters
    ----------
    cell_size_mm : array_like of float
        Distance between opposite walls [mm].

    Returns
    -------
    ndarray of float
        Area [mm²].

    Examples
    --------
    >>> float(hexagon_area(3.175).round(4))
    8.7301
    """
    return np.sqrt(3) / 2 * np.square(np.asarray(cell_size_mm, np.float64))


def water_per_cell(cell_size_mm: ArrayLike, core_thickness_mm: ArrayLike, *, fill: float = 1.0) -> Floats:
    """Mass of water in one hexagonal cell, its walls taken as thin.

    Parameters
    ----------
    cell_size_mm : array_like of float
        Distance between opposite walls [mm].
    core_thickness_mm : array_like of float
        Depth of the cell [mm].
    fill : float
        Share of the depth that is full, 0 to 1 [-].

    Returns
    -------
    ndarray of float
        Mass [g].

    Raises
    ------
    ValueError
        If `fill` is not from 0 to 1.

    Examples
    --------
    >>> float(water_per_cell(3.175, 25.4).round(5))
    0.22174
    """
    return 1e3 * water_mass(hexagon_area(cell_size_mm), core_thickness_mm, 1.0, fill)


def water_mass(
    area_mm2: ArrayLike, core_thickness_mm: ArrayLike, porosity: ArrayLike, fill: ArrayLike = 1.0
) -> Floats:
    r"""Mass of water in wet core.

    Parameters
    ----------
    area_mm2 : array_like of float
        Wet area, as seen on the skin [mm²].
    core_thickness_mm : array_like of float
        Depth of the core [mm].
    porosity : array_like of float
        Share of the core that is not solid, 0 to 1 [-].
    fill : array_like of float
        Share of that space which is full, 0 to 1 [-].

    Returns
    -------
    ndarray of float
        Mass [kg]; nan where something is missing.

    Raises
    ------
    ValueError
        If an area or a depth is negative, or a share not from 0 to 1.

    Notes
    -----
    :math:`m = A\,h\,\phi\,f\,\rho_\mathrm{water}`. With a fill of 1 it is the most that the area can
    hold; what a core really holds is known only by weighing, or by thermography or X-ray.

    Examples
    --------
    >>> float(water_mass(1e6, 25.4, 0.97).round(3))
    24.638
    """
    area, depth = (np.asarray(value, np.float64) for value in (area_mm2, core_thickness_mm))
    pores, full = (np.asarray(value, np.float64) for value in (porosity, fill))
    for name, value, most in (
        ("area_mm2", area, np.inf),
        ("core_thickness_mm", depth, np.inf),
        ("porosity", pores, 1.0),
        ("fill", full, 1.0),
    ):
        bad = (value < 0) | (value > most)
        if bad.any():
            words = "at least 0" if np.isinf(most) else "from 0 to 1"
            raise ValueError(
                f"`{name}` must be {words}: {int(bad.sum())} of {value.size} are not, first {value[bad][0]:g}. "
                "Check the unit."
            )
    return area * depth * pores * full * WATER_KG_M3 * 1e-9


def water_depth(mass_kg: ArrayLike, area_mm2: ArrayLike, porosity: ArrayLike = 1.0) -> Floats:
    """Depth of core that a mass of water fills over an area.

    Parameters
    ----------
    mass_kg : array_like of float
        Mass of water [kg].
    area_mm2 : array_like of float
        Wet area [mm²].
    porosity : array_like of float
        Share of the core that is not solid; 1 gives the depth of the water alone [-].

    Returns
    -------
    ndarray of float
        Depth; more than the core has means that more of it is wet [mm].

    Examples
    --------
    >>> float(water_depth(20.0, 750_000.0).round(2))
    26.67
    """
    mass, area, pores = (np.asarray(value, np.float64) for value in (mass_kg, area_mm2, porosity))
    return mass / (area * pores * WATER_KG_M3 * 1e-9)


def patch_mass(
    shapes: ArrayLike,
    *,
    ply_thickness_mm: ArrayLike,
    n_plies: ArrayLike,
    density_kg_m3: ArrayLike,
    overlap_mm: ArrayLike = 0.0,
) -> Floats:
    """Mass of bonded patches.

    Parameters
    ----------
    shapes : array_like of Polygon, shape (n,)
        What each patch covers: the repair, or the cut-out where `overlap_mm` says how far the patch goes
        beyond it [mm].
    ply_thickness_mm : array_like of float
        Thickness of a ply with its adhesive [mm].
    n_plies : array_like of float
        Plies.
    density_kg_m3 : array_like of float
        Density of the patch [kg/m³].
    overlap_mm : array_like of float
        How far the patch goes beyond the shape, all round [mm].

    Returns
    -------
    ndarray of float, shape (n,)
        Mass [kg]; nan where there is no shape.

    Raises
    ------
    ValueError
        If a number is negative.

    Notes
    -----
    All plies are taken as large as the patch; stepped ones weigh less. What was cut out is not taken off.

    Examples
    --------
    >>> box = shapely.box(0, 0, 100, 100)
    >>> patch_mass([box], ply_thickness_mm=0.25, n_plies=4, density_kg_m3=1600.0).round(3)
    array([0.016])
    """
    numbers = {
        "ply_thickness_mm": ply_thickness_mm,
        "n_plies": n_plies,
        "density_kg_m3": density_kg_m3,
        "overlap_mm": overlap_mm,
    }
    for name, value in numbers.items():
        if (np.asarray(value, np.float64) < 0).any():
            raise ValueError(
                f"`{name}` must not be negative. Got {np.min(value):g}; check the sign and the unit."
            )
    area = patch_area(np.atleast_1d(np.asarray(shapes, dtype=object)), overlap_mm)
    return area * np.asarray(ply_thickness_mm, float) * n_plies * np.asarray(density_kg_m3, float) * 1e-9


def patch_area(shapes: NDArray[np.object_], overlap_mm: ArrayLike = 0.0) -> Floats:
    """Area of bonded patches.

    Parameters
    ----------
    shapes : ndarray of Polygon, shape (n,)
        What each patch covers, or the cut-out [mm].
    overlap_mm : array_like of float
        How far the patch goes beyond it, all round [mm].

    Returns
    -------
    ndarray of float, shape (n,)
        Areas; nan where there is no shape [mm²].
    """
    wide = np.asarray(overlap_mm, np.float64)
    wide = np.where(wide < 1e-6, 0.0, wide)  # a nanometre is less than coordinates can hold
    return shapely.area(shapely.buffer(shapes, wide, join_style="mitre"))
