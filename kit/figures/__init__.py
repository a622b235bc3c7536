"""Figures: they read results and work nothing out."""

from kit.figures.coverage import plot_coverage
from kit.figures.decision import plot_answer, plot_rerun, plot_risk
from kit.figures.delays import plot_reporting_delay
from kit.figures.life import plot_modes, plot_probability, plot_share_damaged
from kit.figures.zones import plot_zone_rates

__all__ = [
    "plot_answer",
    "plot_coverage",
    "plot_modes",
    "plot_probability",
    "plot_reporting_delay",
    "plot_rerun",
    "plot_risk",
    "plot_share_damaged",
    "plot_zone_rates",
]
