"""How a skin over a disbond answers a tap: a clamped round plate."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike
from scipy.optimize import brentq
from scipy.special import ive, jv

from kit.numerics.typing import Floats
from kit.regions import half_sine_contact_time


def plate_stiffness(*, modulus_gpa: ArrayLike, thickness_mm: ArrayLike, poisson: ArrayLike) -> Floats:
    r"""Return the bending stiffness of a skin.

    Parameters
    ----------
    modulus_gpa : array_like of float
        Young's modulus in the plane of the skin [GPa].
    thickness_mm : array_like of float
        Thickness of the skin [mm].
    poisson : array_like of float
        Poisson's ratio [-].

    Returns
    -------
    ndarray of float
        :math:`D = E h^3 / (12 (1 - \nu^2))` [N m].

    Raises
    ------
    ValueError
        If a value is out of range.

    Examples
    --------
    >>> round(float(plate_stiffness(modulus_gpa=70.0, thickness_mm=0.5, poisson=0.33)), 4)
    0.8183
    """
    modulus, thickness = _positive("modulus_gpa", modulus_gpa), _positive("thickness_mm", thickness_mm)
    nu = np.asarray(poisson, np.float64)
    if not ((nu >= 0) & (nu < 1)).all():
        raise ValueError(f"`poisson` must be at least 0 and below 1. Got {poisson!r}.")
    return np.asarray(modulus * 1e9 * (thickness * 1e-3) ** 3 / (12 * (1 - nu**2)))  # SI


def plate_root(n_diameters: int = 0, n_circles: int = 0) -> float:
    r"""Return the frequency factor of a clamped round plate.

    Parameters
    ----------
    n_diameters, n_circles : int
        Nodal diameters, and nodal circles within the rim.

    Returns
    -------
    float
        :math:`\lambda^2`, where :math:`J_n(\lambda) I_{n+1}(\lambda) + I_n(\lambda) J_{n+1}(\lambda) = 0` [-].

    Raises
    ------
    ValueError
        If a number is not a whole number of at least 0.

    References
    ----------
    .. [1] A. W. Leissa, *Vibration of Plates*. NASA SP-160, 1969, ch. 2.

    Examples
    --------
    >>> round(plate_root(), 4)
    10.2158
    """
    for name, value in (("n_diameters", n_diameters), ("n_circles", n_circles)):
        if value != int(value) or value < 0:
            raise ValueError(f"`{name}` must be a whole number of at least 0. Got {value!r}.")
    n = int(n_diameters)

    def equation(x: float) -> float:
        return float(jv(n, x) * ive(n + 1, x) + ive(n, x) * jv(n + 1, x))

    # Roots lie about pi apart, the first above n.
    grid = np.arange(max(n, 1) * 0.5, n * 1.5 + 4 * (n_circles + 2), 0.05)
    values = [equation(x) for x in grid]
    changes = [i for i in range(len(grid) - 1) if values[i] * values[i + 1] < 0]
    i = changes[int(n_circles)]
    return float(brentq(equation, grid[i], grid[i + 1], xtol=1e-14)) ** 2


def plate_frequency(
    diameter: ArrayLike,
    *,
    modulus_gpa: float,
    thickness_mm: float,
    poisson: float,
    density_kg_m3: float,
    n_diameters: int = 0,
    n_circles: int = 0,
) -> Floats:
    r"""Return at what frequency the skin over a round disbond rings.

    Parameters
    ----------
    diameter : array_like of float
        Diameter of the disbond [mm].
    modulus_gpa, thickness_mm, poisson : float
        Of the skin [GPa], [mm], [-].
    density_kg_m3 : float
        Density of the skin [kg/m³].
    n_diameters, n_circles : int
        Which mode.

    Returns
    -------
    ndarray of float
        :math:`f = \lambda^2 / (2 \pi a^2) \sqrt{D / (\rho h)}`, a the radius [Hz].
    """
    radius = _positive("diameter", diameter) / 2e3
    stiffness = plate_stiffness(modulus_gpa=modulus_gpa, thickness_mm=thickness_mm, poisson=poisson)
    mass = _positive("density_kg_m3", density_kg_m3) * thickness_mm / 1e3  # kg/m²
    return np.asarray(
        plate_root(n_diameters, n_circles) / (2 * np.pi * radius**2) * np.sqrt(stiffness / mass)
    )


def centre_stiffness(
    diameter: ArrayLike, *, modulus_gpa: float, thickness_mm: float, poisson: float
) -> Floats:
    r"""Return how stiff the skin is to a push on the centre of a round disbond.

    Parameters
    ----------
    diameter : array_like of float
        Diameter of the disbond [mm].
    modulus_gpa, thickness_mm, poisson : float
        Of the skin [GPa], [mm], [-].

    Returns
    -------
    ndarray of float
        :math:`k = 16 \pi D / a^2`, a the radius [N/m].

    References
    ----------
    .. [1] S. P. Timoshenko and S. Woinowsky-Krieger, *Theory of Plates and Shells*, 2nd ed. New York:
       McGraw-Hill, 1959, §19.
    """
    radius = _positive("diameter", diameter) / 2e3
    stiffness = plate_stiffness(modulus_gpa=modulus_gpa, thickness_mm=thickness_mm, poisson=poisson)
    return np.asarray(16 * np.pi * stiffness / radius**2)


def expected_contact_ratio(
    diameter: ArrayLike,
    *,
    modulus_gpa: float,
    thickness_mm: float,
    poisson: float,
    hammer_mass: float,
    sound_contact_time_us: float,
) -> Floats:
    r"""Return how much longer a hammer touches the skin at the centre of a disbond than sound skin.

    Parameters
    ----------
    diameter : array_like of float
        Diameter of the disbond [mm].
    modulus_gpa, thickness_mm, poisson : float
        Of the skin [GPa], [mm], [-].
    hammer_mass : float
        Mass of the head of the hammer [kg].
    sound_contact_time_us : float
        Contact time on sound skin of the same build, as read [µs].

    Returns
    -------
    ndarray of float
        Contact time over that of sound skin, at least 1 [-].

    Raises
    ------
    ValueError
        If a value is out of range.

    See Also
    --------
    size_at_ratio : The disbond that gives a ratio.

    Notes
    -----
    The contact of hammer and sound skin and the plate over the disbond are springs in series, so
    :math:`(\tau/\tau_0)^2 = 1 + (\tau_p/\tau_0)^2` with :math:`\tau_p = \pi \sqrt{m/k}` of the plate by itself.
    Holds for a tap on the centre, a skin thin against the disbond, and deflections small against the skin.
    Off the centre the ratio is lower, so that an outline by ratio lies inside the true one. An idealisation
    to be checked against known damage, and no POD.

    References
    ----------
    .. [1] P. Cawley and R. D. Adams, "The mechanics of the coin-tap method of non-destructive testing,"
       *Journal of Sound and Vibration* 122, 1988, 299-316.

    Examples
    --------
    >>> skin = {"modulus_gpa": 70.0, "thickness_mm": 0.5, "poisson": 0.33}
    >>> expected_contact_ratio([10.0, 25.4], **skin, hammer_mass=0.01, sound_contact_time_us=300.0).round(3)
    array([1.291, 2.302])
    """
    sound = _positive("sound_contact_time_us", sound_contact_time_us)
    stiffness = centre_stiffness(
        diameter, modulus_gpa=modulus_gpa, thickness_mm=thickness_mm, poisson=poisson
    )
    alone = half_sine_contact_time(stiffness, hammer_mass=hammer_mass)
    return np.asarray(np.sqrt(1 + (alone / sound) ** 2))


def size_at_ratio(
    ratio: ArrayLike,
    *,
    modulus_gpa: float,
    thickness_mm: float,
    poisson: float,
    hammer_mass: float,
    sound_contact_time_us: float,
) -> Floats:
    """Return the diameter of the disbond at whose centre a contact-time ratio is expected.

    Parameters
    ----------
    ratio : array_like of float
        Contact time over that of sound skin, at least 1 [-].
    modulus_gpa, thickness_mm, poisson : float
        Of the skin [GPa], [mm], [-].
    hammer_mass : float
        Mass of the head of the hammer [kg].
    sound_contact_time_us : float
        Contact time on sound skin of the same build [µs].

    Returns
    -------
    ndarray of float
        Diameters [mm].

    Raises
    ------
    ValueError
        If a value is out of range.
    """
    r = np.asarray(ratio, np.float64)
    if not ((r >= 1) & np.isfinite(r)).all():
        raise ValueError(f"`ratio` must be at least 1 and finite. Got {ratio!r}.")
    per_mm = expected_contact_ratio(
        1.0,
        modulus_gpa=modulus_gpa,
        thickness_mm=thickness_mm,
        poisson=poisson,
        hammer_mass=hammer_mass,
        sound_contact_time_us=sound_contact_time_us,
    )
    # The plate's contact time grows in proportion to its diameter.
    return np.asarray(np.sqrt((r**2 - 1) / (per_mm**2 - 1)))


def _positive(name: str, value: ArrayLike) -> Floats:
    values = np.asarray(value, np.float64)
    if not ((values > 0) & np.isfinite(values)).all():
        raise ValueError(f"`{name}` must be positive and finite. Got {value!r}.")
    return values
