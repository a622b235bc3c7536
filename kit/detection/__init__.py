"""What a tap test can see: chance of detection against the size of a damage, and how it is proved."""

from kit.detection.agreement import ASSUMPTIONS, AgreementEstimate, dependence_table, several_looks, two_looks
from kit.detection.curve import DetectionCurve, HasCurve, LinkedCurve, as_detection, curves_by_method
from kit.detection.demonstration import DemonstrationPlan, demonstration_plan, pod_bounds
from kit.detection.found_sizes import FoundSizes, what_sizes_at_find_tell
from kit.detection.hit_miss import fit_hit_miss
from kit.detection.hit_miss_fit import HitMissFit, LikelihoodRatio
from kit.detection.links import LINKS
from kit.detection.pitch import detectable_size, grid_pod, widest_pitch
from kit.detection.planning import trial_power
from kit.detection.plate import (
    centre_stiffness,
    expected_contact_ratio,
    plate_frequency,
    plate_root,
    plate_stiffness,
    size_at_ratio,
)
from kit.detection.register import BUILT_IN, PodEntry, PodError, PodRegister
from kit.detection.response import ResponseFit, fit_response

__all__ = [
    "ASSUMPTIONS",
    "BUILT_IN",
    "LINKS",
    "AgreementEstimate",
    "DemonstrationPlan",
    "DetectionCurve",
    "FoundSizes",
    "HasCurve",
    "HitMissFit",
    "LikelihoodRatio",
    "LinkedCurve",
    "PodEntry",
    "PodError",
    "PodRegister",
    "ResponseFit",
    "as_detection",
    "centre_stiffness",
    "curves_by_method",
    "demonstration_plan",
    "dependence_table",
    "detectable_size",
    "expected_contact_ratio",
    "fit_hit_miss",
    "fit_response",
    "grid_pod",
    "plate_frequency",
    "plate_root",
    "plate_stiffness",
    "pod_bounds",
    "several_looks",
    "size_at_ratio",
    "trial_power",
    "two_looks",
    "what_sizes_at_find_tell",
    "widest_pitch",
]
