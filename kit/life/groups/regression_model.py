"""The likelihood of a regression of lives on covariates, and the limits of its profiles."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from kit.life.likelihood.rowwise import PerfectRows, SumRows
from kit.numerics.maximum import Maximum, maximise
from kit.numerics.profile import profile_limit
from kit.numerics.typing import Floats


@dataclass(frozen=True, eq=False)
class RegressionModel:
    """Rows and design of a regression; parameters are the coefficients, then the log shape.

    Covariates are measured from an origin in units of their spread; the first coefficient is the log
    scale at the origin.

    Parameters
    ----------
    rows : PerfectRows or SumRows
        What was seen of the lives.
    x : ndarray, shape (n_lives, n_covariates)
        Covariates as they are.
    origin, spread : ndarray, shape (n_covariates,)
        Where they are measured from, and in what unit.
    log_shape : float or None
        An assumed log shape.
    """

    rows: PerfectRows | SumRows
    x: Floats
    origin: Floats
    spread: Floats
    log_shape: float | None

    @property
    def design(self) -> Floats:
        """Design matrix, shape (n_lives, 1 + n_covariates)."""
        return np.column_stack([np.ones(len(self.x)), (self.x - self.origin) / self.spread])

    def lives(self, log_scale: Floats, log_shape: float) -> Floats:
        """Weighted log-likelihood of each life with its derivatives by its log scale and the log shape.

        Parameters
        ----------
        log_scale : ndarray, shape (n_lives,)
            Log scale of each life.
        log_shape : float
            The log shape.

        Returns
        -------
        ndarray, shape (6, n_lives)
            As `PerfectRows.derivatives`.
        """
        parts = self.rows.weight * self.rows.derivatives(log_scale, log_shape)
        owner = self.rows.owner
        if owner is None:
            return parts
        return np.stack([np.bincount(owner, weights=line, minlength=log_scale.size) for line in parts])

    def surface(self, design: Floats, point: Floats) -> tuple[float, Floats, Floats]:
        """Log-likelihood with gradient and Hessian.

        Parameters
        ----------
        design : ndarray, shape (n_lives, 1 + n_covariates)
            Design matrix.
        point : ndarray, shape (2 + n_covariates,)
            Coefficients and log shape.

        Returns
        -------
        float
            Log-likelihood [-].
        ndarray, shape (n,)
            Gradient.
        ndarray, shape (n, n)
            Hessian.
        """
        value, m, s, mm, ms, ss = self.lives(design @ point[:-1], float(point[-1]))
        mixed = design.T @ ms
        return (
            float(value.sum()),
            np.append(design.T @ m, s.sum()),
            np.block([[design.T @ (design * mm[:, None]), mixed[:, None]], [mixed[None, :], ss.sum()]]),
        )

    def scores(self, point: Floats) -> Floats:
        """First derivatives of the log-likelihood of each life.

        Parameters
        ----------
        point : ndarray, shape (2 + n_covariates,)
            Coefficients and log shape.

        Returns
        -------
        ndarray, shape (n_lives, 2 + n_covariates)
            By coefficient, then by the log shape.
        """
        design = self.design
        parts = self.lives(design @ point[:-1], float(point[-1]))
        return np.column_stack([design * parts[1][:, None], parts[2]])

    def highest(self, begin: Floats, held: tuple[int, float, float] | None = None) -> Maximum:
        """Find the maximum, or the highest point with one coefficient held.

        Parameters
        ----------
        begin : ndarray, shape (2 + n_covariates,)
            Where to begin.
        held : tuple of (int, float, float), optional
            Coefficient j is held at a - b / shape, given as (j, a, b); j = -1 holds the log shape at a.

        Returns
        -------
        Maximum
            Its point has all parameters; the flat direction and the Hessian are of the free ones.
        """
        design = self.design
        full = begin.copy()
        free = np.ones(full.size, bool)
        if self.log_shape is not None:
            full[-1], free[-1] = self.log_shape, False
        at, a, b = (None, 0.0, 0.0) if held is None else held
        if at == -1:
            full[-1], free[-1] = a, False
        elif at is not None:
            free[at] = False

        def whole(part: Floats) -> Floats:
            point = full.copy()
            point[free] = part
            if at is not None and at != -1:
                point[at] = a - b * np.exp(-point[-1])
            return point

        def surface(part: Floats) -> tuple[float, Floats, Floats]:
            point = whole(part)
            value, g, h = self.surface(design, point)
            if at is not None and at != -1 and b != 0 and free[-1]:
                # The held coefficient moves with the log shape: by s, and its slope by -s.
                s = b * np.exp(-point[-1])
                h = h.copy()
                h[-1, -1] += 2 * s * h[at, -1] + s * s * h[at, at] - s * g[at]
                h[-1, :-1] += s * h[at, :-1]
                h[:-1, -1] = h[-1, :-1]
                g = g.copy()
                g[-1] += s * g[at]
            return value, g[free], h[np.ix_(free, free)]

        def unit(part: Floats) -> Floats:
            point = whole(part)
            size = np.full(full.size, np.exp(np.clip(point[-1], -12, 12)))
            size[-1] = 1.0
            return size[free]

        top = maximise(surface, full[free], unit, lambda part: abs(whole(part)[-1]) > 12)
        return top._replace(point=whole(top.point))

    def seen_from(self, x: Floats, point: Floats) -> tuple[RegressionModel, Floats]:
        """Return the same model with the covariates measured from elsewhere.

        Parameters
        ----------
        x : ndarray, shape (n_covariates,)
            The new origin.
        point : ndarray, shape (2 + n_covariates,)
            Parameters as they are here.

        Returns
        -------
        RegressionModel
            With the log scale at `x` as its first coefficient.
        ndarray, shape (2 + n_covariates,)
            The parameters there.
        """
        moved = point.copy()
        moved[0] += ((x - self.origin) / self.spread) @ point[1:-1]
        return dataclasses.replace(self, origin=np.asarray(x, np.float64)), moved

    def without(self, columns: NDArray[np.bool_]) -> RegressionModel:
        """Return the model without some of its covariates.

        Parameters
        ----------
        columns : ndarray of bool, shape (n_covariates,)
            True for those to leave out.

        Returns
        -------
        RegressionModel
            With the others.
        """
        return dataclasses.replace(
            self, x=self.x[:, ~columns], origin=self.origin[~columns], spread=self.spread[~columns]
        )


def profile_of_held(
    model: RegressionModel,
    best: tuple[Floats, float],
    held: tuple[int, float, float],
    along: int,
    reach: float,
    sign: float,
    drop: float,
) -> float:
    """Follow what is held to where the likelihood, highest over the rest, has dropped.

    Parameters
    ----------
    model : RegressionModel
        The model.
    best : tuple of (ndarray, float)
        Its maximum: parameters and log-likelihood.
    held : tuple of (int, float, float)
        What is held, as in `RegressionModel.highest`, at the maximum.
    along : int
        Which part of `held` is followed: 1 or 2.
    reach : float
        First step: how far it would go under a normal likelihood.
    sign : float
        Direction.
    drop : float
        How much the log-likelihood is to drop [-].

    Returns
    -------
    float
        Where it has dropped; infinite where it never does.
    """
    begin, top = best

    def height(target: float) -> float:
        nonlocal begin
        place = list(held)
        place[along] = target
        found = model.highest(begin, tuple(place))
        if found.flat is None:
            begin = found.point
        return found.value

    return profile_limit(
        height, held[along], top=top, drop=drop, sign=sign, reach=reach, farthest=60 + 30 * reach, tolerance=1e-10
    )  # fmt: skip
