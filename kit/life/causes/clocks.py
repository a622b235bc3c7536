"""Which clock does damage keep: flight hours, cycles, the calendar, or a mix of two."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from kit.findings import CLOCKS, Fleet, need_fleet
from kit.life.fits.fit import LifeFit
from kit.life.fits.fitting import fit_family
from kit.life.likelihood.families import WEIBULL
from kit.life.lives.censored import Histories
from kit.life.lives.histories import build_histories
from kit.numerics.confidence import check_level, likelihood_drop
from kit.numerics.fit import FitAlongOne, Parameter
from kit.numerics.profile import GridProfile, profile_on_grid
from kit.numerics.refusals import NoFiniteMaximum
from kit.numerics.typing import Floats
from kit.numerics.words import in_words

_PROFILE = np.linspace(0.0, 1.0, 21)


@dataclass(frozen=True, eq=False)
class SameLives:
    """The same lives, look for look, on several clocks.

    Parameters
    ----------
    histories : dict of str to Histories
        By clock; row i is the same life on all.
    left_out : Series
        Lives left out, by reason.
    """

    histories: dict[str, Histories]
    left_out: pd.Series

    @classmethod
    def of(
        cls,
        fleet: Fleet,
        *,
        kind: str,
        clocks: Sequence[str] = CLOCKS,
        zones: Sequence[str] | None = None,
        basis: Sequence[str] = ("recorded", "implied"),
        methods: Sequence[str] | None = None,
    ) -> SameLives:
        """Build the histories of one kind on several clocks and keep the lives that all of them have.

        Parameters
        ----------
        fleet : Fleet
            The findings as loaded.
        kind : str
            Kind of damage.
        clocks : sequence of str
            Two clocks or more.
        zones : sequence of str, optional
            Labels of the zones; default all.
        basis : sequence of str
            Basis of the looks: ``recorded``, ``implied``, ``assumed``.
        methods : sequence of str
            Methods whose clean looks count.

        Returns
        -------
        SameLives
            Lives whose looks are all at different ages on every clock. A life that flew nothing between its
            last clean look and its find has no interval on a usage clock; it is left out and counted.

        Raises
        ------
        ValueError
            If a clock is unknown, or fewer than two are given.
        """
        if len(set(clocks)) < 2 or not set(clocks) <= set(CLOCKS):
            raise ValueError(
                f"`clocks` must be two or more of {', '.join(CLOCKS)}. Got {', '.join(map(str, clocks))}."
            )
        built = {
            clock: build_histories(fleet, kind=kind, clock=clock, zones=zones, basis=basis, methods=methods)
            for clock in clocks
        }
        common = pd.Index(next(iter(built.values())).life)
        for histories in built.values():
            common = common.intersection(pd.Index(histories.life), sort=False)
        not_common = len(set().union(*(set(h.life) for h in built.values()))) - len(common)
        taken = {}
        for clock, histories in built.items():
            taken[clock] = histories.take(pd.Index(histories.life).get_indexer(common))
        first = next(iter(taken.values()))
        found, width = np.isfinite(first.upper), np.diff(first.look_start)
        good, unlike = np.ones(len(common), bool), np.zeros(len(common), bool)
        for histories in taken.values():
            unlike |= (np.isfinite(histories.upper) != found) | (np.diff(histories.look_start) != width)
            good &= ~(np.isfinite(histories.upper) & (histories.upper <= histories.lower))
        keep = np.flatnonzero(good & ~unlike)
        reasons = {
            "not on all clocks": not_common,
            "looks differ between clocks": int(unlike.sum()),
            "no usage between the last clean look and the find": int((~good & ~unlike).sum()),
        }
        return cls(
            {clock: histories.take(keep) for clock, histories in taken.items()},
            pd.Series({why: n for why, n in reasons.items() if n}, name="lives", dtype="int64"),
        )

    def __len__(self) -> int:
        """Return the number of lives."""
        return len(next(iter(self.histories.values())))

    def __repr__(self) -> str:
        """Return one line with the counts."""
        first = next(iter(self.histories.values()))
        return f"SameLives({', '.join(self.histories)}, lives={len(self)}, finds={first.n_finds:g}, left_out={self.left_out.sum()})"


@dataclass(frozen=True, eq=False)
class ClockComparison:
    """The same lives fitted on several clocks.

    Parameters
    ----------
    lives : SameLives
        What was fitted.
    fits : dict of str to LifeFit
        By clock.
    held_out : DataFrame
        Columns fold, aircraft, finds, and one for each clock: log-likelihood of the aircraft of a fold
        under the fit to all others [-]. Empty where it was not asked for.
    """

    lives: SameLives
    fits: dict[str, LifeFit]
    held_out: pd.DataFrame = field(repr=False)

    def __repr__(self) -> str:
        """Return one line with the log-likelihoods."""
        return f"ClockComparison({', '.join(f'{clock}: {fit.log_likelihood:.2f}' for clock, fit in self.fits.items())})"

    def words(self) -> str:
        """Say in a sentence which clocks the damage may keep.

        Returns
        -------
        str
            Those that aircraft held out do not tell from the best by more than two standard errors; without held-out aircraft those
            within 2 of the highest log-likelihood.
        """
        table = self.to_frame()
        if "held_out" in table:
            kept = table.index[table["held_out_below_best"] <= 2 * table["held_out_error"].fillna(0.0)]
        else:
            kept = table.index[table["below_best"] <= 2]
        names = " or ".join(in_words(clock) for clock in kept)
        if len(kept) == len(table):
            return f"The clocks are indistinguishable by these looks: {names}."
        return f"The clock may be {names}; the others are distinguishable from the best by these looks."

    def to_frame(self) -> pd.DataFrame:
        """Return the clocks side by side, the likeliest first.

        Returns
        -------
        DataFrame
            Index clock; scale [its units], shape, log_likelihood, below_best (how much lower than the
            likeliest), held_out (sum over folds), held_out_below_best, and held_out_error: standard error of
            that difference from the scatter between folds [-].
        """
        rows = []
        for clock, fit in self.fits.items():
            rows.append(
                {"clock": clock, "scale": fit.scale, "shape": fit.shape, "log_likelihood": fit.log_likelihood}
            )
        frame = pd.DataFrame(rows).set_index("clock")
        frame["below_best"] = frame["log_likelihood"].max() - frame["log_likelihood"]
        if len(self.held_out):
            sums = self.held_out[list(self.fits)].sum()
            best = sums.idxmax()
            gap = self.held_out[list(self.fits)].rsub(self.held_out[best], axis=0)
            frame["held_out"] = sums
            frame["held_out_below_best"] = sums[best] - sums
            frame["held_out_error"] = gap.std(ddof=1) * np.sqrt(len(gap))
        return frame.sort_values("log_likelihood", ascending=False, kind="stable")


def compare_clocks(
    fleet: Fleet | SameLives,
    *,
    kind: str = "disbond",
    clocks: Sequence[str] = CLOCKS,
    zones: Sequence[str] | None = None,
    basis: Sequence[str] = ("recorded", "implied"),
    folds: int = 0,
    seed: int = 1,
) -> ClockComparison:
    """Fit the same lives on several clocks.

    Parameters
    ----------
    fleet : Fleet or SameLives
        The findings as loaded, or lives of which the clocks are matched already.
    kind : str
        Kind of damage; this and what follows up to `folds` is not used where lives are given.
    clocks : sequence of str
        Two clocks or more.
    zones : sequence of str, optional
        Labels of the zones; default all.
    basis : sequence of str
        Basis of the looks: ``recorded``, ``implied``, ``assumed``.
    folds : int
        Into how many parts the aircraft are divided for the comparison out of sample; 0: none.
    seed : int
        Seed of the division.

    Returns
    -------
    ClockComparison
        The fits.

    Raises
    ------
    NoFiniteMaximum
        If a clock has no fit.
    ValueError
        If the clocks are unknown, or there are fewer aircraft than folds.

    Notes
    -----
    The chance that onset lies between two looks has no unit, so log-likelihoods of the same lives can be
    compared between clocks; a difference of a few units is weak evidence, the more so as lives of one
    aircraft are alike. Out of sample each aircraft is judged by a fit to the others.
    """
    need_fleet(fleet, SameLives, must="a fleet or the same lives on several clocks")
    lives = (
        fleet
        if isinstance(fleet, SameLives)
        else SameLives.of(fleet, kind=kind, clocks=clocks, zones=zones, basis=basis)
    )
    fits = {clock: fit_family(WEIBULL, histories) for clock, histories in lives.histories.items()}
    held = pd.DataFrame(columns=["fold", "aircraft", "finds", *fits])
    if folds:
        first = next(iter(lives.histories.values()))
        names = first.life if first.cluster is None else first.cluster
        code, aircraft = pd.factorize(np.asarray(names, dtype=object))
        if not 2 <= folds <= len(aircraft):
            raise ValueError(
                f"`folds` must be from 2 to the number of aircraft, {len(aircraft)}. Got {folds}."
            )
        fold = np.random.default_rng(seed).permutation(np.arange(len(aircraft)) % folds)[code]
        rows = []
        for k in range(folds):
            inside, outside = np.flatnonzero(fold == k), np.flatnonzero(fold != k)
            row = {
                "fold": k,
                "aircraft": len(set(code[inside])),
                "finds": float(np.isfinite(first.upper[inside]).sum()),
            }
            for clock, histories in lives.histories.items():
                row[clock] = log_chance(fit_family(WEIBULL, histories.take(outside)), histories.take(inside))
            rows.append(row)
        held = pd.DataFrame(rows)
    return ClockComparison(lives, fits, held)


def log_chance(fit: LifeFit, histories: Histories) -> float:
    """Log-likelihood of lives under a fit to others, with looks that find what is there.

    Parameters
    ----------
    fit : LifeFit
        The fit.
    histories : Histories
        Other lives on the same clock.

    Returns
    -------
    float
        Log of the chance of what was seen, given clean at entry; of onsets known exactly, of their
        density [-].
    """
    entry, lower, upper = (
        fit.cumulative_hazard(x) for x in (histories.entry, histories.lower, histories.upper)
    )
    exact = histories.lower == histories.upper
    with np.errstate(divide="ignore", invalid="ignore"):
        between = np.log(-np.expm1(lower - np.where(np.isinf(histories.upper), np.inf, upper)))
        density = np.log(fit.density(np.where(exact, histories.upper, 1.0))) + lower
    return float(histories.count @ (entry - lower + np.where(exact, density, between)))


@dataclass(frozen=True, eq=False, kw_only=True)
class TwoClockFit(FitAlongOne):
    """A life on a mix of two clocks.

    Parameters
    ----------
    first, second : str
        The clocks.
    mix : float
        Share of the first clock in the aging of a panel at the fleet's mean usage: 1 is the first clock
        alone, 0 the second [-].
    mix_bounds : tuple of float
        Profile bounds of the mix at `level`; at others by ``bounds("mix", level=)`` [-].
    level : float
        Confidence [-].
    fit : LifeFit
        The life on the mixed clock, in units in which the mean usage of the second clock's unit is 1.
    ratio : float
        Mean usage: units of the first clock for one of the second.
    profile : DataFrame
        Columns mix, below_best: how much lower the log-likelihood is [-].
    lives : SameLives
        What was fitted.
    along : GridProfile
        The log-likelihood along the mix, scale and shape highest at each.
    """

    first: str
    second: str
    mix: float
    mix_bounds: tuple[float, float]
    level: float
    fit: LifeFit
    ratio: float
    profile: pd.DataFrame = field(repr=False)
    lives: SameLives = field(repr=False)
    along: GridProfile = field(repr=False)

    def __repr__(self) -> str:
        """Return one line with the mix and its bounds."""
        low, high = self.mix_bounds
        return (
            f"TwoClockFit({self.first} share {self.mix:.2f} ({low:.2f} to {high:.2f}), rest "
            f"{self.second}, finds={self.fit.n_finds:g} of {self.fit.n_lives:g} lives)"
        )

    @property
    def parameters(self) -> tuple[Parameter, ...]:
        """The mix; scale and shape at the likeliest mix are those of `fit`."""
        return (Parameter(name="mix", value=self.mix, scale="linear"),)

    @property
    def cautions(self) -> tuple[str, ...]:
        """What the reader of the numbers must know."""
        notes = []
        if self.mix_bounds[0] <= 0 and self.mix_bounds[1] >= 1:
            notes.append("the clocks are indistinguishable by these data: any mix of the two is as likely")
        if len(self.lives.left_out):
            notes.append("; ".join(f"{n} lives left out: {why}" for why, n in self.lives.left_out.items()))
        return tuple(notes)

    @property
    def parked_share(self) -> float:
        """What a parked month counts, as a share of a month at the fleet's mean usage [-].

        Only if the first clock counts usage and the second the calendar: time without usage moves the
        second alone.
        """
        return self._parked(self.mix)

    @property
    def parked_share_bounds(self) -> tuple[float, float]:
        """Bounds of `parked_share` [-]."""
        return self._parked(self.mix_bounds[1]), self._parked(self.mix_bounds[0])

    def _parked(self, mix: float) -> float:
        if self.first == "calendar_days" or self.second != "calendar_days":
            raise ValueError(
                f"What parked time counts needs a usage clock first and calendar_days second. Got {self.first} and {self.second}."
            )
        return 1.0 - mix

    def words(self) -> str:
        """Say in a sentence what a parked month counts.

        Returns
        -------
        str
            Markdown, with the bounds at `level`.

        Raises
        ------
        ValueError
            If the first clock counts no usage, or the second not the calendar.
        """
        low, high = self.parked_share_bounds
        return f"A parked month counts {self.parked_share:.2f} of a flown one ({low:.2f} to {high:.2f})."

    def to_frame(self) -> pd.DataFrame:
        """Return the profile over the mix.

        Returns
        -------
        DataFrame
            Columns mix, below_best.
        """
        return self.profile


def _mixed(first: Floats, second: Floats, mix: float, ratio: float) -> Floats:
    if mix in (0.0, 1.0):
        return second if mix == 0.0 else first / ratio
    return mix * first / ratio + (1.0 - mix) * second


def fit_two_clocks(
    fleet: Fleet | SameLives,
    *,
    kind: str = "disbond",
    first: str = "flight_cycles",
    second: str = "calendar_days",
    zones: Sequence[str] | None = None,
    basis: Sequence[str] = ("recorded", "implied"),
    level: float = 0.95,
) -> TwoClockFit:
    r"""Fit a life on a mix of two clocks, such as a x cycles + b x days.

    Parameters
    ----------
    fleet : Fleet or SameLives
        The findings as loaded, or lives of which the clocks are matched already.
    kind : str
        Kind of damage; this, `zones` and `basis` are not used where lives are given.
    first, second : str
        The two clocks.
    zones : sequence of str, optional
        Labels of the zones; default all.
    basis : sequence of str
        Basis of the looks: ``recorded``, ``implied``, ``assumed``.
    level : float
        Confidence of the bounds [-].

    Returns
    -------
    TwoClockFit
        The likeliest mix, with its profile.

    Raises
    ------
    NoFiniteMaximum
        If no mix has a fit.
    ValueError
        If the clocks are the same or unknown, or `level` is not in (0, 1).

    Notes
    -----
    The age of a panel with x units of the first clock and y of the second is
    :math:`w\,x/r + (1 - w)\,y`, r being the fleet's mean usage, so that w is the share of the first
    clock in the aging of a panel used as the mean. Everything else is the Weibull likelihood of
    `kit.life.fit_weibull` on that age. Bounds of w end where the log-likelihood, highest over scale and
    shape, is lower by :math:`\chi^2_1/2`; a bound at 0 or 1 is the end of the range.
    """
    need_fleet(fleet, SameLives, must="a fleet or the same lives on several clocks")
    check_level(level)
    lives = (
        fleet
        if isinstance(fleet, SameLives)
        else SameLives.of(fleet, kind=kind, clocks=(first, second), zones=zones, basis=basis)
    )
    one, two = lives.histories[first], lives.histories[second]
    ratio = float(one.count @ one.lower / (one.count @ two.lower))

    def fit(mix: float) -> LifeFit:
        return fit_family(
            WEIBULL,
            entry=_mixed(one.entry, two.entry, mix, ratio),
            lower=_mixed(one.lower, two.lower, mix, ratio),
            upper=_mixed(one.upper, two.upper, mix, ratio),
            count=one.count,
            cluster=one.cluster if one.cluster is not None and len(set(one.cluster)) > 1 else None,
        )

    def value(mix: float) -> float:
        try:
            return fit(float(mix)).log_likelihood
        except NoFiniteMaximum:
            return -np.inf

    heights = np.array([value(mix) for mix in _PROFILE])
    if not np.isfinite(heights).any():
        raise NoFiniteMaximum(
            f"No fit: no mix of {first} and {second} has a finite maximum. Try each clock alone."
        )
    along = profile_on_grid(value, _PROFILE, heights, tolerance=1e-7)
    mix, best = along.best, along.highest
    profile = pd.DataFrame({"mix": np.r_[_PROFILE, mix], "below_best": best - np.r_[heights, best]})
    profile = profile.sort_values("mix", ignore_index=True)
    return TwoClockFit(
        first=first, second=second, mix=mix, mix_bounds=along.limits(likelihood_drop(level)), level=level, fit=fit(mix),
        ratio=ratio, profile=profile, lives=lives, along=along,
    )  # fmt: skip
