"""Age at onset, size at onset and growth in one fit, where finds carry sizes."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from kit.detection import DetectionCurve, as_detection, curves_by_method
from kit.growth.forms import GrowthForm, as_form
from kit.growth.joint_likelihood import (
    LEAST_SD,
    NAMES,
    ONSET_SD,
    RATE,
    RATE_SD,
    JointProblem,
    gap_chances,
    place_nodes,
)
from kit.growth.models import Growth
from kit.growth.size_detection import SizeDetection
from kit.life import WEIBULL, Histories, fit_weibull
from kit.numerics.confidence import check_share, likelihood_drop, normal_reach
from kit.numerics.covariance import is_inside
from kit.numerics.fit import Fit, Parameter
from kit.numerics.typing import Floats

_BEGINS = ((0.4, 0.6), (0.12, 0.9), (0.8, 0.27))
"""Log spreads of size at onset and of rate from which the highest point is searched: even, and each nearly alone."""

_FEWEST = 5
_TOLD = 0.3  # standard error of the log of the rate, above which its point is too low as a rule (simulated)


class RateNotTold(ValueError):
    """The data do not tell the rate of growth, so no risk may rest on its point."""


@dataclass(frozen=True, eq=False, kw_only=True)
class JointFit(Fit):
    """Age at onset, size at onset and growth of damage, fitted to looks and sizes at first find.

    Parameters
    ----------
    scale, shape : float
        Weibull life until onset [clock units], [-].
    onset_median, onset_log_sd : float
        Log-normal size at onset [mm], [-].
    rate_median, rate_log_sd : float
        Log-normal rate of damage that grows [unit of the form], [-].
    covariance : DataFrame
        Of the logs of the parameters that were fitted and are not at the end of their range.
    log_likelihood : float
        At the maximum, without priors; sizes as densities of their logs [-].
    form : GrowthForm
        Form of growth.
    no_growth_share : float
        Share of damage that does not grow, as given [-].
    held : dict of str to float
        Parameters that were given.
    n_lives, n_finds, n_sizes : float
        Lives, finds among them, and finds with a size.
    clock : str
        Clock of ages and rates.
    cautions : tuple of str
        What to keep in mind.
    """

    scale: float
    shape: float
    onset_median: float
    onset_log_sd: float
    rate_median: float
    rate_log_sd: float
    covariance: pd.DataFrame
    log_likelihood: float
    form: GrowthForm
    no_growth_share: float
    held: dict[str, float]
    n_lives: float
    n_finds: float
    n_sizes: float
    clock: str
    cautions: tuple[str, ...]
    _problem: JointProblem = field(repr=False)

    def __repr__(self) -> str:
        """Return one line."""
        return (
            f"JointFit(scale={self.scale:.5g} {self.clock}, shape={self.shape:.3g}, "
            f"onset_median={self.onset_median:.3g} mm, rate_median={self.rate_median:.3g} "
            f"{self.form.rate_unit(self.clock)}, finds={self.n_finds:g}, sizes={self.n_sizes:g})"
        )

    @property
    def _point(self) -> Floats:
        return np.log([getattr(self, name) for name in NAMES])

    @property
    def parameters(self) -> tuple[Parameter, ...]:
        """Life, size at onset and growth."""
        units = {"scale": self.clock, "onset_median": "mm", "rate_median": self.form.rate_unit(self.clock)}
        return tuple(
            Parameter(
                name=name, value=getattr(self, name), unit=units.get(name, "-"), is_given=name in self.held
            )
            for name in NAMES
        )

    def profile_bounds(self, name: str, level: float) -> tuple[float, float]:
        """Return bounds by likelihood ratio.

        For few finds those by ``wald`` of the rate and of the spreads are much too narrow: the likelihood is a bent
        ridge.

        Parameters
        ----------
        name : str
            Name of a parameter that was fitted.
        level : float
            Confidence [-].

        Returns
        -------
        tuple of float
            Of its log; the end of its range where the likelihood does not drop so far.
        """
        i = NAMES.index(name)
        return self._profile(level, float(self._point[i]), self.standard_error(f"log_{name}"), held=i)

    def survival(self, age: ArrayLike) -> Floats:
        """Share of panels without damage by an age.

        Parameters
        ----------
        age : array_like of float
            Ages [clock units].

        Returns
        -------
        ndarray of float
            Shares [-].
        """
        return WEIBULL.survival(age, self.scale, self.shape)

    def quantile(self, share: float) -> float:
        """Age by which a share of the panels has damage.

        Parameters
        ----------
        share : float
            Share in (0, 1) [-].

        Returns
        -------
        float
            Age [clock units].
        """
        check_share("share", share)
        return float(WEIBULL.quantile(share, self.scale, self.shape))

    def quantile_bounds(
        self, share: float, *, level: float = 0.95, method: str = "profile"
    ) -> tuple[float, float]:
        """Two-sided bounds of the age by which a share of the panels has damage.

        Parameters
        ----------
        share : float
            Share in (0, 1) [-].
        level : float
            Confidence [-].
        method : str
            As in `bounds`.

        Returns
        -------
        tuple of float
            Lower and upper bound [clock units].

        Raises
        ------
        ValueError
            If the share, level or method is unknown.
        """
        self._check_method(method, level)
        centre = float(np.log(self.quantile(share)))
        w = float(WEIBULL.inverse_cumulative_hazard(-np.log1p(-share)))
        slope = pd.Series({"scale": 1.0, "shape": -w / self.shape}).reindex(
            self.covariance.index, fill_value=0.0
        )
        variance = float(slope @ self.covariance @ slope)
        error = float(np.sqrt(variance)) if variance > 0 else float("nan")
        if method == "wald":
            reach = normal_reach(level) * error
            return float(np.exp(centre - reach)), float(np.exp(centre + reach))
        low, high = self._profile(level, centre, error, w=w)
        return float(np.exp(low)), float(np.exp(high))

    def _profile(
        self, level: float, centre: float, error: float, *, held: int | None = None, w: float | None = None
    ) -> tuple[float, float]:
        drop = likelihood_drop(level)
        ends = [
            self._problem.profile_bound(self._point, centre, error, sign, drop, held=held, w=w)
            for sign in (-1.0, 1.0)
        ]
        return ends[0], ends[1]

    def growth(self) -> Growth:
        """Return size at onset and growth as `kit.interval_risk` takes them, where the data tell the rate.

        Returns
        -------
        Growth
            The fitted growth.

        Raises
        ------
        RateNotTold
            If the rate was fitted and the standard error of its log is above 0.3, or cannot be had.

        Notes
        -----
        Sizes at first find can be explained by growth or by the size at onset. With few finds the likelihood is a
        ridge on which slow growth of damage that began large fits almost as well as the truth, and its
        highest point is a rate that is too low: by a third in the middle over 40 simulated fleets of about 20 finds, by a factor
        of 7 and more in a quarter of them, and by none where the standard error is below 0.3. A rate that is too low makes a schedule look
        safe, so it is not handed on. Bounds and survival do not rest on that point alone and may be used.
        """
        error = self.standard_error("log_rate_median")
        if "rate_median" not in self.held and not error <= _TOLD:
            low, high = self.bounds("rate_median")
            raise RateNotTold(
                f"The rate of a joint fit must be told by the data to be used in a risk: the standard error of its log "
                f"must be at most {_TOLD:g}. Got {error:.2g} from {self.n_sizes:g} sizes, with 95 % profile bounds of "
                f"{low:.3g} to {high:.3g} {self.form.rate_unit(self.clock)}; the point would be too low as a rule. Fit the "
                "rate to repeat mappings (`fit_tracks`) and give it by `hold`, or state it."
            )
        return Growth(
            self.onset_median,
            self.onset_log_sd,
            self.rate_median,
            self.rate_log_sd,
            self.no_growth_share,
            clock=self.clock,
            basis="fitted",
            form=self.form,
        )

    def to_frame(self, *, level: float = 0.95, method: str = "profile") -> pd.DataFrame:
        """Return the parameters as a table.

        Parameters
        ----------
        level : float
            Confidence of the bounds [-].
        method : str
            As in `bounds`.

        Returns
        -------
        DataFrame
            As `parameter_table`, and basis (fitted or given).
        """
        table = self.parameter_table(level=level, method=method)
        return table.assign(basis=["given" if name in self.held else "fitted" for name in table.index])


def fit_joint(
    histories: Histories,
    sizes: ArrayLike,
    *,
    detection: float | DetectionCurve | Mapping[str, float | DetectionCurve],
    size_log_sd: float,
    form: str | GrowthForm = "linear",
    no_growth_share: float = 0.0,
    hold: Mapping[str, float] | None = None,
    priors: Mapping[str, tuple[float, float]] | None = None,
) -> JointFit:
    r"""Fit age at onset, size at onset and growth together to looks and sizes at first find.

    Parameters
    ----------
    histories : Histories
        Lives with the ages of their looks.
    sizes : array_like of float, shape (n,)
        Equivalent diameter at the first find of each life; nan where there was none or it is not to be
        used [mm].
    detection : float, DetectionCurve, or mapping of str to one of these
        POD of the looks, or of each method; a chance stands for one that is the same for every size. A
        look without a method counts as one of the worst.
    size_log_sd : float
        Standard deviation of the log of one size measurement [-].
    form : str or GrowthForm
        Form of growth.
    no_growth_share : float
        Share of damage that does not grow [-].
    hold : mapping of str to float, optional
        Parameters that are given, by name: scale, shape, onset_median, onset_log_sd, rate_median,
        rate_log_sd.
    priors : mapping of str to tuple of float, optional
        Weak log-normal priors of parameters: median, and standard deviation of the log.

    Returns
    -------
    JointFit
        The maximum.

    Raises
    ------
    ValueError
        If fewer than 5 finds carry a size while size at onset and rate are all to be fitted without a
        prior, a name is unknown, or a value impossible.
    NoFiniteMaximum
        If the looks alone refuse a fit of the life; `kit.fit_weibull` says why.

    See Also
    --------
    fit_onset_size : Size at onset alone, given growth.
    compare_joint : The same with and without sizes.

    Notes
    -----
    A life found at look k with the measured size m has the chance

    .. math:: \int f(T) \int \prod_{T<t_j<t_k} [1-\mathrm{POD}(a_j)]\;\mathrm{POD}(a_k)\;
       \phi\!\left(\frac{\log m - \log a_k}{\sigma_e}\right)\,\mathrm{d}G(a_0, r)\,\mathrm{d}T,

    with :math:`a_j` the size at look j of damage that began at T with size :math:`a_0` and grows at the rate
    r; a life never found is as in `kit.fit_weibull`. Size at onset and rate are log-normal and independent.
    In each gap between looks the onset is taken at three Gauss points, as `kit.fit_weibull` does. Nodes of
    size at onset (0.14 apart in the log, or 1.2 times `size_log_sd` if that is less) and rate (0.4 apart)
    are fixed, so that the chances are worked out once. Log spreads are not fitted below 0.1 and 0.25.

    The size at a find tells how long the damage had been there, and so which gap it began in. The rate is
    told by the sizes only through the looks that missed: where repeat mappings exist, give `hold` or
    `priors` from them.

    Examples
    --------
    >>> looks = pd.DataFrame({"life": [0, 0, 1, 2, 3, 4, 5], "age": [1000.0, 2000, 2000, 1800, 1000, 1500, 2500],
    ...                       "found": [False, True, False, False, True, True, True]})
    >>> fit = fit_joint(Histories.from_looks(looks), [24.0, np.nan, np.nan, 35.0, 30.0, 28.0], detection=0.9,
    ...                 size_log_sd=0.1, priors={"onset_median": (20.0, 0.5)},
    ...                 hold={"rate_median": 0.01, "rate_log_sd": 0.5, "onset_log_sd": 0.4})
    >>> fit.n_sizes, 15 < fit.onset_median < 30
    (4.0, True)
    """
    hold, priors = dict(hold or {}), dict(priors or {})
    size = np.asarray(sizes, np.float64)
    _refuse(histories, size, size_log_sd, no_growth_share, hold, priors)
    curves, law = _by_method(detection, histories), as_form(form)
    found = np.isfinite(histories.upper)
    size = np.where(found, size, np.nan)
    used = np.isfinite(size)
    n_sizes = float(histories.count[used].sum())
    open_sizes = [name for name in NAMES[2:] if name not in hold and name not in priors]
    if used.sum() < _FEWEST and open_sizes:
        raise ValueError(
            f"`sizes` must hold at least {_FEWEST} sizes at first find to fit {', '.join(open_sizes)}. Got "
            f"{int(used.sum())}. Give these by `hold` or `priors`."
        )
    naive = fit_weibull(histories, shape=hold.get("shape"))
    widths = np.diff(histories.look_age)
    widths = widths[widths > 0] if (widths > 0).any() else histories.look_age
    oldest = float(histories.look_age.max())
    nodes = place_nodes(size, widths, oldest, size_log_sd, hold, law, no_growth_share > 0)
    with np.errstate(invalid="ignore"):
        gaps = gap_chances(histories, np.log(size), curves, law, nodes, size_log_sd)
    late = np.flatnonzero(histories.entry > 0)
    limits = [
        (np.log(naive.scale) - 6, np.log(naive.scale) + 6),
        (np.log(0.1), np.log(20.0)),
        (float(nodes.log_start[0]), float(nodes.log_start[-1])),
        (np.log(LEAST_SD[0]), np.log(1.5)),
        (float(nodes.log_rate[0]), float(nodes.log_rate[-1])),
        (np.log(LEAST_SD[1]), np.log(2.5)),
    ]
    free = [i for i, name in enumerate(NAMES) if name not in hold]
    problem = JointProblem(
        gaps,
        nodes,
        np.r_[histories.count, -histories.count[late]],
        no_growth_share,
        free,
        limits,
        {NAMES.index(name): (float(np.log(median)), width) for name, (median, width) in priors.items()},
    )
    stated = [NAMES.index(name) for name in (*hold, *priors)]
    typical = float(np.median(size[used])) if used.any() else 30.0
    base = np.array(
        [np.log(naive.scale), np.log(naive.shape), np.log(0.8 * typical), np.log(0.4), 0.0, np.log(0.6)]
    )
    for name, (median, _) in priors.items():
        base[NAMES.index(name)] = np.log(median)
    for name, given in hold.items():
        base[NAMES.index(name)] = np.log(max(given, 1e-12))
    rates = nodes.log_rate[1:-1:3] if RATE in free and "rate_median" not in priors else base[[RATE]]
    begins = []
    for onset_sd, rate_sd in _BEGINS:
        # Sizes at first find differ by their onset or by their rates: each way may have a highest point of its own.
        points = np.tile(base, (rates.size, 1))
        points[:, RATE] = rates
        points[:, [ONSET_SD, RATE_SD]] = np.where(
            np.isin([ONSET_SD, RATE_SD], stated), base[[ONSET_SD, RATE_SD]], np.log([onset_sd, rate_sd])
        )
        begins.append(max(points, key=lambda p: problem.value(p)[0]))
    best, value = max((problem.maximise(p) for p in np.unique(begins, axis=0)), key=lambda found: found[1])
    at_end = [NAMES[i] for i in free if not is_inside(best[i], limits[i])]
    numbers = {
        name: float(hold[name]) if name in hold else float(np.exp(best[i])) for i, name in enumerate(NAMES)
    }
    return JointFit(
        **numbers,
        covariance=problem.covariance(best),
        log_likelihood=value + problem.penalty(best),
        form=law,
        no_growth_share=no_growth_share,
        held={name: float(given) for name, given in hold.items()},
        n_lives=histories.n_lives,
        n_finds=histories.n_finds,
        n_sizes=n_sizes,
        clock=histories.clock,
        cautions=_cautions(law, curves, hold, priors, at_end, n_sizes, histories.n_finds),
        _problem=problem,
    )


def _by_method(
    detection: float | DetectionCurve | Mapping[str, float | DetectionCurve], histories: Histories
) -> dict[str, DetectionCurve]:
    """Return the curve of each method; one without a name where methods are not distinguished."""
    curves = curves_by_method(detection)
    if set(curves) == {""}:
        return curves
    if histories.look_method is None:
        raise ValueError(
            "`detection` by method needs the method of each look. Got histories without; give `from_looks` a column method."
        )
    unknown = sorted(set(histories.look_method) - set(curves) - {""})
    if unknown:
        raise ValueError(
            f"`detection` must have a POD for every method. Got none for {', '.join(map(str, unknown))}; known are "
            f"{', '.join(curves)}."
        )
    return curves


def _refuse(histories: Histories, size: Floats, error: float, still: float, hold: dict, priors: dict) -> None:
    """Refuse what cannot be."""
    if size.shape != (len(histories),):
        raise ValueError(
            f"`sizes` must hold one value for each of the {len(histories)} lives, nan where there is none. "
            f"Got shape {size.shape}."
        )
    wrong = np.flatnonzero(np.isfinite(histories.upper) & ~np.isnan(size) & ~(np.isfinite(size) & (size > 0)))
    if wrong.size:
        raise ValueError(
            f"`sizes` must be positive, or nan [mm]. Got {size[wrong[0]]!r} for life {histories.life[wrong[0]]!r}."
        )
    if not 0 < error < np.inf:
        raise ValueError(f"`size_log_sd` must be positive and finite. Got {error!r}.")
    if not 0 <= still < 1:
        raise ValueError(f"`no_growth_share` must be at least 0 and below 1. Got {still!r}.")
    for where, names in (("hold", hold), ("priors", priors)):
        unknown = sorted(set(names) - set(NAMES))
        if unknown:
            raise ValueError(f"`{where}` must name parameters: {', '.join(NAMES)}. Got {', '.join(unknown)}.")
    for name, given in hold.items():
        spread_of_nodes = name.endswith("log_sd") and name.replace("log_sd", "median") in hold
        if not (0 < given < np.inf or (spread_of_nodes and given == 0)):
            raise ValueError(f"`hold` must give {name} as a positive number. Got {given!r}.")
    for name, prior in priors.items():
        if not (len(prior) == 2 and prior[0] > 0 and prior[1] > 0):
            raise ValueError(
                f"`priors` must give {name} as a median and a log standard deviation, both positive. Got {prior!r}."
            )
    both = sorted(set(hold) & set(priors))
    if both:
        raise ValueError(f"`priors` must not name what `hold` gives. Got {', '.join(both)} in both.")


def _cautions(
    law: GrowthForm,
    curves: dict[str, DetectionCurve],
    hold: dict,
    priors: dict,
    at_end: list,
    n_sizes: float,
    n_finds: float,
) -> tuple[str, ...]:
    """Say what to keep in mind with a fit."""
    out = [
        f"the POD is {', '.join(sorted({curve.basis for curve in curves.values()}))}; age at onset, growth and POD explain the same finds in part",
        f"the {law.name} form of growth is {law.basis}",
        "size at onset and rate are taken as independent of each other and of the age at onset",
    ]
    if hold:
        out.append(f"given, and used without their own uncertainty: {', '.join(hold)}")
    if priors:
        out.append(f"held by weak priors: {', '.join(priors)}")
    if at_end:
        out.append(
            f"at the end of their range: {', '.join(at_end)}; Wald bounds of the others take these as given"
        )
    if "rate_median" not in hold:
        out.append(
            "size at onset and rate explain the same sizes: with few finds the point of the rate is too low; use its bounds"
        )
    if n_sizes < n_finds:
        out.append(f"{n_finds - n_sizes:g} of {n_finds:g} finds carry no size")
    return tuple(out)


def compare_joint(
    histories: Histories,
    sizes: ArrayLike,
    *,
    detection: float | DetectionCurve,
    stated: Growth,
    size_log_sd: float,
    priors: Mapping[str, tuple[float, float]] | None = None,
    share: float = 0.1,
    level: float = 0.95,
) -> pd.DataFrame:
    """Fit the same lives with and without the sizes of their finds.

    Parameters
    ----------
    histories : Histories
        Lives with the ages of their looks.
    sizes : array_like of float, shape (n,)
        As `fit_joint` takes them [mm].
    detection : float or DetectionCurve
        POD of the looks.
    stated : Growth
        Size at onset and growth to use where no size is used; its share without growth is used in all.
    size_log_sd : float
        Standard deviation of the log of one size measurement [-].
    priors : mapping of str to tuple of float, optional
        Priors of `fit_joint`. The default takes the medians of `stated` with a log standard deviation of
        1, and its spreads with one of 0.35.
    share : float
        Share of the panels whose age is compared [-].
    level : float
        Confidence of the bounds [-].

    Returns
    -------
    DataFrame
        Index way (with sizes; without sizes, same priors; without sizes, growth as stated; every look
        sees all), columns quantity (scale, shape, age), value, lower, upper, log_width.
    """
    size = np.asarray(sizes, np.float64)
    if priors is None:
        priors = {
            "onset_median": (stated.onset_median, 1.0),
            "onset_log_sd": (max(stated.onset_log_sd, 0.1), 0.35),
            "rate_median": (stated.rate_median, 1.0),
            "rate_log_sd": (max(stated.rate_log_sd, 0.25), 0.35),
        }
    common = {
        "detection": detection,
        "size_log_sd": size_log_sd,
        "no_growth_share": stated.no_growth_share,
        "priors": priors,
    }
    growth_of = SizeDetection(as_detection(detection), stated)
    fits = {
        "with sizes": fit_joint(histories, size, **common),
        "without sizes, same priors": fit_joint(histories, np.full(size.shape, np.nan), **common),
        "without sizes, growth as stated": fit_weibull(histories, detection=growth_of),
        "every look sees all": fit_weibull(histories),
    }
    rows = []
    for way, fit in fits.items():
        found = {
            "scale": (fit.scale, fit.bounds("scale", level=level, method="wald")),
            "shape": (fit.shape, fit.bounds("shape", level=level, method="wald")),
            f"age at {share:.0%}": (
                float(fit.quantile(share)),
                fit.quantile_bounds(share, level=level, method="wald"),
            ),
        }
        rows += [
            (way, name, value, low, high, float(np.log(high / low)))
            for name, (value, (low, high)) in found.items()
        ]
    return pd.DataFrame(rows, columns=["way", "quantity", "value", "lower", "upper", "log_width"]).set_index(
        "way"
    )
