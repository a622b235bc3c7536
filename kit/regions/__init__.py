"""Damage as regions of the skin: made, read, measured, tracked; and the chance that a tap grid meets one."""

from kit.regions.files import read_regions
from kit.regions.make import ellipses, finding_regions
from kit.regions.measure import equivalent_diameter, measure
from kit.regions.tap_grid import tap_grid_chance, tap_grid_pitch
from kit.regions.track import mark_lives, track

__all__ = [
    "ellipses",
    "equivalent_diameter",
    "finding_regions",
    "mark_lives",
    "measure",
    "read_regions",
    "tap_grid_chance",
    "tap_grid_pitch",
    "track",
]
