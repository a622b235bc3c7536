"""Draws from a posterior: a normal approximation corrected by importance weights, with its diagnostic."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from importlib import import_module

import numpy as np
from scipy.special import gammaln, logsumexp, ndtr

from kit.numerics.typing import Floats
from kit.posterior.sequences import normal_points, uniform_points

RELIABLE = 0.7
"""Largest k-hat of importance weights that are relied on (Vehtari et al., see `importance_draws`)."""

_DEGREES = 8.0  # of freedom of the proposal: wider tails than the normal's
_ROUNDS = 8
_PROPOSED = 2  # proposals for each draw
_WIDEST = 1.5  # standard deviation of a direction that the data hardly tell, in units of the coordinates
_COMPONENTS = 6  # of the mixture that follows a posterior which no single bell does
_EM_STEPS = 15
_MOST_EVENED = 18  # times by which weights are evened out by a fifth
_ENOUGH = 0.25  # effective proposals, of those of the first round
_AT_ONCE = (0.5, 0.5)  # k-hat and effective share with which the first round needs no second one
_SETTLED = 0.1  # largest move of a mean from round to round, in standard deviations, and of the log of one
_WIDER = 1.3  # of a component, so that each round reaches beyond the one before
_WALK = 100  # steps of the walkers to which the first mixture is fitted
_DEFENSIVE = 0.15  # share of the proposals that come from one bell wider than all


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
    a generalised Pareto fit to the largest ones. Unless its shape k-hat is at most 0.5 and half of them are effective, a
    mixture of t distributions is fitted to a short run of walkers, later to the weighted proposals, and drawn from;
    proposals of all rounds count together, each weighted by the mean density of all rounds, until k-hat is at most 0.7 and means and spreads no longer move by a
    tenth of a standard deviation. Where that is not so after eight rounds an ensemble sampler takes over.

    References
    ----------
    .. [1] A. Vehtari, D. Simpson, A. Gelman, Y. Yao, J. Gabry, "Pareto smoothed importance sampling",
       *J. Mach. Learn. Res.*, vol. 25, 2024.
    .. [2] O. Cappe, R. Douc, A. Guillin, J.-M. Marin, C. P. Robert, "Adaptive importance sampling in general
       mixture classes", *Statistics and Computing*, vol. 18, 2008, pp. 447-459.
    .. [3] J.-M. Cornuet, J.-M. Marin, A. Mira, C. P. Robert, "Adaptive multiple importance sampling",
       *Scand. J. Statist.*, vol. 39, 2012, pp. 798-812.
    """
    from arviz_stats.base import array_stats  # takes long to load

    centre = np.asarray(mode, np.float64)
    mixture = _Mixture(np.ones(1), centre[None], _usable(covariance)[None])
    rounds: list[_Mixture] = []
    x, value, before = np.empty((0, centre.size)), np.empty(0), None
    for turn in range(_ROUNDS):
        rounds.append(mixture)
        more = mixture.points(n if turn else _PROPOSED * n, seed=seed, stream=1000 * stream + turn)
        x, value = np.concatenate([x, more]), np.concatenate([value, log_density(more)])
        # The mean density of all proposals, each round counted by how many it made.
        made = np.array([_PROPOSED, *[1] * turn])
        density = [one.log_density(x) + np.log(k / made.sum()) for one, k in zip(rounds, made, strict=True)]
        log_weight = value - logsumexp(density, axis=0)
        log_weight = np.where(np.isfinite(log_weight), log_weight, -1e9)
        # The library takes the logs of what is divided by, as leave-one-out estimates have them: the sign turns.
        smooth, k_hat = array_stats.psislw(log_weight.max() - log_weight)
        weight = np.exp(np.asarray(smooth))
        weight /= weight.sum()
        evidence = float(logsumexp(log_weight) - np.log(log_weight.size))
        k_hat = float(np.atleast_1d(k_hat)[0])
        effective = float(1 / (weight**2).sum())
        mean = weight @ x
        sd = np.sqrt(np.maximum(weight @ (x - mean) ** 2, 1e-300))
        # Weights alone do not tell of what no proposal has reached: then the next round moves what they say.
        if before is None:
            settled = k_hat <= _AT_ONCE[0] and effective >= _AT_ONCE[1] * _PROPOSED * n
        else:
            moved = np.maximum(np.abs(mean - before[0]) / sd, np.abs(np.log(sd / before[1])))
            settled = k_hat <= RELIABLE and effective >= _ENOUGH * _PROPOSED * n and moved.max() < _SETTLED
        if settled:
            break
        if before is None:
            # Walkers go along a bend that proposals about one point creep along.
            walked = _walked(log_density, x, weight, steps=_WALK, seed=seed, stream=stream)[_WALK // 3 :]
            walked = walked.reshape(-1, centre.size)
            mixture = mixture.fitted(walked, np.full(len(walked), 1 / len(walked)))
        else:
            mixture = mixture.fitted(x, weight)
        before = mean, sd
    if not settled:
        return _ensemble(
            log_density, x, weight, n=n, seed=seed, stream=stream, k_hat=k_hat, evidence=evidence
        )
    uniform = uniform_points(1, 1, seed=seed, stream=1000 * stream + 999)[0, 0]
    edge = np.cumsum(weight)
    index = np.searchsorted(edge / edge[-1], (np.arange(n) + uniform) / n)
    drawn = x[np.minimum(index, x.shape[0] - 1)]
    order = np.random.default_rng(np.random.SeedSequence([seed, 7000 + stream])).permutation(n)
    return PosteriorDraws(
        value=drawn[order], k_hat=k_hat, effective=effective, log_evidence=evidence, method="importance"
    )


@dataclass(frozen=True, eq=False)
class _Mixture:
    """Multivariate t distributions, each with a share.

    Parameters
    ----------
    share : ndarray, shape (k,)
        Shares; they sum to 1 [-].
    centre : ndarray, shape (k, p)
        Centres.
    spread : ndarray, shape (k, p, p)
        Scale matrices.
    """

    share: Floats
    centre: Floats
    spread: Floats

    def points(self, n: int, *, seed: int, stream: int) -> Floats:
        """Draw evenly spread points, shape (n, p)."""
        p = self.centre.shape[1]
        z = normal_points(n, p + 1 + (self.share.size > 1), seed=seed, stream=stream)
        # A chi-square from one normal by the Wilson-Hilferty cube keeps the points even.
        chi = _DEGREES * np.maximum(1 - 2 / (9 * _DEGREES) + z[:, p] * np.sqrt(2 / (9 * _DEGREES)), 0.05) ** 3
        which = np.zeros(n, np.intp)
        if self.share.size > 1:
            which = np.minimum(np.searchsorted(np.cumsum(self.share), ndtr(z[:, -1])), self.share.size - 1)
        root = np.linalg.cholesky(self.spread)
        return self.centre[which] + np.sqrt(_DEGREES / chi)[:, None] * np.einsum(
            "nij,nj->ni", root[which], z[:, :p]
        )

    def _of_each(self, x: Floats) -> tuple[Floats, Floats]:
        """Log density of each component times its share, and the squared distances, shape (k, n)."""
        p = x.shape[1]
        root = np.linalg.cholesky(self.spread)
        off = np.linalg.solve(root, (x[None] - self.centre[:, None]).transpose(0, 2, 1))
        distance = (off**2).sum(axis=1)
        # The density of the proposal is that of the t distribution, to which the cube is exact to 1e-3.
        constant = gammaln((_DEGREES + p) / 2) - gammaln(_DEGREES / 2) - 0.5 * p * np.log(_DEGREES * np.pi)
        width = np.log(np.diagonal(root, axis1=1, axis2=2)).sum(axis=1)
        with np.errstate(divide="ignore"):
            begin = (np.log(self.share) + constant - width)[:, None]
        return begin - 0.5 * (_DEGREES + p) * np.log1p(distance / _DEGREES), distance

    def log_density(self, x: Floats) -> Floats:
        """Log density at points, shape (n,)."""
        return logsumexp(self._of_each(x)[0], axis=0)

    def fitted(self, x: Floats, weight: Floats) -> _Mixture:
        """Return a mixture that follows weighted points, by expectation and maximisation."""
        p = x.shape[1]
        # Weights that rest on few points are evened out until they rest on enough to tell a covariance.
        enough = min(4.0 * p * _COMPONENTS, 0.5 * weight.size)
        even = 1.0
        log_weight = np.log(np.maximum(weight, 1e-300))
        for _ in range(_MOST_EVENED):
            if 1 / (weight**2).sum() >= enough:
                break
            even *= 0.8
            weight = np.exp(even * (log_weight - log_weight.max()))
            weight /= weight.sum()
        mean = weight @ x
        whole = _usable(((x - mean) * weight[:, None]).T @ (x - mean))
        # Begun in slices along the widest direction, in units in which all coordinates count alike.
        unit = np.sqrt(np.diag(whole))
        _, axes = np.linalg.eigh(whole / np.outer(unit, unit))
        along = ((x - mean) / unit) @ axes[:, -1]
        order = np.argsort(along, kind="stable")
        slice_of = np.empty(order.size, np.intp)
        slice_of[order] = np.minimum(
            (np.cumsum(weight[order]) * _COMPONENTS).astype(np.intp), _COMPONENTS - 1
        )
        member = (slice_of == np.arange(_COMPONENTS)[:, None]).astype(np.float64)
        pull = np.ones_like(member)
        for _ in range(_EM_STEPS):
            part = member * weight
            share = np.maximum(part.sum(axis=1), 1e-6)
            near = part * pull
            total = np.maximum(near.sum(axis=1), 1e-12)
            centre = (near @ x) / total[:, None]
            gap = x[None] - centre[:, None]
            found = np.matmul((near[:, :, None] * gap).transpose(0, 2, 1), gap) / share[:, None, None]
            # A component that rests on few points keeps something of the whole.
            trust = share / (share + 0.02)
            spread = np.array(
                [_usable(t * one + (1 - t) * whole) for t, one in zip(trust, found, strict=True)]
            )
            mixture = _Mixture(share / share.sum(), centre, spread)
            logs, distance = mixture._of_each(x)
            member = np.exp(logs - logsumexp(logs, axis=0))
            pull = (_DEGREES + p) / (_DEGREES + distance)
        return _Mixture(
            np.r_[(1 - _DEFENSIVE) * mixture.share, _DEFENSIVE],
            np.concatenate([mixture.centre, mean[None]]),
            np.concatenate([_WIDER * mixture.spread, [2 * _WIDER * whole]]),
        )


def load_libraries() -> None:
    """Load the libraries of draws, which takes about a second: once, before processes part that would each load them."""
    for name in ("emcee", "arviz_stats.base", "scipy.interpolate"):
        import_module(name)


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
    walkers = _walkers(x.shape[1])
    steps = 60 + int(np.ceil(10 * n / walkers))
    chain = _walked(log_density, x, weight, steps=steps, seed=seed, stream=stream)[steps // 3 :]
    value = chain.reshape(-1, x.shape[1])[np.linspace(0, chain.shape[0] * walkers - 1, n).astype(int)]
    rng = np.random.default_rng(np.random.SeedSequence([seed, 9000 + stream]))
    return PosteriorDraws(
        value=value[rng.permutation(n)],
        k_hat=k_hat,
        effective=float("nan"),
        log_evidence=evidence,
        method="ensemble sampler",
    )


def _walkers(p: int) -> int:
    return max(4 * p, 32)


def _walked(
    log_density: Callable[[Floats], Floats], x: Floats, weight: Floats, *, steps: int, seed: int, stream: int
) -> Floats:
    """Let walkers go from the best proposals; where they were, shape (steps, n_walkers, p)."""
    import emcee

    p = x.shape[1]
    walkers = _walkers(p)
    rng = np.random.default_rng(np.random.SeedSequence([seed, 8000 + stream]))
    start = x[rng.choice(x.shape[0], size=walkers, replace=True, p=weight)]
    start = start + 1e-3 * rng.standard_normal(start.shape)
    twister = np.random.MT19937(int(rng.integers(2**31))).state["state"]

    def finite(points: Floats) -> Floats:
        value = log_density(np.atleast_2d(points))
        return np.where(np.isfinite(value), value, -np.inf)

    sampler = emcee.EnsembleSampler(walkers, p, finite, vectorize=True)
    sampler.random_state = ("MT19937", twister["key"], twister["pos"], 0, 0.0)
    sampler.run_mcmc(start, steps, progress=False, skip_initial_state_check=True)
    return sampler.get_chain()
