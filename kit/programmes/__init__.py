"""The fleet as it is, what a change of programme does, what it costs, what will be found, what would change the answer."""

from kit.programmes.change import (
    ProgrammeChange,
    RepairShare,
    compare_programmes,
    play,
    repair_share,
    simulate_programme,
)
from kit.programmes.cost import (
    PARTS,
    CostCurve,
    Costs,
    MethodChoice,
    cost_curve,
    method_choice,
    replacement_ages,
)
from kit.programmes.damage import PanelDamage, damage_blocks, taken, thinned
from kit.programmes.extension import (
    Extension,
    MonitoringRule,
    clean_looks_needed,
    extension_evidence,
    monitoring_rule,
    share_shown,
)
from kit.programmes.factors import SharedFactors, shared_factors
from kit.programmes.forecast import (
    BackTest,
    Forecast,
    back_test,
    count_limits,
    forecast_finds,
    looks_made,
    poisson_binomial,
)
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
from kit.programmes.sampling import FleetLeaders, SamplePlan, chance_none_found, fleet_leaders, sample_plan
from kit.programmes.sensitivity import Tornado, Varied, stated_values, tornado, value_of_evidence
from kit.programmes.usage import PanelUsage, Parked, UsagePlan, as_day
from kit.programmes.walk import MEASURES, Events, walk

__all__ = [
    "LEVEL",
    "MEASURES",
    "PARTS",
    "BackTest",
    "CostCurve",
    "Costs",
    "Events",
    "Extension",
    "FleetLeaders",
    "Forecast",
    "Group",
    "LivingPanels",
    "MethodChoice",
    "MonitoringRule",
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
    "SamplePlan",
    "SharedFactors",
    "Tornado",
    "UsagePlan",
    "Varied",
    "as_day",
    "back_test",
    "band",
    "chance_none_found",
    "clean_looks_needed",
    "compare_programmes",
    "cost_curve",
    "count_limits",
    "damage_blocks",
    "events_of",
    "extension_evidence",
    "fleet_leaders",
    "forecast_finds",
    "group_of",
    "known_beyond",
    "living_panels",
    "look_days",
    "looks_by_period",
    "looks_made",
    "method_choice",
    "monitoring_rule",
    "play",
    "poisson_binomial",
    "present_chances",
    "present_state",
    "rank_panels",
    "repair_share",
    "replacement_ages",
    "sample_plan",
    "share_shown",
    "shared_factors",
    "simulate_programme",
    "stated_values",
    "taken",
    "thinned",
    "tornado",
    "value_of_evidence",
    "walk",
]
