"""Skin Findings Kit: from tap-test findings to inspection intervals that can be defended."""

from kit.decisions import read_decision, rerun, write_decision
from kit.detection import DetectionCurve
from kit.findings import Fleet, TableError, load_fleet
from kit.growth import DelayTime, LinearGrowth, SizeDetection, fit_growth, fit_onset_size
from kit.intervals import (
    CAUTIONS,
    Evidence,
    Question,
    QuestionError,
    WeibullLife,
    interval_risk,
    read_question,
    recommend,
    schedule_kernel,
)
from kit.life import (
    ConstantDetection,
    Histories,
    NoFiniteMaximum,
    build_histories,
    fit_weibull,
    median_ranks,
    plotting_positions,
    rank_zones,
    scale_lower_bound,
)
from kit.regions import finding_regions, measure, tap_grid_chance, track

__version__ = "0.1.0"

__all__ = [
    "CAUTIONS",
    "ConstantDetection",
    "DelayTime",
    "DetectionCurve",
    "Evidence",
    "Fleet",
    "Histories",
    "LinearGrowth",
    "NoFiniteMaximum",
    "Question",
    "QuestionError",
    "SizeDetection",
    "TableError",
    "WeibullLife",
    "build_histories",
    "finding_regions",
    "fit_growth",
    "fit_onset_size",
    "fit_weibull",
    "interval_risk",
    "load_fleet",
    "measure",
    "median_ranks",
    "plotting_positions",
    "rank_zones",
    "read_decision",
    "read_question",
    "recommend",
    "rerun",
    "scale_lower_bound",
    "schedule_kernel",
    "tap_grid_chance",
    "track",
    "write_decision",
]
