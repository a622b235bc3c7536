"""How large damage is when it begins, and how fast it grows."""

from kit.growth.compare import GrowthComparison, compare_growth
from kit.growth.delay_time import DelayTime
from kit.growth.forms import (
    FORMS,
    LINEAR,
    PROPORTIONAL,
    GrowthForm,
    as_form,
    delay_to,
    pressure_driven,
    size_after,
)
from kit.growth.joint import JointFit, RateNotTold, compare_joint, fit_joint
from kit.growth.jumps import Jumps, find_jumps
from kit.growth.models import Case, Growth, GrowthModel, LinearGrowth
from kit.growth.onset import OnsetSizeFit, OnsetSizeLikelihood, find_kernels, fit_onset_size
from kit.growth.parameters import WEAK_PRIORS
from kit.growth.paths import Likelihood, Mappings
from kit.growth.size_detection import SizeDetection
from kit.growth.track_likelihood import TrackLikelihood
from kit.growth.tracks import TrackFit, fit_growth, fit_tracks, read_mappings
from kit.numerics.quadrature import unit_nodes

__all__ = [
    "FORMS",
    "LINEAR",
    "PROPORTIONAL",
    "WEAK_PRIORS",
    "Case",
    "DelayTime",
    "Growth",
    "GrowthComparison",
    "GrowthForm",
    "GrowthModel",
    "JointFit",
    "Jumps",
    "Likelihood",
    "LinearGrowth",
    "Mappings",
    "OnsetSizeFit",
    "OnsetSizeLikelihood",
    "RateNotTold",
    "SizeDetection",
    "TrackFit",
    "TrackLikelihood",
    "as_form",
    "compare_growth",
    "compare_joint",
    "delay_to",
    "find_jumps",
    "find_kernels",
    "fit_growth",
    "fit_joint",
    "fit_onset_size",
    "fit_tracks",
    "pressure_driven",
    "read_mappings",
    "size_after",
    "unit_nodes",
]
