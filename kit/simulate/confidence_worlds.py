"""Worlds of the study of confidence: those that the model can hold, and those that break it."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy.special import expit, logit

from kit.intervals import ONSET_SPREAD
from kit.posterior import (
    PRIORS,
    ShapePrior,
)

FIRST, REPEAT, HORIZON, LIMIT = 10_000.0, 6_000.0, 40_000.0, 40.0
"""First look, repeat and horizon [flight hours], and limit [mm]."""
MEASURES = ("exposure", "preventable")
LEVELS = (0.80, 0.90, 0.95)
"""Shares of the draws that are asked to meet the target."""
REPEATS = np.geomspace(1_200.0, 24_000.0, 17)
"""Repeats at which the risk in truth is worked out [flight hours]."""
SHAPE = ShapePrior(median=2.0, log_sd=0.35, basis="stated in the study")
"""Prior of the shape that the analyst states."""


@dataclass(frozen=True, kw_only=True)
class World:
    """Truth that a fleet is drawn from; the analyst is told the defaults of what cannot be fitted.

    Parameters
    ----------
    scale, shape : float
        Weibull life [flight hours], [-].
    onset_median, onset_log_sd : float
        Size at onset [mm], [-].
    rate, rate_log_sd, still : float
        Growth [mm per flight hour] (or log size per flight hour), [-], [-].
    error : float
        Standard deviation of the log of one size [-].
    a50, slope, plateau : float
        POD.
    factor : float
        True size over size as mapped [-].
    form : str
        Form of growth.
    inspectors_log_sd : float
        Spread of the log of a50 between looks [-].
    arrest_share, arrest_ratio : float
        Share of damage that stops growing, and at how many times its size at onset [-].
    frailty_variance : float
        Variance of a gamma frailty between panels [-].
    zones, zone_log_sd : int, float
        Zones pooled, and the log standard deviation of their scales [-].
    ratio : float
        Units of the damage's clock per flight hour of half of the panels; the others fly 1 [-].
    late_share : float
        Share of panels whose early looks are not on record [-].
    untrue_looks : float
        Share of clean looks on record that did not take place [-].
    jump_share, jump_factor : float
        Share of damage that becomes larger at once, and how many times as large [-].
    jump_delay : float
        Mean of the exponential time from onset to the jump [flight hours].
    """

    scale: float = 50_000.0
    shape: float = 2.0
    onset_median: float = 18.0
    onset_log_sd: float = 0.40
    rate: float = 0.0025
    rate_log_sd: float = 0.6
    still: float = 0.2
    error: float = 0.15
    a50: float = 20.0
    slope: float = 4.0
    plateau: float = 0.97
    factor: float = 1.0
    form: str = "linear"
    inspectors_log_sd: float = 0.0
    arrest_share: float = 0.0
    arrest_ratio: float = np.inf
    frailty_variance: float = 0.0
    zones: int = 1
    zone_log_sd: float = 0.0
    ratio: float = 1.0
    late_share: float = 0.0
    untrue_looks: float = 0.0
    jump_share: float = 0.0
    jump_factor: float = 3.0
    jump_delay: float = 8_000.0


@dataclass(frozen=True, kw_only=True)
class Setting:
    """A world with an amount of evidence.

    Parameters
    ----------
    name : str
        In words.
    panels, sisters : int
        Panels of the group, and of others that are pooled for growth and size at onset.
    world : World
        The truth.
    known : bool
        Whether POD, size factor and shape are exactly what is stated; otherwise each fleet has its own,
        drawn from the stated spreads.
    spreads : tuple of float
        What the analyst states, as a trial may leave it: standard deviations of the logs of a50, slope and
        size factor [-].
    drawn : bool
        Whether the form of growth, the spreads of rates and of sizes at onset and the share that stands still differ from
        fleet to fleet as the weak priors say; otherwise they are those of the world, near the middle of these priors.
    """

    name: str
    panels: int
    sisters: int
    world: World = World()
    known: bool = False
    spreads: tuple[float, float, float] = (0.15, 0.15, 0.05)
    drawn: bool = False


OWN = (
    Setting(name="3 finds", panels=19, sisters=330),
    Setting(name="16 finds", panels=100, sisters=300),
    Setting(
        name="16 finds, POD and size factor known",
        panels=100,
        sisters=300,
        known=True,
        spreads=(0.0, 0.0, 0.0),
    ),
    Setting(name="48 finds", panels=298, sisters=0),
    Setting(
        name="48 finds, POD and size factor known",
        panels=298,
        sisters=0,
        known=True,
        spreads=(0.0, 0.0, 0.0),
    ),
    Setting(name="150 finds", panels=930, sisters=1060),
    Setting(
        name="150 finds, POD and size factor known",
        panels=930,
        sisters=1060,
        known=True,
        spreads=(0.0, 0.0, 0.0),
    ),
    Setting(name="16 finds, all drawn", panels=100, sisters=300, drawn=True),
    Setting(name="150 finds, all drawn", panels=930, sisters=1060, drawn=True),
)
"""Worlds as the model has them."""


BROKEN = tuple(
    replace(setting, known=True, spreads=(0.2, 0.2, 0.1))
    for setting in (
        Setting(name="a50 30 % larger than stated", panels=100, sisters=300, world=World(a50=26.0)),
        Setting(name="sizes 14 % understated, untold", panels=100, sisters=300, world=World(factor=1.163)),
        Setting(name="inspectors differ (.5)", panels=100, sisters=300, world=World(inspectors_log_sd=0.5)),
        Setting(
            name="half of the damage stops at 2.2 times its size",
            panels=100,
            sisters=300,
            world=World(arrest_share=0.5, arrest_ratio=2.2),
        ),
        Setting(name="frailty, variance 1", panels=100, sisters=300, world=World(frailty_variance=1.0)),
        Setting(
            name="growth in proportion to size",
            panels=100,
            sisters=300,
            world=World(form="proportional", rate=0.0025 / 25),
        ),
        Setting(
            name="four zones pooled, log sd .4",
            panels=120,
            sisters=300,
            world=World(zones=4, zone_log_sd=0.4),
        ),
        Setting(name="two subtypes, clocks 0.4 and 1.6", panels=100, sisters=300, world=World(ratio=4.0)),
        Setting(name="left truncation, 40 %", panels=100, sisters=300, world=World(late_share=0.4)),
        Setting(name="2 % of clean looks not done", panels=100, sisters=300, world=World(untrue_looks=0.02)),
        Setting(
            name="a tenth of the damage jumps to 3 times its size",
            panels=100,
            sisters=300,
            world=World(jump_share=0.1),
        ),
    )
)
"""Worlds that break the model, under the spreads that the kit takes where nobody states any."""


def world_of(setting: Setting, seed: int) -> World:
    """Return the truth of one fleet.

    Parameters
    ----------
    setting : Setting
        World and what differs from fleet to fleet.
    seed : int
        Of the fleet.

    Returns
    -------
    World
        With its own POD, size factor and shape unless they are known, and more where all is drawn.
    """
    world = setting.world
    rng = np.random.default_rng(np.random.SeedSequence([seed, 17]))
    z = rng.standard_normal(8)
    if not setting.known:
        world = replace(
            world,
            a50=world.a50 * float(np.exp(setting.spreads[0] * z[0])),
            slope=world.slope * float(np.exp(setting.spreads[1] * z[1])),
            factor=world.factor * float(np.exp(setting.spreads[2] * z[2])),
            shape=world.shape * float(np.exp(SHAPE.log_sd * z[3])),
        )
    if setting.drawn:
        rates, still = PRIORS["rate_log_sd"], PRIORS["no_growth_share"]
        proportional = z[7] > 0
        world = replace(
            world,
            rate_log_sd=rates[0] * float(np.exp(rates[1] * z[4])),
            onset_log_sd=ONSET_SPREAD[0] * float(np.exp(ONSET_SPREAD[1] * z[5])),
            still=float(expit(logit(still[0]) + still[1] * z[6])),
            form="proportional" if proportional else "linear",
            rate=world.rate / 25.0 if proportional else world.rate,
        )
    return world
