"""What people move and touch in a notebook: intervals, a map of damage, corrections, tap marks."""

from kit.explore.answer_risk import risk_picture, risk_text
from kit.explore.damage_map import DamageMap, PanelDay, damage_map_of
from kit.explore.interval import IntervalBench, Outcome, Setting, interval_bench
from kit.explore.review import CorrectionsReview, corrections_review
from kit.explore.svg import Picture
from kit.explore.tap_entry import TapEntry, TapReading, tap_entry_of
from kit.explore.widgets import damage_map, interval_explorer, review_corrections, tap_entry

__all__ = [
    "CorrectionsReview",
    "DamageMap",
    "IntervalBench",
    "Outcome",
    "PanelDay",
    "Picture",
    "Setting",
    "TapEntry",
    "TapReading",
    "corrections_review",
    "damage_map",
    "damage_map_of",
    "interval_bench",
    "interval_explorer",
    "review_corrections",
    "risk_picture",
    "risk_text",
    "tap_entry",
    "tap_entry_of",
]
