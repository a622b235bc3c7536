"""Damage as regions of the skin: made, read, measured, tracked; and the chance that a tap grid meets one."""

from kit.regions.density.density import DamageDensity, damage_density
from kit.regions.density.spread import EvenSpread, even_spread_test
from kit.regions.density.tap_grid import tap_grid_chance, tap_grid_pitch
from kit.regions.limits.deferral_ledger import DeferralLedger, deferral_ledger
from kit.regions.limits.limits import (
    TIER_WORDS,
    TIERS,
    bounded_size,
    compare_revisions,
    damage_place,
    judge,
    limits_in_force,
    tier_findings,
    tiers_in_words,
)
from kit.regions.limits.panel_limits import tier_panels
from kit.regions.make.contact_time import (
    ContactTimeMap,
    ContactTimeRegions,
    contact_stiffness,
    contact_time_map,
    contact_time_regions,
    half_sine_contact_time,
)
from kit.regions.make.files import read_regions
from kit.regions.make.make import ellipses, finding_regions
from kit.regions.make.sound_skin import Background, background
from kit.regions.make.tap_marks import TapMarkOutlines, tap_mark_outlines
from kit.regions.measure.measure import equivalent_diameter, measure, panel_share
from kit.regions.track.ends import track_ends
from kit.regions.track.graph import TrackGraph, track_graph
from kit.regions.track.standing import standing_regions
from kit.regions.track.track import mark_lives, track, tracked_regions
from kit.regions.weight.balance import hinge_arm
from kit.regions.weight.payload import AddedMass, water_and_patch
from kit.regions.weight.water import (
    hexagon_area,
    patch_mass,
    porosity,
    water_depth,
    water_mass,
    water_per_cell,
)

__all__ = [
    "TIERS",
    "TIER_WORDS",
    "AddedMass",
    "Background",
    "ContactTimeMap",
    "ContactTimeRegions",
    "DamageDensity",
    "DeferralLedger",
    "EvenSpread",
    "TapMarkOutlines",
    "TrackGraph",
    "background",
    "bounded_size",
    "compare_revisions",
    "contact_stiffness",
    "contact_time_map",
    "contact_time_regions",
    "damage_density",
    "damage_place",
    "deferral_ledger",
    "ellipses",
    "equivalent_diameter",
    "even_spread_test",
    "finding_regions",
    "half_sine_contact_time",
    "hexagon_area",
    "hinge_arm",
    "judge",
    "limits_in_force",
    "mark_lives",
    "measure",
    "panel_share",
    "patch_mass",
    "porosity",
    "read_regions",
    "standing_regions",
    "tap_grid_chance",
    "tap_grid_pitch",
    "tap_mark_outlines",
    "tier_findings",
    "tier_panels",
    "tiers_in_words",
    "track",
    "track_ends",
    "track_graph",
    "tracked_regions",
    "water_and_patch",
    "water_depth",
    "water_mass",
    "water_per_cell",
]
