"""Lessons planted in the demo fleet: what the naive look at the data says, what the right one says, and what is true."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pandas as pd
from scipy.special import bdtr, bdtrc

from kit.findings import TAP_METHODS, Fleet
from kit.life import build_histories, fit_regression, fit_weibull, with_covariates
from kit.ranking import (
    DISBOND_KINDS,
    DamageRanking,
    Selection,
    binomial_bounds,
    first_detections,
    lives_of_kind,
    rank_zones,
    selected_looks,
    why_zones_differ,
    yearly_table,
    zone_hours,
)

_KIND_OF_MODE = {"M": "moisture_disbond", "G": "disbond", "I": "core_damage"}
_NO_TRUTH = "no truth in this dataset"


def _lesson(rows: list[tuple[str, str, float]]) -> pd.DataFrame:
    return pd.DataFrame(rows, columns=["answer", "says", "value"]).set_index("answer")


def true_onsets(source: str | Path, *, before_records: bool = False) -> pd.DataFrame | None:
    """Return the damage that truly arose in a simulated fleet while records were kept.

    Parameters
    ----------
    source : str or Path
        Folder of the dataset.
    before_records : bool
        Whether damage counts too that arose before an aircraft had records.

    Returns
    -------
    DataFrame or None
        Rows of truth/onsets.csv with kind and onset_on as a day; None where there is no truth.
    """
    path = Path(source) / "truth" / "onsets.csv"
    if not path.is_file():
        return None
    onsets = pd.read_csv(path, dtype=str, keep_default_na=False)
    if not before_records:
        onsets = onsets.loc[onsets["is_before_records"] == ""]
    return onsets.assign(kind=onsets["mode"].map(_KIND_OF_MODE), onset_on=pd.to_datetime(onsets["onset_on"]))


def _parameters(source: str | Path) -> dict | None:
    path = Path(source) / "truth" / "parameters.json"
    return json.loads(path.read_text(encoding="utf-8")) if path.is_file() else None


def _ratio_bounds(x: float, y: float, base_x: float, base_y: float) -> tuple[float, float, float, float]:
    """Ratio of two Poisson rates with exact 95 % bounds and p value, all from one binomial."""
    share = base_x / (base_x + base_y)
    low, high = (float(b) for b in binomial_bounds(x, x + y))
    bounds = [s / (1 - s) * (1 - share) / share if s < 1 else np.inf for s in (low, high)]
    below = float(bdtr(x, int(x + y), share))
    above = float(bdtrc(x - 1, int(x + y), share)) if x else 1.0
    ratio = x / base_x / (y / base_y) if y else np.inf
    return ratio, bounds[0], bounds[1], min(1.0, 2 * min(below, above))


def lesson_kinds(fleet: Fleet, source: str | Path, damage: DamageRanking) -> pd.DataFrame:
    """Show that all kinds together hide who leads in each (lesson a).

    Parameters
    ----------
    fleet : Fleet
        The findings as loaded.
    source : str or Path
        Its folder.
    damage : DamageRanking
        What `kit.rank_by_damage` gave by group.

    Returns
    -------
    DataFrame
        One row a kind: most_found (by count), leads (by damage), p_worst, leads_in_truth.
    """
    rates = rank_zones(fleet, by=damage.by, kinds=list(DISBOND_KINDS))
    hours = zone_hours(fleet).groupby(damage.by)["panel_flight_hours"].sum()
    onsets = true_onsets(source)
    rows = []
    for kind, one in damage.kinds.items():
        part = rates.loc[rates["kind"] == kind]
        table = one.to_frame()
        truth = _NO_TRUTH
        if onsets is not None:
            some = onsets if kind == "all" else onsets.loc[onsets["kind"] == kind]
            truth = str((some.groupby(damage.by).size() / hours).idxmax())
        rows.append(
            (
                kind,
                part.set_index(damage.by)["finds"].idxmax(),
                table.index[0],
                table["p_worst"].iloc[0],
                truth,
            )
        )
    return pd.DataFrame(rows, columns=["kind", "most_found", "leads", "p_worst", "leads_in_truth"]).set_index(
        "kind"
    )


def lesson_clock(fleet: Fleet, source: str | Path, *, covariate: str = "subtype") -> pd.DataFrame:
    """Show that water fitted on flight cycles is laid to the subtype (lesson b).

    Parameters
    ----------
    fleet : Fleet
        The findings as loaded.
    source : str or Path
        Its folder.
    covariate : str
        What the hazard is compared by.

    Returns
    -------
    DataFrame
        Rows naive (cycles), right (calendar days), truth: what each says, and the hazard ratio between subtypes.
    """
    rows = []
    for answer, clock in (("naive", "flight_cycles"), ("right", "calendar_days")):
        histories = build_histories(fleet, kind="moisture_disbond", clock=clock)
        frame = with_covariates(histories, fleet, [covariate])
        fit = fit_regression(frame, [covariate])
        name = fit.hazard_ratio.index[0]
        low, high = fit.hazard_ratio_bounds(name)
        ratio = float(fit.hazard_ratio.iloc[0])
        words = "differs" if low > 1 or high < 1 else "is indistinguishable"
        rows.append(
            (
                answer,
                f"on {clock.replace('_', ' ')}: {name} {words}, hazard ratio {ratio:.2f} ({low:.2f} to {high:.2f})",
                ratio,
            )
        )
    truth = _parameters(source)
    words = (
        _NO_TRUTH if truth is None else "water comes with calendar time and climate, alike on both subtypes"
    )
    rows.append(("truth", words, np.nan if truth is None else 1.0))
    return _lesson(rows)


def lesson_lot(fleet: Fleet, source: str | Path, *, group: str = "spoiler") -> pd.DataFrame:
    """Show that a bad lot makes a pooled group look as if it led by itself (lesson c).

    Parameters
    ----------
    fleet : Fleet
        The findings as loaded.
    source : str or Path
        Its folder.
    group : str
        Group of zones.

    Returns
    -------
    DataFrame
        Rows naive (all lots as one), right (lots apart), truth; the value is the characteristic life of the lot that is worst
        over that of the others.
    """
    kind = "moisture_disbond"
    zones = fleet.tables["zones"].loc[fleet.tables["zones"]["group"] == group, "zone"].tolist()
    pooled = fit_weibull(build_histories(fleet, kind=kind, clock="calendar_days", zones=zones))
    reasons = why_zones_differ(fleet, ["build_lot"], kind=kind, groups=[group])
    ratio = reasons.fit.time_ratio
    made = lives_of_kind(fleet, kind)
    lots = with_covariates(made.lives, fleet, ["build_lot"])["build_lot"].to_numpy(object)
    here = np.isin(made.zone, zones)
    number = pd.Series(lots[here & made.found]).value_counts()
    levels = {str(name).partition("[")[2].rstrip("]"): float(value) for name, value in ratio.items()}
    reference = next(name for name in number.index if name not in levels)
    every = {reference: 1.0} | levels
    worst = min(every, key=every.get)
    others = [value for name, value in every.items() if name != worst]
    share = every[worst] / float(np.exp(np.mean(np.log(others))))
    rows = [
        (
            "naive",
            f"all lots of {group} as one: wears out with shape {pooled.shape:.2f}, characteristic life {pooled.scale:,.0f} days",
            1.0,
        ),
        (
            "right",
            f"lot {worst} lives {share:.2f} times as long as the others ({number.get(worst, 0)} of its finds)",
            share,
        ),
    ]
    truth = _parameters(source)
    if truth is None:
        return _lesson([*rows, ("truth", _NO_TRUTH, np.nan)])
    lives = [one for one in truth["life"] if one["group"] == group and one["mode"] == "M"]
    own = {one["lot"]: one["scale"] for one in lives}
    bad = next((lot for lot in own if lot), None)
    if bad is None:
        return _lesson([*rows, ("truth", "no lot differs", 1.0)])
    return _lesson(
        [*rows, ("truth", f"lot {bad} lives {own[bad] / own['']:.2f} times as long", own[bad] / own[""])]
    )


def lesson_method(
    fleet: Fleet, source: str | Path, *, since: int = 2020, small_mm: float = 25.0
) -> pd.DataFrame:
    """Show that a better method looks like a surge of damage (lesson d).

    Parameters
    ----------
    fleet : Fleet
        The findings as loaded.
    source : str or Path
        Its folder.
    since : int
        First year with the other method.
    small_mm : float
        Size up to which the hand misses much of what the instrument finds: about the size that it finds half the time on skins of
        middle thickness [mm]. It was settled after several sizes from 18 to 35 mm were looked at on an earlier demo, so that the p value
        shown is smaller than it should be.

    Returns
    -------
    DataFrame
        Rows naive (finds a year after over before), right and right for larger ones (finds up to, and above, `small_mm` per routine look of
        the other method over the old one in the same years), truth (damages arising a year after over before); the value is the ratio.
    """
    table = yearly_table(fleet, selection=Selection(methods=list(TAP_METHODS)))
    table = table.loc[table["purpose"] == "routine"]
    years = table.groupby("year")[["looks", "finds"]].sum()
    before, after = years.loc[years.index < since], years.loc[years.index >= since]
    last = max(len(before.tail(len(after))), 1)
    naive = _ratio_bounds(after["finds"].sum(), before["finds"].tail(last).sum(), len(after), last)
    rows = [
        (
            "naive",
            f"finds a year rose {naive[0]:.2f} times ({naive[1]:.2f} to {naive[2]:.2f}) since {since}: a surge",
            naive[0],
        )
    ]
    chosen = Selection(methods=list(TAP_METHODS), purposes=["routine"], since=f"{since}-01-01")
    looks = selected_looks(fleet, chosen).groupby("method").size()
    first = first_detections(fleet, chosen)
    if set(TAP_METHODS) <= set(looks.index):
        is_small = first["diameter_mm"] <= small_mm
        a_year = (
            f"looks a year went from {before['looks'].tail(last).mean():.0f} to {after['looks'].mean():.0f}"
        )
        for answer, some, words in (
            ("right", first.loc[is_small], f"damage up to {small_mm:g} mm"),
            ("right for larger ones", first.loc[~is_small], "larger damage"),
        ):
            finds = some.groupby("method").size().reindex(looks.index, fill_value=0)
            new, old = ((finds[name], looks[name]) for name in ("tap_instrumented", "tap_manual"))
            ratio = _ratio_bounds(new[0], old[0], new[1], old[1])
            told = "more than the hand" if ratio[1] > 1 else "no more, as far as so few finds tell"
            rows.append(
                (
                    answer,
                    f"in the same years a look by the instrument finds {words} {ratio[0]:.2f} times as often ({ratio[1]:.2f} to "
                    f"{ratio[2]:.2f}, p = {ratio[3]:.3f}): {told}"
                    + (f"; {a_year}" if answer == "right" else ""),
                    ratio[0],
                )
            )
    onsets = true_onsets(source)
    if onsets is None:
        return _lesson([*rows, ("truth", _NO_TRUTH, np.nan)])
    year = onsets["onset_on"].dt.year
    now, then = (year >= since).sum(), year.between(since - last, since - 1).sum()
    true = _ratio_bounds(now, then, len(after), last)
    return _lesson(
        [
            *rows,
            ("truth", f"damages arising a year changed {true[0]:.2f} times, as panels grew older", true[0]),
        ]
    )


def lesson_fewer_looks(
    fleet: Fleet, source: str | Path, *, group: str = "trailing_edge", day: str = "2019-06-30"
) -> pd.DataFrame:
    """Show that counts fall after looks were made fewer, and say whether so few finds can show it (lesson f).

    Parameters
    ----------
    fleet : Fleet
        The findings as loaded.
    source : str or Path
        Its folder.
    group : str
        Group of zones whose interval was lengthened.
    day : str
        Day of the decision.

    Returns
    -------
    DataFrame
        Rows naive (finds a year after over before), right (finds per look after over before), truth (damages arising per hour after over
        before); the value is the ratio.

    Notes
    -----
    The demo's group has few finds, and is not made worse to show more. Fewer looks do not take damage away, they put its find off, so
    that the fall is of the first years only and small: with three times the damage in this group, one simulated history had 39 finds
    before and 27 after, a ratio of about 0.75 whose bounds (about 0.5 to 1.2) still held 1.
    """
    rows = []
    parts = {
        "before": Selection(until=day, purposes=["routine"]),
        "after": Selection(since=str(pd.Timestamp(day) + pd.Timedelta(days=1))[:10], purposes=["routine"]),
    }
    every = {}
    for name, selection in parts.items():
        frame = rank_zones(fleet, kinds=[], selection=selection).set_index("group").loc[group]
        every[name] = frame[["finds_routine", "looks_routine", "panel_years", "panel_flight_hours"]].astype(
            float
        )
    old, new = every["before"], every["after"]
    a = _ratio_bounds(new["finds_routine"], old["finds_routine"], new["panel_years"], old["panel_years"])
    b = _ratio_bounds(new["finds_routine"], old["finds_routine"], new["looks_routine"], old["looks_routine"])
    n = int(old["finds_routine"] + new["finds_routine"])
    few = (
        f"{n} finds cannot show a change of this size: the bounds hold 1"
        if a[1] <= 1 <= a[2]
        else f"{n} finds show it"
    )
    rows.append(
        ("naive", f"finds a panel year {a[0]:.2f} times those before ({a[1]:.2f} to {a[2]:.2f}); {few}", a[0])
    )
    looks = new["looks_routine"] / new["panel_years"] / (old["looks_routine"] / old["panel_years"])
    rows.append(
        (
            "right",
            f"looks a panel year {looks:.2f} times; finds per look {b[0]:.2f} times ({b[1]:.2f} to {b[2]:.2f})",
            b[0],
        )
    )
    onsets = true_onsets(source)
    if onsets is None:
        return _lesson([*rows, ("truth", _NO_TRUTH, np.nan)])
    mine = onsets.loc[onsets["group"] == group, "onset_on"]
    after = (mine > pd.Timestamp(day)).sum()
    true = _ratio_bounds(after, len(mine) - after, new["panel_flight_hours"], old["panel_flight_hours"])
    rows.append(
        ("truth", f"damages arising per hour {true[0]:.2f} times those before ({len(mine)} in all)", true[0])
    )
    return _lesson(rows)


def lesson_known_then(
    fleet: Fleet, source: str | Path, *, group: str = "trailing_edge", day: str = "2019-06-30"
) -> pd.DataFrame:
    """Show what was known of a group on a day, and what became known of the time before it later (lesson e).

    Parameters
    ----------
    fleet : Fleet
        The findings as loaded.
    source : str or Path
        Its folder.
    group : str
        Group of zones.
    day : str
        The day.

    Returns
    -------
    DataFrame
        Rows naive (known then), right (known now of the same time), truth (damages that had arisen and been found by then): finds and
        findings; the value is the number of finds. Notebook 6 runs the decision again on both.
    """
    rows = []
    for answer, known in (("naive", fleet.as_known_on(day)), ("right", fleet)):
        frame = rank_zones(known, kinds=[], selection=Selection(until=day)).set_index("group").loc[group]
        when = "known then" if answer == "naive" else "known now of the same time"
        rows.append(
            (
                answer,
                f"{when}: {frame['finds']} damages, {frame['findings']} findings, {frame['looks']} looks",
                float(frame["finds"]),
            )
        )
    onsets = true_onsets(source, before_records=True)
    if onsets is None:
        return _lesson([*rows, ("truth", _NO_TRUTH, np.nan)])
    mine = onsets.loc[(onsets["group"] == group) & (onsets["onset_on"] <= pd.Timestamp(day))]
    found = pd.to_datetime(mine["found_on"].replace("", None)) <= pd.Timestamp(day)
    words = (
        f"{found.sum()} of the {len(mine)} damages that had arisen were found by then, "
        f"{(mine['is_before_records'] != '').sum()} of them older than the records"
    )
    return _lesson([*rows, ("truth", words, float(found.sum()))])
