"""Which zones are damaged most: rates, expected against found, ranks with their chances, severity, trends, sides and lots."""

from kit.ranking.damage import Counted, DamageRanking, KindRanking, rank_by_damage
from kit.ranking.expected import expected_damage, expected_of_zones, sampled_lives, watches_from_looks
from kit.ranking.false_calls import binomial_bounds, fit_false_calls
from kit.ranking.funnel import funnel_limits, funnel_table, overdispersion, poisson_p_values, step_up
from kit.ranking.lives import KindLives, lives_of_kind
from kit.ranking.ranks import RankDraws, false_discoveries, normal_expected_ranks
from kit.ranking.rates import (
    RATES,
    ZoneSums,
    hours_of_sums,
    rank_counted,
    rank_zones,
    zone_exposure,
    zone_hours,
    zone_sums,
)
from kit.ranking.reasons import ZoneReasons, why_zones_differ
from kit.ranking.selection import (
    DISBOND_KINDS,
    PURPOSES,
    Selection,
    first_detections,
    selected_looks,
    selected_regions,
)
from kit.ranking.settings import RankingSettings, SettingsError
from kit.ranking.severity import severity_table
from kit.ranking.shrinkage import Shrunken, shrink
from kit.ranking.sides import left_and_right, lots_that_stand_out, mirror_zones, tap_first
from kit.ranking.standardise import STRATA, standardised_rates, strata_table
from kit.ranking.trends import (
    PoissonCusum,
    alert_levels,
    poisson_cusum,
    trend_table,
    yearly_table,
    zone_events,
    zone_mean_cumulative,
)

__all__ = [
    "DISBOND_KINDS",
    "PURPOSES",
    "RATES",
    "STRATA",
    "Counted",
    "DamageRanking",
    "KindLives",
    "KindRanking",
    "PoissonCusum",
    "RankDraws",
    "RankingSettings",
    "Selection",
    "SettingsError",
    "Shrunken",
    "ZoneReasons",
    "ZoneSums",
    "alert_levels",
    "binomial_bounds",
    "expected_damage",
    "expected_of_zones",
    "false_discoveries",
    "first_detections",
    "fit_false_calls",
    "funnel_limits",
    "funnel_table",
    "hours_of_sums",
    "left_and_right",
    "lives_of_kind",
    "lots_that_stand_out",
    "mirror_zones",
    "normal_expected_ranks",
    "overdispersion",
    "poisson_cusum",
    "poisson_p_values",
    "rank_by_damage",
    "rank_counted",
    "rank_zones",
    "sampled_lives",
    "selected_looks",
    "selected_regions",
    "severity_table",
    "shrink",
    "standardised_rates",
    "step_up",
    "strata_table",
    "tap_first",
    "trend_table",
    "watches_from_looks",
    "why_zones_differ",
    "yearly_table",
    "zone_events",
    "zone_exposure",
    "zone_hours",
    "zone_mean_cumulative",
    "zone_sums",
]
