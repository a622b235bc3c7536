"""Load a fleet's tables, check every row, and say what was known when."""

from kit.findings.ages import PanelAges, panel_ages, record_starts
from kit.findings.check import check_tables
from kit.findings.fittings import Fittings
from kit.findings.fleet import Fleet
from kit.findings.load import load_fleet
from kit.findings.looks import LOOK_COLUMNS, build_looks
from kit.findings.period import events_up_to
from kit.findings.problems import PROBLEM_COLUMNS, TableError
from kit.findings.report import problems_text
from kit.findings.tables import (
    CLOCKS,
    DISPOSITIONS,
    EVENT_DATES,
    KINDS,
    METHODS,
    MM_PER_UNIT,
    NO_DAMAGE,
    TABLES,
    TAP_METHODS,
    Column,
    Table,
)
from kit.findings.usage import Meters

__all__ = [
    "CLOCKS",
    "DISPOSITIONS",
    "EVENT_DATES",
    "KINDS",
    "LOOK_COLUMNS",
    "METHODS",
    "MM_PER_UNIT",
    "NO_DAMAGE",
    "PROBLEM_COLUMNS",
    "TABLES",
    "TAP_METHODS",
    "Column",
    "Fittings",
    "Fleet",
    "Meters",
    "PanelAges",
    "Table",
    "TableError",
    "build_looks",
    "check_tables",
    "events_up_to",
    "load_fleet",
    "panel_ages",
    "problems_text",
    "record_starts",
]
