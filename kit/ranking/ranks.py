"""Which zone is the worst, and how sure is that: ranks of draws, sets that are indistinguishable, false discoveries."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from kit.numerics.confidence import check_level
from kit.numerics.typing import Floats


@dataclass(frozen=True, eq=False, kw_only=True)
class RankDraws:
    """Ranks of zones in each of many draws of their rates.

    Parameters
    ----------
    names : tuple of str
        Zones or groups.
    rate : ndarray, shape (n_draws, n_zones)
        What zones are ranked by: the higher the worse.
    """

    names: tuple[str, ...]
    rate: Floats

    def __post_init__(self) -> None:
        """Check the shape."""
        if self.rate.ndim != 2 or self.rate.shape[1] != len(self.names) or not np.isfinite(self.rate).all():
            raise ValueError(
                f"`rate` must be finite, one row a draw and one column for each of {len(self.names)} names. "
                f"Got shape {self.rate.shape}."
            )

    @property
    def ranks(self) -> NDArray[np.int64]:
        """Rank of each zone in each draw, 1 for the worst [-]."""
        order = np.argsort(-self.rate, axis=1, kind="stable")
        out = np.empty(order.shape, np.int64)
        np.put_along_axis(out, order, np.arange(1, len(self.names) + 1)[None, :], axis=1)
        return out

    def probabilities(self) -> pd.DataFrame:
        """Return the chance of each rank.

        Returns
        -------
        DataFrame
            Index name, columns the ranks from 1, values chances [-].
        """
        n = len(self.names)
        at = self.ranks + np.arange(n)[None, :] * n - 1
        counts = np.bincount(at.ravel(), minlength=n * n).reshape(n, n)
        return pd.DataFrame(
            counts / len(self.rate),
            index=pd.Index(self.names, name="name"),
            columns=pd.RangeIndex(1, n + 1, name="rank"),
        )

    def among_worst(self, k: int) -> Floats:
        """Return the chance of each zone to be among the worst k.

        Parameters
        ----------
        k : int
            How many.

        Returns
        -------
        ndarray, shape (n_zones,)
            Chances; they add up to k [-].
        """
        if not 1 <= k <= len(self.names):
            raise ValueError(f"`k` must be from 1 to the number of zones, {len(self.names)}. Got {k!r}.")
        return (self.ranks <= k).mean(axis=0)

    def to_frame(self, *, k: int = 3, level: float = 0.9) -> pd.DataFrame:
        """Return one row a zone.

        Parameters
        ----------
        k : int
            Of the chance to be among the worst k; at most the number of zones.
        level : float
            Probability between lower and upper [-].

        Returns
        -------
        DataFrame
            Index name; rate, rate_lower, rate_upper, expected_rank, rank_lower, rank_upper, p_worst,
            p_among_worst_k (with the number k in its name).
        """
        check_level(level)
        ends = [(1 - level) / 2, (1 + level) / 2]
        low, high = np.quantile(self.rate, ends, axis=0)
        ranks = self.ranks
        first, last = np.quantile(ranks, ends, axis=0, method="nearest")
        k = min(k, len(self.names))
        return pd.DataFrame(
            {
                "rate": self.rate.mean(axis=0),
                "rate_lower": low,
                "rate_upper": high,
                "expected_rank": ranks.mean(axis=0),
                "rank_lower": first.astype(int),
                "rank_upper": last.astype(int),
                "p_worst": (ranks == 1).mean(axis=0),
                f"p_among_worst_{k}": (ranks <= k).mean(axis=0),
            },
            index=pd.Index(self.names, name="name"),
        )

    def may_be_worst(self, level: float = 0.95) -> tuple[str, ...]:
        """Return the smallest set of zones that holds the worst one with a given probability.

        Parameters
        ----------
        level : float
            The probability [-].

        Returns
        -------
        tuple of str
            Zones, most likely first.
        """
        check_level(level)
        chance = self.among_worst(1)
        order = np.argsort(-chance, kind="stable")
        n = int(np.searchsorted(np.cumsum(chance[order]), level - 1e-12) + 1)
        return tuple(self.names[i] for i in order[:n])

    def worse_than(self) -> pd.DataFrame:
        """Return the chance that one zone is worse than another.

        Returns
        -------
        DataFrame
            Index and columns the names; the chance that the row is worse than the column [-].
        """
        n = len(self.names)
        out = np.full((n, n), np.nan)
        for i in range(n):
            out[i] = (self.rate[:, [i]] > self.rate).mean(axis=0)
            out[i, i] = np.nan
        return pd.DataFrame(out, index=list(self.names), columns=list(self.names))

    def sets(self, level: float = 0.95) -> tuple[tuple[str, ...], ...]:
        """Return runs of zones, in order of expected rank, within which all are indistinguishable.

        Parameters
        ----------
        level : float
            Chance above which one zone counts as worse than another [-].

        Returns
        -------
        tuple of tuple of str
            Longest runs, worst first; one zone may stand in several, as being indistinguishable does not carry
            over from neighbour to neighbour.
        """
        check_level(level)
        order = np.argsort(self.ranks.mean(axis=0), kind="stable")
        told = self.worse_than().to_numpy()[np.ix_(order, order)] >= level
        runs, last = [], -1
        for i in range(len(order)):
            j = i
            for j_next in range(i + 1, len(order)):
                if told[i : j_next + 1, j_next].any() or told[j_next, i : j_next + 1].any():
                    break
                j = j_next
            if j > last:
                runs.append(tuple(self.names[order[m]] for m in range(i, j + 1)))
                last = j
        return tuple(runs)


def false_discoveries(chance_not: Floats, *, rate: float = 0.05) -> NDArray[np.bool_]:
    """Return which zones to name so that the share of wrong names stays small.

    Parameters
    ----------
    chance_not : ndarray, shape (n,)
        Posterior chance that a zone is none of those looked for, such as that it is no worse than average [-].
    rate : float
        Greatest share of wrong names that is accepted, in the mean [-].

    Returns
    -------
    ndarray of bool, shape (n,)
        Whether to name it.

    Notes
    -----
    Zones are named from the surest on, as long as the mean of their chances to be wrong stays at or below the rate.

    References
    ----------
    .. [1] M. A. Newton, A. Noueiry, D. Sarkar, P. Ahlquist, "Detecting differential gene expression with a
       semiparametric hierarchical mixture method", *Biostatistics*, vol. 5, 2004, pp. 155-176 (rule from
       memory).
    """
    wrong = np.asarray(chance_not, np.float64)
    order = np.argsort(wrong, kind="stable")
    mean = np.cumsum(wrong[order]) / np.arange(1, wrong.size + 1)
    out = np.zeros(wrong.size, bool)
    out[order[: int((mean <= rate).sum())]] = True
    return out


def normal_expected_ranks(mean: Sequence[float], variance: Sequence[float]) -> Floats:
    r"""Return expected ranks of quantities with normal posteriors, in closed form.

    Parameters
    ----------
    mean, variance : sequence of float, shape (n,)
        Of the posteriors.

    Returns
    -------
    ndarray, shape (n,)
        Expected ranks, 1 for the highest [-].

    Notes
    -----
    :math:`1 + \sum_{j \ne i} \Phi((m_j - m_i)/\sqrt{v_i + v_j})`.

    References
    ----------
    .. [1] N. M. Laird and T. A. Louis, "Empirical Bayes ranking methods", *J. Educ. Statist.*, vol. 14, 1989,
       pp. 29-46 (formula from memory).

    Examples
    --------
    >>> normal_expected_ranks([1.0, 0.0], [0.5, 0.5]).round(4)
    array([1.1587, 1.8413])
    """
    from scipy.special import ndtr

    m, v = np.asarray(mean, np.float64), np.asarray(variance, np.float64)
    above = ndtr((m[None, :] - m[:, None]) / np.sqrt(v[:, None] + v[None, :]))
    np.fill_diagonal(above, 0.0)
    return 1 + above.sum(axis=1)
