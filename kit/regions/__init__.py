"""Damage as regions of the skin: made, read, measured, tracked; and the chance that a tap grid meets one."""

from kit.regions.contact_time import (
    ContactTimeMap,
    ContactTimeRegions,
    contact_stiffness,
    contact_time_map,
    contact_time_regions,
    half_sine_contact_time,
)
from kit.regions.density import DamageDensity, damage_density, poisson_bounds
from kit.regions.ends import track_ends
from kit.regions.files import read_regions
from kit.regions.graph import TrackGraph, track_graph
from kit.regions.limits import TIERS, compare_revisions, damage_place, judge, limits_in_force, tier_findings
from kit.regions.make import ellipses, finding_regions
from kit.regions.measure import equivalent_diameter, measure, panel_share
from kit.regions.panel_limits import tier_panels
from kit.regions.payload import AddedMass, water_and_patch
from kit.regions.sound_skin import Background, background
from kit.regions.spread import EvenSpread, even_spread_test
from kit.regions.standing import standing_regions
from kit.regions.tap_grid import tap_grid_chance, tap_grid_pitch
from kit.regions.tap_marks import TapMarkOutlines, tap_mark_outlines
from kit.regions.track import mark_lives, track, tracked_regions
from kit.regions.water import hexagon_area, patch_mass, porosity, water_depth, water_mass, water_per_cell

__all__ = [
    "TIERS",
    "AddedMass",
    "Background",
    "ContactTimeMap",
    "ContactTimeRegions",
    "DamageDensity",
    "EvenSpread",
    "TapMarkOutlines",
    "TrackGraph",
    "background",
    "compare_revisions",
    "contact_stiffness",
    "contact_time_map",
    "contact_time_regions",
    "damage_density",
    "damage_place",
    "ellipses",
    "equivalent_diameter",
    "even_spread_test",
    "finding_regions",
    "half_sine_contact_time",
    "hexagon_area",
    "judge",
    "limits_in_force",
    "mark_lives",
    "measure",
    "panel_share",
    "patch_mass",
    "poisson_bounds",
    "porosity",
    "read_regions",
    "standing_regions",
    "tap_grid_chance",
    "tap_grid_pitch",
    "tap_mark_outlines",
    "tier_findings",
    "tier_panels",
    "track",
    "track_ends",
    "track_graph",
    "tracked_regions",
    "water_and_patch",
    "water_depth",
    "water_mass",
    "water_per_cell",
]
