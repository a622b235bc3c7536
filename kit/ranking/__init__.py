"""Which zones are damaged most: rates, expected against found, ranks with their chances, trends, sides and lots."""

from kit.ranking.expected import expected_damage, watches_from_looks
from kit.ranking.funnel import funnel_limits, funnel_table
from kit.ranking.ranks import RankDraws, false_discoveries
from kit.ranking.rates import rank_zones
from kit.ranking.shrinkage import Shrunken, shrink

__all__ = [
    "RankDraws",
    "Shrunken",
    "expected_damage",
    "false_discoveries",
    "funnel_limits",
    "funnel_table",
    "rank_zones",
    "shrink",
    "watches_from_looks",
]
