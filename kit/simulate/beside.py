"""What is true of a simulated fleet, in a sentence to stand beside an answer; of a real fleet nobody knows it."""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import Any

import pandas as pd

from kit.numerics.poisson import poisson_bounds
from kit.numerics.words import in_words, number, percent

_MODES = {"moisture_disbond": "M", "disbond": "G", "core_damage": "I"}
NO_TRUTH = "No truth lies beside this dataset, as beside any real one."


def _parameters(source: str | Path) -> dict[str, Any] | None:
    path = Path(source) / "truth" / "parameters.json"
    return json.loads(path.read_text(encoding="utf-8")) if path.is_file() else None


def growth_beside(source: str | Path, kind: str) -> str:
    """Say how fast damage of a kind truly grows in a simulated fleet, and as mappings show it.

    Parameters
    ----------
    source : str or Path
        Folder of the dataset.
    kind : str
        Kind of damage.

    Returns
    -------
    str
        One sentence, on the clock that made the damage grow.
    """
    truth, mode = _parameters(source), _MODES.get(kind)
    if truth is None or mode is None:
        return NO_TRUTH
    growth, measured = truth["growth"][mode], math.exp(truth["measurement"]["log_mean"])
    still = growth["no_growth_share"]
    return (
        f"In truth {in_words(kind)} grows by {number(growth['median'])} {growth['unit'].replace('1000', '1,000').replace('year', 'a year').replace('per a', 'a')} "
        f"in the median (log standard deviation {growth['log_sd']:g}) on the clock {in_words(growth['clock'])}; as mapped, outlines "
        f"being {percent(1 - measured)} too small in the median, by {number(growth['median'] * measured)}. {percent(still)} never grow, and of the rest "
        f"{percent(truth['arrest']['share'])} stop at {truth['arrest']['ratio']:g} times their first size."
    )


def detection_beside(source: str | Path, method: str, *, skin_class: str) -> str:
    """Say what a method truly finds in a simulated fleet.

    Parameters
    ----------
    source : str or Path
        Folder of the dataset.
    method : str
        Method of inspection.
    skin_class : str
        Class of the skin.

    Returns
    -------
    str
        One sentence.
    """
    truth = _parameters(source)
    rows = (
        []
        if truth is None
        else [p for p in truth["pod"] if (p["method"], p["skin_class"]) == (method, skin_class)]
    )
    if not rows:
        return NO_TRUTH
    one = rows[0]
    a90 = (
        one["a50"] * (0.9 / (one["plateau"] - 0.9)) ** one["log_scale"] if one["plateau"] > 0.9 else math.inf
    )
    return (
        f"In truth {in_words(method)} on {skin_class} skin has an a50 of {one['a50']:g} mm for the average inspector, a plateau of "
        f"{one['plateau']:g}, and finds nine in ten of {number(a90)} mm."
    )


def exceedances_beside(source: str | Path, group: str, *, panel_flight_hours: float) -> str:
    """Say how many damages truly passed the limit undetected in a group of a simulated fleet, by what could prevent them.

    Parameters
    ----------
    source : str or Path
        Folder of the dataset.
    group : str
        Zone group.
    panel_flight_hours : float
        Hours that its panels flew within the records [flight hours].

    Returns
    -------
    str
        Counts with exact 95 % Poisson bounds, per 10,000 panel flight hours.
    """
    path = Path(source) / "truth" / "onsets.csv"
    if not path.is_file():
        return NO_TRUTH
    onsets = pd.read_csv(path, dtype=str, keep_default_na=False)
    passed = onsets.loc[
        (onsets["group"] == group) & (onsets["is_before_records"] == "") & (onsets["is_exceedance"] == "yes")
    ]
    rest = (passed["is_born_beyond"] == "yes") | (passed["side"] == "far")
    parts = {
        "in all": len(passed),
        "preventable": int((~rest).sum()),
        "no interval prevents": int(rest.sum()),
    }
    per = 1e4 / panel_flight_hours

    def told(n: int) -> str:
        low, high = poisson_bounds(n, level=0.95)
        return f"{n} ({number(n * per)}; {number(float(low) * per)} to {number(float(high) * per)})"

    return (
        "In truth damages that passed the limit undetected while records were kept, with 10,000-hour rates and exact 95 % bounds: "
        + "; ".join(f"{words} {told(n)}" for words, n in parts.items())
        + "."
    )


def track_beside(source: str | Path, first_finding_panel: str, kind: str) -> str:
    """Say how large the damages of a panel truly were at onset and how fast they grew.

    Parameters
    ----------
    source : str or Path
        Folder of the dataset.
    first_finding_panel : str
        Panel.
    kind : str
        Kind of damage.

    Returns
    -------
    str
        One sentence.
    """
    path = Path(source) / "truth" / "onsets.csv"
    if not path.is_file():
        return NO_TRUTH
    onsets = pd.read_csv(path, dtype=str, keep_default_na=False)
    rows = onsets.loc[(onsets["panel"] == first_finding_panel) & (onsets["mode"] == _MODES.get(kind, ""))]
    if rows.empty:
        return f"In truth panel {first_finding_panel} had no {in_words(kind)}."
    sizes, rates = rows["initial_size"].astype(float), rows["growth_rate"].astype(float)
    return (
        f"In truth the {'only damage' if len(rows) == 1 else f'{len(rows)} damages'} of this kind on panel {first_finding_panel} began with "
        f"{', '.join(number(x) for x in sizes)} mm and grew by {', '.join(number(x) for x in rates)} "
        f"{rows['growth_unit'].iloc[0].replace('1000', '1,000')}."
    )


def repairs_beside(source: str | Path) -> str:
    """Say what share of the age each repair truly leaves in a simulated fleet.

    Parameters
    ----------
    source : str or Path
        Folder of the dataset.

    Returns
    -------
    str
        One sentence.
    """
    truth = _parameters(source)
    if truth is None:
        return NO_TRUTH
    said = ", ".join(f"{name} {number(q)}" for name, q in truth["repairs"].items() if q is not None)
    return (
        f"In truth so much of the age stays: {said}. After a potted fill moisture comes {number(truth['potted_hazard'])} times as often "
        "besides, and panels differ from the start, so that those repaired were the more prone ones."
    )
