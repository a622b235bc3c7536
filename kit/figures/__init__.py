"""Figures: they read results and work nothing out."""

from kit.figures.coverage import plot_coverage
from kit.figures.decision import plot_answer, plot_causes, plot_rerun, plot_risk, save_answer, shown_measures
from kit.figures.delays import plot_reporting_delay
from kit.figures.growth import plot_growth, plot_tracks
from kit.figures.life import plot_modes, plot_probability, plot_share_damaged
from kit.figures.panel import (
    KIND_STYLE,
    plot_densities,
    plot_density,
    plot_edge_distance,
    plot_growth_strip,
    plot_panel,
    plot_size_by_age,
    region_path,
)
from kit.figures.pod import plot_pod
from kit.figures.programmes import (
    plot_back_test,
    plot_change,
    plot_cost,
    plot_extension,
    plot_forecast,
    plot_panels,
    plot_tornado,
)
from kit.figures.repairs import plot_after_repair
from kit.figures.style import as_written
from kit.figures.zones import (
    plot_funnel,
    plot_pareto,
    plot_plan_view,
    plot_rank_chances,
    plot_shrinkage,
    plot_time_line,
    plot_zone_counts,
    plot_zone_rates,
)

__all__ = [
    "KIND_STYLE",
    "as_written",
    "plot_after_repair",
    "plot_answer",
    "plot_back_test",
    "plot_causes",
    "plot_change",
    "plot_cost",
    "plot_coverage",
    "plot_densities",
    "plot_density",
    "plot_edge_distance",
    "plot_extension",
    "plot_forecast",
    "plot_funnel",
    "plot_growth",
    "plot_growth_strip",
    "plot_modes",
    "plot_panel",
    "plot_panels",
    "plot_pareto",
    "plot_plan_view",
    "plot_pod",
    "plot_probability",
    "plot_rank_chances",
    "plot_reporting_delay",
    "plot_rerun",
    "plot_risk",
    "plot_share_damaged",
    "plot_shrinkage",
    "plot_size_by_age",
    "plot_time_line",
    "plot_tornado",
    "plot_tracks",
    "plot_zone_counts",
    "plot_zone_rates",
    "region_path",
    "save_answer",
    "shown_measures",
]
