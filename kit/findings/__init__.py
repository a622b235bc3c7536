"""Load a fleet's tables, check every row, and say what was known when."""

from kit.findings.ages import AgeBounds, PanelAges, panel_age_bounds, panel_ages, record_starts
from kit.findings.check.check import check_tables
from kit.findings.check.problems import PROBLEM_COLUMNS, TableError, table_error
from kit.findings.check.scales import LIMIT_BEYOND_PANELS, SIZES_TOO_SMALL
from kit.findings.files import replace_bytes, replace_text
from kit.findings.fingerprint import digest_of_rows, digest_over_all
from kit.findings.fittings import Fittings
from kit.findings.fleet import Fleet, need_fleet
from kit.findings.frames import names_in, need_columns
from kit.findings.load import load_fleet
from kit.findings.looks import BASES, LOOK_COLUMNS, build_looks, looks_read_for
from kit.findings.methods import (
    DAMAGE_LEFT,
    DISPOSITIONS,
    KINDS,
    METHODS,
    NO_DAMAGE,
    SEES,
    TAP_METHODS,
    blind_to,
    clean_methods,
    is_damage,
    kind_as_seen,
    methods_seeing,
)
from kit.findings.packages import MissingPackage, missing_package
from kit.findings.period import events_up_to, rows_kept
from kit.findings.read.column_map import SIZES
from kit.findings.read.dataset import Dataset
from kit.findings.read.region_files import region_rows
from kit.findings.read.toml_file import read_toml_file
from kit.findings.reinspections import reinspections
from kit.findings.report.changes import CHANGE_COLUMNS, changes_text
from kit.findings.report.corrections import (
    DECISION_COLUMNS,
    PROPOSAL_COLUMNS,
    apply_corrections,
    proposals_text,
    propose_corrections,
    read_proposals,
    write_proposals,
)
from kit.findings.report.coverage import coverage_table
from kit.findings.report.delays import (
    DELAY_TABLES,
    ReportingDelay,
    RightEdge,
    delay_distribution,
    reporting_delay,
    right_edge,
)
from kit.findings.report.genealogy import lineage, panel_history
from kit.findings.report.report import problems_html, problems_text, write_report
from kit.findings.stated import KEYS, PACKAGES, TARGETS, USAGE, in_force, known_by
from kit.findings.tables import BOUNDED, CLOCKS, GEOMETRIES, MM_PER_UNIT, PLACES, TABLES, Column, Table
from kit.findings.traps import TRAPS, find_traps
from kit.findings.units import suspect_units
from kit.findings.usage import DAYS_BEYOND, Meters

__all__ = [
    "BASES",
    "BOUNDED",
    "CHANGE_COLUMNS",
    "CLOCKS",
    "DAMAGE_LEFT",
    "DAYS_BEYOND",
    "DECISION_COLUMNS",
    "DELAY_TABLES",
    "DISPOSITIONS",
    "GEOMETRIES",
    "KEYS",
    "KINDS",
    "LIMIT_BEYOND_PANELS",
    "LOOK_COLUMNS",
    "METHODS",
    "MM_PER_UNIT",
    "NO_DAMAGE",
    "PACKAGES",
    "PLACES",
    "PROBLEM_COLUMNS",
    "PROPOSAL_COLUMNS",
    "SEES",
    "SIZES",
    "SIZES_TOO_SMALL",
    "TABLES",
    "TAP_METHODS",
    "TARGETS",
    "TRAPS",
    "USAGE",
    "AgeBounds",
    "Column",
    "Dataset",
    "Fittings",
    "Fleet",
    "Meters",
    "MissingPackage",
    "PanelAges",
    "ReportingDelay",
    "RightEdge",
    "Table",
    "TableError",
    "apply_corrections",
    "blind_to",
    "build_looks",
    "changes_text",
    "check_tables",
    "clean_methods",
    "coverage_table",
    "delay_distribution",
    "digest_of_rows",
    "digest_over_all",
    "events_up_to",
    "find_traps",
    "in_force",
    "is_damage",
    "kind_as_seen",
    "known_by",
    "lineage",
    "load_fleet",
    "looks_read_for",
    "methods_seeing",
    "missing_package",
    "names_in",
    "need_columns",
    "need_fleet",
    "panel_age_bounds",
    "panel_ages",
    "panel_history",
    "problems_html",
    "problems_text",
    "proposals_text",
    "propose_corrections",
    "read_proposals",
    "read_toml_file",
    "record_starts",
    "region_rows",
    "reinspections",
    "replace_bytes",
    "replace_text",
    "reporting_delay",
    "right_edge",
    "rows_kept",
    "suspect_units",
    "table_error",
    "write_proposals",
    "write_report",
]
