"""How large damage is when it begins, and how fast it grows."""

from kit.growth.models import Case, DelayTime, GrowthModel, LinearGrowth, SizeDetection, unit_nodes
from kit.growth.onset import OnsetSizeFit, fit_onset_size
from kit.growth.rates import GrowthFit, fit_growth

__all__ = [
    "Case",
    "DelayTime",
    "GrowthFit",
    "GrowthModel",
    "LinearGrowth",
    "OnsetSizeFit",
    "SizeDetection",
    "fit_growth",
    "fit_onset_size",
    "unit_nodes",
]
