"""Which panels hold damage today, known or not, and which to tap first."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd
from scipy.special import ndtr

from kit.findings import Fleet
from kit.growth import as_form
from kit.intervals import Evidence, Question
from kit.numerics.forked import Mapped
from kit.numerics.typing import Floats
from kit.posterior import KindDraws
from kit.programmes.damage import HIDDEN, damage_blocks, thinned
from kit.programmes.group import DRAWS, LEVEL, Group, Progress, band, group_of
from kit.programmes.panels import PanelLives, living_panels
from kit.programmes.result import OfGroup

_MOST_NAMED = 5
_EXACT = 1000  # panels whose bounds are worked out where there are very many


@dataclass(frozen=True, eq=False, kw_only=True)
class PresentChances:
    """Chances of what stands unfound on each panel, under each draw, for one kind of damage.

    Parameters
    ----------
    damage, beyond : ndarray, shape (n_draws, n_panels)
        Chance of unfound damage, and of unfound damage beyond the limit [-].
    found, found_beyond : ndarray, shape (n_draws, n_panels)
        Chance that a look today finds such damage [-].
    """

    damage: Floats
    beyond: Floats
    found: Floats
    found_beyond: Floats


def present_chances(
    lives: PanelLives,
    draws: KindDraws,
    *,
    limit: float,
    multiplier: Floats | None = None,
    seed: int = 0,
    samples: int = HIDDEN,
    first: int = 0,
) -> PresentChances:
    """Work out the chance that each panel holds unfound damage now, given all its looks.

    Parameters
    ----------
    lives : PanelLives
        The panels.
    draws : KindDraws
        Joint draws, on the clock of the lives.
    limit : float
        Largest size that may stay [mm].
    multiplier : ndarray, shape (n_draws, n_panels), optional
        Hazard of each panel over that of the group [-].
    seed, samples : int
        Points for each panel and draw, and their seed.
    first : int
        Number of the first panel among all, as for `damage_blocks`.

    Returns
    -------
    PresentChances
        Under each draw.
    """
    out = {name: np.zeros((draws.n, len(lives))) for name in ("damage", "beyond", "found", "found_beyond")}
    for part, damage in damage_blocks(
        lives, draws, limit=limit, multiplier=multiplier, seed=seed, hidden=samples, first=first
    ):
        now = lives.now[part]
        weight, at = damage.weight, np.ix_(damage.rows, np.arange(part.start, part.stop))
        beyond = damage.is_beyond(now)
        chance = damage.pod(now) * weight
        out["damage"][at] = weight.sum(axis=2)
        out["beyond"][at] = (weight * beyond).sum(axis=2)
        out["found"][at] = chance.sum(axis=2)
        out["found_beyond"][at] = (chance * beyond).sum(axis=2)
    return PresentChances(**out)


def known_beyond(lives: PanelLives, draws: KindDraws, *, limit: float, to_true: float) -> Floats:
    """Chance that known damage that stands has got beyond the limit since it was mapped.

    Parameters
    ----------
    lives : PanelLives
        The panels.
    draws : KindDraws
        Joint draws, on the clock of the lives.
    limit : float
        Largest size that may stay [mm].
    to_true : float
        True size over size as mapped [-].

    Returns
    -------
    ndarray, shape (n_draws, n_panels)
        0 where none is known [-].
    """
    out = np.zeros((draws.n, len(lives)))
    rows = np.flatnonzero(np.isfinite(lives.known_mm))
    size, since = lives.known_mm[rows] * to_true, np.maximum(lives.known_since[rows], 0.0)
    for form in np.unique(draws.form):
        which = np.flatnonzero(draws.form == form)
        law = as_form(str(form))
        with np.errstate(divide="ignore", invalid="ignore"):
            need = (law.position(np.array([limit])) - law.position(size)) / since
            z = (
                np.log(draws.rate_median[which])[:, None] - np.log(np.maximum(need, 1e-300))[None]
            ) / np.maximum(draws.rate_log_sd[which], 0.02)[:, None]
        grown = (1 - draws.no_growth_share[which])[:, None] * np.where(since > 0, ndtr(z), 0.0)
        out[np.ix_(which, rows)] = np.where(size >= limit, 1.0, grown)
    return out


@dataclass(frozen=True, eq=False, kw_only=True)
class PresentState(OfGroup):
    """What stands on the panels of a group today.

    Parameters
    ----------
    group : Group
        The group and what is believed of it.
    frame : DataFrame
        A row a panel, those to tap first on top: panel, aircraft, zone, lot, base, last_look, hours_since_look,
        age_hours, is_age_known, known_mm; chances of unfound damage and of unfound damage beyond the limit with
        _lower and _upper; removed (fall of the chance of unfound damage beyond the limit by a look today) and found (chance
        that it finds damage); known_beyond; kind (the kind that weighs most).
    damage, beyond, found : ndarray, shape (n_draws, n_panels)
        The chances under each draw, in the order of the frame [-].
    """

    group: Group
    frame: pd.DataFrame
    damage: Floats
    beyond: Floats
    found: Floats

    @property
    def cautions(self) -> tuple[str, ...]:
        """What the reader must know."""
        known = int((self.frame["known_beyond"] > 0.5).sum())
        own = []
        if known:
            own.append(
                f"{known} panels carry known damage that is beyond the limit or more likely so than not: it is dealt with by the "
                "approved data now, not by this list"
            )
        if (self.frame["hours_since_look"].isna()).any():
            own.append(
                f"{int(self.frame['hours_since_look'].isna().sum())} panels have no look on record at all"
            )
        return (*own, *self.group.cautions)

    def __repr__(self) -> str:
        """Return one line."""
        return (
            f"PresentState({self.group.ask.group}: {len(self.frame)} panels, expected with unfound damage "
            f"{self.frame['damage'].sum():.1f}, beyond the limit {self.frame['beyond'].sum():.2f})"
        )

    def expected(self) -> dict[str, tuple[float, float, float]]:
        """Count the panels to be expected with unfound damage, and with such beyond the limit.

        Returns
        -------
        dict of str to tuple
            By damage and beyond: middle, lower and upper of the draws.
        """
        return {
            name: tuple(float(x) for x in band(values.sum(axis=1)))
            for name, values in (("damage", self.damage), ("beyond", self.beyond))
        }

    def words(self) -> tuple[str, ...]:
        """Say the answer in sentences.

        Returns
        -------
        tuple of str
            What is to be expected, what to tap first, and how much that takes away.
        """
        group, rows = self.group, self.frame
        expected, day = self.expected(), f"{group.living.cut_off:%Y-%m-%d}"
        level = f"{LEVEL:.0%} of the draws"
        out = [
            "On {} {} panels of {} are fitted; {:.1f} of them are to be expected with damage that nobody has found ({:.1f} to {:.1f} in "
            "{}), {:.2f} with such beyond the limit of {:g} mm ({:.2f} to {:.2f}).".format(
                day, len(rows), group.ask.group, *expected["damage"], level, *expected["beyond"][:1], group.limit_mm,
                *expected["beyond"][1:],
            )
        ]  # fmt: skip
        if len(rows):
            named = "; ".join(
                f"{row.panel} ({row.aircraft} {row.zone}, {row.beyond:.1%}, {row.beyond_lower:.1%} to {row.beyond_upper:.1%})"
                for row in rows.head(_MOST_NAMED).itertuples()
            )
            ten = max(round(len(rows) * 0.1), 1)
            taken, total = rows["removed"].head(ten).sum(), rows["beyond"].sum()
            out.append(
                f"To tap first, by the chance of unfound damage beyond the limit that a look takes away: {named}."
            )
            out.append(
                f"A look at the first {ten} panels (a tenth) takes away {taken / max(total, 1e-300):.0%} of the chance of unfound "
                f"damage beyond the limit; a look at all takes away {rows['removed'].sum() / max(total, 1e-300):.0%}, the rest is "
                "missed or on the side that is not tapped."
            )
        return tuple(out)


def present_state(
    fleet: Fleet | Evidence | Group,
    question: Question | str | Path | None = None,
    *,
    draws: int = DRAWS,
    run: Mapped = map,
    say: Progress | None = None,
    chances: Callable[..., PresentChances] = present_chances,
) -> PresentState:
    """Work out what stands on each living panel of a group today, and which to tap first.

    Parameters
    ----------
    fleet : Fleet, Evidence or Group
        The findings; a group that was put together already needs no question.
    question : Question, str or Path, optional
        The question.
    draws : int
        Joint draws.
    run : callable
        `map`, or `kit.numerics.forked.forked_map` for joint draws on all cores; the answer does not depend on it.
    say : callable, optional
        Called before each step with its name.
    chances : callable
        What works out the chances, called as `present_chances` is: another one may spread panels over processes.

    Returns
    -------
    PresentState
        Every panel with bounds. A panel of unknown age has the larger of the chances at the oldest and the youngest
        age that it may have.

    Raises
    ------
    QuestionError
        If the question is wrong or the data cannot answer it as it stands.
    """
    group = fleet if isinstance(fleet, Group) else group_of(fleet, question, draws=draws, run=run, say=say)
    living, seed = group.living, group.ask.seed
    if say is not None:
        say("present chances")
    unknown = np.flatnonzero(~living.frame["is_age_known"].to_numpy())
    young = None
    if unknown.size:
        every = living_panels(group.evidence, group.ask, unknown="youngest")
        at = pd.Index(every.frame["panel"]).get_indexer(living.frame["panel"].to_numpy()[unknown])
        young = every.take(at)
    n, d = len(living), group.n_draws
    clean, within, missed_beyond = np.ones((d, n)), np.ones((d, n)), np.ones((d, n))
    not_found, beyond_known = np.ones((d, n)), np.zeros((d, n))
    weights = {}
    for kind, drawn in group.draws.items():
        own = group.multipliers[kind]
        stands = chances(living.lives[kind], drawn, limit=group.limit_mm, multiplier=own, seed=seed)
        if young is not None:
            other = chances(
                young.lives[kind], drawn, limit=group.limit_mm, multiplier=own[:, unknown], seed=seed
            )
            for name in ("damage", "beyond", "found", "found_beyond"):
                values = getattr(stands, name)
                values[:, unknown] = np.maximum(values[:, unknown], getattr(other, name))
        clean *= 1 - np.minimum(stands.damage, 1)
        within *= 1 - np.minimum(stands.beyond, 1)
        missed_beyond *= 1 - np.clip(stands.beyond - stands.found_beyond, 0, 1)
        not_found *= 1 - np.minimum(stands.found, 1)
        weights[kind] = stands.beyond.mean(axis=0)
        to_true = group.ask.measured_to_true
        grown = known_beyond(living.lives[kind], drawn, limit=group.limit_mm, to_true=to_true)
        beyond_known = np.maximum(beyond_known, grown)
    damage, beyond = 1 - clean, 1 - within
    frame = living.frame.copy()
    for name, values in (("damage", damage), ("beyond", beyond)):
        _, low, high = band(values)
        # The mean over the draws is the chance; its bounds say how sure it is.
        frame[name], frame[f"{name}_lower"], frame[f"{name}_upper"] = values.mean(axis=0), low, high
    frame["removed"] = (beyond - (1 - missed_beyond)).mean(axis=0)
    frame["found"] = (1 - not_found).mean(axis=0)
    with np.errstate(invalid="ignore"):
        known = np.array([living.lives[kind].known_mm for kind in group.draws])
    frame["known_mm"] = np.where(
        np.isnan(known).all(axis=0), np.nan, np.nanmax(np.nan_to_num(known, nan=-1.0), axis=0)
    )
    frame["known_beyond"] = beyond_known.mean(axis=0)
    kinds = np.array(list(weights))
    frame["kind"] = kinds[np.argmax(np.array(list(weights.values())), axis=0)] if n else ""
    order = np.lexsort((frame["panel"].to_numpy(str), -frame["removed"].to_numpy()))
    return PresentState(
        group=group,
        frame=frame.iloc[order].reset_index(drop=True),
        damage=damage[:, order],
        beyond=beyond[:, order],
        found=1 - not_found[:, order],
    )


def rank_panels(
    lives: PanelLives,
    draws: KindDraws,
    *,
    limit: float,
    top: int = _EXACT,
    seed: int = 0,
) -> pd.DataFrame:
    """Rank very many panels by the unfound damage beyond the limit that a look takes away.

    Parameters
    ----------
    lives : PanelLives
        The panels, hundreds of thousands of them.
    draws : KindDraws
        Joint draws on their clock, the central value first.
    limit : float
        Largest size that may stay [mm].
    top : int
        Panels on top of the list for which all draws are worked out.
    seed : int
        Of the points.

    Returns
    -------
    DataFrame
        Index row, those to tap first on top: removed and beyond under the central value, and for the top ones beyond_mean,
        beyond_lower and beyond_upper over the draws [-].

    Notes
    -----
    All are ranked under the central value with few samples; only the panels on top, twice as many as asked for, are worked
    out under the draws.
    """
    central = present_chances(lives, draws.taken(np.array([0])), limit=limit, seed=seed, samples=24)
    removed = central.found_beyond[0]
    first = np.argsort(-removed, kind="stable")[: min(2 * top, len(lives))]
    every = present_chances(lives.take(first), thinned(draws, 100), limit=limit, seed=seed)
    mean = every.found_beyond.mean(axis=0)
    best = first[np.argsort(-mean, kind="stable")][:top]
    column = pd.Series(np.arange(first.size), index=first).loc[best].to_numpy()
    rest = np.argsort(-removed, kind="stable")
    rest = rest[~np.isin(rest, best)]
    out = pd.DataFrame(
        {"removed": removed[np.r_[best, rest]], "beyond": central.beyond[0][np.r_[best, rest]]},
        index=pd.Index(np.r_[best, rest], name="row"),
    )
    _, low, high = band(every.beyond[:, column])
    for name, values in (("mean", every.beyond[:, column].mean(axis=0)), ("lower", low), ("upper", high)):
        out[f"beyond_{name}"] = np.nan
        out.iloc[: best.size, out.columns.get_loc(f"beyond_{name}")] = values
    return out
