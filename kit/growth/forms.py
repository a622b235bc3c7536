"""How the growth of a damage hangs on its size: steady, in proportion, or driven by pressure; one registry of them."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike

from kit.numerics.typing import Floats

Law = Callable[[Floats, float], Floats]
"""A function of a size or position, and of the size to which the form refers."""


@dataclass(frozen=True)
class GrowthForm:
    r"""A form of growth: :math:`\mathrm{d}a/\mathrm{d}t = r\,\varphi(a)` with a rate r of each damage's own.

    A form of one's own is a record of three functions, and goes everywhere where a name of `FORMS` goes.

    Parameters
    ----------
    name : str
        Name of the form.
    unit : str
        Unit of the rate, with ``{clock}`` where the clock is named.
    basis : str
        Where the form comes from.
    law_of_position : callable
        Φ: what grows evenly in time, of the size [mm] and `reference_mm`; it rises with the size.
    law_of_size : callable
        Its inverse: the size at a position; infinite past the end of the scale [mm].
    law_of_speed : callable
        φ: growth for a rate of 1, of the size.
    reference_mm : float
        Size to which the form refers, such as a change-over; 0 for none [mm].

    Notes
    -----
    With :math:`\Phi' = 1/\varphi` the size a time d later solves :math:`\Phi(a) = \Phi(a_0) + r d`.

    Examples
    --------
    >>> by_area = GrowthForm(
    ...     "even in area", "mm² per {clock}", "assumed",
    ...     lambda a, _: a**2, lambda p, _: np.sqrt(np.maximum(p, 0.0)), lambda a, _: 0.5 / a,
    ... )
    >>> size_after(by_area, 30.0, 0.4, [0.0, 4000.0]).round(1)
    array([30., 50.])
    """

    name: str
    unit: str
    basis: str
    law_of_position: Law = field(repr=False)
    law_of_size: Law = field(repr=False)
    law_of_speed: Law = field(repr=False)
    reference_mm: float = 0.0

    def rate_unit(self, clock: str) -> str:
        """Return the unit of the rate.

        Parameters
        ----------
        clock : str
            Clock of the rate.

        Returns
        -------
        str
            In words.
        """
        return self.unit.format(clock=clock)

    def position(self, size: ArrayLike) -> Floats:
        """Return what grows evenly in time: Φ of the size.

        Parameters
        ----------
        size : array_like of float
            Equivalent diameters [mm].

        Returns
        -------
        ndarray of float
            Positions.
        """
        return self.law_of_position(np.asarray(size, np.float64), self.reference_mm)

    def size_at(self, position: ArrayLike) -> Floats:
        """Size at a position.

        Parameters
        ----------
        position : array_like of float
            Positions.

        Returns
        -------
        ndarray of float
            Equivalent diameters; infinite past the end of the scale [mm].
        """
        return self.law_of_size(np.asarray(position, np.float64), self.reference_mm)

    def speed(self, size: ArrayLike) -> Floats:
        """Growth for a rate of 1: φ of the size.

        Parameters
        ----------
        size : array_like of float
            Equivalent diameters [mm].

        Returns
        -------
        ndarray of float
            Speeds.
        """
        return self.law_of_speed(np.asarray(size, np.float64), self.reference_mm)


def _itself(x: Floats, _: float) -> Floats:
    return x


def _one(size: Floats, _: float) -> Floats:
    return np.ones_like(size)


def _log(size: Floats, _: float) -> Floats:
    with np.errstate(divide="ignore"):
        return np.log(size)


def _exp(position: Floats, _: float) -> Floats:
    with np.errstate(over="ignore"):
        return np.exp(position)


def _pressure_position(size: Floats, c: float) -> Floats:
    with np.errstate(divide="ignore"):
        ratio = c / size
        return np.where(ratio >= 1, c / 3 * (1 - ratio**3), 3 * c * (1 - np.cbrt(ratio)))


def _pressure_size(position: Floats, c: float) -> Floats:
    p = position / c
    small = np.cbrt(1 - 3 * np.minimum(p, 0.0))  # c over the size
    large = np.maximum(1 - np.maximum(p, 0.0) / 3, 0.0) ** 3
    with np.errstate(divide="ignore"):
        return c / np.where(p <= 0, small, large)


def _pressure_speed(size: Floats, c: float) -> Floats:
    ratio = size / c
    return np.where(ratio <= 1, ratio**4, np.cbrt(ratio) ** 4)


def pressure_driven(changeover: float = 60.0) -> GrowthForm:
    r"""Return growth driven by the pressure in the core: like :math:`a^4` while small, like :math:`a^{4/3}` when large.

    Parameters
    ----------
    changeover : float
        Equivalent diameter at which the skin stops bending like a plate and starts to carry like a
        membrane [mm].

    Returns
    -------
    GrowthForm
        The form.

    Raises
    ------
    ValueError
        If `changeover` is not positive and finite.

    Notes
    -----
    :math:`\varphi(a) = (a/c)^4` up to the change-over c and :math:`(a/c)^{4/3}` beyond, so that the rate r
    is the growth of damage of size c. The exponents are those of the energy that a pressurised circular
    disbond releases by plate theory, 16 times for double the size; that the growth is in proportion to
    that energy, and not to a power of it, is assumed. The change-over near a radius of 30 mm holds for a
    skin of 0.6 mm with a modulus of 50 GPa under 50 kPa. The size becomes infinite after a finite time:
    :math:`\Phi(a) \to 3c`.
    """
    if not 0 < changeover < np.inf:
        raise ValueError(
            f"`changeover` must be positive and finite [mm]. Got {changeover!r}. Give a diameter."
        )
    return GrowthForm(
        "pressure",
        f"mm per {{clock}} at {changeover:g} mm",
        "exponents from plate theory; growth in proportion to the energy released is assumed",
        _pressure_position,
        _pressure_size,
        _pressure_speed,
        float(changeover),
    )


LINEAR = GrowthForm("linear", "mm per {clock}", "a convenience (assumed)", _itself, _itself, _one)
"""Growth at a steady rate."""

PROPORTIONAL = GrowthForm(
    "proportional", "log size per {clock}", "a convenience (assumed)", _log, _exp, _itself
)
"""Growth in proportion to the size."""

FORMS = {form.name: form for form in (LINEAR, PROPORTIONAL, pressure_driven())}
"""Forms of growth by name."""


def as_form(form: str | GrowthForm) -> GrowthForm:
    """Return a form of growth by its name, or the form itself.

    Parameters
    ----------
    form : str or GrowthForm
        ``linear``, ``proportional``, ``pressure``, or a form.

    Returns
    -------
    GrowthForm
        The form.

    Raises
    ------
    ValueError
        If the name is unknown.
    """
    if not isinstance(form, str):
        return form
    if form not in FORMS:
        raise ValueError(f"`form` must be one of {', '.join(FORMS)}. Got {form!r}.")
    return FORMS[form]


def size_after(form: str | GrowthForm, start: ArrayLike, rate: ArrayLike, time: ArrayLike) -> Floats:
    """Size of damage a time after it had another size.

    Parameters
    ----------
    form : str or GrowthForm
        Form of growth.
    start : array_like of float
        Sizes at first [mm].
    rate : array_like of float
        Rates; 0 for damage that stands still [unit of the form].
    time : array_like of float
        Times since [clock units].

    Returns
    -------
    ndarray of float
        Equivalent diameters; infinite past the end of the form [mm].

    Examples
    --------
    >>> size_after("proportional", 20.0, 0.001, [0.0, 1000.0]).round(2)
    array([20.  , 54.37])
    """
    law = as_form(form)
    return law.size_at(law.position(start) + np.asarray(rate, np.float64) * np.asarray(time, np.float64))


def delay_to(form: str | GrowthForm, start: ArrayLike, rate: ArrayLike, limit: ArrayLike) -> Floats:
    """Time that damage takes from one size to a limit.

    Parameters
    ----------
    form : str or GrowthForm
        Form of growth.
    start : array_like of float
        Sizes at first [mm].
    rate : array_like of float
        Rates; 0 for damage that stands still [unit of the form].
    limit : array_like of float
        Limits [mm].

    Returns
    -------
    ndarray of float
        Delays: 0 where the start is at the limit or beyond, infinite where nothing grows [clock units].

    Examples
    --------
    >>> float(delay_to("linear", 20.0, 0.01, 60.0))
    4000.0
    """
    law = as_form(form)
    way = np.maximum(law.position(limit) - law.position(start), 0.0)
    rate = np.asarray(rate, np.float64)
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(way > 0, way / rate, 0.0 * (way + rate))
