"""The fleet as it is, what a change of programme does, what it costs, what will be found, what would change the answer."""

from kit.programmes.change import ProgrammeChange, RepairShare, compare_programmes, play, repair_share
from kit.programmes.cost import CostCurve, Costs, MethodChoice, cost_curve, method_choice, replacement_ages
from kit.programmes.damage import MEASURES, Events, PanelDamage, damage_blocks, taken, thinned, walk
from kit.programmes.factors import SharedFactors, shared_factors
from kit.programmes.forecast import BackTest, Forecast, back_test, count_limits, forecast_finds, poisson_binomial
from kit.programmes.group import LEVEL, Group, band, group_of
from kit.programmes.panels import LivingPanels, PanelLives, living_panels
from kit.programmes.present import (
    PresentChances,
    PresentState,
    known_beyond,
    present_chances,
    present_state,
    rank_panels,
)
from kit.programmes.programme import Programme, Rule, events_of, look_days, looks_by_period
from kit.programmes.usage import PanelUsage, Parked, UsagePlan

__all__ = [
    "LEVEL",
    "MEASURES",
    "BackTest",
    "CostCurve",
    "Costs",
    "Events",
    "Forecast",
    "Group",
    "LivingPanels",
    "MethodChoice",
    "PanelDamage",
    "PanelLives",
    "PanelUsage",
    "Parked",
    "PresentChances",
    "PresentState",
    "Programme",
    "ProgrammeChange",
    "RepairShare",
    "Rule",
    "SharedFactors",
    "UsagePlan",
    "back_test",
    "band",
    "compare_programmes",
    "cost_curve",
    "count_limits",
    "damage_blocks",
    "events_of",
    "forecast_finds",
    "group_of",
    "known_beyond",
    "living_panels",
    "look_days",
    "looks_by_period",
    "method_choice",
    "play",
    "poisson_binomial",
    "present_chances",
    "present_state",
    "rank_panels",
    "repair_share",
    "replacement_ages",
    "shared_factors",
    "taken",
    "thinned",
    "walk",
]
