"""What a programme of looks asks, and when it looks at each panel from today on."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from kit.detection import DetectionCurve, PodError, PodRegister
from kit.intervals import Evidence, Question, QuestionError, StatedDetection
from kit.numerics.typing import Floats
from kit.posterior import KindDraws, PodBelief, PodDraws, normal_points
from kit.programmes.panels import LivingPanels
from kit.programmes.usage import PanelUsage
from kit.programmes.walk import Events

_UNIT_OF = {"flight_hours": "flight_hours", "flight_cycles": "flight_cycles", "calendar_days": "days"}
_OVERDUE_DAYS = 60.0  # over which looks that are late today are made (assumed, no source)
_MOST_LOOKS = 400


@dataclass(frozen=True, kw_only=True)
class Rule:
    """One task of a programme: looks after a first one, whichever of its clocks comes first.

    Parameters
    ----------
    repeat, first : mapping of str to float
        By clock: spacing of the looks, and age at the first one [clock units].
    zones : tuple of str
        Zones that it looks at.
    """

    repeat: Mapping[str, float]
    first: Mapping[str, float]
    zones: tuple[str, ...]


@dataclass(frozen=True, kw_only=True)
class Programme:
    """Looks at the panels of one group.

    Parameters
    ----------
    name : str
        In words.
    rules : tuple of Rule
        Its tasks.
    starts_on : Timestamp, optional
        Day from which it holds; until then the one in force goes on. Default: from today.
    phase_in_days : float
        Time over which looks that it makes late at once are spread [days].
    aircraft : tuple of str, optional
        Aircraft that it holds for; the others stay with the one in force. Default: all.
    pod : StatedDetection, optional
        POD of its looks; default that of the question.
    """

    name: str
    rules: tuple[Rule, ...]
    starts_on: pd.Timestamp | None = None
    phase_in_days: float = 0.0
    aircraft: tuple[str, ...] | None = None
    pod: StatedDetection | None = None

    @classmethod
    def every(
        cls,
        evidence: Evidence,
        ask: Question,
        repeat: float,
        *,
        first: float | None = None,
        days: float | None = None,
        name: str | None = None,
        starts_on: str | pd.Timestamp | None = None,
        phase_in_days: float = 0.0,
        zones: Sequence[str] | None = None,
        aircraft: Sequence[str] | None = None,
        pod: str | StatedDetection | None = None,
    ) -> Programme:
        """Make a programme of looks at one spacing.

        Parameters
        ----------
        evidence : Evidence
            The fleet as known.
        ask : Question
            The question; its clock is that of the spacing.
        repeat : float
            Spacing of the looks [units of the question's clock].
        first : float, optional
            Age at the first look; default the spacing [units of the question's clock].
        days : float, optional
            The spacing in days, where that comes first.
        name : str, optional
            In words.
        starts_on : date or str, optional
            Day from which it holds.
        phase_in_days : float
            Time over which looks that it makes late at once are spread [days].
        zones, aircraft : sequence of str, optional
            What it holds for; default all of the group.
        pod : str or StatedDetection, optional
            POD of its looks: a name of the register, or numbers.

        Returns
        -------
        Programme
            Checked against the fleet.

        Raises
        ------
        QuestionError
            If it looks at nothing, starts in the past, or names what the dataset lacks.
        """
        own = evidence.zones_of((ask.group,))
        for label, value in (("repeat", repeat), ("first", first), ("days", days)):
            if value is not None and not 0 < value < np.inf:
                raise QuestionError(
                    f"programme: `{label}` must be positive and finite: a programme must look at something. Got {value!r}; "
                    "give the spacing of the looks."
                )
        limits = {ask.clock: float(repeat)} | ({} if days is None else {"calendar_days": float(days)})
        unit = ask.clock.replace("_", " ")
        words = name or f"every {repeat:,.0f} {unit}" + ("" if days is None else f" or {days:,.0f} days")
        zones = own if zones is None else list(zones)
        made = cls(
            name=words,
            rules=(
                Rule(
                    repeat=limits,
                    first={ask.clock: float(repeat if first is None else first)},
                    zones=tuple(zones),
                ),
            ),
            starts_on=None if starts_on is None else pd.Timestamp(starts_on),
            phase_in_days=float(phase_in_days),
            aircraft=None if aircraft is None else tuple(aircraft),
            pod=_pod_of(evidence, pod),
        )
        made.check(evidence, ask)
        return made

    @classmethod
    def in_force(cls, evidence: Evidence, ask: Question) -> Programme:
        """Return the tap tasks that are in force on the cut-off.

        Parameters
        ----------
        evidence : Evidence
            The fleet as known.
        ask : Question
            The question.

        Returns
        -------
        Programme
            Its tasks with a repeat.

        Raises
        ------
        QuestionError
            If there is none.
        """
        fleet, zones = evidence.fleet, set(evidence.zones_of((ask.group,)))
        tasks = fleet.tables["tasks"]
        now = (tasks["valid_from"] <= fleet.cut_off) & ~(tasks["valid_to"] < fleet.cut_off)
        rules = []
        for row in tasks.loc[now & tasks["method"].str.startswith("tap")].to_dict("records"):
            named = tuple(sorted(zones & {zone.strip() for zone in row["zones"].split(";")}))
            repeat, first = (
                {
                    clock: float(row[f"{prefix}_{unit}"])
                    for clock, unit in _UNIT_OF.items()
                    if np.isfinite(row[f"{prefix}_{unit}"])
                }
                for prefix in ("repeat", "threshold")
            )
            if named and repeat:
                rules.append(Rule(repeat=repeat, first=first or repeat, zones=named))
        if not rules:
            raise QuestionError(
                f"programme: no tap task with a repeat is in force for {ask.group} on {fleet.cut_off:%Y-%m-%d}. Add it to the "
                "tasks table, or state the present repeat."
            )
        return cls(name="in force", rules=tuple(rules))

    def check(self, evidence: Evidence, ask: Question) -> None:
        """Refuse what cannot be done.

        Parameters
        ----------
        evidence : Evidence
            The fleet as known.
        ask : Question
            The question.

        Raises
        ------
        QuestionError
            If it looks at nothing, starts in the past, or names what the dataset lacks.
        """
        fleet, own = evidence.fleet, set(evidence.zones_of((ask.group,)))
        zones = {zone for rule in self.rules for zone in rule.zones}
        unknown = sorted(zones - own)
        if unknown:
            raise QuestionError(
                f"programme {self.name}: {', '.join(unknown)} are no zones of {ask.group}. Known are {', '.join(sorted(own))}."
            )
        if not zones or not any(rule.repeat for rule in self.rules):
            raise QuestionError(f"programme {self.name}: it looks at nothing. Give it zones and a repeat.")
        known = set(fleet.tables["aircraft"]["aircraft"])
        strange = sorted(set(self.aircraft or ()) - known)
        if strange or (self.aircraft is not None and not self.aircraft):
            raise QuestionError(
                f"programme {self.name}: aircraft {', '.join(strange) or 'none'} are not in the dataset. Known are "
                f"{', '.join(sorted(known)[:8])} and so on."
            )
        if self.starts_on is not None and self.starts_on < fleet.cut_off:
            raise QuestionError(
                f"programme {self.name}: it must not start in the past. Got {self.starts_on:%Y-%m-%d}, and the data end on "
                f"{fleet.cut_off:%Y-%m-%d}; give a later day."
            )
        if not 0 <= self.phase_in_days < np.inf:
            raise QuestionError(
                f"programme {self.name}: `phase_in_days` must be at least 0. Got {self.phase_in_days!r}; correct it."
            )

    def pod_draws(self, draws: KindDraws, *, far_side_share: Floats, seed: int) -> PodDraws | None:
        """Draw the POD of its looks, as often as the damage is drawn.

        Parameters
        ----------
        draws : KindDraws
            Joint draws of the damage.
        far_side_share : ndarray, shape (n_draws,)
            Of the damage, whatever looks at it [-].
        seed : int
            Of the random numbers.

        Returns
        -------
        PodDraws or None
            None where it looks as the question says.
        """
        if self.pod is None:
            return None
        pod = self.pod
        belief = PodBelief(
            curve=DetectionCurve(
                pod.a50_mm, pod.slope, pod.plateau, 0.0, pod.far_side_plateau, basis=pod.basis
            ),
            log_a50_sd=pod.log_a50_sd,
            log_slope_sd=pod.log_slope_sd,
            logit_plateau_sd=pod.logit_plateau_sd,
        )
        made = belief.draws(normal_points(draws.n, 4, seed=seed, stream=77))
        return PodDraws(
            a50=made.a50,
            slope=made.slope,
            plateau=made.plateau,
            far_side_share=far_side_share,
            far_side_plateau=made.far_side_plateau,
        )


def _pod_of(evidence: Evidence, pod: str | StatedDetection | None) -> StatedDetection | None:
    if pod is None or isinstance(pod, StatedDetection):
        return pod
    try:
        entry = PodRegister.of_dataset(evidence.fleet.source).get(pod)
    except PodError as problem:
        raise QuestionError(f"programme: pod: {problem}") from None
    return StatedDetection.of_entry(entry)


def look_days(
    programme: Programme,
    living: LivingPanels,
    usage: PanelUsage,
    *,
    days: float,
    present: Programme | None = None,
) -> Floats:
    """Work out the days on which a programme looks at each panel.

    Parameters
    ----------
    programme : Programme
        What it asks.
    living : LivingPanels
        The panels on the cut-off.
    usage : PanelUsage
        What they are going to fly.
    days : float
        Horizon [days].
    present : Programme, optional
        The programme in force, that goes on until the other starts and on aircraft that it does not hold for.

    Returns
    -------
    ndarray, shape (n_panels, n_most)
        Days from the cut-off, rising; infinite where there are no more.
    """
    start = 0.0 if programme.starts_on is None else float((programme.starts_on - living.cut_off).days)
    since = {name: values.copy() for name, values in living.since_look.items()}
    before = np.full((len(living), 0), np.inf)
    if present is not None and (start > 0 or programme.aircraft is not None):
        old = look_days(present, living, usage, days=days)
        holds = (
            np.ones(len(living), bool)
            if programme.aircraft is None
            else living.frame["aircraft"].isin(programme.aircraft).to_numpy()
        )
        before = np.where((old < start) | ~holds[:, None], old, np.inf)
    else:
        holds = np.ones(len(living), bool)
    # The last look counts, be it on record or one that the programme in force makes before the other starts.
    made = np.where(before < start, before, -np.inf).max(axis=1, initial=-np.inf)
    parts = [before]
    for rule in programme.rules:
        rows = holds & living.frame["zone"].isin(rule.zones).to_numpy()
        if rows.any():
            parts.append(
                _looks_of(rule, living, usage, rows, since, made, start, days, programme.phase_in_days)
            )
    every = np.sort(np.concatenate(parts, axis=1), axis=1)
    # Looks on one day are one.
    every = np.minimum(every, days)
    again = np.diff(every, axis=1, prepend=-2.0) < 1.0
    every[again | (every >= days)] = np.inf
    every = np.sort(every, axis=1)
    return every[:, : max(int(np.isfinite(every).sum(axis=1).max(initial=0)), 1)]


def _looks_of(rule, living, usage, rows, since, made, start, days, phase_in) -> Floats:
    n = len(living)
    at = np.full(n, start)
    due = np.full(n, np.inf)
    for clock in {**rule.repeat, **rule.first}:
        age = living.age[clock] + usage.at(at[:, None], clock)[:, 0]
        after = since[clock] + usage.at(at[:, None], clock)[:, 0]
        looked = np.isfinite(made)
        after = np.where(
            looked,
            usage.at(at[:, None], clock)[:, 0] - usage.at(np.where(looked, made, 0.0)[:, None], clock)[:, 0],
            after,
        )
        wait = np.full(n, np.inf)
        has_look = np.isfinite(after)
        if clock in rule.repeat:
            wait = np.where(has_look, rule.repeat[clock] - after, wait)
        if clock in rule.first:
            # A panel never looked at is due at the first look; one looked at before it, not sooner than that.
            early = has_look & (age - after < rule.first[clock] * (1 - 1e-9))
            wait = np.where(
                ~has_look,
                rule.first[clock] - age,
                np.where(early, np.maximum(wait, rule.first[clock] - age), wait),
            )
        late = wait <= 0
        day = usage.day_of(np.where(np.isfinite(wait), wait, 0.0), clock, after=at)
        due = np.minimum(due, np.where(late, -np.inf, np.where(np.isfinite(wait), day, np.inf)))
    overdue = rows & np.isneginf(due)
    if overdue.any():
        # Those that are late are looked at one after the other.
        turn = (np.arange(int(overdue.sum())) + 0.5) / overdue.sum()
        due[overdue] = start + turn * max(phase_in, _OVERDUE_DAYS)
    due = np.where(rows, due, np.inf)
    columns = [due]
    for _ in range(_MOST_LOOKS):
        if not (due < days).any():
            break
        again = np.full(n, np.inf)
        for clock, length in rule.repeat.items():
            going = np.isfinite(due)
            day = usage.day_of(np.full(n, length), clock, after=np.where(going, due, 0.0))
            again = np.minimum(again, np.where(going, day, np.inf))
        due = again
        columns.append(due)
    return np.column_stack(columns)


def events_of(
    looks: Sequence[Floats], usage: PanelUsage, ends: Floats, *, own_from: Sequence[Floats] | None = None
) -> Events:
    """Put the looks of one or more programmes and the ends of periods in order.

    Parameters
    ----------
    looks : sequence of ndarray
        For each programme, as `look_days` gives them.
    usage : PanelUsage
        What the panels are going to fly.
    ends : ndarray, shape (n_periods,)
        Days from the cut-off on which periods end, rising; the last one is the horizon.
    own_from : sequence of ndarray, shape (n_panels,), optional
        For each programme, the day from which its looks are made with its own POD; default never.

    Returns
    -------
    Events
        The same moments for every programme, so that all meet the same damage.
    """
    n = looks[0].shape[0]
    stops = np.broadcast_to(ends, (n, ends.size))
    day = np.sort(np.concatenate([*looks, stops], axis=1), axis=1)
    day = np.where(day <= ends[-1], day, ends[-1])
    again = np.diff(day, axis=1, prepend=-1.0) <= 0
    day = np.sort(np.where(again, ends[-1], day), axis=1)
    width = int((np.diff(day, axis=1, prepend=-1.0) > 0).sum(axis=1).max())
    day = day[:, :width]
    is_new = np.diff(day, axis=1, prepend=-1.0) > 0
    is_look = tuple(_is_in(day, one) & is_new for one in looks)
    period = np.minimum(np.searchsorted(ends, day, side="left"), ends.size - 1)
    age = {clock: usage.at(day, clock) for clock in usage.per_day}
    never = np.full(n, np.inf)
    is_own = tuple(day >= since[:, None] for since in own_from or (never,) * len(looks))
    return Events(day=day, period=period, is_look=is_look, is_own=is_own, age=age, n_periods=ends.size)


def _is_in(day: Floats, looks: Floats) -> np.ndarray:
    out = np.zeros(day.shape, bool)
    for column in looks.T:
        out |= day == column[:, None]
    return out


def looks_by_period(looks: Floats, ends: Floats) -> Floats:
    """Count looks by period.

    Parameters
    ----------
    looks : ndarray, shape (n_panels, n_most)
        As `look_days` gives them.
    ends : ndarray, shape (n_periods,)
        Ends of the periods [days].

    Returns
    -------
    ndarray, shape (n_periods,)
        Looks at one panel [-].
    """
    some = looks[looks <= ends[-1]]
    return np.bincount(np.searchsorted(ends, some, side="left"), minlength=ends.size)[: ends.size].astype(
        float
    )
