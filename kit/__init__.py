"""Skin Findings Kit: from tap-test findings to inspection intervals that can be defended.

The names below are loaded when they are first used; everything else stands in the packages, such as `kit.life`.
"""

from importlib import import_module
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from kit.cautions import CAUTIONS
    from kit.decisions import (
        read_decision,
        rerun,
        write_decision,
    )
    from kit.detection import (
        DetectionCurve,
        PodRegister,
        fit_hit_miss,
        fit_response,
    )
    from kit.findings import (
        Fleet,
        TableError,
        load_fleet,
    )
    from kit.growth import (
        DelayTime,
        LinearGrowth,
        SizeDetection,
        compare_growth,
        fit_growth,
        fit_joint,
        fit_onset_size,
        fit_tracks,
    )
    from kit.intervals import (
        Evidence,
        Question,
        QuestionError,
        WeibullLife,
        age_replacement,
        failure_finding_interval,
        interval_risk,
        read_question,
        recommend,
        schedule_kernel,
    )
    from kit.life import (
        ConstantDetection,
        Histories,
        MethodDetection,
        NoFiniteMaximum,
        bootstrap,
        build_histories,
        fit_frailty,
        fit_life,
        fit_moisture_then_disbond,
        fit_power_law,
        fit_regression,
        fit_shared,
        fit_turnbull,
        fit_weibull,
        mean_cumulative,
        median_ranks,
        plotting_positions,
        scale_lower_bound,
        second_opinion,
        weibayes_bound,
    )
    from kit.programmes import (
        back_test,
        compare_programmes,
        forecast_finds,
        present_state,
        tornado,
    )
    from kit.ranking import (
        rank_by_damage,
        rank_zones,
    )
    from kit.regions import (
        damage_density,
        finding_regions,
        measure,
        standing_regions,
        tap_grid_chance,
        tier_findings,
        tier_panels,
        track,
        track_graph,
    )

__version__ = "0.2.0"

_PLACES = {
    "cautions": "CAUTIONS",
    "decisions": "read_decision rerun write_decision",
    "detection": "DetectionCurve PodRegister fit_hit_miss fit_response",
    "findings": "Fleet TableError load_fleet",
    "growth": "DelayTime LinearGrowth SizeDetection compare_growth fit_growth fit_joint fit_onset_size fit_tracks",
    "intervals": "Evidence Question QuestionError WeibullLife age_replacement failure_finding_interval interval_risk read_question recommend schedule_kernel",
    "life": "ConstantDetection Histories MethodDetection NoFiniteMaximum bootstrap build_histories fit_frailty fit_life fit_moisture_then_disbond fit_power_law fit_regression fit_shared fit_turnbull fit_weibull mean_cumulative median_ranks plotting_positions scale_lower_bound second_opinion weibayes_bound",
    "programmes": "back_test compare_programmes forecast_finds present_state tornado",
    "ranking": "rank_by_damage rank_zones",
    "regions": "damage_density finding_regions measure standing_regions tap_grid_chance tier_findings tier_panels track track_graph",
}
_PACKAGE_OF = {name: package for package, names in _PLACES.items() for name in names.split()}
_PACKAGES = (*_PLACES, "explore", "figures", "numerics", "simulate")

__all__ = [
    "CAUTIONS",
    "ConstantDetection",
    "DelayTime",
    "DetectionCurve",
    "Evidence",
    "Fleet",
    "Histories",
    "LinearGrowth",
    "MethodDetection",
    "NoFiniteMaximum",
    "PodRegister",
    "Question",
    "QuestionError",
    "SizeDetection",
    "TableError",
    "WeibullLife",
    "age_replacement",
    "back_test",
    "bootstrap",
    "build_histories",
    "compare_growth",
    "compare_programmes",
    "damage_density",
    "failure_finding_interval",
    "finding_regions",
    "fit_frailty",
    "fit_growth",
    "fit_hit_miss",
    "fit_joint",
    "fit_life",
    "fit_moisture_then_disbond",
    "fit_onset_size",
    "fit_power_law",
    "fit_regression",
    "fit_response",
    "fit_shared",
    "fit_tracks",
    "fit_turnbull",
    "fit_weibull",
    "forecast_finds",
    "interval_risk",
    "load_fleet",
    "mean_cumulative",
    "measure",
    "median_ranks",
    "plotting_positions",
    "present_state",
    "rank_by_damage",
    "rank_zones",
    "read_decision",
    "read_question",
    "recommend",
    "rerun",
    "scale_lower_bound",
    "schedule_kernel",
    "second_opinion",
    "standing_regions",
    "tap_grid_chance",
    "tier_findings",
    "tier_panels",
    "tornado",
    "track",
    "track_graph",
    "weibayes_bound",
    "write_decision",
]


def __getattr__(name: str) -> object:
    """Load a name, or a package, when it is first used."""
    if name in _PACKAGE_OF:
        value = getattr(import_module(f"kit.{_PACKAGE_OF[name]}"), name)
    elif name in _PACKAGES:
        value = import_module(f"kit.{name}")
    else:
        raise AttributeError(
            f"module 'kit' has no attribute {name!r}. Known are {', '.join(sorted(__all__))}."
        )
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    """List what can be had, loaded or not."""
    return sorted({*globals(), *__all__, *_PACKAGES})
