"""Sheets for the hangar floor: what to tap, where, and what is known of the panel, to scale."""

from kit.tap_sheets.content import TapSheet, check_sheets, panel_sheets
from kit.tap_sheets.page import PAPERS
from kit.tap_sheets.taps import SCALES, drawing_scale, tap_lattice, tap_pitch
from kit.tap_sheets.write import write_sheets

__all__ = [
    "PAPERS",
    "SCALES",
    "TapSheet",
    "check_sheets",
    "drawing_scale",
    "panel_sheets",
    "tap_lattice",
    "tap_pitch",
    "write_sheets",
]
