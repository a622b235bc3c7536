"""Which zones are damaged most: finds set against those that each zone's own looks should show if it were average."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from kit.findings import TAP_METHODS, Fleet, PanelAges, clean_methods, need_fleet
from kit.growth import Growth, SizeDetection, fit_onset_size, fit_tracks
from kit.life import (
    AFTER_REPAIR,
    Histories,
    MethodDetection,
    NoFiniteMaximum,
    build_histories,
    fit_weibull,
    with_covariates,
)
from kit.numerics.typing import Floats
from kit.numerics.words import in_words, percent
from kit.ranking.expected import MOST_LOOKS, expected_damage, sampled_lives
from kit.ranking.false_calls import fit_false_calls
from kit.ranking.funnel import funnel_table
from kit.ranking.ranks import RankDraws, false_discoveries
from kit.ranking.rates import zone_hours
from kit.ranking.selection import DISBOND_KINDS, EVERYTHING, Selection, check_by, check_kinds
from kit.ranking.settings import KindSettings, RankingSettings
from kit.ranking.shrinkage import Shrunken, shrink
from kit.regions import tracked_regions

_FEW = 20  # finds below which the shape is assumed (common practice, no source)
_SPREAD_PRIOR = (0.45, 0.35)  # weak prior of the log spread of sizes at onset (assumed, no source)
_Z = np.array([-1.5, 0.0, 1.5])  # at which expected finds are worked out; between them they run smoothly
_CLOCK_COLUMN = {
    "flight_hours": "panel_flight_hours",
    "flight_cycles": "panel_flight_cycles",
    "calendar_days": "panel_years",
}
_DAYS_PER_YEAR = 365.25


@dataclass(frozen=True, eq=False, kw_only=True)
class KindRanking:
    """Zones ranked by one kind of damage.

    Parameters
    ----------
    kind : str
        Kind of damage, or ``all`` for several together.
    draws : Shrunken or None
        How much more often each zone is damaged than an average one; None for several kinds together.
    ranks : RankDraws
        Damages that arise per 1,000 panel flight hours.
    found, expected, false_calls : ndarray, shape (n_zones,)
        First finds of lives; those that an average zone would show; and false calls among them [-].
    detected : ndarray, shape (n_zones,)
        Damage that the zone's looks find, over that which arises while they watch; above 1 where much of what they find
        arose before [-].
    raw_rate : ndarray, shape (n_zones,)
        Finds per 1,000 panel flight hours, as rank by which nothing is corrected.
    assumptions : tuple of str
        What does not come from data.
    """

    kind: str
    draws: Shrunken | None
    ranks: RankDraws
    found: Floats
    expected: Floats
    false_calls: Floats
    detected: Floats
    raw_rate: Floats
    assumptions: tuple[str, ...]

    def to_frame(self, *, k: int = 3, level: float = 0.9) -> pd.DataFrame:
        """Return one row a zone, worst first.

        Parameters
        ----------
        k : int
            Of the chance to be among the worst k.
        level : float
            Probability between lower and upper [-].

        Returns
        -------
        DataFrame
            Index name; found, expected, false_calls, detected, ratio, raw_per_1000_fh, raw_rank, the columns of
            `RankDraws.to_frame`, rank (by expected rank), moved (raw rank less rank: above 0, worse than it looked), why,
            worse_than_mean (named with at most 5 % wrong names).
        """
        table = self.ranks.to_frame(k=k, level=level)
        with np.errstate(divide="ignore", invalid="ignore"):
            ratio = np.where(
                self.expected > 0, np.maximum(self.found - self.false_calls, 0) / self.expected, np.nan
            )
        out = pd.DataFrame(
            {
                "found": self.found,
                "expected": self.expected,
                "false_calls": self.false_calls,
                "detected": self.detected,
                "ratio": ratio,
                "raw_per_1000_fh": self.raw_rate,
                "raw_rank": pd.Series(self.raw_rate).rank(method="min", ascending=False).to_numpy(int),
            },
            index=table.index,
        ).join(table)
        out["rank"] = out["expected_rank"].rank(method="min").astype(int)
        out["moved"] = out["raw_rank"] - out["rank"]
        out["why"] = self._why(out)
        relative = self.ranks.rate / self.ranks.rate.mean(axis=1, keepdims=True)
        out["worse_than_mean"] = false_discoveries((relative <= 1).mean(axis=0))
        return out.sort_values(["expected_rank"], kind="stable")

    def _why(self, out: pd.DataFrame) -> list[str]:
        """Say what moved each zone from its raw place."""
        usual = float(np.nanmedian(self.detected))
        words = []
        for row in out.itertuples():
            parts = []
            if row.detected < 0.9 * usual:
                parts.append(
                    f"its looks find {percent(row.detected)} of what arises, {percent(usual)} is usual"
                )
            elif row.detected > 1.1 * usual:
                parts.append(
                    f"its looks find more than usual, {percent(row.detected)} against {percent(usual)}"
                )
            if row.found and row.false_calls / row.found > 0.15:
                parts.append(f"{row.false_calls:.1f} of {row.found:.0f} finds are likely false calls")
            if row.found < 10:
                parts.append("few finds, drawn towards the mean")
            words.append("; ".join(parts) if row.moved else "")
        return words

    def words(self, *, level: float = 0.95) -> tuple[str, ...]:
        """Say which zone may be the worst, which are indistinguishable, and what moved zones from their rank by finds.

        Parameters
        ----------
        level : float
            Probability that the worst is among those named [-].

        Returns
        -------
        tuple of str
            Sentences, the last a list.
        """
        moved = self.to_frame().query("why != ''")
        told = "; ".join(", ".join(in_words(name) for name in names) for names in self.ranks.sets(level))
        worst = ", ".join(in_words(name) for name in self.ranks.may_be_worst(level))
        return (
            f"The worst is one of {worst} ({percent(level)}).",
            f"Indistinguishable: {told}." if told else "All are distinguishable.",
            "\n".join(
                f"- {in_words(name)}: {row['raw_rank']} by finds, {row['rank']} by damage: {row['why']}"
                for name, row in moved.iterrows()
            ),
        )

    def funnel(self) -> pd.DataFrame:
        """Return found over expected with the limits of a funnel plot.

        Returns
        -------
        DataFrame
            As `funnel_table`; expected about the mean of the zones, false calls included.
        """
        true = self.expected * max(self.found.sum() - self.false_calls.sum(), 0.5) / self.expected.sum()
        return funnel_table(self.ranks.names, self.found, true + self.false_calls)

    def __repr__(self) -> str:
        """Return one line."""
        return f"KindRanking({self.kind}, {len(self.ranks.names)} zones, finds={self.found.sum():.0f})"


@dataclass(frozen=True, eq=False, kw_only=True)
class DamageRanking:
    """Zones ranked by damage, by kind and together.

    Parameters
    ----------
    by : str
        ``zone`` or ``group``.
    kinds : dict of str to KindRanking
        By kind; ``all`` for all of them together.
    selection : Selection
        What counts.
    """

    by: str
    kinds: dict[str, KindRanking]
    selection: Selection

    def __getitem__(self, kind: str) -> KindRanking:
        """Return the ranking by one kind."""
        return self.kinds[kind]

    def to_frame(self, *, k: int = 3, level: float = 0.9) -> pd.DataFrame:
        """Return one row a kind and zone.

        Parameters
        ----------
        k : int
            Of the chance to be among the worst k.
        level : float
            Probability between lower and upper [-].

        Returns
        -------
        DataFrame
            Columns kind, zone or group, and those of `KindRanking.to_frame`.
        """
        parts = [
            one.to_frame(k=k, level=level).rename_axis(self.by).reset_index().assign(kind=kind)
            for kind, one in self.kinds.items()
        ]
        table = pd.concat(parts, ignore_index=True)
        return table[["kind", *[name for name in table.columns if name != "kind"]]]

    def __repr__(self) -> str:
        """Return one line."""
        worst = ", ".join(f"{kind}: {one.to_frame().index[0]}" for kind, one in self.kinds.items())
        return f"DamageRanking(by {self.by}; {worst})"


@dataclass(frozen=True, eq=False, kw_only=True)
class Counted:
    """What the looks and findings of a fleet come to, before zones are ranked by it.

    Parameters
    ----------
    exposure : DataFrame
        As `zone_hours` gives it.
    regions : DataFrame
        As `kit.regions.tracked_regions` gives them.
    lives : dict of str to Histories
        By kind of damage: as `kit.build_histories` makes them on the clock of the kind, lives after a repair included.
    looks : Series or None
        Number of looks by method, and
    selected : DataFrame or None
        as `selected_regions` gives them; both where false calls are to be fitted.
    """

    exposure: pd.DataFrame
    regions: pd.DataFrame
    lives: dict[str, Histories]
    looks: pd.Series | None = None
    selected: pd.DataFrame | None = None

    @classmethod
    def of_fleet(
        cls, fleet: Fleet, settings: RankingSettings, kinds: Sequence[str], selection: Selection = EVERYTHING
    ) -> Counted:
        """Count a fleet in memory.

        Parameters
        ----------
        fleet : Fleet
            The findings as loaded.
        settings : RankingSettings
            Clocks.
        kinds : sequence of str
            Kinds of damage.
        selection : Selection
            What counts.

        Returns
        -------
        Counted
            Ready to be ranked by.
        """
        return cls(
            exposure=zone_hours(fleet, selection),
            regions=tracked_regions(fleet),
            lives={
                kind: build_histories(
                    fleet, kind=kind, clock=settings.kind(kind).clock, include_repaired=True
                )
                for kind in kinds
            },
        )


def rank_by_damage(
    fleet: Fleet,
    *,
    settings: RankingSettings | None = None,
    by: str = "group",
    kinds: Sequence[str] | None = None,
    selection: Selection = EVERYTHING,
    prior: str = "gamma",
    draws: int = 4096,
    pod_sets: int = 8,
    seed: int = 1,
    counted: Counted | None = None,
) -> DamageRanking:
    r"""Rank zones by the damage that arises, not by what was found of it.

    Parameters
    ----------
    fleet : Fleet
        The findings as loaded.
    settings : RankingSettings, optional
        PODs by method and skin, false calls, clocks. Default: those beside the dataset, else assumed ones.
    by : str
        ``zone`` or ``group``.
    kinds : sequence of str, optional
        Kinds of damage. Default: `DISBOND_KINDS` as far as they were found.
    selection : Selection
        What counts. A period, a climate or a method leaves out looks and the finds made by them.
    prior : str
        How zones differ: ``gamma`` or ``log-normal``.
    draws, pod_sets, seed : int
        Draws, sets of PODs among them, and their random numbers.
    counted : Counted, optional
        What the looks and findings of the fleet come to, so that it is not worked out again.

    Returns
    -------
    DamageRanking
        By kind, and all of them together as the sum of their rates.

    Raises
    ------
    ValueError
        If `by` or a kind is unknown, or nothing was found.

    Notes
    -----
    Indirect standardisation: each zone's own looks - dates, methods, skins - under the life, size at onset
    and growth that all zones have in common say how many first finds an average zone would show
    (`expected_damage`). Found against expected is a Poisson rate ratio about which `shrink` puts its draws; the rate of damage is the
    multiplier times what arises under the common life over the hours watched. A life ends with its first find; a
    repaired panel begins another at its virtual age. POD is drawn as stated with its standard error, one draw
    for each class of skin and method.
    """
    need_fleet(fleet)
    check_by(by)
    check_kinds(kinds)
    selection.checked(fleet)
    ask = RankingSettings.of_source(fleet.source) if settings is None else settings
    seen = set(fleet.damage["kind"])
    wanted = [kind for kind in DISBOND_KINDS if kind in seen] if kinds is None else list(kinds)
    if counted is None:
        counted = Counted.of_fleet(fleet, ask, wanted, selection)
    false = _false_rates(fleet, ask, selection, counted)
    made = {}
    for at, kind in enumerate(wanted):
        one = _one_kind(
            fleet,
            counted,
            ask,
            kind,
            by,
            selection,
            prior,
            false,
            draws,
            pod_sets,
            seed + 1000 * at,
        )
        if one is not None:
            made[kind] = one
    if not made:
        raise ValueError(
            f"`fleet` must hold finds of {', '.join(wanted) or 'any kind that tapping sees'} made by looks of the selection "
            f"({selection.words()}). Got none: widen the selection."
        )
    if len(made) > 1:
        made = {"all": _together(list(made.values()))} | made
    return DamageRanking(by=by, kinds=made, selection=selection)


def _together(parts: list[KindRanking]) -> KindRanking:
    """Add up the rates of several kinds, draw by draw."""
    arose = np.sum([one.expected / np.maximum(one.detected, 1e-9) for one in parts], axis=0)
    expected = np.sum([one.expected for one in parts], axis=0)
    return KindRanking(
        kind="all",
        draws=None,
        ranks=RankDraws(names=parts[0].ranks.names, rate=np.sum([one.ranks.rate for one in parts], axis=0)),
        found=np.sum([one.found for one in parts], axis=0),
        expected=expected,
        false_calls=np.sum([one.false_calls for one in parts], axis=0),
        detected=expected / np.maximum(arose, 1e-9),
        raw_rate=np.sum([one.raw_rate for one in parts], axis=0),
        assumptions=tuple(dict.fromkeys(word for one in parts for word in one.assumptions)),
    )


def _false_rates(
    fleet: Fleet, ask: RankingSettings, selection: Selection, counted: Counted
) -> dict[str, float]:
    """Return false calls per look by method, as stated or fitted."""
    if isinstance(ask.false_calls, str):
        fitted = fit_false_calls(fleet, selection, looks=counted.looks, regions=counted.selected)
        return fitted["per_look"].to_dict()
    return {str(name): float(rate) for name, rate in ask.false_calls.items()}


@dataclass(frozen=True, eq=False, kw_only=True)
class KindLives:
    """Lives of one kind of damage, ready to be set against what their looks should show.

    Parameters
    ----------
    kind : str
        Kind of damage.
    lives : Histories
        Clean until, found by; each look labelled by method and class of skin.
    watched : Histories
        The same with the looks that count, whatever they found.
    found : ndarray of bool, shape (n_lives,)
        Whether a look that counts found damage.
    zone : ndarray of object, shape (n_lives,)
        Zone of each life.
    growth : Growth
        Size at onset and growth that all zones have in common.
    shape, scale : float
        Of the common life [-], [clock units].
    settings : RankingSettings
        PODs and false calls.
    assumptions : tuple of str
        What does not come from data.
    """

    kind: str
    lives: Histories
    watched: Histories
    found: np.ndarray
    zone: np.ndarray
    growth: Growth
    shape: float
    scale: float
    settings: RankingSettings
    assumptions: tuple[str, ...]

    def detection(self, z: float = 0.0) -> MethodDetection:
        """Return the chance of detection by the delay since onset, for each method and class of skin.

        Parameters
        ----------
        z : float
            Standard errors by which the logs of all a50 are off [-].

        Returns
        -------
        MethodDetection
            By label of the looks.
        """
        return _detection(self.lives, self.settings, self.kind, self.growth, z)

    def expected(self, z: float = 0.0, *, most: int = MOST_LOOKS) -> pd.DataFrame:
        """Return what each life should show under the common life.

        Parameters
        ----------
        z : float
            As for `detection`.
        most : int
            With more looks than this, lives drawn from each zone stand for the others, which then show nothing.

        Returns
        -------
        DataFrame
            As `expected_damage` gives it; sums by zone are those of all lives, or their estimate.
        """
        weight = sampled_lives(self.zone, np.diff(self.watched.look_start), most=most)
        if (weight == 1).all():
            return expected_damage(self.watched, self.detection(z), scale=self.scale, shape=self.shape)
        rows = np.flatnonzero(weight > 0)
        table = expected_damage(
            self.watched.take(rows), self.detection(z), scale=self.scale, shape=self.shape
        ).mul(weight[rows], axis=0)
        return table.set_axis(rows).reindex(range(weight.size), fill_value=0.0)


def _detection(
    lives: Histories, ask: RankingSettings, kind: str, growth: Growth, z: float
) -> MethodDetection:
    share = ask.kind(kind).far_side_share
    labels = sorted({label for label in lives.look_method if label})
    return MethodDetection(
        {
            label: SizeDetection(ask.pod(*label.split("|")).curve(far_side_share=share, z=z), growth)
            for label in labels
        }
    )


def lives_of_kind(
    fleet: Fleet,
    kind: str,
    *,
    settings: RankingSettings | None = None,
    selection: Selection = EVERYTHING,
    regions: pd.DataFrame | None = None,
    histories: Histories | None = None,
) -> KindLives:
    """Gather the lives of one kind of damage with the growth and the life that all zones have in common.

    Parameters
    ----------
    fleet : Fleet
        The findings as loaded.
    kind : str
        Kind of damage.
    settings : RankingSettings, optional
        As for `rank_by_damage`.
    selection : Selection
        What counts.
    regions : DataFrame, optional
        What `kit.regions.tracked_regions` gave, so that it is not worked out again.
    histories : Histories, optional
        Lives of the kind on its clock, those after a repair included, likewise.

    Returns
    -------
    KindLives
        A find made otherwise than by the looks that count ends a life and is no find.

    Raises
    ------
    ValueError
        If no look of the selection sees the kind.
    """
    ask = RankingSettings.of_source(fleet.source) if settings is None else settings
    given = ask.kind(kind)
    every = histories
    if every is None:
        every = build_histories(fleet, kind=kind, clock=given.clock, include_repaired=True)
    lives = _in_selection(every, fleet, selection)
    if not lives.look_age.size:
        raise ValueError(
            f"`fleet` must hold looks of the selection that see {kind} ({selection.words()}). Got none: widen the selection."
        )
    zone_of = with_covariates(lives, fleet, ["zone"])["zone"].to_numpy(object)
    zones = fleet.tables["zones"].set_index("zone")
    thickness = zones["outer_thickness"].to_dict()
    classes = np.array([ask.skin_class(float(thickness.get(zone, np.nan))) for zone in zone_of], dtype=object)
    by_method = (
        lives.look_method if lives.look_method is not None else np.full(lives.look_age.size, "", object)
    )
    owner = np.repeat(np.arange(len(lives)), np.diff(lives.look_start))
    is_found = np.isfinite(lives.upper)
    last = np.maximum(lives.look_start[1:] - 1, 0)
    found_by = np.where(np.diff(lives.look_start) > 0, by_method[last], "") if by_method.size else by_method
    counts = is_found & np.isin(found_by, list(clean_methods(kind)))
    labelled = replace(lives, look_method=_labels(by_method, classes[owner]))
    growth, notes = _growth(
        fleet, tracked_regions(fleet) if regions is None else regions, every, ask, given, kind
    )
    shape, scale, more = _life(labelled, _detection(labelled, ask, kind, growth, 0.0), given, kind)
    return KindLives(
        kind=kind,
        lives=labelled,
        watched=_without_last(labelled, is_found & ~counts),
        found=counts,
        zone=zone_of,
        growth=growth,
        shape=shape,
        scale=scale,
        settings=ask,
        assumptions=(*notes, *more),
    )


def _one_kind(
    fleet: Fleet,
    counted: Counted,
    ask: RankingSettings,
    kind: str,
    by: str,
    selection: Selection,
    prior: str,
    false: dict[str, float],
    n: int,
    pod_sets: int,
    seed: int,
) -> KindRanking | None:
    exposure, lives = counted.exposure, counted.lives[kind]
    made = lives_of_kind(
        fleet, kind, settings=ask, selection=selection, regions=counted.regions, histories=lives
    )
    clock, watched = ask.kind(kind).clock, made.watched
    zones = fleet.tables["zones"].set_index("zone")
    names, at = _units(made.zone, zones, by, exposure)
    found = np.bincount(at[made.found & (at >= 0)], minlength=len(names)).astype(float)
    if found.sum() <= 0:
        return None
    expected, arose, watch = [], None, None
    for z in _Z:
        table = made.expected(float(z)).loc[at >= 0]
        arose, middle, watch = (
            np.bincount(at[at >= 0], weights=table[name], minlength=len(names)) for name in table
        )
        expected.append(middle)
    sets = _pod_sets(np.array(expected), _class_of_unit(names, zones, ask, by), pod_sets, seed)
    calls = np.zeros(len(names))
    if kind == ask.false_call_kind:
        rate = np.array([false.get(label.split("|")[0], 0.0) for label in watched.look_method])
        of_look = np.repeat(at, np.diff(watched.look_start))
        calls = np.bincount(of_look[of_look >= 0], weights=rate[of_look >= 0], minlength=len(names))
    shrunken = shrink(names, found, sets, false_calls=calls, prior=prior, n=n, seed=seed)
    summed = exposure.groupby("group").sum(numeric_only=True) if by == "group" else exposure
    summed = summed.reindex(names)
    hours = summed["panel_flight_hours"].to_numpy()
    units = summed[_CLOCK_COLUMN[clock]].to_numpy() * (_DAYS_PER_YEAR if clock == "calendar_days" else 1.0)
    with np.errstate(divide="ignore", invalid="ignore"):
        per_unit = np.where(watch > 0, arose / watch, arose.sum() / watch.sum())
        base = np.where(hours > 0, per_unit * units / hours * 1000, 0.0)
        detected = np.where(arose > 0, expected[1] / arose, np.nan)
        raw = np.where(hours > 0, found / hours * 1000, np.nan)
    return KindRanking(
        kind=kind,
        draws=shrunken,
        ranks=RankDraws(names=tuple(names), rate=shrunken.multiplier * base),
        found=found,
        expected=expected[1],
        false_calls=calls,
        detected=detected,
        raw_rate=raw,
        assumptions=(f"POD and false calls: {ask.basis}", *made.assumptions),
    )


def _labels(method: np.ndarray, skin: np.ndarray) -> np.ndarray:
    """Name method and class of skin of each look in one; blank where the method is."""
    return np.array([f"{m}|{s}" if m else "" for m, s in zip(method, skin, strict=True)], dtype=object)


def _units(
    zone_of: np.ndarray, zones: pd.DataFrame, by: str, exposure: pd.DataFrame
) -> tuple[list[str], np.ndarray]:
    """Names of what is ranked - only what flew - and which of them each life belongs to (-1: none)."""
    flew = exposure.loc[exposure["panel_flight_hours"] > 0]
    names = sorted(set(flew["group"])) if by == "group" else sorted(flew.index)
    of_zone = zones["group"] if by == "group" else pd.Series(zones.index, index=zones.index)
    unit = pd.Series(zone_of, dtype=object).map(of_zone)
    return names, pd.Index(names).get_indexer(pd.Index(unit))


def _class_of_unit(names: list[str], zones: pd.DataFrame, ask: RankingSettings, by: str) -> np.ndarray:
    """Class of the skin of most zones of each unit, as a number."""
    column = zones["outer_thickness"].map(lambda t: ask.skin_class(float(t)))
    unit = zones["group"] if by == "group" else pd.Series(zones.index, index=zones.index)
    most = column.groupby(unit).agg(lambda values: values.value_counts().index[0])
    return pd.factorize(most.reindex(names))[0]


def _pod_sets(expected: Floats, classes: np.ndarray, n: int, seed: int) -> Floats:
    """Return expected finds for several draws of the PODs, one draw for each class of skin."""
    with np.errstate(divide="ignore"):
        bend = np.polyfit(_Z, np.log(np.maximum(expected, 1e-12)), 2)
    rng = np.random.default_rng([seed, 11])
    z = np.clip(rng.standard_normal((n, classes.max() + 1)), -2.5, 2.5)[:, classes]
    return np.where(expected[1] > 0, np.exp(bend[0] * z**2 + bend[1] * z + bend[2]), 0.0)


def _without_last(lives: Histories, rows: np.ndarray) -> Histories:
    """Leave out the last look of some lives: one that is on record only because it found something."""
    keep = np.ones(lives.look_age.size, bool)
    keep[lives.look_start[1:][rows] - 1] = False
    start = np.r_[0, np.cumsum(np.diff(lives.look_start) - rows)].astype(np.int64)
    ages = lives.look_age[keep]
    last = np.where(np.diff(start) > 0, ages[np.maximum(start[1:] - 1, 0)] if ages.size else 0.0, lives.entry)
    return replace(
        lives,
        look_age=ages,
        look_method=lives.look_method[keep],
        look_start=start,
        lower=np.maximum(last, lives.entry),
        upper=np.full(len(lives), np.inf),
    )


def _in_selection(lives: Histories, fleet: Fleet, selection: Selection) -> Histories:
    """Cut lives to a period and keep those on the aircraft, subtypes and climates that count."""
    if selection == EVERYTHING:
        return lives
    refused = [name for name in ("tasks", "purposes", "causes") if getattr(selection, name) is not None]
    if refused:
        raise ValueError(
            f"`selection` must not name {', '.join(refused)} here: what looks of other purposes found would be missing from "
            "the lives. Use `rank_zones` (`rank --rates-only`) for rates by purpose, task and cause."
        )
    keep = np.ones(len(lives), bool)
    names = {"aircraft": selection.aircraft, "subtype": selection.subtypes, "climate": selection.climates}
    asked = [name for name, value in names.items() if value is not None]
    if asked:
        frame = with_covariates(lives, fleet, asked)
        for name in asked:
            keep &= frame[name].isin(list(names[name])).to_numpy()
    start, stop = lives.entry.copy(), np.full(len(lives), np.inf)
    if selection.since is not None or selection.until is not None:
        panel = (
            pd.Series(lives.life, dtype=object).astype(str).str.partition(AFTER_REPAIR)[0].to_numpy(object)
        )
        ages = PanelAges(fleet, lives.clock)
        if selection.since is not None:
            at = ages.at(panel, np.full(len(lives), np.datetime64(selection.first)))
            start = np.fmax(start, at)
        if selection.until is not None:
            day = min(selection.last, fleet.cut_off)
            stop = np.nan_to_num(ages.at(panel, np.full(len(lives), np.datetime64(day))), nan=np.inf)
    owner = np.repeat(np.arange(len(lives)), np.diff(lives.look_start))
    look = keep[owner] & (lives.look_age > start[owner]) & (lives.look_age <= stop[owner])
    # Looks before the period stay: they say what was clean when it began.
    before = keep[owner] & (lives.look_age <= start[owner])
    method_ok = np.ones(look.size, bool)
    if selection.methods is not None and lives.look_method is not None:
        method_ok = np.isin(lives.look_method, [*selection.methods, ""])
    kept = (look & method_ok) | (before & method_ok)
    number = np.bincount(owner[kept], minlength=len(lives))
    some = np.bincount(owner[look & method_ok], minlength=len(lives)) > 0
    kept &= some[owner]
    number = np.where(some, number, 0)[some]
    found = np.isfinite(lives.upper) & (lives.upper <= stop) & (lives.upper > start)
    last_kept = np.zeros(len(lives), bool)
    last = lives.look_start[1:] - 1
    last_kept[some] = kept[last[some]]
    found &= last_kept
    begin = np.r_[0, np.cumsum(number)].astype(np.int64)
    ages_kept = lives.look_age[kept]
    end = ages_kept[begin[1:] - 1]
    before_last = np.where(np.diff(begin) > 1, ages_kept[np.maximum(begin[1:] - 2, 0)], 0.0)
    entry = start[some]
    return replace(
        lives,
        life=lives.life[some],
        entry=np.minimum(entry, end),
        lower=np.where(found[some], np.maximum(before_last, np.minimum(entry, end)), end),
        upper=np.where(found[some], lives.upper[some], np.inf),
        count=lives.count[some],
        cluster=None if lives.cluster is None else lives.cluster[some],
        look_age=ages_kept,
        look_start=begin,
        look_method=None if lives.look_method is None else lives.look_method[kept],
    )


def _growth(
    fleet: Fleet,
    regions: pd.DataFrame,
    lives: Histories,
    ask: RankingSettings,
    given: KindSettings,
    kind: str,
) -> tuple[Growth, tuple[str, ...]]:
    """Size at onset and growth that all zones have in common, fitted where the data allow.

    Onsets count as evenly spread over the ages: by the hazard of the shape, as an answer has them, no rank moves (a test says so).
    """
    notes = []
    some = regions.loc[
        (regions["kind"] == kind) & regions["method"].isin(TAP_METHODS) & ~regions["unit_suspect"]
    ]
    ages = PanelAges(fleet, given.clock).at(some["panel"].to_numpy(object), some["found_on"].to_numpy())
    sizes = some.assign(
        age=ages,
        diameter_mm=some["diameter_mm"] * ask.measured_to_true,
        rounding_mm=some["rounding_mm"] * ask.measured_to_true,
    )
    sizes = sizes.loc[np.isfinite(sizes["age"]) & (sizes["diameter_mm"] > 0)]
    rate, rate_sd, still = given.rate_median_mm, given.rate_log_sd, given.no_growth_share
    error = 0.2
    try:
        fit = fit_tracks(
            sizes[["track", "age", "diameter_mm", "rounding_mm", "width_assumed"]],
            clock=given.clock,
            priors={"rate_log_sd": (0.6, 0.4)},
        )
        rate, rate_sd, still = fit.rate_median, fit.rate_log_sd, fit.no_growth_share
    except (ValueError, ArithmeticError):
        notes.append(f"growth of {kind} as stated in the settings: too few repeat mappings")
    growth = Growth(
        given.onset_median_mm, given.onset_log_sd, rate, rate_sd, min(still, 0.999), clock=given.clock
    )
    first = sizes.sort_values("age", kind="stable").groupby("panel")["diameter_mm"].first()
    panel = pd.Series(lives.life, dtype=object).astype(str).str.partition(AFTER_REPAIR)[0]
    size = first.reindex(panel).to_numpy(np.float64)
    size = np.where(np.isfinite(lives.upper), size, np.nan)
    try:
        pod = ask.pod("tap_manual", ask.skin_class(0.0)).curve(far_side_share=given.far_side_share)
        onset = fit_onset_size(
            lives, size, detection=pod, growth=growth, size_log_sd=error, spread_prior=_SPREAD_PRIOR
        )
        growth = replace(growth, onset_median=onset.median, onset_log_sd=onset.log_sd)
    except (ValueError, ArithmeticError):
        notes.append(f"size at onset of {kind} as stated in the settings: too few sizes at first find")
    return growth, tuple(notes)


def _life(
    lives: Histories, detection: MethodDetection, given: KindSettings, kind: str
) -> tuple[float, float, tuple[str, ...]]:
    """Shape and scale of the common life; only the shape matters to the order of zones."""
    if lives.n_finds >= _FEW:
        try:
            fit = fit_weibull(lives, detection=detection)
            return float(fit.shape), float(fit.scale), ()
        except (NoFiniteMaximum, ValueError, ArithmeticError):
            pass
    scale = float(np.median(lives.lower[lives.lower > 0])) if (lives.lower > 0).any() else 1.0
    return given.assumed_shape, scale, (f"shape {given.assumed_shape:g} of {kind} assumed",)
