"""What a change of programme does: two programmes on the same damage from today on, by year, with bounds."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

from kit.findings import Fleet
from kit.intervals import DAYS_PER_YEAR, Evidence, Question, QuestionError
from kit.numerics.forked import Mapped
from kit.numerics.renamed import formerly
from kit.numerics.typing import Floats
from kit.posterior import KindDraws, PodDraws, uniform_points
from kit.programmes.cost import Costs
from kit.programmes.damage import damage_blocks
from kit.programmes.group import DRAWS, LEVEL, Group, Progress, band, group_of, known_and_asked
from kit.programmes.panels import LivingPanels
from kit.programmes.programme import Programme, events_of, look_days, looks_by_period
from kit.programmes.result import Tabled
from kit.programmes.usage import PanelUsage, UsagePlan
from kit.programmes.walk import MEASURES, Events, walk

_REPAIR_DAYS = 90
"""A repair within this of the find counts as made at once (assumed, no source) [days]."""

_MOST_YEARS = 20


def simulate_programme(
    living: LivingPanels,
    draws: Mapping[str, KindDraws],
    events: Events,
    pods: Sequence[Mapping[str, PodDraws | None]],
    *,
    limit: float,
    multipliers: Mapping[str, Floats] | None = None,
    seed: int = 0,
    by_panel: bool = False,
    measures: Sequence[str] = MEASURES,
    lucky: bool = True,
) -> tuple[dict[str, Floats], dict[str, Floats]]:
    """Take the damage of all kinds through the looks of one or more programmes.

    Parameters
    ----------
    living : LivingPanels
        The panels.
    draws : mapping of str to KindDraws
        By kind, the same draws of each.
    events : Events
        What happens to the panels.
    pods : sequence of mapping of str to PodDraws or None
        For each programme, by kind, the POD of its looks; None for that of the draws.
    limit : float
        Largest size that may stay [mm].
    multipliers : mapping of str to ndarray, optional
        By kind: hazard of each panel over that of the group [-].
    seed : int
        Of samples and luck.
    by_panel : bool
        Whether expected numbers are kept by panel and kind, as chances are needed.
    measures : sequence of str
        What is counted, of `MEASURES`.
    lucky : bool
        Whether what may be counted is simulated, too; without it `counted` is empty.

    Returns
    -------
    expected, counted : dict of str to ndarray
        By measure, shape (n_programmes, n_draws, n_periods), or with `by_panel` the expected ones
        (n_programmes, n_draws, n_kinds * n_panels, n_periods).
    """
    n_draws = next(iter(draws.values())).n
    n, b, c = len(living), events.n_periods, len(pods)
    shape = (c, n_draws, n * len(draws), b) if by_panel else (c, n_draws, b)
    expected = {name: np.zeros(shape) for name in measures}
    counted = {name: np.zeros((c, n_draws, b)) for name in measures} if lucky else {}
    ahead = {clock: values[:, -1] for clock, values in events.age.items()}
    for i, (kind, drawn) in enumerate(draws.items()):
        lives = living.lives[kind]
        own = None if multipliers is None else multipliers[kind]
        blocks = damage_blocks(
            lives, drawn, limit=limit, ahead=ahead[lives.clock], multiplier=own, seed=seed + 1000 * i
        )
        for number, (part, damage) in enumerate(blocks):
            rows = damage.rows
            some = [None if pod[kind] is None else _pod_rows(pod[kind], rows) for pod in pods]
            luck = np.random.default_rng(np.random.SeedSequence([seed, 47, i, number])) if lucky else None
            mean, luckily = walk(
                damage,
                lives.take(np.arange(part.start, part.stop)),
                events.take(part),
                some,
                measures=measures,
                luck=luck,
            )
            for name in measures:
                if lucky:
                    counted[name][:, rows] += luckily[name].sum(axis=2)
                if by_panel:
                    at = np.arange(part.start, part.stop) + i * n
                    expected[name][:, rows[:, None], at[None, :]] += mean[name]
                else:
                    expected[name][:, rows] += mean[name].sum(axis=2)
    return expected, counted


def _pod_rows(pod: PodDraws, rows: np.ndarray) -> PodDraws:
    return PodDraws(**{name: values[rows] for name, values in vars(pod).items()})


@dataclass(frozen=True, eq=False, kw_only=True)
class RepairShare:
    """How often damage found within the limit is repaired at once.

    Parameters
    ----------
    repaired, found : int
        First finds within the limit that were repaired at once, and all of them.
    """

    repaired: int
    found: int

    def draws(self, n: int, *, seed: int) -> Floats:
        """Draw the share.

        Parameters
        ----------
        n, seed : int
            Draws and their seed.

        Returns
        -------
        ndarray, shape (n,)
            From the beta posterior of an even prior [-].
        """
        from scipy.special import betaincinv  # quick to load, unlike scipy.stats

        u = uniform_points(n, 1, seed=seed, stream=61)[:, 0]
        return betaincinv(1 + self.repaired, 1 + self.found - self.repaired, u)


def repair_share(evidence: Evidence, group: str, *, limit: float, to_true: float) -> RepairShare:
    """Count how often damage found within the limit was repaired at once.

    Parameters
    ----------
    evidence : Evidence
        The fleet as known.
    group : str
        Group of zones.
    limit : float
        Largest size that may stay [mm].
    to_true : float
        True size over size as mapped [-].

    Returns
    -------
    RepairShare
        Of the group's first finds.
    """
    zones = evidence.zones_of((group,))
    regions = evidence.regions
    some = (
        regions.loc[regions["zone"].isin(zones)]
        .sort_values("found_on", kind="stable")
        .drop_duplicates("track")
    )
    some = some.loc[some["diameter_mm"] * to_true <= limit]
    repairs = evidence.fleet.tables["repairs"]
    repairs = repairs.loc[repairs["repair_class"] != "temporary"].groupby("finding")["repaired_on"].min()
    after = (some["finding"].map(repairs) - some["found_on"]).dt.days
    return RepairShare(repaired=int((after <= _REPAIR_DAYS).sum()), found=len(some))


@dataclass(frozen=True, eq=False, kw_only=True)
class ProgrammeChange(Tabled):
    """Two programmes on the same damage from the cut-off on.

    Parameters
    ----------
    group : Group
        The group.
    present, proposed : Programme
        The two.
    frame : DataFrame
        A row for each year, and one for all: year, and for each quantity its middle under both programmes, present and
        proposed, and the difference with _lower and _upper.
    differences : dict of str to ndarray, shape (n_draws, n_years)
        Proposed less present, luck included, by quantity.
    expected : dict of str to ndarray, shape (2, n_draws, n_years)
        Numbers to be expected under each, by quantity.
    counted : dict of str to ndarray, shape (2, n_draws, n_years)
        The same with luck: one simulation under each draw.
    costs : Costs or None
        What was stated.
    repaired : RepairShare
        How often damage within the limit is repaired at once.
    """

    group: Group
    present: Programme
    proposed: Programme
    frame: pd.DataFrame
    differences: dict[str, Floats]
    expected: dict[str, Floats]
    counted: dict[str, Floats]
    costs: Costs | None
    repaired: RepairShare

    @property
    def cautions(self) -> tuple[str, ...]:
        """What the reader must know."""
        total = self.frame.iloc[-1]
        own = []
        if total["finds_difference"] < 0 and total["exposure_difference"] > 0:
            own.append(
                f"finds fall by {-total['finds_difference']:.1f} while exposure rises by {total['exposure_difference']:,.0f} panel "
                "flight hours: fewer finds do not mean less damage, they mean that fewer looks found it"
            )
        if total["exposure_upper"] > 0 >= total["exposure_difference"]:
            own.append(
                "the change may leave more hours beyond the limit than the present programme: its bounds reach above 0"
            )
        if self.proposed.pod is not None:
            own.append(
                "the POD of the proposed method is stated and not measured here; looks before the change keep the present one"
            )
        if self.exceeds_cap:
            cap = self.group.problem.cap
            own.append(
                f"the proposed repeat exceeds the not-to-exceed limit of {cap:,.0f} {self.group.problem.unit} "
                f"({self.group.problem.cap_basis}): it may not be flown"
            )
        return (*own, *self.group.cautions)

    @property
    def assumptions(self) -> tuple[str, ...]:
        """What does not come from data."""
        lines = [
            "both programmes meet the same damage, and one luck of the looks decides for both",
            "looks fall on the days that spacing and planned usage give; those that are late are made one after the other",
            f"damage within the limit is repaired at once in {self.repaired.repaired} of {self.repaired.found} cases on record; all "
            "beyond it is",
        ]
        lines += [] if self.costs is None else [self.costs.words()]
        return (*lines, *self.group.assumptions)

    @property
    def exceeds_cap(self) -> bool:
        """Whether a proposed repeat is longer than the cap of the programme in force allows."""
        cap = self.group.problem.cap
        lengths = [rule.repeat.get(self.group.ask.clock) for rule in self.proposed.rules]
        return any(length is not None and length > cap * (1 + 1e-9) for length in lengths)

    def outlook(self, which: int) -> pd.DataFrame:
        """Return what is to come under one of the programmes over all years.

        Parameters
        ----------
        which : int
            0 for the present one, 1 for the proposed one.

        Returns
        -------
        DataFrame
            Index quantity; columns expected, lower, upper (of what may be counted, luck included).
        """
        rows = {}
        for name, values in self.counted.items():
            _, low, high = band(values[which].sum(axis=1))
            rows[name] = (float(self.expected[name][which].sum(axis=1).mean()), float(low), float(high))
        out = pd.DataFrame.from_dict(rows, orient="index", columns=["expected", "lower", "upper"])
        return out.rename_axis("quantity")

    def __repr__(self) -> str:
        """Return one line."""
        total = self.frame.iloc[-1]
        return (
            f"ProgrammeChange({self.group.ask.group}: {self.proposed.name} against {self.present.name}, exposure "
            f"{total['exposure_difference']:+,.0f} ({total['exposure_lower']:+,.0f} to {total['exposure_upper']:+,.0f}))"
        )

    def words(self) -> tuple[str, ...]:
        """Say the answer in sentences.

        Returns
        -------
        tuple of str
            Looks, finds, exceedances, exposure, hours and cost over the horizon.
        """
        total, years = self.frame.iloc[-1], len(self.frame) - 1
        names = {
            "looks": "looks",
            "finds": "finds",
            "exceedances": "damages beyond the limit unfound",
            "exposure": "panel flight hours beyond the limit",
            "hours": "working hours",
            "cost": f"cost{' in ' + self.costs.currency if self.costs and self.costs.currency else ''}",
        }
        first = (
            f"Over {years} years from {self.group.living.cut_off:%Y-%m-%d}, {self.proposed.name} against {self.present.name} on the "
            f"{len(self.group.living)} panels of {self.group.ask.group}, {LEVEL:.0%} bounds, luck included:"
        )
        lines = []
        for key, words in names.items():
            if f"{key}_difference" not in total:
                continue
            form = "{:,.0f}" if abs(total[f"{key}_present"]) >= 100 else "{:,.2f}"
            sign = "{:+,.0f}" if abs(total[f"{key}_present"]) >= 100 else "{:+,.2f}"
            bounds = "" if key == "looks" else (
                f" ({sign.format(total[f'{key}_lower'])} to {sign.format(total[f'{key}_upper'])})"
            )  # fmt: skip
            lines.append(
                f"{words}: {form.format(total[f'{key}_proposed'])} against {form.format(total[f'{key}_present'])}, a difference of "
                f"{sign.format(total[f'{key}_difference'])}{bounds}."
            )
        return (first, *lines)


def compare_programmes(
    fleet: Fleet | Evidence | Group,
    question: Question | str | Path | None = None,
    *,
    proposed: Programme,
    present: Programme | None = None,
    years: int = 5,
    usage: UsagePlan | None = None,
    costs: Costs | None = None,
    draws: int = DRAWS,
    run: Mapped = map,
    say: Progress | None = None,
) -> ProgrammeChange:
    """Hold a proposed programme against the present one, on the damage that the panels hold and will get.

    Parameters
    ----------
    fleet : Fleet, Evidence or Group
        The findings; a group that was put together already needs no question.
    question : Question, str or Path, optional
        The question.
    proposed : Programme
        What is proposed.
    present : Programme, optional
        Default: the tap tasks in force.
    years : int
        Horizon [years].
    usage : UsagePlan, optional
        What departs from planned usage.
    costs : Costs, optional
        For hours and cost.
    draws : int
        Joint draws.
    run : callable
        `map`, or `kit.numerics.forked.forked_map` for joint draws on all cores; the answer does not depend on it.
    say : callable, optional
        Called before each step with its name.

    Returns
    -------
    ProgrammeChange
        Looks, finds, repairs, exceedances, exposure, hours and cost by year, with bounds of the difference.

    Raises
    ------
    QuestionError
        If a programme cannot be done, or usage is not planned so far ahead.
    """
    if isinstance(years, bool) or not isinstance(years, int | np.integer) or not 1 <= years <= _MOST_YEARS:
        raise QuestionError(
            f"years must be a whole number from 1 to {_MOST_YEARS}. Got {years!r}; correct it."
        )
    evidence, asked = known_and_asked(fleet, question)
    plan = usage or UsagePlan()
    ends = np.round(DAYS_PER_YEAR * np.arange(1, years + 1))
    last = evidence.fleet.cut_off + pd.Timedelta(days=int(ends[-1]))
    plan.check(evidence.fleet, end=last)
    now = present or Programme.in_force(evidence, asked)
    for one in (now, proposed):
        one.check(evidence, asked)
    if proposed.starts_on is not None and proposed.starts_on >= last:
        raise QuestionError(
            f"programme {proposed.name}: it starts on {proposed.starts_on:%Y-%m-%d}, and what is compared ends on {last:%Y-%m-%d}. "
            "Give more years or an earlier day."
        )
    group = fleet if isinstance(fleet, Group) else group_of(evidence, asked, draws=draws, run=run, say=say)
    living, ask = group.living, group.ask
    if say is not None:
        say("both programmes on the same damage")
    flown = PanelUsage.of(living, plan)
    looks = [
        look_days(now, living, flown, days=float(ends[-1])),
        look_days(proposed, living, flown, days=float(ends[-1]), present=now),
    ]
    if not np.isfinite(looks[1]).any():
        raise QuestionError(
            f"programme {proposed.name}: it looks at nothing within {years} years. Give a shorter repeat or a longer horizon."
        )
    pods = [
        {
            kind: one.pod_draws(drawn, far_side_share=drawn.pod.far_side_share, seed=ask.seed)
            for kind, drawn in group.draws.items()
        }
        for one in (now, proposed)
    ]
    events = events_of(looks, flown, ends, own_from=[_own_from(one, living) for one in (now, proposed)])
    expected, counted = simulate_programme(
        living, group.draws, events, pods, limit=group.limit_mm, multipliers=group.multipliers, seed=ask.seed
    )
    number = np.stack([looks_by_period(one, ends) for one in looks])
    share = repair_share(group.evidence, ask.group, limit=group.limit_mm, to_true=ask.measured_to_true)
    part = share.draws(group.n_draws, seed=ask.seed)[None, :, None]
    for values in (expected, counted):
        values["looks"] = np.broadcast_to(number[:, None, :], values["finds"].shape)
        values["repairs"] = values["finds_beyond"] + part * (values["finds"] - values["finds_beyond"])
        if costs is not None:
            within = values["repairs"] - values["finds_beyond"]
            values["hours"] = (
                costs.look_hours * values["looks"]
                + costs.repair_hours * within
                + costs.repair_beyond_hours * values["finds_beyond"]
            )
            values["cost"] = (
                costs.look * values["looks"]
                + costs.repair * values["repairs"]
                + costs.beyond_limit * values["exceedances"]
                + costs.beyond_hour * values["exposure"]
            )
    names = ["looks", "finds", "finds_beyond", "repairs", "exceedances", "exposure"]
    names += ["hours", "cost"] if costs is not None else []
    differences = {name: counted[name][1] - counted[name][0] for name in names}
    rows = []
    for year in (*range(years), None):
        at = slice(year, year + 1) if year is not None else slice(None)
        row: dict[str, object] = {"year": "all" if year is None else f"{year + 1}"}
        for name in names:
            both = expected[name][:, :, at].sum(axis=2)
            _, low, high = band(differences[name][:, at].sum(axis=1))
            row |= {
                f"{name}_present": float(both[0].mean()),
                f"{name}_proposed": float(both[1].mean()),
                f"{name}_difference": float((both[1] - both[0]).mean()),
                f"{name}_lower": float(low),
                f"{name}_upper": float(high),
            }
        rows.append(row)
    return ProgrammeChange(
        group=group,
        present=now,
        proposed=proposed,
        frame=pd.DataFrame(rows),
        differences=differences,
        expected={name: expected[name] for name in names},
        counted={name: counted[name] for name in names},
        costs=costs,
        repaired=share,
    )


def _own_from(programme: Programme, living: LivingPanels) -> Floats:
    """Day from which each panel is looked at with the programme's own POD."""
    if programme.pod is None:
        return np.full(len(living), np.inf)
    start = 0.0 if programme.starts_on is None else float((programme.starts_on - living.cut_off).days)
    holds = np.ones(len(living), bool)
    if programme.aircraft is not None:
        holds = living.frame["aircraft"].isin(programme.aircraft).to_numpy()
    return np.where(holds, start, np.inf)


play = formerly(simulate_programme, "play")
