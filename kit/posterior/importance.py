"""Draws from a posterior: a normal approximation corrected by importance weights, with its diagnostic."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy.special import gammaln

from kit.numerics.typing import Floats
from kit.posterior.sequences import normal_points, uniform_points

RELIABLE = 0.7
"""Largest k-hat of importance weights that are relied on (Vehtari et al., see `importance_draws`)."""

_DEGREES = 8.0  # of freedom of the proposal: wider tails than the normal's
_ROUNDS = 3
_PROPOSED = 2  # proposals for each draw
_WIDEST = 1.5  # standard deviation of a direction that the data hardly tell, in units of the coordinates


@dataclass(frozen=True, eq=False, kw_only=True)
class PosteriorDraws:
    """Equally weighted draws of a posterior.

    Parameters
    ----------
    value : ndarray, shape (n, p)
        The draws.
    k_hat : float
        Shape of the tail of the importance weights; above 0.7 they are not reliable [-].
    effective : float
        Effective number of proposals [-].
    log_evidence : float
        Log of the integral of the density that was given [-].
    method : str
        How they were made.
    """

    value: Floats
    k_hat: float
    effective: float
    log_evidence: float
    method: str


def importance_draws(
    log_density: Callable[[Floats], Floats],
    mode: Floats,
    covariance: Floats,
    *,
    n: int,
    seed: int,
    stream: int = 0,
) -> PosteriorDraws:
    """Draw from a posterior given by its log density.

    Parameters
    ----------
    log_density : callable
        Takes points, shape (m, p), and gives the log density up to a constant, shape (m,).
    mode : ndarray, shape (p,)
        Its highest point, nearly.
    covariance : ndarray, shape (p, p)
        Inverse of the curvature there; directions that the data do not tell may be huge or negative.
    n : int
        Draws.
    seed, stream : int
        Of the random numbers.

    Returns
    -------
    PosteriorDraws
        Equally weighted, in random order.

    Notes
    -----
    Proposals have a multivariate t distribution about the mode. Their importance weights are smoothed by
    a generalised Pareto fit to the largest ones; while its shape k-hat is above 0.7 the proposal is moved
    to the weighted mean and covariance and drawn again, and after three rounds an ensemble sampler takes over.

    References
    ----------
    .. [1] A. Vehtari, D. Simpson, A. Gelman, Y. Yao, J. Gabry, "Pareto smoothed importance sampling",
       *J. Mach. Learn. Res.*, vol. 25, 2024.
    .. [2] O. Cappe, R. Douc, A. Guillin, J.-M. Marin, C. P. Robert, "Adaptive importance sampling in general
       mixture classes", *Statistics and Computing*, vol. 18, 2008, pp. 447-459.
    """
    from arviz_stats.base import array_stats  # takes long to load

    centre, spread = np.asarray(mode, np.float64), _usable(covariance)
    p = centre.size
    uniform = uniform_points(_PROPOSED * n, 1, seed=seed, stream=1000 * stream + 999)[:, 0]
    best: tuple[float, Floats, Floats, float, float] | None = None
    for turn in range(_ROUNDS):
        root = np.linalg.cholesky(spread)
        z = normal_points(_PROPOSED * n, p + 1, seed=seed, stream=1000 * stream + turn)
        # A chi-square from one normal by the Wilson-Hilferty cube keeps the points even.
        chi = _DEGREES * np.maximum(1 - 2 / (9 * _DEGREES) + z[:, p] * np.sqrt(2 / (9 * _DEGREES)), 0.05) ** 3
        stretch = np.sqrt(_DEGREES / chi)
        x = centre + stretch[:, None] * (z[:, :p] @ root.T)
        off = np.linalg.solve(root, (x - centre).T).T
        # The density of the proposal is that of the t distribution, to which the cube is exact to 1e-3.
        log_q = (
            gammaln((_DEGREES + p) / 2)
            - gammaln(_DEGREES / 2)
            - 0.5 * p * np.log(_DEGREES * np.pi)
            - np.log(np.diag(root)).sum()
            - 0.5 * (_DEGREES + p) * np.log1p((off**2).sum(axis=1) / _DEGREES)
        )
        log_weight = log_density(x) - log_q
        log_weight = np.where(np.isfinite(log_weight), log_weight, -1e9)
        # The library takes the logs of what is divided by, as leave-one-out estimates have them: the sign turns.
        smooth, k_hat = array_stats.psislw(log_weight.max() - log_weight)
        weight = np.exp(np.asarray(smooth))
        weight /= weight.sum()
        evidence = float(log_weight.max() + np.log(np.exp(log_weight - log_weight.max()).mean()))
        k_hat = float(np.atleast_1d(k_hat)[0])
        effective = float(1 / (weight**2).sum())
        if best is None or effective > best[3]:
            best = (k_hat, x, weight, effective, evidence)
        if k_hat <= RELIABLE and effective >= 0.25 * x.shape[0]:
            break
        mean = weight @ x
        gap = x - mean
        found = (weight[:, None] * gap).T @ gap
        trust = min(1.0, effective / (8.0 * p))
        centre = centre + trust * (mean - centre)
        spread = _usable(trust * found + (1 - trust) * spread)
    k_hat, x, weight, effective, evidence = best
    if k_hat > RELIABLE:
        return _ensemble(
            log_density, x, weight, n=n, seed=seed, stream=stream, k_hat=k_hat, evidence=evidence
        )
    edge = np.cumsum(weight)
    index = np.searchsorted(edge / edge[-1], (np.arange(n) + uniform[0]) / n)
    value = x[np.minimum(index, x.shape[0] - 1)]
    order = np.random.default_rng(np.random.SeedSequence([seed, 7000 + stream])).permutation(n)
    return PosteriorDraws(
        value=value[order], k_hat=k_hat, effective=effective, log_evidence=evidence, method="importance"
    )


def _usable(covariance: Floats) -> Floats:
    """Make a covariance positive, with no direction wider than what the coordinates can mean."""
    matrix = np.asarray(covariance, np.float64)
    matrix = np.where(np.isfinite(matrix), matrix, 0.0)
    value, vector = np.linalg.eigh((matrix + matrix.T) / 2)
    value = np.where(value <= 0, _WIDEST**2, np.clip(value, 1e-8, _WIDEST**2))
    return (vector * value) @ vector.T


def _ensemble(
    log_density: Callable[[Floats], Floats],
    x: Floats,
    weight: Floats,
    *,
    n: int,
    seed: int,
    stream: int,
    k_hat: float,
    evidence: float,
) -> PosteriorDraws:
    """Draw by an ensemble sampler that starts from the best proposals."""
    import emcee

    p = x.shape[1]
    walkers = max(4 * p, 32)
    rng = np.random.default_rng(np.random.SeedSequence([seed, 8000 + stream]))
    start = x[rng.choice(x.shape[0], size=walkers, replace=True, p=weight)]
    start = start + 1e-3 * rng.standard_normal(start.shape)
    twister = np.random.MT19937(int(rng.integers(2**31))).state["state"]

    def finite(points: Floats) -> Floats:
        value = log_density(np.atleast_2d(points))
        return np.where(np.isfinite(value), value, -np.inf)

    sampler = emcee.EnsembleSampler(walkers, p, finite, vectorize=True)
    sampler.random_state = ("MT19937", twister["key"], twister["pos"], 0, 0.0)
    steps = 60 + int(np.ceil(10 * n / walkers))
    sampler.run_mcmc(start, steps, progress=False, skip_initial_state_check=True)
    chain = sampler.get_chain(discard=steps // 3, flat=True)
    value = chain[np.linspace(0, chain.shape[0] - 1, n).astype(int)]
    return PosteriorDraws(
        value=value[rng.permutation(n)],
        k_hat=k_hat,
        effective=float("nan"),
        log_evidence=evidence,
        method="ensemble sampler",
    )
