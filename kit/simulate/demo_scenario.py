"""The invented scenario of the demo fleet, and fleets of other sizes like it."""

from __future__ import annotations

import math
from datetime import date

from kit.findings import TAP_METHODS
from kit.simulate.scenario import Scenario
from kit.simulate.scenario_parts import (
    SEALED,
    Base,
    Family,
    Mode,
    Pod,
    RepairMethod,
    Subtype,
    TapRule,
    WaterTask,
    Zone,
)

NOTICE = (
    "Invented data: operator, aircraft type, zones, limits, lives and findings are made up by a "
    "simulation and stand for no real fleet. Deliberately richer in damage than a healthy fleet should "
    "be. Advisory demonstration only: approved maintenance data, not-to-exceed limits and the airworthiness authority "
    "govern."
)
"""The notice that every output of the demo carries."""


def _pair(left: str, right: str) -> tuple[Zone, Zone]:
    return Zone(left, "left", right), Zone(right, "right", left)


def _four(
    left: tuple[str, str], right: tuple[str, str], former: bool = False, low: bool = False
) -> tuple[Zone, ...]:
    """Return two zones a side; `low` makes the second of each side the low one."""
    old = [f"{z}{letter}" if former else "" for z in (left[0], right[0]) for letter in "AB"]
    return (
        Zone(left[0], "left", right[0], old[0]),
        Zone(left[1], "left", right[1], old[1], low),
        Zone(right[0], "right", left[0], old[2]),
        Zone(right[1], "right", left[1], old[3], low),
    )


def _families() -> tuple[Family, ...]:
    aramid, metal = ("aramid", 3.2, 48.0), ("aluminium", 4.8, 50.0)

    def build(group, prefix, zones, size, skins, core, depth, rest, limits, lives, is_round=False, low=1.0):
        return Family(
            group,
            prefix,
            zones,
            *size,
            *skins,
            core[0],
            depth,
            core[1],
            core[2],
            *rest,
            *limits,
            *lives,
            is_round,
            low,
        )

    radome = (Zone("111", "centre"),)
    return (
        build("radome", "RD", radome, (1150.0, 1150.0), ("GFRP", 0.9, 0.9), aramid, 12.0, (2, True, "secondary"), (30.0, 150.0), (34.0, 120e3, 0.45), True),
        build("fairing", "FG", _pair("197", "198"), (1500.0, 800.0), ("GFRP", 0.75, 0.5), aramid, 20.0, (1, True, "tertiary"), (50.0, 200.0), (46.0, 150e3, 0.30)),
        build("rudder", "RU", _pair("325", "326"), (2600.0, 800.0), ("CFRP", 1.0, 0.8), aramid, 18.0, (1, False, "critical"), (25.0, 75.0), (52.0, 62e3, 0.05)),
        build("elevator", "EL", _pair("334", "344"), (2100.0, 520.0), ("CFRP", 0.8, 0.8), aramid, 14.0, (1, False, "critical"), (25.0, 75.0), (44.0, 72e3, 0.05)),
        build("trailing_edge", "TE", _pair("551", "651"), (1400.0, 420.0), ("CFRP", 0.6, 0.6), aramid, 12.0, (1, True, "secondary"), (40.0, 120.0), (36.0, 78e3, 0.07)),
        build("aileron", "AI", _pair("571", "671"), (1700.0, 360.0), ("GFRP", 0.75, 0.75), aramid, 10.0, (2, True, "primary"), (25.0, 75.0), (40.0, 85e3, 0.07)),
        build("flap", "FL", _four(("575", "576"), ("675", "676"), True, True), (1800.0, 520.0), ("aluminium", 0.5, 0.5), metal, 16.0, (1, True, "secondary"), (40.0, 120.0), (24.0, 58e3, 0.22), low=0.8),
        build("spoiler", "SP", _four(("585", "586"), ("685", "686")), (950.0, 430.0), ("CFRP", 0.9, 0.6), metal, 20.0, (2, True, "secondary"), (40.0, 120.0), (28.0, 72e3, 0.10)),
        build("cowl_door", "CD", _four(("415", "416"), ("425", "426"), low=True), (1300.0, 900.0), ("aluminium", 0.6, 0.5), metal, 15.0, (2, True, "secondary"), (50.0, 150.0), (30.0, 48e3, 0.20), low=0.8),
        build("gear_door", "GD", _pair("732", "742"), (1350.0, 650.0), ("CFRP", 1.6, 0.8), metal, 22.0, (2, True, "secondary"), (40.0, 150.0), (27.0, 62e3, 0.40)),
    )  # fmt: skip


def default_scenario(*, n_aircraft: int = 36) -> Scenario:
    """Return the invented scenario of the demo fleet.

    Parameters
    ----------
    n_aircraft : int
        Number of aircraft; two thirds are of the first subtype, and of these a third is
        second-hand.

    Returns
    -------
    Scenario
        The scenario.

    Raises
    ------
    ValueError
        If `n_aircraft` is below 1.

    Examples
    --------
    >>> scenario = default_scenario()
    >>> sum(len(f.zones) for f in scenario.families) * scenario.n_aircraft
    900
    """
    far = dict(zip(TAP_METHODS, (0.10, 0.10), strict=True))
    tap = {
        "tap_manual": {"thin": (20.0, 0.25, 0.97), "mid": (25.0, 0.27, 0.96), "thick": (36.0, 0.30, 0.92)},
        "tap_instrumented": {
            "thin": (14.0, 0.25, 0.985),
            "mid": (17.0, 0.27, 0.98),
            "thick": (25.0, 0.30, 0.96),
        },
    }
    visual = {"thin": (70.0, 0.3, 0.60), "mid": (90.0, 0.3, 0.55), "thick": (110.0, 0.3, 0.50)}
    pods = [Pod(m, c, *values, far[m]) for m, rows in tap.items() for c, values in rows.items()]
    pods += [Pod("visual", c, *values, 0.0, 0.15) for c, values in visual.items()]
    # Methods that see water in the core, from whichever side; the skin in front of it hardly matters.
    water = {
        "moisture_meter": (28.0, 0.30, 0.95),
        "thermography": (24.0, 0.30, 0.94),
        "x_ray": (12.0, 0.25, 0.99),
        "ultrasonic": (12.0, 0.25, 0.98),
    }
    pods += [Pod(m, c, *values, values[2]) for m, values in water.items() for c in visual]
    blunt_share = 0.5  # of impacts; 30 % of the blunt ones part the far bond
    return Scenario(
        n_aircraft=n_aircraft,
        families=_families(),
        modes=(
            Mode("M", "moisture_disbond", "calendar_days", 2.2, 18.0, 0.40, 6.0, 0.70, "calendar_days", 365.25, 0.0, 0.15),
            Mode("G", "disbond", "flight_cycles", 3.0, 18.0, 0.40, 2.6, 0.60, "flight_cycles", 1000.0, 0.0, 0.0),
            Mode("I", "core_damage", "flight_cycles", 1.0, 28.0, 0.50, 6.0, 0.70, "calendar_days", 365.25, 0.6, 0.3 * blunt_share),
        ),
        bases=(
            Base("Saltmere", "hot humid coast", 0.40, 0.70),
            Base("Frosthale", "cold freeze-thaw", 0.33, 0.82),
            Base("Drywold", "dry temperate", 0.27, 1.0),
        ),
        subtypes=(
            Subtype("QV-44-100", 2 / 3, 2350.0, 150.0, 1.05, 1.0, date(2008, 1, 8), date(2013, 1, 31), 1 / 3),
            Subtype("QV-44-300", 1 / 3, 1050.0, 80.0, 2.6, 1.15, date(2010, 1, 11), date(2017, 3, 31)),
        ),
        pods=tuple(pods),
        repairs=(
            RepairMethod("speed tape", "temporary", 1.0, math.inf),
            RepairMethod("potted fill", "interim", 0.9, 1.0),
            RepairMethod("bonded patch", "permanent", 0.5, 2.0),
            RepairMethod("core plug and patch", "permanent", 0.25, 3.5),
            RepairMethod("new panel", "replacement", 0.0, math.inf),
            RepairMethod("pool panel", "replacement", math.nan, math.inf),
            SEALED,
        ),
        programme=(TapRule("*", 1, date(2006, 1, 1)), TapRule("trailing_edge", 2, date(2019, 7, 1))),
        water_tasks=(
            WaterTask(("radome", "fairing", "aileron"), "moisture_meter", 1, date(2010, 1, 1)),
            WaterTask(
                ("rudder", "elevator", "trailing_edge", "flap", "spoiler", "cowl_door", "gear_door"),
                "thermography", 2, date(2012, 1, 1),
            ),
        ),
    )  # fmt: skip
