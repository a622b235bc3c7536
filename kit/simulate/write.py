"""How the demo fleet is written to a folder, with its truth beside it."""

from __future__ import annotations

import json
import math
import os
import shutil
import tempfile
from dataclasses import asdict
from pathlib import Path
from typing import Any

import pandas as pd

from kit.findings import METHODS, SEES, TABLES, blind_to
from kit.simulate.damage import Truth, simulate_truth
from kit.simulate.demo_scenario import NOTICE, default_scenario
from kit.simulate.fleet import day_number, stream
from kit.simulate.operator import operator_tables
from kit.simulate.scenario import Scenario
from kit.simulate.trial import blind_trial

_ABOUT = {
    "life": "True lives by group and mode: given the panel's frailty z, the cumulative hazard of an untouched panel at age a "
    "is (z, for I: 1) * (a / scale) ** shape. `clock` is the clock of a; `scale_unit` its unit. Mode M: a day at a base counts "
    "1 / climate_factor days of the reference climate. Mode G: a cycle counts `cycle_severity` of the subtype. "
    "`scale_in_fleet` is the scale on the plain clock at the fleet's shares of calendar time (M) or of cycles (G). "
    "`lot` names a build lot with a scale of its own; blank: all other lots.",
    "climate_factor": "Factor on the moisture scale by climate [-].",
    "climate_share": "Share of the calendar time of all aircraft within the records, by climate [-].",
    "cycle_severity": "Factor on the cycles of mode G by subtype [-].",
    "cycle_share": "Share of the flight cycles within the records, by subtype [-].",
    "frailty_variance": "Variance of the gamma frailty shared by M and G of one panel; mean 1 [-].",
    "lot_share": "Share of the units of `lot_group` that are of the short-lived lot [-].",
    "far_side_share": "Share of the damage at the far bond by mode [-]. All looks tap the outer face only.",
    "size": "Log-normal equivalent diameter at onset by mode: median [mm] and standard deviation of the log [-].",
    "growth": "Log-normal growth of the equivalent diameter by mode, straight in its clock: median, unit and standard "
    "deviation of the log [-]; `no_growth_share` never grows [-].",
    "arrest": "Share that stops growing at `ratio` times its first size [-].",
    "jump": "Share on critical and flap panels that becomes `factor` times as large in one flight block, at a delay "
    "between the two days after onset [-].",
    "largest_size_share": "Damage never exceeds this share of the shorter side of its panel [-].",
    "pod": "Chance of detection = look_chance * plateau / (1 + exp(-(log(size) - log(a50)) / log_scale)), size as true "
    "equivalent diameter [mm]; far_plateau instead of plateau at the far bond; by method and class of the outer skin. A known, "
    "monitored damage is always found again.",
    "inspector_log_sd": "Spread of log a50 between inspectors [-].",
    "noise": "Chance of a noisy place for a tap outside base checks, and its factor on a50 [-].",
    "false_calls": "False calls per tap look [-].",
    "measurement": "Measured = true * exp(normal(log_mean, log_sd)) [-].",
    "repairs": "Restoration factor q by method: virtual age becomes q times the age [-]; null: the age that the panel brings. "
    "`potted_hazard` multiplies the moisture hazard after a potted fill [-].",
    "methods": "Kinds of damage that each method of inspection can see and is blind to. Looks for water are timed and read for water "
    "here; nobody reads them for a disbond.",
    "water": "Water in the core before it breaks the bond: it is there when a share of the way to that age, evenly drawn "
    "between share_from and share_to, is behind the panel; log-normal equivalent diameter at first [mm] and growth [mm a year]. "
    "water.csv holds every spell of it. Drained and sealed, a core is wet again after again_from to again_to years, and the bond "
    "opens at the age that it would have opened at.",
    "skin_class": "Class of the outer skin by group.",
    "low_point": "Groups of which some zones lie low, where water gathers: `factor` on the moisture scale of the zones named, 1 / factor on "
    "that of the group's other zones; the scale in `life` is the geometric mean [-].",
    "limits": "Limit in force at the cut-off by group, as equivalent diameter [mm].",
    "fleet_flight_hours": "Hours flown within the records [flight hours].",
}


def _parameters(truth: Truth) -> dict[str, Any]:
    s = truth.scenario
    last, first = day_number(s.cut_off), day_number(s.window_from)
    share = dict.fromkeys((b.climate for b in s.bases), 0.0)
    cycles = dict.fromkeys((sub.name for sub in s.subtypes), 0.0)
    for t in truth.fleet:
        begin = max(t.records_from, first)
        cycles[t.subtype.name] += float(t.cycles[last + 1] - t.cycles[begin])
        for start, stop, base in t.stays:
            share[s.bases[base].climate] += max(0, min(stop, last + 1) - max(start, begin))
    share = {k: v / sum(share.values()) for k, v in share.items()}
    cycles = {k: v / sum(cycles.values()) for k, v in cycles.items()}
    pace_m = sum(share[b.climate] / b.factor for b in s.bases)
    pace_g = sum(cycles[sub.name] * sub.severity for sub in s.subtypes)
    life = []
    for f in s.families:
        scales = {"M": f.moisture_scale * 365.25, "G": f.cycles_scale, "I": 1e4 / f.impact_rate}
        pace = {"M": pace_m, "G": pace_g, "I": 1.0}
        for m in s.modes:
            lots = [("", 1.0)]
            if m.name == "M" and f.group == s.lot_group:
                lots.append((s.lot, s.lot_factor))
            for lot, factor in lots:
                life.append(
                    {
                        "group": f.group, "mode": m.name, "kind": m.kind, "lot": lot, "clock": m.clock, "shape": m.shape,
                        "scale": scales[m.name] * factor,
                        "scale_unit": "days" if m.clock == "calendar_days" else "flight cycles",
                        "scale_in_fleet": scales[m.name] * factor / pace[m.name], "has_frailty": m.name != "I",
                    }
                )  # fmt: skip
    return {
        "notice": NOTICE,
        "seed": truth.seed,
        "about": _ABOUT,
        "life": life,
        "climate_factor": {b.climate: b.factor for b in s.bases},
        "climate_share": share,
        "cycle_severity": {sub.name: sub.severity for sub in s.subtypes},
        "cycle_share": cycles,
        "frailty_variance": s.frailty_variance,
        "lot_group": s.lot_group,
        "lot": s.lot,
        "lot_factor": s.lot_factor,
        "lot_share": s.lot_share,
        "far_side_share": {m.name: m.far_side_share for m in s.modes},
        "size": {m.name: {"median_mm": m.size_median, "log_sd": m.size_log_sd} for m in s.modes},
        "growth": {
            m.name: {
                "median": m.growth_median,
                "unit": "mm per year" if m.growth_clock == "calendar_days" else "mm per 1000 flight cycles",
                "clock": m.growth_clock,
                "log_sd": m.growth_log_sd,
                "no_growth_share": m.no_growth_share,
            }
            for m in s.modes
        },
        "arrest": {"share": s.arrest_share, "ratio": s.arrest_ratio},
        "jump": {"share": s.jump_share, "factor": s.jump_factor, "delay_days": list(s.jump_days)},
        "largest_size_share": 0.7,
        "pod": [
            {
                "method": p.method, "skin_class": p.skin_class, "a50": p.a50, "log_scale": p.spread, "plateau": p.plateau,
                "far_plateau": p.far_plateau, "look_chance": p.look_chance,
            }
            for p in s.pods
        ],
        "methods": {
            m: {"sees": list(SEES[m]), "blind_to": list(blind_to(m))} for m in METHODS if any(p.method == m for p in s.pods)
        },
        "water": asdict(s.ingress)
        | {
            "tasks": [
                {"groups": list(t.groups), "method": t.method, "every_base_check": t.every, "valid_from": t.valid_from.isoformat()}
                for t in s.water_tasks
            ]
        },
        "skin_class": {f.group: f.skin_class for f in s.families},
        "low_point": {
            f.group: {
                "factor": f.low_point_factor,
                "zones": [z.label for z in f.zones if z.is_low],
                "share": sum(z.is_low for z in f.zones) / len(f.zones),
            }
            for f in s.families
            if f.low_point_factor != 1
        },
        "inspector_log_sd": s.inspector_log_sd,
        "noise": {"chance": s.noise_chance, "factor": s.noise_factor},
        "false_calls": {"tap_manual": s.false_manual, "tap_instrumented": s.false_instrumented},
        "measurement": {"log_mean": s.measure_log_mean, "log_sd": s.measure_log_sd},
        "repairs": {
            r.name: None if math.isnan(r.restoration_factor) else r.restoration_factor for r in s.repairs
        },
        "potted_hazard": s.potted_hazard,
        "monitor_chance": s.monitor_chance,
        "limits": {f.group: f.limit for f in s.families},
        "fleet_flight_hours": truth.flight_hours(),
    }  # fmt: skip


def _toml(scenario: Scenario, truth: Truth) -> str:
    lines = [
        f'name = "{scenario.name}"',
        f'notice = "{NOTICE}"',
        'length_unit = "mm"',
        f"cut_off = {scenario.cut_off.isoformat()}",
        'clocks = ["flight_hours", "flight_cycles", "calendar_days"]',
        "",
        "[tables]",
        *[f'{name} = "{name}.csv"' for name in TABLES if name != "taps"],
        "",
        "[[packages]]",
        'name = "A check"',
        f"flight_hours = {scenario.a_check_hours:g}",
        "",
        "[[packages]]",
        'name = "base check"',
        f"flight_hours = {scenario.check_hours:g}",
        f"days = {scenario.check_days:g}",
    ]
    for sub in scenario.subtypes:
        n = sum(t.subtype.name == sub.name for t in truth.fleet)
        if n:
            lines += [
                "",
                f'[planned_usage."{sub.name}"]  # per year and aircraft',
                f"flight_hours = {round(sub.cycles_per_year * sub.hours_per_cycle, -1):.0f}",
                f"flight_cycles = {sub.cycles_per_year:.0f}",
                f"aircraft = {n}",
            ]
    return "\n".join(lines) + "\n"


def _readme(truth: Truth) -> str:
    return f"""# Demo fleet: {truth.scenario.name}

{NOTICE}

{len(truth.fleet)} aircraft of two subtypes with {sum(len(f.zones) for f in truth.scenario.families)} sandwich panels each,
records from {truth.scenario.window_from} to {truth.scenario.cut_off}. `dataset.toml` names the tables.

Made by `kit.simulate.make_demo(folder, seed={truth.seed})`: damage is simulated event by event on every panel, looked for
by the programme of the time, written down as a records office would, and then given the usual errors of such records. The
same seed gives the same files. Do not edit them by hand.

- Tapping does not tell water: kind `moisture` is water in the core, found by moisture meter (glass skins) and thermography; kind
  `moisture_disbond` is the bond that it broke, found by tapping.
- Tasks `WT-...` look for water only (`looks_for`): thermography on a panel that is still cold shows water, and nobody reads it for a
  disbond. Zones of flaps and cowl doors say in `low_point` whether water gathers there.
- Damage that was left has a row in `deferrals.csv`: under which limit, until when, when it must be looked at again and when it
  was; its closing is a second row that replaces the first. Finds on rudder and elevator are confirmed and sized by ultrasonics.
- Sizes of `limits.csv` bound the equivalent diameter. Rudder, elevator and aileron panels have a hinge line, their upper edge; their x
  runs along the span.
- Some damages are written as grids of taps: `taps/` holds a file for each, with marks or contact times. `trials/blind_trial.csv` is a trial
  of eight inspectors on known damage, by both tap methods; a size of 0 is a place without damage.
- A removal of a panel is a second row in `panels.csv` that replaces the fitting's first row, recorded when it was removed.
- State `repaired` of a fitting means used: repaired before, or taken from another aircraft or the pool. `unknown` stands for
  panels of second-hand aircraft (prior age: that of the aircraft) and for pool panels without papers (no prior age).
- Findings and inspections of before 2016-01-01 carry the flap labels of that time (575A, 575B, 675A, 675B). All other tables
  use the present labels.
- Looks that found nothing are mostly implied by cards; some cards are lost. Findings without an inspection were seen on a
  walk-round.

`truth/` holds what really happened: `parameters.json`, `onsets.csv` (every damage, and the methods that could have seen it),
`water.csv` (every spell of water in a core), `panels.csv` and `blemishes.csv` (every
injected error). No analysis reads it; it is there to show how near an answer came.
"""


def _csv(frame: pd.DataFrame) -> str:
    return frame.to_csv(index=False, lineterminator="\n")


def _plain(frame: pd.DataFrame, digits: dict[str, int], flags: tuple[str, ...] = ()) -> pd.DataFrame:
    out = frame.copy()
    for column in out.select_dtypes(include="datetime").columns:
        out[column] = out[column].dt.strftime("%Y-%m-%d")
    for column, n in digits.items():
        out[column] = out[column].round(n)
    for column in flags:
        out[column] = out[column].map({True: "yes", False: ""})
    return out


def _files(truth: Truth) -> dict[str, str]:
    tables, blemishes = operator_tables(truth)
    # Each grid of taps is a file of its own, as an inspector hands it in.
    taps = tables.pop("taps")
    files = {f"{name}.csv": _csv(frame) for name, frame in tables.items()}
    for grid, frame in taps.groupby("grid", sort=True):
        files[str(grid)] = _csv(frame[["x", "y", "mark", "contact_time"]])
    files["trials/blind_trial.csv"] = _csv(blind_trial(stream(truth.seed, "blind trial"), truth.scenario))
    files["dataset.toml"] = _toml(truth.scenario, truth)
    files["README.md"] = _readme(truth)
    files["truth/parameters.json"] = json.dumps(_parameters(truth), indent=1) + "\n"
    onsets = truth.onsets.drop(columns=["panel_key", "damage"])
    onsets.insert(0, "onset", [f"N{i + 1:04d}" for i in range(len(onsets))])
    digits = {"virtual_age": 1, "initial_size": 2, "growth_rate": 3, "exposure_flight_hours": 1}
    flags = ("is_arrested", "is_exceedance", "is_born_beyond", "is_before_records")
    water = truth.water.drop(columns="panel_key")
    water["spell"] = [f"W{i + 1:04d}" for i in range(len(water))]
    files["truth/water.csv"] = _csv(_plain(water, {"initial_size": 2, "growth_rate": 3}))
    files["truth/onsets.csv"] = _csv(_plain(onsets, digits, flags))
    panels = truth.panels.drop(columns="panel_key")
    digits = {"frailty": 4, "prior_flight_hours": 0, "prior_flight_cycles": 0, "prior_days": 0}
    files["truth/panels.csv"] = _csv(_plain(panels, digits, ("has_papers",)))
    files["truth/blemishes.csv"] = _csv(blemishes)
    return files


def make_demo(
    folder: str | os.PathLike[str], *, seed: int = 20260630, scenario: Scenario | None = None
) -> Path:
    """Write the invented demo fleet and its truth to a folder.

    The files are written beside the folder first and then moved, so that a half-written demo is
    never seen under its name. Other files of an existing folder stay.

    Parameters
    ----------
    folder : path
        Folder to write; it is made if need be.
    seed : int
        Seed; the same seed gives the same bytes.
    scenario : Scenario, optional
        The scenario; `default_scenario` if left out.

    Returns
    -------
    Path
        The folder.

    Raises
    ------
    ValueError
        If `folder` names a file.

    Examples
    --------
    >>> import tempfile
    >>> from kit.simulate import default_scenario
    >>> with tempfile.TemporaryDirectory() as place:
    ...     folder = make_demo(place + "/demo", scenario=default_scenario(n_aircraft=2))
    ...     (folder / "dataset.toml").exists()
    True
    """
    target = Path(folder)
    if target.exists() and not target.is_dir():
        raise ValueError(f"`folder` must be a folder. Got the file {target} instead. Give another name.")
    truth = simulate_truth(default_scenario() if scenario is None else scenario, seed=seed)
    files = _files(truth)
    target.parent.mkdir(parents=True, exist_ok=True)
    place = Path(tempfile.mkdtemp(prefix=f".{target.name}-", dir=target.parent))
    try:
        for name, text in files.items():
            path = place / name
            path.parent.mkdir(exist_ok=True)
            path.write_text(text, encoding="utf-8", newline="\n")
        if target.exists():
            for name in files:
                (target / name).parent.mkdir(exist_ok=True)
                os.replace(place / name, target / name)
        else:
            place.chmod(0o755)
            os.replace(place, target)
    finally:
        shutil.rmtree(place, ignore_errors=True)
    return target
