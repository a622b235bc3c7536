"""What other groups of zones say of a group's life before its own looks are read: a robust prior from a meta-analysis."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import logsumexp

from kit.numerics.typing import Floats

TAU_SCALE = 1.0
"""Scale of the half-normal prior of how much groups differ in the log of the hazard (assumed, no source)."""

ROBUST_WEIGHT = 0.2
"""Weight of the component that knows nothing of other groups (assumed, no source; between 0 and 1)."""

CONFLICT = 0.5
"""Share of that component after the own looks from which on they are said to speak against the other groups."""

HAZARDS = np.linspace(-16.0, 4.0, 161)
"""Log cumulative hazards at which what groups say is put down."""

_TAUS = np.concatenate([[0.02, 0.06], np.linspace(0.12, 3.0, 25)])
SURELY = 3.0
"""Cumulative hazard beyond which the prior of it falls off: 95 of 100 panels are damaged."""

_VAGUE_TOTAL = SURELY * 2 * np.pi / (3 * np.sqrt(3))  # integral of 1 / (1 + (H / SURELY)^3) over H


def even_in_hazard(log_hazard: Floats) -> Floats:
    r"""Log of the prior of the log cumulative hazard, where nothing is known of other groups, up to a constant.

    Parameters
    ----------
    log_hazard : ndarray
        Log of the cumulative hazard H [-].

    Returns
    -------
    ndarray
        Log of :math:`H / (1 + (H / 3)^3)` [-].
    """
    # Even in H while H is small; where looks can miss all damage nothing else would bound it above.
    return log_hazard - np.log1p((np.exp(log_hazard) / SURELY) ** 3)


@dataclass(frozen=True, eq=False, kw_only=True)
class BorrowedPrior:
    """Prior of a group's log cumulative hazard at one age, from other groups.

    Parameters
    ----------
    density : ndarray, shape (n,)
        Predictive density at `HAZARDS`, of a group of which nothing else is known; its total is 1 [-].
    tau : ndarray, shape (n_tau,)
        Values of the standard deviation between groups [-].
    tau_share : ndarray, shape (n_tau,)
        Posterior mass of each [-].
    groups : int
        Other groups that it rests on.
    robust_weight : float
        Weight of the component that knows nothing of other groups [-].
    """

    density: Floats
    tau: Floats
    tau_share: Floats
    groups: int
    robust_weight: float = ROBUST_WEIGHT

    @property
    def tau_mean(self) -> float:
        """Posterior mean of the standard deviation between groups of the log hazard [-]."""
        return float(self.tau @ self.tau_share)

    def moments(self) -> tuple[float, float]:
        """Return mean and standard deviation of the predictive distribution, the vague component left out.

        Returns
        -------
        mean, sd : float
            Of the log cumulative hazard [-].
        """
        share = self.density / self.density.sum()
        mean = float(share @ HAZARDS)
        return mean, float(np.sqrt(max(share @ (HAZARDS - mean) ** 2, 0.0)))

    def components(self, log_hazard: Floats) -> tuple[Floats, Floats]:
        """Log densities of both components, each with its weight.

        Parameters
        ----------
        log_hazard : ndarray
            Log cumulative hazards [-].

        Returns
        -------
        borrowed, vague : ndarray
            Log densities [-].
        """
        at = np.log(np.maximum(self.density, 1e-300))
        borrowed = np.interp(log_hazard, HAZARDS, at)
        with np.errstate(divide="ignore"):
            return (
                borrowed + np.log1p(-self.robust_weight),
                even_in_hazard(log_hazard) - np.log(_VAGUE_TOTAL) + np.log(self.robust_weight),
            )

    def log_density(self, log_hazard: Floats) -> Floats:
        """Log of the prior density.

        Parameters
        ----------
        log_hazard : ndarray
            Log cumulative hazards [-].

        Returns
        -------
        ndarray
            Log density of the mixture [-].
        """
        return np.logaddexp(*self.components(log_hazard))


def borrowed_prior(
    log_likelihoods: Sequence[Floats],
    *,
    tau_scale: float = TAU_SCALE,
    robust_weight: float = ROBUST_WEIGHT,
    taus: Floats | None = None,
    centre_log_prior: Floats | None = None,
) -> BorrowedPrior:
    r"""Work out what other groups say of the hazard of a group of which nothing else is known.

    Parameters
    ----------
    log_likelihoods : sequence of ndarray, each of shape (n,)
        Log-likelihood of each other group at `HAZARDS`, its shape averaged over its prior [-].
    tau_scale : float
        Scale of the half-normal prior of the standard deviation between groups [-].
    robust_weight : float
        Weight of the component that knows nothing of other groups [-].
    taus : ndarray, optional
        Standard deviations between groups to average over [-].
    centre_log_prior : ndarray, shape (n,), optional
        Log prior density of the groups' common centre at `HAZARDS`. Default: that of a group of which nothing is
        known.

    Returns
    -------
    BorrowedPrior
        Ready to stand before the own looks.

    Raises
    ------
    ValueError
        If there is no other group, or a number is out of its range.

    Notes
    -----
    A random-effects meta-analysis: group j has :math:`\theta_j = \log H_j(t^*) \sim N(\mu, \tau^2)`, and the
    meta-analytic-predictive prior of the group that is asked for is
    :math:`\int N(\theta; \mu, \tau^2)\, p(\mu, \tau \mid \text{other groups})` [1]_. Both integrals are sums over
    grids, with the likelihoods themselves and no normal approximation: a group without finds says that the hazard
    is not large, and no more. Made robust by a component that knows nothing of other groups [2]_, so that own looks that
    speak against the others are followed. For the prior of :math:`\tau` see [3]_ and [4]_.

    References
    ----------
    .. [1] B. Neuenschwander, G. Capkun-Niggli, M. Branson, D. J. Spiegelhalter, "Summarizing historical information
       on controls in clinical trials", *Clinical Trials*, vol. 7, 2010, pp. 5-18 (pages from memory).
    .. [2] H. Schmidli, S. Gsteiger, S. Roychoudhury, A. O'Hagan, D. Spiegelhalter, B. Neuenschwander, "Robust
       meta-analytic-predictive priors in clinical trials with historical control information", *Biometrics*,
       vol. 70, 2014, pp. 1023-1032 (pages from memory).
    .. [3] A. Gelman, "Prior distributions for variance parameters in hierarchical models", *Bayesian Analysis*,
       vol. 1, 2006, pp. 515-534 (pages from memory).
    .. [4] C. Röver et al., "On weakly informative prior distributions for the heterogeneity parameter in Bayesian
       random-effects meta-analysis", *Research Synthesis Methods*, vol. 12, 2021, pp. 448-474.
    """
    if not len(log_likelihoods):
        raise ValueError("`log_likelihoods` must hold another group. Got none.")
    if not 0 <= robust_weight <= 1:
        raise ValueError(f"`robust_weight` must lie between 0 and 1. Got {robust_weight!r}.")
    if not 0 < tau_scale < np.inf:
        raise ValueError(f"`tau_scale` must be positive and finite. Got {tau_scale!r}.")
    tau = _TAUS if taus is None else np.asarray(taus, np.float64)
    width = np.gradient(tau) if tau.size > 1 else np.ones(1)
    log_tau = -0.5 * (tau / tau_scale) ** 2 + np.log(width)
    centre = even_in_hazard(HAZARDS) if centre_log_prior is None else np.asarray(centre_log_prior)
    kernels = _kernels(tau)
    value = np.repeat(centre[None, :], tau.size, axis=0) + log_tau[:, None]
    for one in log_likelihoods:
        top = float(np.max(one))
        value = value + np.log(np.maximum(kernels @ np.exp(one - top), 1e-300)) + top
    share = np.exp(value - logsumexp(value))
    density = share.ravel() @ kernels.reshape(-1, HAZARDS.size)
    step = HAZARDS[1] - HAZARDS[0]
    return BorrowedPrior(
        density=density / (density.sum() * step),
        tau=tau,
        tau_share=share.sum(axis=1),
        groups=len(log_likelihoods),
        robust_weight=robust_weight,
    )


_KEPT: dict[bytes, Floats] = {}


def _kernels(tau: Floats) -> Floats:
    """Chances of each hazard given each centre and spread, shape (n_tau, n_centres, n)."""
    key = tau.tobytes()
    if key not in _KEPT:
        off = (HAZARDS[None, None, :] - HAZARDS[None, :, None]) / tau[:, None, None]
        value = np.exp(-0.5 * off**2)
        _KEPT[key] = value / value.sum(axis=2, keepdims=True)
    return _KEPT[key]
