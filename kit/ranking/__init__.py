"""Which zones are damaged most: rates of finds with exact bounds."""

from kit.ranking.rates import rank_zones

__all__ = ["rank_zones"]
