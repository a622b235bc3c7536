"""What a fleet's evidence leaves open, as joint draws that every answer is worked out from."""

from kit.posterior.borrow import CONFLICT, ROBUST_WEIGHT, TAU_SCALE, BorrowedPrior, borrowed_prior
from kit.posterior.draws import KindDraws, PodDraws
from kit.posterior.evidence import FoundSizes, KindEvidence, PodBelief, StatedGrowth, StatedOnset
from kit.posterior.groups import FrailtyDraws, expected_finds, frailty_draws, zone_frailty
from kit.posterior.growth import (
    PRIORS,
    STOPS,
    DrawsKey,
    GrowthDraws,
    MappedTwice,
    Stopping,
    TrackGrowth,
    growths,
)
from kit.posterior.importance import RELIABLE
from kit.posterior.joint import GROWTH_STREAM, joint_draws
from kit.posterior.life import ShapePrior
from kit.posterior.pull import PriorPull
from kit.posterior.renewal import onsets_by_age
from kit.posterior.sequences import normal_points, rotated_lattice, uniform_points

__all__ = [
    "CONFLICT",
    "GROWTH_STREAM",
    "PRIORS",
    "RELIABLE",
    "ROBUST_WEIGHT",
    "STOPS",
    "TAU_SCALE",
    "BorrowedPrior",
    "DrawsKey",
    "FoundSizes",
    "FrailtyDraws",
    "GrowthDraws",
    "KindDraws",
    "KindEvidence",
    "MappedTwice",
    "PodBelief",
    "PodDraws",
    "PriorPull",
    "ShapePrior",
    "StatedGrowth",
    "StatedOnset",
    "Stopping",
    "TrackGrowth",
    "borrowed_prior",
    "expected_finds",
    "frailty_draws",
    "growths",
    "joint_draws",
    "normal_points",
    "onsets_by_age",
    "rotated_lattice",
    "uniform_points",
    "zone_frailty",
]
