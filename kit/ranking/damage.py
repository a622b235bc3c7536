"""Which zones are damaged most: finds set against those that each zone's own looks should show if it were average."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from kit.findings import Fleet, need_fleet
from kit.life import (
    Histories,
    build_histories,
)
from kit.numerics.typing import Floats
from kit.numerics.words import in_words, percent
from kit.ranking.false_calls import fit_false_calls
from kit.ranking.funnel import funnel_table
from kit.ranking.lives import lives_of_kind
from kit.ranking.ranks import RankDraws, false_discoveries
from kit.ranking.rates import zone_hours
from kit.ranking.selection import DISBOND_KINDS, EVERYTHING, Selection, check_by, check_kinds
from kit.ranking.settings import RankingSettings
from kit.ranking.shrinkage import Shrunken, shrink
from kit.regions import tracked_regions

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
