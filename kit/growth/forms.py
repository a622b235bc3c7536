"""How the growth of a damage hangs on its size: steady, in proportion, or driven by pressure."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import ArrayLike

from kit.numerics.typing import Floats


class GrowthForm(Protocol):
    r"""A form of growth: :math:`\mathrm{d}a/\mathrm{d}t = r\,\varphi(a)` with a rate r of each damage's own.

    With :math:`\Phi' = 1/\varphi` the size a time d later solves :math:`\Phi(a) = \Phi(a_0) + r d`.
    """

    name: str
    basis: str

    def rate_unit(self, clock: str) -> str:
        """Name the unit of the rate."""

    def position(self, size: ArrayLike) -> Floats:
        """Return what grows evenly in time: Φ of the size."""

    def size_at(self, position: ArrayLike) -> Floats:
        """Size at a position; infinite past the end of the scale."""

    def speed(self, size: ArrayLike) -> Floats:
        """Growth for a rate of 1: φ of the size."""


@dataclass(frozen=True)
class Linear:
    r"""Growth at a steady rate: :math:`a(d) = a_0 + r d`.

    Parameters
    ----------
    name : str
        Name of the form.
    basis : str
        Where the form comes from.
    """

    name: str = "linear"
    basis: str = "a convenience (assumed)"

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
        return f"mm per {clock}"

    def position(self, size: ArrayLike) -> Floats:
        """Return what grows evenly in time: the size itself.

        Parameters
        ----------
        size : array_like of float
            Equivalent diameters [mm].

        Returns
        -------
        ndarray of float
            Positions [mm].
        """
        return np.asarray(size, np.float64)

    def size_at(self, position: ArrayLike) -> Floats:
        """Size at a position.

        Parameters
        ----------
        position : array_like of float
            Positions [mm].

        Returns
        -------
        ndarray of float
            Equivalent diameters [mm].
        """
        return np.asarray(position, np.float64)

    def speed(self, size: ArrayLike) -> Floats:
        """Growth for a rate of 1.

        Parameters
        ----------
        size : array_like of float
            Equivalent diameters [mm].

        Returns
        -------
        ndarray of float
            1 everywhere [-].
        """
        return np.ones_like(np.asarray(size, np.float64))


@dataclass(frozen=True)
class Proportional:
    r"""Growth in proportion to the size: :math:`a(d) = a_0 e^{r d}`.

    Parameters
    ----------
    name : str
        Name of the form.
    basis : str
        Where the form comes from.
    """

    name: str = "proportional"
    basis: str = "a convenience (assumed)"

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
        return f"log size per {clock}"

    def position(self, size: ArrayLike) -> Floats:
        """Return what grows evenly in time: the log of the size.

        Parameters
        ----------
        size : array_like of float
            Equivalent diameters [mm].

        Returns
        -------
        ndarray of float
            Positions [log mm].
        """
        with np.errstate(divide="ignore"):
            return np.log(np.asarray(size, np.float64))

    def size_at(self, position: ArrayLike) -> Floats:
        """Size at a position.

        Parameters
        ----------
        position : array_like of float
            Positions [log mm].

        Returns
        -------
        ndarray of float
            Equivalent diameters [mm].
        """
        with np.errstate(over="ignore"):
            return np.exp(np.asarray(position, np.float64))

    def speed(self, size: ArrayLike) -> Floats:
        """Growth for a rate of 1: the size.

        Parameters
        ----------
        size : array_like of float
            Equivalent diameters [mm].

        Returns
        -------
        ndarray of float
            Speeds [mm].
        """
        return np.asarray(size, np.float64)


@dataclass(frozen=True)
class PressureDriven:
    r"""Growth driven by the pressure in the core: like :math:`a^4` while small, like :math:`a^{4/3}` when large.

    Parameters
    ----------
    changeover : float
        Equivalent diameter at which the skin stops bending like a plate and starts to carry like a
        membrane [mm].
    name : str
        Name of the form.
    basis : str
        Where the numbers come from.

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

    changeover: float = 60.0
    name: str = "pressure"
    basis: str = "exponents from plate theory; growth in proportion to the energy released is assumed"

    def __post_init__(self) -> None:
        """Check the change-over."""
        if not 0 < self.changeover < np.inf:
            raise ValueError(
                f"`changeover` must be positive and finite [mm]. Got {self.changeover!r}. Give a diameter."
            )

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
        return f"mm per {clock} at {self.changeover:g} mm"

    def position(self, size: ArrayLike) -> Floats:
        """Return what grows evenly in time, 0 at the change-over.

        Parameters
        ----------
        size : array_like of float
            Equivalent diameters [mm].

        Returns
        -------
        ndarray of float
            Positions [mm].
        """
        c = self.changeover
        with np.errstate(divide="ignore"):
            ratio = c / np.asarray(size, np.float64)
            return np.where(ratio >= 1, c / 3 * (1 - ratio**3), 3 * c * (1 - np.cbrt(ratio)))

    def size_at(self, position: ArrayLike) -> Floats:
        """Size at a position; infinite from three times the change-over on.

        Parameters
        ----------
        position : array_like of float
            Positions [mm].

        Returns
        -------
        ndarray of float
            Equivalent diameters [mm].
        """
        c = self.changeover
        p = np.asarray(position, np.float64) / c
        small = np.cbrt(1 - 3 * np.minimum(p, 0.0))  # c over the size
        large = np.maximum(1 - np.maximum(p, 0.0) / 3, 0.0) ** 3
        with np.errstate(divide="ignore"):
            return c / np.where(p <= 0, small, large)

    def speed(self, size: ArrayLike) -> Floats:
        """Growth for a rate of 1.

        Parameters
        ----------
        size : array_like of float
            Equivalent diameters [mm].

        Returns
        -------
        ndarray of float
            Speeds, 1 at the change-over [-].
        """
        ratio = np.asarray(size, np.float64) / self.changeover
        return np.where(ratio <= 1, ratio**4, np.cbrt(ratio) ** 4)


FORMS = {"linear": Linear, "proportional": Proportional, "pressure": PressureDriven}
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
    return FORMS[form]()


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
