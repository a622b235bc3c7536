"""Which family of lives fits: several by the same likelihood, side by side."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike
from scipy.special import chdtrc

from kit.life.fits.fit import LifeFit
from kit.life.fits.fitting import fit_family
from kit.life.likelihood.families import FAMILIES
from kit.life.likelihood.imperfect import DetectionInput
from kit.life.lives.censored import Histories
from kit.numerics.refusals import NoFiniteMaximum

DISTRIBUTIONS = tuple(FAMILIES)
"""Distributions that a life can be fitted with."""


def fit_life(
    histories: Histories | pd.DataFrame | None = None,
    *,
    distribution: str = "weibull",
    lower: ArrayLike | None = None,
    upper: ArrayLike | None = None,
    entry: ArrayLike | None = None,
    count: ArrayLike | None = None,
    cluster: Sequence[object] | None = None,
    detection: DetectionInput = 1.0,
    shape: float | None = None,
) -> LifeFit:
    r"""Fit a life of a named distribution to interval-censored, left-truncated histories.

    Give either `histories`, or the ages `lower` and `upper`.

    Parameters
    ----------
    histories : Histories or DataFrame, optional
        What the looks say of each life: histories, or one row a life with the columns of `Histories.to_frame`
        (lower, upper; optional entry, count, cluster).
    distribution : str
        ``weibull``, ``exponential``, ``lognormal`` or ``loglogistic``.
    lower, upper : array_like of float, shape (n,), optional
        Clean at `lower`, found at `upper`; infinite `upper`: never found; equal: onset known exactly
        [clock units].
    entry : array_like of float, shape (n,), optional
        Age at which each life came under watch [clock units]. Default 0.
    count : array_like of float, shape (n,), optional
        Number of lives that each row stands for. Default 1.
    cluster : sequence, shape (n,), optional
        Name of each row's cluster, for the robust covariance.
    detection : float, mapping of str to float, or Detection
        Chance that a look finds damage that is there, or a model of it, as in `kit.life.fit_weibull`.
    shape : float, optional
        Shape to assume instead of fitting it; not with ``exponential``, whose shape is 1.

    Returns
    -------
    LifeFit
        The maximum.

    Raises
    ------
    NoFiniteMaximum
        If no finite maximum exists.
    ValueError
        If the distribution is unknown, rows are impossible, or the arguments do not go together.

    See Also
    --------
    compare_lives : All of them side by side.

    Notes
    -----
    With :math:`z = \mathrm{shape}\,\log(t/\mathrm{scale})` the cumulative hazards are :math:`e^z`
    (Weibull, with shape 1 exponential), :math:`-\log\Phi(-z)` (lognormal) and :math:`\log(1 + e^z)`
    (log-logistic). The shape of the lognormal is one over its log standard deviation.

    References
    ----------
    .. [1] W. Q. Meeker and L. A. Escobar, *Statistical Methods for Reliability Data*. New York:
       Wiley, 1998, ch. 4, 7 and 8.

    Examples
    --------
    >>> ages = {"lower": [0, 1000, 1000, 2000], "upper": [1000, 2000, np.inf, np.inf], "count": [2, 9, 30, 20]}
    >>> fit_life(distribution="lognormal", **ages)
    LifeFit('lognormal', scale=2473.08 age, shape=2.034, finds=11 of 61 lives, log_likelihood=-26.7642)
    """
    if distribution not in DISTRIBUTIONS:
        raise ValueError(f"`distribution` must be one of {', '.join(DISTRIBUTIONS)}. Got {distribution!r}.")
    return fit_family(
        FAMILIES[distribution],
        histories,
        lower=lower,
        upper=upper,
        entry=entry,
        count=count,
        cluster=cluster,
        detection=detection,
        shape=shape,
    )


@dataclass(frozen=True, eq=False)
class LifeComparison:
    """Fits of several distributions to the same histories.

    Parameters
    ----------
    fits : dict of str to LifeFit
        By distribution.
    refused : dict of str to str
        Why the others have no fit.
    """

    fits: dict[str, LifeFit]
    refused: dict[str, str]

    def __repr__(self) -> str:
        """Return one line with the criterion of each."""
        return f"LifeComparison({', '.join(f'{name}: AIC {fit.aic:.2f}' for name, fit in self.fits.items())})"

    def to_frame(self, *, share: float = 0.1) -> pd.DataFrame:
        """Return the distributions side by side; nothing is chosen.

        Parameters
        ----------
        share : float
            Share of the panels with damage at whose age they are compared [-].

        Returns
        -------
        DataFrame
            Index distribution; scale, shape, parameters, log_likelihood, aic, aic_above_least;
            p_against_exponential, of the likelihood-ratio test that the shape is 1 (Weibull only, since
            the others do not contain the exponential); age_at_share with its profile bounds
            age_lower, age_upper; refused, the reason where there is no fit.
        """
        rows = []
        exponential = self.fits.get("exponential")
        for name in DISTRIBUTIONS:
            if name in self.refused:
                rows.append({"distribution": name, "refused": self.refused[name]})
            elif name in self.fits:
                fit = self.fits[name]
                low, high = fit.quantile_bounds(share, method="profile")
                p = np.nan
                if name == "weibull" and exponential is not None:
                    gain = max(fit.log_likelihood - exponential.log_likelihood, 0.0)
                    p = float(chdtrc(1, 2 * gain))
                rows.append(
                    {
                        "distribution": name,
                        "scale": fit.scale,
                        "shape": fit.shape,
                        "parameters": fit.n_parameters,
                        "log_likelihood": fit.log_likelihood,
                        "aic": fit.aic,
                        "p_against_exponential": p,
                        "age_at_share": float(fit.quantile(share)),
                        "age_lower": low,
                        "age_upper": high,
                        "refused": "",
                    }
                )
        frame = pd.DataFrame(rows).set_index("distribution")
        if "aic" in frame.columns:
            frame.insert(
                frame.columns.get_loc("aic") + 1, "aic_above_least", frame["aic"] - frame["aic"].min()
            )
        return frame


def compare_lives(
    histories: Histories | pd.DataFrame | None = None,
    *,
    distributions: Sequence[str] = DISTRIBUTIONS,
    lower: ArrayLike | None = None,
    upper: ArrayLike | None = None,
    entry: ArrayLike | None = None,
    count: ArrayLike | None = None,
    detection: DetectionInput = 1.0,
) -> LifeComparison:
    """Fit several distributions to the same histories, by the same likelihood.

    Parameters
    ----------
    histories : Histories or DataFrame, optional
        What the looks say of each life: histories, or one row a life with the columns of `Histories.to_frame`
        (lower, upper; optional entry, count, cluster).
    distributions : sequence of str
        Which ones.
    lower, upper : array_like of float, shape (n,), optional
        Clean at `lower`, found at `upper`, as in `fit_life` [clock units].
    entry, count : array_like of float, shape (n,), optional
        Age at which each life came under watch, and lives that a row stands for.
    detection : float, mapping of str to float, or Detection
        Chance that a look finds damage that is there, or a model of it.

    Returns
    -------
    LifeComparison
        The fits, and why any has none. Which one to use is for the engineer to say: within 2 units of
        AIC the data hardly tell, and far beyond the oldest look they never do.

    Raises
    ------
    NoFiniteMaximum
        If none of them has a finite maximum.
    ValueError
        If a distribution is unknown, rows are impossible, or the arguments do not go together.
    """
    fits, refused = {}, {}
    for name in distributions:
        try:
            fits[name] = fit_life(
                histories, distribution=name, lower=lower, upper=upper, entry=entry, count=count, detection=detection
            )  # fmt: skip
        except NoFiniteMaximum as reason:
            refused[name] = str(reason)
    if not fits:
        raise NoFiniteMaximum(next(iter(refused.values()), "No fit: `distributions` is empty."))
    return LifeComparison(fits, refused)
