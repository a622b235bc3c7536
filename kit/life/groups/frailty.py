"""Shared frailty: how much zones differ, and what each one's own finds say once the others are listened to."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import ClassVar

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import brentq
from scipy.special import chdtrc

from kit.life.fits.fit import LifeFit
from kit.life.fits.weibull import fit_weibull
from kit.life.groups.shared_likelihood import GroupTerms, MissedTerms, SharedTerms
from kit.life.likelihood.families import WEIBULL
from kit.life.likelihood.imperfect import DetectionInput, as_detection, detection_terms, finds_all
from kit.life.lives.censored import Histories
from kit.life.lives.rows import life_rows
from kit.numerics.confidence import likelihood_drop, normal_reach
from kit.numerics.fit import Fit, Parameter
from kit.numerics.maximum import Maximum, maximise
from kit.numerics.profile import profile_limit
from kit.numerics.quadrature import normal_nodes
from kit.numerics.refusals import NoFiniteMaximum
from kit.numerics.typing import Floats

_SELECTIONS = ("lives", "groups")
_NO_SPREAD = 1e-5  # the likelihood is flat to its last digit below
_ENDLESS = 6.0  # a spread at which groups differ by factors of hundreds has no end
_FEW_GROUPS = 5
_MOST_NODES = 100
_ROUGH = 1e-7  # error of the quadrature in the log-likelihood from which on it is said


@dataclass(frozen=True, eq=False)
class _FrailtyModel:
    """The marginal likelihood with what is not free held."""

    terms: GroupTerms
    log_shape: float | None

    def highest(self, begin: Floats, held: tuple[int, float, float] | None = None) -> Maximum:
        """Highest point; (j, a, _) holds parameter j at a."""
        full, free = begin.copy(), np.ones(3, bool)
        if self.log_shape is not None:
            full[1], free[1] = self.log_shape, False
        if held is not None:
            full[held[0]], free[held[0]] = held[1], False
        if free[2]:
            full[2] = max(abs(full[2]), 0.1)  # at 0 the slope is always 0, so that no search may begin there

        def whole(part: Floats) -> Floats:
            point = full.copy()
            point[free] = part
            return point

        def surface(part: Floats) -> tuple[float, Floats, Floats]:
            value, g, h = self.terms.surface(whole(part))
            return value, g[free], h[np.ix_(free, free)]

        def unit(part: Floats) -> Floats:
            point = whole(part)
            return np.array([np.exp(np.clip(point[1], -12, 12)), 1.0, 1.0])[free]

        top = maximise(surface, full[free], unit, lambda part: abs(whole(part)[2]) > _ENDLESS)
        point = whole(top.point)
        point[2] = abs(point[2])
        return top._replace(point=point)


@dataclass(frozen=True, eq=False, kw_only=True)
class FrailtyFit(Fit):
    r"""Weibull lives with a shared frailty: groups differ by a log-normal hazard multiplier :math:`e^{sz}`, z standard normal.

    Parameters
    ----------
    scale, shape : float
        Of a group with multiplier 1, the middle one [clock units], [-].
    spread : float
        Standard deviation s of the log of the multiplier between groups [-]; 0: they do not differ more
        than by chance.
    log_likelihood : float
        Marginal log-likelihood at the maximum [-].
    covariance : ndarray, shape (3, 3)
        Covariance of log scale, log shape and spread, from the observed information; nan for a spread
        of 0, at the edge of what is possible.
    null : LifeFit
        The fit without differences.
    groups : tuple of str
        The groups.
    lives, finds : ndarray of float, shape (n_groups,)
        Of each group [-].
    selection : str
        How left truncation was allowed for: see `fit_frailty`.
    nodes : int
        Nodes of the quadrature that were used.
    quadrature_error : float
        Change of the log-likelihood with twice as many nodes [-].
    clock : str
        Clock of the ages.
    detection : object
        Detection that was assumed: a number or a model.
    shape_assumed : bool
        Whether the shape was given and not fitted.
    """

    scale: float
    shape: float
    spread: float
    log_likelihood: float
    covariance: Floats
    null: LifeFit
    groups: tuple[str, ...]
    lives: Floats
    finds: Floats
    selection: str
    nodes: int
    quadrature_error: float
    clock: str
    detection: object
    shape_assumed: bool
    _model: _FrailtyModel = field(repr=False)

    def __repr__(self) -> str:
        """Return one line with the parameters and the evidence."""
        return (
            f"FrailtyFit(scale={self.scale:.6g} {self.clock}, shape={self.shape:.4g}, frailty_sd={self.spread:.4g}, "
            f"groups={len(self.groups)}, finds={self.finds.sum():g} of {self.lives.sum():g} lives, "
            f"log_likelihood={self.log_likelihood:.4f})"
        )

    @property
    def cautions(self) -> tuple[str, ...]:
        """What the reader of the numbers must know."""
        notes = [
            "bounds of groups take scale, shape and spread as known, so that they are somewhat too narrow"
        ]
        if len(self.groups) < _FEW_GROUPS:
            notes.append(
                f"{len(self.groups)} groups: fewer than {_FEW_GROUPS}, which say little of how groups differ"
            )
        if self.spread == 0:
            notes.append(
                "no spread between groups was found, which is not to say that there is none: read its upper bound"
            )
        if self.quadrature_error > _ROUGH:
            notes.append(
                f"the log-likelihood changes by {self.quadrature_error:.2g} with twice the nodes: the spread is too wide for the quadrature"
            )
        if self._model.terms.has_late:
            notes.append(
                "some lives entered late: "
                + (
                    "groups are taken as watched only because all their lives were clean then"
                    if self.selection == "groups"
                    else "groups are taken as watched whatever their lives did before"
                )
            )
        if self.shape_assumed:
            notes.append(f"the shape {self.shape:g} is assumed, not fitted")
        return tuple(notes)

    @property
    def statistic(self) -> float:
        """Twice the gain in log-likelihood over groups that do not differ [-]."""
        return max(2 * (self.log_likelihood - self.null.log_likelihood), 0.0)

    @property
    def p_no_spread(self) -> float:
        r"""Chance of such a gain if groups do not differ, half :math:`\chi^2_0` and half :math:`\chi^2_1` [-]."""
        return 1.0 if self.statistic == 0 else float(chdtrc(1, self.statistic)) / 2

    @property
    def _point(self) -> Floats:
        return np.array([np.log(self.scale), np.log(self.shape), self.spread])

    methods: ClassVar[tuple[str, ...]] = ("profile", "wald")
    old_names: ClassVar[dict[str, str]] = {"spread": "frailty_sd"}

    @property
    def frailty_sd(self) -> float:
        """Standard deviation of the log of the frailty between groups; `spread` is its old name [-]."""
        return self.spread

    @property
    def parameters(self) -> tuple[Parameter, ...]:
        """Scale, shape and standard deviation of the log frailty."""
        return (
            Parameter(name="scale", value=self.scale, unit=self.clock),
            Parameter(name="shape", value=self.shape, is_given=self.shape_assumed),
            Parameter(name="frailty_sd", value=self.spread, scale="linear", least=0.0),
        )

    def profile_bounds(self, name: str, level: float) -> tuple[float, float]:
        r"""Return bounds by likelihood ratio.

        Parameters
        ----------
        name : str
            ``scale``, ``shape`` or ``frailty_sd``.
        level : float
            Confidence [-].

        Returns
        -------
        tuple of float
            Ends, of the log of scale and shape. The lower one of the spread is 0 where the likelihood without
            differences is not lower by what `level` allows.

        Notes
        -----
        The profile of the spread uses :math:`\chi^2_1` throughout; near 0, where the statistic is smaller
        than that, the bounds are somewhat too wide.
        """
        at, centre = self._at(name), self.parameter(name).place
        error = float(np.sqrt(self.covariance[at, at]))
        reach = normal_reach(level) * (error if np.isfinite(error) else 0.2)
        begin = self._point

        def height(place: float) -> float:
            nonlocal begin
            if at == 2 and place <= 0:
                return self.null.log_likelihood
            found = self._model.highest(begin, (at, place, 0.0))
            if found.flat is None:
                begin = found.point
            return found.value

        ends = []
        for sign, end in ((-1.0, 0.0 if at == 2 else None), (1.0, None)):
            begin = self._point
            ends.append(
                profile_limit(
                    height, centre, top=self.log_likelihood, drop=likelihood_drop(level), sign=sign, reach=reach, end=end,
                    farthest=60 + 30 * reach, tolerance=1e-10,
                )
            )  # fmt: skip
        return ends[0], ends[1]

    def survival(self, age: ArrayLike, group: str | None = None) -> Floats:
        """Share of panels still without damage, in a group or in a new one.

        Parameters
        ----------
        age : array_like of float
            Ages [clock units].
        group : str, optional
            A group, with its most likely multiplier; default: a group of which nothing is known, the
            mean over all multipliers.

        Returns
        -------
        ndarray of float
            Shares [-].

        Raises
        ------
        ValueError
            If there is no such group.
        """
        hazard = WEIBULL.hazard_at(age, self.scale, self.shape)
        frailty, weight = self._frailties(group)
        return np.exp(-hazard[..., None] * frailty) @ weight

    def density(self, age: ArrayLike, group: str | None = None) -> Floats:
        """Density of the age at onset, in a group or in a new one, as a risk asks for it.

        Parameters
        ----------
        age : array_like of float
            Ages above 0 [clock units].
        group : str, optional
            As in `survival`.

        Returns
        -------
        ndarray of float
            Density [1/clock unit].

        Raises
        ------
        ValueError
            If there is no such group.
        """
        t = np.asarray(age, np.float64)
        hazard = WEIBULL.hazard_at(t, self.scale, self.shape)[..., None]
        frailty, weight = self._frailties(group)
        rate = self.shape / t[..., None] * hazard * frailty
        return (rate * np.exp(-hazard * frailty)) @ weight

    def quantile(self, share: ArrayLike, group: str | None = None) -> Floats:
        """Age by which a share of the panels has damage, in a group or in a new one.

        Parameters
        ----------
        share : array_like of float
            Shares in (0, 1) [-].
        group : str, optional
            As in `survival`.

        Returns
        -------
        ndarray of float
            Ages [clock units].

        Raises
        ------
        ValueError
            If there is no such group, or a share is not above 0 and below 1.
        """
        p = np.asarray(share, np.float64)
        if not ((p > 0) & (p < 1)).all():
            raise ValueError(f"`share` must be above 0 and below 1. Got {p.min():g} to {p.max():g}.")
        frailty, weight = self._frailties(group)
        # The mean over frailties lies between the hazards that the least and the greatest of them would need.
        needed = np.log(-np.log1p(-p))

        def at(goal: float, one: float) -> float:
            low, high = goal - np.log(frailty.max()), goal - np.log(frailty.min())
            if low == high:
                return float(low)
            return float(
                brentq(
                    lambda z: float(np.exp(-np.exp(z) * frailty) @ weight) - (1 - one),
                    low - 1e-9,
                    high + 1e-9,
                    xtol=1e-12,
                )
            )

        z = np.array([at(goal, one) for goal, one in zip(needed.ravel(), p.ravel(), strict=True)])
        return (self.scale * np.exp(z / self.shape)).reshape(p.shape)

    def _frailties(self, group: str | None) -> tuple[Floats, Floats]:
        """Frailties to average over, with weights: of a group the most likely one, of a new one all that may be."""
        if group is None:
            x, weight = normal_nodes(64)
            return np.exp(self.spread * x), weight
        if group not in self.groups:
            raise ValueError(f"`group` must be one of {', '.join(self.groups)}. Got {group!r}.")
        return self._pooled()[0][[self.groups.index(group)]], np.ones(1)

    def _pooled(self, level: float = 0.95) -> tuple[Floats, Floats, Floats, Floats]:
        """Multiplier of each group: most likely, mean, and the ends that leave out an equal share each."""
        terms, s = self._model.terms, self.spread
        sums = terms.sums(*self._point[:2])
        middle, width = terms.place(terms.given, sums, s)
        # Fine steps around the middle, and coarse ones as far as the prior alone would reach.
        z = np.concatenate(
            [middle[:, None] + width[:, None] * np.linspace(-8, 8, 321), middle[:, None] + np.linspace(-8, 8, 81)],
            axis=1,
        )  # fmt: skip
        z.sort(axis=1)
        with np.errstate(over="ignore"):
            log_density = terms.given(sums, s * z)[0] - z * z / 2
        density = np.exp(log_density - log_density.max(axis=1, keepdims=True))
        gap = np.diff(z, axis=1)
        share = np.cumsum((density[:, 1:] + density[:, :-1]) / 2 * gap, axis=1)
        total = share[:, -1:]
        share = np.concatenate([np.zeros_like(total), share / total], axis=1)
        weighted = density * np.exp(s * z)
        mean = ((weighted[:, 1:] + weighted[:, :-1]) / 2 * gap).sum(axis=1) / total[:, 0]
        tail = (1 - level) / 2
        low, high = (
            np.array([np.interp(p, share[i], z[i]) for i in range(terms.n_groups)]) for p in (tail, 1 - tail)
        )
        return np.exp(s * middle), mean, np.exp(s * low), np.exp(s * high)

    def _raw(self) -> tuple[Floats, Floats]:
        """Multiplier that each group's own lives ask for, and finds expected with multiplier 1."""
        terms = self._model.terms
        sums = terms.sums(*self._point[:2])
        zero = np.zeros((terms.n_groups, 1))
        expected = self.finds - terms.alone(sums, zero)[1][:, 0]
        u = np.zeros(terms.n_groups)
        with np.errstate(all="ignore"):
            for _ in range(200):
                part = terms.alone(sums, u[:, None])[:, :, 0]
                step = np.where(part[3] < 0, part[1] / -part[3], np.sign(part[1]))
                step = np.clip(np.nan_to_num(step), -1.0, 1.0)
                u = u + np.where(self.finds > 0, step, 0.0)
                if np.abs(step[self.finds > 0]).max(initial=0.0) < 1e-10:
                    break
            raw = np.where(self.finds > 0, np.exp(u), 0.0)
        return np.where(u > 100, np.inf, raw), expected

    def to_frame(self, *, share: float = 0.1, level: float = 0.95) -> pd.DataFrame:
        """Return the groups with what their own lives say beside what pooling makes of it.

        Parameters
        ----------
        share : float
            Share of the panels with damage at whose age groups are compared [-].
        level : float
            Of the bounds [-].

        Returns
        -------
        DataFrame
            Index group, highest multiplier first; lives, finds, expected (finds of a group with multiplier
            1 in the same watch); multiplier_raw (from the group's own lives under the common shape; 0
            without finds), multiplier (pooled: the most likely), multiplier_mean, multiplier_lower,
            multiplier_upper [-]; age_raw, age, age_lower, age_upper: age by which the share has damage
            [clock units].

        Raises
        ------
        ValueError
            If `share` or `level` is not between 0 and 1.

        Notes
        -----
        The bounds hold the asked share of what is believed of the multiplier once its group's lives were
        seen, with scale, shape and spread as fitted. Where each life is conditioned by itself, the pooled
        multiplier always lies between the group's own and 1.
        """
        for name, value in (("share", share), ("level", level)):
            if not 0 < value < 1:
                raise ValueError(f"`{name}` must be above 0 and below 1. Got {value!r}.")
        raw, expected = self._raw()
        pooled, mean, low, high = self._pooled(level)
        table = pd.DataFrame(
            {
                "lives": self.lives,
                "finds": self.finds,
                "expected": expected,
                "multiplier_raw": raw,
                "multiplier": pooled,
                "multiplier_mean": mean,
                "multiplier_lower": low,
                "multiplier_upper": high,
            },
            index=pd.Index(self.groups, name="group"),
        )
        middle = float(WEIBULL.quantile(share, self.scale, self.shape))
        with np.errstate(divide="ignore"):
            for name, by in (("age_raw", raw), ("age", pooled), ("age_lower", high), ("age_upper", low)):
                table[name] = middle * by ** (-1 / self.shape)
        return table.sort_values("multiplier", ascending=False, kind="stable")


def fit_frailty(
    histories: Histories | pd.DataFrame | None,
    group: str | Sequence[object],
    *,
    lower: ArrayLike | None = None,
    upper: ArrayLike | None = None,
    entry: ArrayLike | None = None,
    count: ArrayLike | None = None,
    detection: DetectionInput = 1.0,
    looks: Histories | None = None,
    nodes: int = 20,
    shape: float | None = None,
    selection: str = "lives",
) -> FrailtyFit:
    r"""Fit Weibull lives with a shared frailty: groups differ, and small groups borrow from the others.

    A zone with two finds in five lives may be bad, or unlucky. How much zones differ at all is fitted
    from all of them; each zone's own rate is then drawn towards the common one, the more the less was
    seen of it. Zones without finds stay in.

    Parameters
    ----------
    histories : Histories, DataFrame or None
        The lives: histories, or rows with lower, upper [clock units], optional entry [clock units] and
        count [-], such as `with_covariates` gives; None for arrays.
    group : str or sequence, shape (n,)
        Column that names each row's group, such as the zone, the panel or the aircraft; or the names.
    lower, upper, entry, count : array_like of float, shape (n,), optional
        In place of `histories`, or of these columns, as in `fit_weibull`.
    detection : float, mapping of str to float, or Detection
        Chance that a look finds damage that is there, or a model of it, as in `fit_weibull`. Below 1 it needs
        the ages of all looks: histories, or rows and `looks`.
    looks : Histories, optional
        The histories that the rows of a table were made from; its column life says which is which.
    nodes : int
        Nodes of the adaptive Gauss-Hermite quadrature; doubled, to 100 at most, until the log-likelihood
        changes by less than 1e-7 with twice as many.
    shape : float, optional
        Shape to assume instead of fitting it.
    selection : str
        What left truncation says of a group. ``lives``: a group is under watch whatever its lives did before,
        such as a zone; each life is conditioned on its own entry. ``groups``: a group is under watch only
        because all its lives were clean at their entries, such as a panel with one life; groups of long
        life are then over-represented, which is allowed for. Without left truncation both are one.

    Returns
    -------
    FrailtyFit
        The maximum of the marginal likelihood.

    Raises
    ------
    NoFiniteMaximum
        If there is no fit without groups, or the spread between groups has no finite maximum.
    ValueError
        If there are fewer than two groups, a group is blank, or rows are impossible.

    See Also
    --------
    fit_weibull : The fit without differences between groups.
    fit_regression : Differences by covariates.

    Notes
    -----
    Given its multiplier :math:`w = e^{sz}`, a life has :math:`S(t) = e^{-w (t/\mathrm{scale})^k}`. A group
    adds, with z standard normal, for the two selections

    .. math:: \log E_z \prod_i \frac{S(l_i) - S(u_i)}{S(v_i)}
       \quad\mathrm{and}\quad
       \log \frac{E_z \prod_i [S(l_i) - S(u_i)]}{E_z \prod_i S(v_i)} .

    The second one takes the lives of the rows as all that the group had: each clean entry is evidence for
    a small multiplier. Where lives that were damaged before their entry have been left out (prevalent
    cases) that evidence is one-sided, and the spread and the rates come out wrong; then the first one is
    close. The mean over z is taken by Gauss-Hermite quadrature around the top of each group's integrand
    [1]_. Whether groups differ is tested by the likelihood ratio, which at the edge s = 0 is half
    :math:`\chi^2_0` and half :math:`\chi^2_1` [2]_.

    References
    ----------
    .. [1] J. C. Pinheiro and D. M. Bates, "Approximations to the log-likelihood function in the nonlinear
       mixed-effects model", *Journal of Computational and Graphical Statistics*, vol. 4, 1995, pp. 12-35.
    .. [2] S. G. Self and K.-Y. Liang, "Asymptotic properties of maximum likelihood estimators and
       likelihood ratio tests under nonstandard conditions", *Journal of the American Statistical
       Association*, vol. 82, 1987, pp. 605-610.

    Examples
    --------
    >>> rows = pd.DataFrame({
    ...     "lower": [0, 1000, 2000] * 4,
    ...     "upper": [1000, 2000, np.inf] * 4,
    ...     "count": [1, 2, 30, 8, 12, 10, 2, 3, 25, 1, 1, 3],
    ...     "zone": ["A"] * 3 + ["B"] * 3 + ["C"] * 3 + ["D"] * 3,
    ... })
    >>> fit = fit_frailty(rows, "zone")
    >>> print(f"{fit.spread:.2f}, p = {fit.p_no_spread:.1e}")
    0.90, p = 9.8e-06
    >>> fit.to_frame()[["finds", "multiplier_raw", "multiplier"]].round(2)
           finds  multiplier_raw  multiplier
    group
    B       20.0            3.55        3.28
    D        2.0            1.74        1.39
    C        5.0            0.60        0.67
    A        3.0            0.31        0.42
    """
    if selection not in _SELECTIONS:
        raise ValueError(f"`selection` must be lives or groups. Got {selection!r}.")
    if not (isinstance(nodes, int | np.integer) and 1 < nodes <= _MOST_NODES):
        raise ValueError(f"`nodes` must be a whole number from 2 to {_MOST_NODES}. Got {nodes!r}.")
    rows = life_rows(histories, lower=lower, upper=upper, entry=entry, count=count, looks=looks)
    entry, lower, upper, count = rows.entry, rows.lower, rows.upper, rows.count
    frame = rows.table if rows.histories is None or rows.table is not None else rows.histories.to_frame()
    code, names = _groups(pd.DataFrame(index=range(lower.size)) if frame is None else frame, group)
    model_of_looks = as_detection(detection)
    if finds_all(model_of_looks):
        null = fit_weibull(lower=lower, upper=upper, entry=entry, count=count, shape=shape)

        def terms_of(nodes: int) -> GroupTerms:
            return SharedTerms.from_rows(
                entry, lower, upper, count, code, together=selection == "groups", nodes=nodes
            )

    else:
        seen = rows.looks(detection)
        null = fit_weibull(dataclasses.replace(seen, cluster=None), detection=model_of_looks, shape=shape)
        missed = MissedTerms.from_terms(
            detection_terms(seen, model_of_looks), code, together=selection == "groups", nodes=int(nodes)
        )

        def terms_of(nodes: int) -> GroupTerms:
            return dataclasses.replace(missed, nodes=nodes)

    start = np.array([np.log(null.scale), np.log(null.shape), 0.5])
    for count_of_nodes in _doublings(int(nodes)):
        nodes = count_of_nodes
        terms = terms_of(nodes)
        model = _FrailtyModel(terms, None if shape is None else float(np.log(shape)))
        top = model.highest(start)
        if top.point[2] < _NO_SPREAD:
            top = max((top, model.highest(np.r_[start[:2], 1.5])), key=lambda top: top.value)
        error = abs(float(terms.by_group(*top.point, nodes=2 * int(nodes))[0].sum()) - top.value)
        is_endless = not np.isfinite(top.value) or not top.point[2] <= _ENDLESS
        is_endless |= top.flat is not None and top.point[2] > _NO_SPREAD
        if error <= _ROUGH and not is_endless:
            break
    if is_endless:
        raise NoFiniteMaximum(
            f"No fit: the likelihood keeps rising as the spread between the {len(names)} groups grows (beyond "
            f"{top.point[2]:.3g}), so no finite maximum exists. What can be had: a fit under an assumed shape "
            "(`shape=`), or fewer and larger groups."
        )
    free = np.array([True, shape is None, True])
    covariance = np.zeros((3, 3))
    if top.point[2] < _NO_SPREAD or top.value <= null.log_likelihood:
        point, value = np.array([np.log(null.scale), np.log(null.shape), 0.0]), null.log_likelihood
        covariance[:2, :2] = null.covariance
        covariance[2, :] = covariance[:, 2] = np.nan
    else:
        point, value = top.point, top.value
        covariance[np.ix_(free, free)] = np.linalg.inv(-top.hessian)
    return FrailtyFit(
        scale=float(np.exp(point[0])),
        shape=float(np.exp(point[1])) if shape is None else float(shape),
        spread=float(point[2]),
        log_likelihood=value,
        covariance=covariance,
        null=null,
        groups=names,
        lives=np.bincount(code, weights=count, minlength=len(names)),
        finds=np.bincount(code, weights=np.where(rows.found, count, 0.0), minlength=len(names)),
        selection=selection,
        nodes=int(nodes),
        quadrature_error=error,
        clock=rows.clock,
        detection=null.detection,
        shape_assumed=shape is not None,
        _model=model,
    )


fit_shared = fit_frailty
"""Old name, for one release."""

SharedFit = FrailtyFit
"""Old name, for one release."""


def _doublings(nodes: int) -> list[int]:
    """Numbers of nodes to try."""
    return [nodes * 2**k for k in range(_MOST_NODES.bit_length()) if nodes * 2**k <= _MOST_NODES]


def _groups(frame: pd.DataFrame, group: str | Sequence[object]) -> tuple[NDArray[np.int64], tuple[str, ...]]:
    """Return the number of each row's group, and the names."""
    if isinstance(group, str):
        if group not in frame.columns:
            raise ValueError(
                f"`group` must name a column of the rows. Got {group!r}. There are {', '.join(map(str, frame.columns))}."
            )
        values = frame[group].astype(object)
    else:
        values = pd.Series(np.asarray(group, dtype=object))
        if len(values) != len(frame):
            raise ValueError(
                f"`group` must name a group for each of the {len(frame)} rows. Got {len(values)} names."
            )
    blank = (values.isna() | (values.astype(str).str.strip() == "")).to_numpy()
    if blank.any():
        raise ValueError(
            f"`group` must name a group in every row: {int(blank.sum())} of {len(values)} rows are blank, first row "
            f"{int(np.argmax(blank))}. Fill it in, or leave these rows out."
        )
    code, names = pd.factorize(values.astype(str), sort=True)
    if len(names) < 2:
        raise ValueError(
            f"`group` must name at least 2 groups. Got {len(names)}{': ' + names[0] if len(names) else ''}. One group "
            "says nothing of how groups differ; fit it with `fit_weibull`."
        )
    return code.astype(np.int64), tuple(map(str, names))
