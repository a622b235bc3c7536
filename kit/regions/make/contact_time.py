"""Where does an instrumented hammer stay longer in contact than on the sound skin of the panel."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
import shapely
from numpy.typing import ArrayLike

from kit.numerics.typing import Floats
from kit.regions.make.lattice import find_lattice
from kit.regions.make.sound_skin import THRESHOLD, Background, background, check_positive
from kit.regions.make.tap_marks import TapMarkOutlines, grid_pitch, tap_mark_outlines
from kit.regions.measure.measure import equivalent_diameter


@dataclass(frozen=True, repr=False)
class ContactTimeRegions:
    """Regions in which the contact time is above a threshold.

    Parameters
    ----------
    regions : DataFrame
        One row a connected part: geometry [mm], area_mm2, diameter_mm, n_taps and highest_ratio.
    outlines : TapMarkOutlines
        All of them together, with their bounds.
    ratio : ndarray of float, shape (n,)
        Contact time over background at each tap; nan where it was not read [-].
    background : Background
        What the ratios are to.
    threshold : float
        Ratio from which on a tap counts as dull [-].
    """

    regions: pd.DataFrame
    outlines: TapMarkOutlines
    ratio: Floats
    background: Background
    threshold: float

    def __repr__(self) -> str:
        """Return count, area and threshold on one line."""
        return (
            f"ContactTimeRegions({len(self.regions)} regions above {self.threshold:g} times "
            f"{self.background.contact_time_us:.4g} µs: {self.outlines!r})"
        )

    def to_frame(self) -> pd.DataFrame:
        """Return the regions.

        Returns
        -------
        DataFrame
            One row a connected part, as in `regions`.
        """
        return self.regions.copy()


@dataclass(frozen=True, repr=False)
class ContactTimeMap:
    """Ratio and stiffness of a panel as arrays for an image.

    Parameters
    ----------
    x_edges, y_edges : ndarray of float, shape (n_x + 1,), (n_y + 1,)
        Edges of the cells [mm].
    ratio : ndarray of float, shape (n_y, n_x)
        Contact time over background, nan where nothing was read [-].
    stiffness : ndarray of float, shape (n_y, n_x) or None
        Local stiffness; None where the mass of the hammer was not given [N/m].
    background : Background
        What the ratios are to.
    """

    x_edges: Floats
    y_edges: Floats
    ratio: Floats
    stiffness: Floats | None
    background: Background

    def __repr__(self) -> str:
        """Return the size and the highest ratio on one line."""
        n_y, n_x = self.ratio.shape
        read = np.isfinite(self.ratio)
        return f"ContactTimeMap({n_x} by {n_y} cells, {read.sum()} read, ratio up to {self.ratio[read].max():.3g})"

    def to_frame(self) -> pd.DataFrame:
        """Return the cells that were read as rows.

        Returns
        -------
        DataFrame
            x_mm and y_mm of the middle of the cell, ratio, and stiffness_n_m (nan where not known).
        """
        row, column = np.nonzero(np.isfinite(self.ratio))
        middle = [(edges[:-1] + edges[1:]) / 2 for edges in (self.x_edges, self.y_edges)]
        stiffness = np.full(self.ratio.shape, np.nan) if self.stiffness is None else self.stiffness
        return pd.DataFrame(
            {
                "x_mm": middle[0][column],
                "y_mm": middle[1][row],
                "ratio": self.ratio[row, column],
                "stiffness_n_m": stiffness[row, column],
            }
        )


def contact_stiffness(contact_time: ArrayLike, *, hammer_mass: float) -> Floats:
    r"""Return the local stiffness of a skin from the contact time of a hammer.

    Parameters
    ----------
    contact_time : array_like of float
        How long hammer and skin touch [µs].
    hammer_mass : float
        Mass of the head of the hammer [kg].

    Returns
    -------
    ndarray of float
        Stiffness [N/m]; nan where the contact time is missing.

    Raises
    ------
    ValueError
        If `hammer_mass` or a contact time is not positive.

    See Also
    --------
    half_sine_contact_time : The other way round.

    Notes
    -----
    A mass m on a spring k touches it for half a period, :math:`\tau = \pi\sqrt{m/k}` [1]_, so that
    :math:`k = m(\pi/\tau)^2`. Valid while the contact is one half sine: a hard head on a skin that
    does not ring back within the contact.

    References
    ----------
    .. [1] P. Cawley and R. D. Adams, "The mechanics of the coin-tap method of non-destructive testing".
       *Journal of Sound and Vibration* 122(2), 1988, pp. 299-316.

    Examples
    --------
    >>> contact_stiffness([314.159265359, 993.4588265796], hammer_mass=0.01).round(0)
    array([1000000.,  100000.])
    """
    tau = np.asarray(contact_time, np.float64) * 1e-6
    check_positive("hammer_mass", hammer_mass, "kg")
    check_positive("contact_time", tau, "µs", missing=True)
    return hammer_mass * (np.pi / tau) ** 2


def half_sine_contact_time(stiffness: ArrayLike, *, hammer_mass: float) -> Floats:
    """Return how long a hammer touches a skin of a local stiffness.

    Parameters
    ----------
    stiffness : array_like of float
        Local stiffness; of springs in series 1/(1/k1 + 1/k2) [N/m].
    hammer_mass : float
        Mass of the head of the hammer [kg].

    Returns
    -------
    ndarray of float
        Contact time [µs].

    Raises
    ------
    ValueError
        If `hammer_mass` or a stiffness is not positive.

    See Also
    --------
    contact_stiffness : The other way round, with the equation and where it holds.

    Examples
    --------
    >>> half_sine_contact_time([1e6, 1e5], hammer_mass=0.01).round(1)
    array([314.2, 993.5])
    """
    k = np.asarray(stiffness, np.float64)
    check_positive("hammer_mass", hammer_mass, "kg")
    check_positive("stiffness", k, "N/m", missing=True)
    return np.pi * np.sqrt(hammer_mass / k) * 1e6


def contact_time_regions(
    x: ArrayLike,
    y: ArrayLike,
    contact_time: ArrayLike,
    *,
    pitch: float | None = None,
    outline: shapely.Polygon | None = None,
    threshold: float = THRESHOLD,
    way: str = "auto",
) -> ContactTimeRegions:
    r"""Return where the contact time is above a threshold on its ratio to the panel's own background.

    Parameters
    ----------
    x, y : array_like of float, shape (n,)
        Places of the taps in panel coordinates [mm].
    contact_time : array_like of float, shape (n,)
        Readings; missing where nothing was read [µs].
    pitch : float, optional
        Step of the grid [mm]. Default: from the taps.
    outline : Polygon, optional
        Outline of the panel [mm].
    threshold : float
        Ratio from which on a tap counts as dull [-].
    way : str
        How the background is taken, see `background`.

    Returns
    -------
    ContactTimeRegions
        Connected parts, all together with bounds, and the ratio at each tap.

    Raises
    ------
    ValueError
        If `threshold` is not above 1, or an argument is refused by `background` or `tap_mark_outlines`.

    See Also
    --------
    tap_mark_outlines : How shapes and bounds are made of taps.

    Notes
    -----
    The default threshold of 1.3 is assumed, no source: by :math:`k = m(\pi/\tau)^2` the stiffness has
    then fallen to 59 % of that of the sound skin. Compare it with 1 + 3 times the scatter over the
    background, below which sound taps pass it by chance. Parts that meet in a corner count as two.

    Examples
    --------
    >>> x, y = np.meshgrid(np.arange(0, 150, 25.0), np.arange(0, 150, 25.0))
    >>> tau = np.where((x - 50) ** 2 + (y - 50) ** 2 <= 40**2, 450.0, 300.0)
    >>> found = contact_time_regions(x, y, tau)
    >>> found.regions[["area_mm2", "n_taps", "highest_ratio"]].to_numpy().tolist()
    [[5625.0, 9.0, 1.5]]
    """
    if not (np.isfinite(threshold) and threshold > 1):
        raise ValueError(f"`threshold` must be above 1, the ratio of the sound skin. Got {threshold!r}.")
    tau = np.asarray(contact_time, np.float64).ravel()
    found = background(tau, way=way)
    ratio = tau / found.contact_time_us
    dull = ratio >= threshold
    outlines = tap_mark_outlines(x, y, dull, pitch=pitch, outline=outline, tapped=np.isfinite(tau))
    parts = shapely.get_parts(np.array([outlines.best], dtype=object))
    parts = parts[shapely.area(parts) > 0]
    places = np.stack([np.asarray(one, np.float64).ravel() for one in (x, y)], axis=-1)[dull]
    part, tap = shapely.STRtree(parts).query(shapely.points(places), predicate="dwithin", distance=1e-6)[::-1]
    area = shapely.area(parts)
    highest = np.full(len(parts), np.nan)
    np.fmax.at(highest, part, ratio[dull][tap])
    regions = pd.DataFrame(
        {
            "geometry": parts,
            "area_mm2": area,
            "diameter_mm": equivalent_diameter(area),
            "n_taps": np.bincount(part, minlength=len(parts)),
            "highest_ratio": highest,
        }
    )
    return ContactTimeRegions(regions, outlines, ratio, found, float(threshold))


def contact_time_map(
    x: ArrayLike,
    y: ArrayLike,
    contact_time: ArrayLike,
    *,
    pitch: float | None = None,
    hammer_mass: float | None = None,
    way: str = "auto",
) -> ContactTimeMap:
    """Return ratio and stiffness over a panel as arrays that an image can show.

    Parameters
    ----------
    x, y : array_like of float, shape (n,)
        Places of the taps in panel coordinates [mm].
    contact_time : array_like of float, shape (n,)
        Readings; missing where nothing was read [µs].
    pitch : float, optional
        Width of a cell [mm]. Default: the steps of the grid.
    hammer_mass : float, optional
        Mass of the head of the hammer [kg]. Default: no stiffness.
    way : str
        How the background is taken, see `background`.

    Returns
    -------
    ContactTimeMap
        Cells along x and y; of several taps in one cell the longest contact time stands.

    Raises
    ------
    ValueError
        If arrays differ in length, nothing was read, or an argument is refused by `background`.

    Notes
    -----
    Cells lie along the axes of the panel. A grid that is turned against them leaves cells without a tap,
    which are nan; then pass a wider `pitch`.

    Examples
    --------
    >>> x, y = np.meshgrid([10.0, 30.0, 50.0], [10.0, 30.0])
    >>> found = contact_time_map(x, y, [[300, 300, 450], [300, 300, 300]], hammer_mass=0.01)
    >>> found.ratio.tolist(), found.x_edges.tolist()
    ([[1.0, 1.0, 1.5], [1.0, 1.0, 1.0]], [0.0, 20.0, 40.0, 60.0])
    """
    values = [np.asarray(one, np.float64).ravel() for one in (x, y, contact_time)]
    if len({len(one) for one in values}) > 1:
        sizes = ", ".join(str(len(one)) for one in values)
        raise ValueError(f"`x`, `y` and `contact_time` must have one value for each tap. Got {sizes} values.")
    found = background(values[2], way=way)
    read = np.isfinite(values[2])
    points, tau = np.stack(values[:2], axis=-1)[read], values[2][read]
    if not np.isfinite(points).all():
        raise ValueError(
            "`x` and `y` must be finite where a contact time was read [mm]. Leave such taps out."
        )
    places = np.unique(points, axis=0)
    if len(places) == 1 and pitch is None:
        raise ValueError(
            "`pitch` must be given where one place was read. Got None; give the step of the grid [mm]."
        )
    step, start = _cells(places, pitch)
    at = np.floor((points - start) / step + 1e-9).astype(np.int64)
    n_x, n_y = at.max(axis=0) + 1
    longest = np.full((n_y, n_x), np.nan)
    np.fmax.at(longest, (at[:, 1], at[:, 0]), tau)
    stiffness = None if hammer_mass is None else contact_stiffness(longest, hammer_mass=hammer_mass)
    edges = [start[k] + step[k] * np.arange(n + 1) for k, n in enumerate((n_x, n_y))]
    return ContactTimeMap(edges[0], edges[1], longest / found.contact_time_us, stiffness, found)


def _cells(places: Floats, pitch: float | None) -> tuple[Floats, Floats]:
    """Return width and height of the cells of a map, and its lower left corner [mm]."""
    lattice = find_lattice(places, pitch)
    if pitch is not None:
        step = np.array([pitch, pitch], np.float64)
    elif lattice is None:
        step = np.repeat(grid_pitch(places), 2)
    elif lattice.kind == "square" and np.allclose(lattice.basis[[0, 1], [1, 0]], 0):
        step = np.abs(np.diag(lattice.basis))
    else:
        step = np.repeat(lattice.pitch, 2)
    return step, places.min(axis=0) - step / 2
