"""The lives that zones are ranked by: which looks and finds count, with the growth and the life that all zones have in common."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from kit.findings import TAP_METHODS, Fleet, PanelAges, clean_methods
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
from kit.ranking.expected import MOST_LOOKS, expected_damage, sampled_lives
from kit.ranking.selection import EVERYTHING, Selection
from kit.ranking.settings import KindSettings, RankingSettings
from kit.regions import tracked_regions

_FEW = 20  # finds below which the shape is assumed (common practice, no source)


_SPREAD_PRIOR = (0.45, 0.35)  # weak prior of the log spread of sizes at onset (assumed, no source)


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


def _labels(method: np.ndarray, skin: np.ndarray) -> np.ndarray:
    """Name method and class of skin of each look in one; blank where the method is."""
    return np.array([f"{m}|{s}" if m else "" for m, s in zip(method, skin, strict=True)], dtype=object)


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
