"""What tables a dataset has, and what each column holds.

The one declaration of the tables: loading, checking, the demo fleet and the table
dictionary in the documentation all read it.
"""

from __future__ import annotations

from dataclasses import dataclass

from kit.findings.methods import DISPOSITIONS, KINDS, METHODS

PLACES = ("field", "edge_band", "fastener_row")
"""Places within a panel that a damage limit may be for."""

BOUNDED = ("longest_extent", "equivalent_diameter", "area")
"""What a limit of size may bound."""

CLOSED_BY = ("repaired", "replaced", "renewed", "withdrawn")
"""How a deferral may end: renewed is followed by another one, withdrawn was no damage."""

MARKS = ("clear", "dull", "not_tapped")
"""What a tap may be marked as."""

GEOMETRIES = ("polygon", "lines")
"""Types of columns that hold shapes in panel coordinates."""


@dataclass(frozen=True)
class Column:
    """One column of a table.

    Parameters
    ----------
    name : str
        Heading in the file.
    type : str
        One of ``id``, ``ref``, ``refs``, ``text``, ``choice``, ``date``, ``number``,
        ``length``, ``flag``, ``polygon``, ``lines``. A ``refs`` cell holds several names with ``;``
        between them; a ``length`` is in the dataset's length unit and becomes mm; a
        ``flag`` is ``yes`` or blank; ``lines`` are one LINESTRING or MULTILINESTRING.
    meaning : str
        What it holds, for the table dictionary.
    required : bool
        Whether a blank cell is an error.
    refers_to : str
        For ``ref`` and ``refs``: the table whose id it names.
    choices : tuple of str
        For ``choice``: the values allowed.
    unit : str
        Unit after loading [as named].
    minimum : float or None
        Smallest value allowed.
    maximum : float or None
        Largest value allowed.
    later : bool
        Declared after datasets were already in use: a file may lack it without a warning, and
        while it is blank throughout it is no part of the fingerprint of its table.
    """

    name: str
    type: str
    meaning: str
    required: bool = False
    refers_to: str = ""
    choices: tuple[str, ...] = ()
    unit: str = ""
    minimum: float | None = None
    maximum: float | None = None
    later: bool = False


@dataclass(frozen=True)
class Table:
    """One table of a dataset.

    Parameters
    ----------
    name : str
        Name of the table, also of its file without the ending.
    row_is : str
        What one row stands for.
    columns : tuple of Column
        The first one is the id.
    optional : bool
        Whether a dataset may do without it.
    later : bool
        Declared after datasets were already in use: while it has no rows it is no part of the
        fingerprint.
    event_date : str
        Column that says when the event of a row happened; blank: a row has no such day.
    end_date : str
        Column that says when what the row stands for ended; blank: it does not end.
    is_plan : bool
        Whether its days are about what is to come, and may lie after the cut-off.
    may_be_empty : bool
        Whether it may have a heading and no rows.
    checked_after : tuple of str
        Tables that its checks look things up in, beside those that its columns refer to.
    """

    name: str
    row_is: str
    columns: tuple[Column, ...]
    optional: bool = False
    later: bool = False
    event_date: str = ""
    end_date: str = ""
    is_plan: bool = False
    may_be_empty: bool = False
    checked_after: tuple[str, ...] = ()

    @property
    def id_column(self) -> str:
        """Name of the column that tells the rows apart."""
        return self.columns[0].name

    @property
    def all_columns(self) -> tuple[Column, ...]:
        """The columns, with the two that every table has at its end."""
        return (*self.columns, RECORDED_ON, REPLACES)


RECORDED_ON = Column("recorded_on", "date", "day on which the row became known", required=True)
REPLACES = Column("replaces", "text", "id of the row of the same table that this row corrects")

TABLES: dict[str, Table] = {
    t.name: t
    for t in (
        Table(
            "aircraft",
            "one aircraft",
            (
                Column("aircraft", "id", "name of the aircraft", required=True),
                Column(
                    "subtype",
                    "text",
                    "subtype (model, variant), which decides the zones it has",
                    required=True,
                ),
                Column("entry_into_service", "date", "first day in service", required=True),
                Column("records_from", "date", "first day with inspection records; blank: from entry"),
            ),
            event_date="entry_into_service",
        ),
        Table(
            "basing",
            "a stay of one aircraft at a base",
            (
                Column("stay", "id", "name of the row", required=True),
                Column("aircraft", "ref", "the aircraft", required=True, refers_to="aircraft"),
                Column("valid_from", "date", "first day", required=True),
                Column("valid_to", "date", "last day; blank: still there"),
                Column("base", "text", "the base", required=True),
                Column("climate", "text", "climate of the base", required=True),
            ),
            optional=True,
            event_date="valid_from",
            end_date="valid_to",
            may_be_empty=True,
        ),
        Table(
            "zones",
            "a zone: a position with an outline",
            (
                Column("zone", "id", "label of the zone", required=True),
                Column(
                    "subtypes", "text", "subtypes (models) that have it, with ; between them", required=True
                ),
                Column("group", "text", "group of like zones that share a question", required=True),
                Column(
                    "side",
                    "choice",
                    "side of the aircraft",
                    required=True,
                    choices=("left", "right", "centre"),
                ),
                Column("outline", "polygon", "outline in panel coordinates, WKT", required=True, unit="mm"),
                Column("outer_material", "text", "material of the outer skin"),
                Column("outer_thickness", "length", "thickness of the outer skin", unit="mm", minimum=0),
                Column("inner_material", "text", "material of the inner skin"),
                Column("inner_thickness", "length", "thickness of the inner skin", unit="mm", minimum=0),
                Column("core_material", "text", "material of the core"),
                Column("core_thickness", "length", "thickness of the core", unit="mm", minimum=0),
                Column("cell_size", "length", "cell size of the core", unit="mm", minimum=0),
                Column("core_density", "number", "density of the core", unit="kg/m³", minimum=0),
                Column(
                    "structure_class",
                    "choice",
                    "class of structure",
                    required=True,
                    choices=("critical", "primary", "secondary", "tertiary"),
                ),
                Column("removable", "flag", "yes if the panel can be taken off and fitted elsewhere"),
                Column("faces_reachable", "number", "faces that can be tapped", minimum=1, maximum=2),
                Column("former_label", "text", "label that the zone had before"),
                Column("former_label_until", "date", "last day of the former label"),
                Column(
                    "fastener_rows",
                    "lines",
                    "rows of fasteners in panel coordinates, WKT; blank: none known",
                    unit="mm",
                    later=True,
                ),
                Column(
                    "edge_band",
                    "length",
                    "width of the band along the edge; blank: no band",
                    unit="mm",
                    minimum=0,
                    later=True,
                ),
                Column(
                    "hinge_line",
                    "lines",
                    "line about which a control surface turns, in panel coordinates, WKT; it may lie off the panel; "
                    "blank: not a control surface",
                    unit="mm",
                    later=True,
                ),
                Column("remarks", "text", "remarks on the construction", later=True),
                Column(
                    "low_point",
                    "choice",
                    "whether water that enters the panels gathers at this zone, where the drains are: yes or no; blank: not known",
                    choices=("yes", "no"),
                    later=True,
                ),
            ),
        ),
        Table(
            "panels",
            "one installation (fitting) of a panel at a zone",
            (
                Column("fitting", "id", "name of the row", required=True),
                Column("panel", "text", "serial of the panel", required=True),
                Column("aircraft", "ref", "the aircraft", required=True, refers_to="aircraft"),
                Column("zone", "ref", "the zone", required=True, refers_to="zones"),
                Column("fitted_on", "date", "first day at the zone", required=True),
                Column("removed_on", "date", "day of removal; blank: still fitted"),
                Column(
                    "state",
                    "choice",
                    "state when fitted",
                    required=True,
                    choices=("new", "repaired", "unknown"),
                ),
                Column(
                    "prior_flight_hours",
                    "number",
                    "age when installed, where the earlier installations are not in this table",
                    unit="flight hours",
                    minimum=0,
                ),
                Column(
                    "prior_flight_cycles", "number", "the same in cycles", unit="flight cycles", minimum=0
                ),
                Column("prior_days", "number", "the same in days", unit="days", minimum=0),
                Column("build_lot", "text", "build lot"),
            ),
            event_date="fitted_on",
            end_date="removed_on",
        ),
        Table(
            "usage",
            "a meter reading",
            (
                Column("reading", "id", "name of the row", required=True),
                Column("aircraft", "ref", "the aircraft", required=True, refers_to="aircraft"),
                Column("read_on", "date", "day of the reading", required=True),
                Column(
                    "flight_hours", "number", "meter, hours", required=True, unit="flight hours", minimum=0
                ),
                Column(
                    "flight_cycles", "number", "meter, cycles", required=True, unit="flight cycles", minimum=0
                ),
                Column(
                    "meter_change", "flag", "yes: first reading of a new meter, same moment as the row before"
                ),
            ),
            event_date="read_on",
        ),
        Table(
            "tasks",
            "what the programme asks",
            (
                Column("task", "id", "name of the task", required=True),
                Column("zones", "refs", "the zones to look at", required=True, refers_to="zones"),
                Column("method", "choice", "method", required=True, choices=METHODS),
                Column(
                    "threshold_flight_hours",
                    "number",
                    "initial inspection (threshold) due at",
                    unit="flight hours",
                    minimum=0,
                ),
                Column(
                    "threshold_flight_cycles",
                    "number",
                    "initial inspection (threshold) due at",
                    unit="flight cycles",
                    minimum=0,
                ),
                Column(
                    "threshold_days",
                    "number",
                    "initial inspection (threshold) due at",
                    unit="days",
                    minimum=0,
                ),
                Column("repeat_flight_hours", "number", "repeat interval", unit="flight hours", minimum=0),
                Column("repeat_flight_cycles", "number", "repeat interval", unit="flight cycles", minimum=0),
                Column("repeat_days", "number", "repeat interval", unit="days", minimum=0),
                Column(
                    "cap_flight_hours",
                    "number",
                    "not-to-exceed limit of the interval",
                    unit="flight hours",
                    minimum=0,
                ),
                Column(
                    "cap_flight_cycles",
                    "number",
                    "not-to-exceed limit of the interval",
                    unit="flight cycles",
                    minimum=0,
                ),
                Column("cap_days", "number", "not-to-exceed limit of the interval", unit="days", minimum=0),
                Column("cap_basis", "text", "what makes the not-to-exceed limit binding"),
                Column("valid_from", "date", "first day in force", required=True),
                Column("valid_to", "date", "last day in force; blank: in force"),
                Column(
                    "looks_for",
                    "text",
                    "damage types (kinds) that its looks are timed and read for, with ; between them; blank: all that the method sees",
                    later=True,
                ),
            ),
            event_date="valid_from",
            end_date="valid_to",
            is_plan=True,
        ),
        Table(
            "cards",
            "a closed task on one aircraft",
            (
                Column("card", "id", "name of the card", required=True),
                Column("task", "ref", "the task", required=True, refers_to="tasks"),
                Column("aircraft", "ref", "the aircraft", required=True, refers_to="aircraft"),
                Column("closed_on", "date", "day of closing", required=True),
                Column("station", "text", "where it was done"),
                Column("method", "choice", "method used, where it is not the task's", choices=METHODS),
                Column(
                    "zones_not_done", "refs", "zones of the task that were not looked at", refers_to="zones"
                ),
                Column("why_not_done", "text", "why they were not"),
            ),
            event_date="closed_on",
            may_be_empty=True,
        ),
        Table(
            "inspections",
            "one look: one panel looked at once by one method",
            (
                Column("inspection", "id", "name of the look", required=True),
                Column(
                    "card", "ref", "the card it belongs to; blank: outside the programme", refers_to="cards"
                ),
                Column("aircraft", "ref", "the aircraft", required=True, refers_to="aircraft"),
                Column("zone", "ref", "the zone", required=True, refers_to="zones"),
                Column("panel", "text", "serial as written"),
                Column("inspected_on", "date", "day of the look", required=True),
                Column("method", "choice", "method", required=True, choices=METHODS),
                Column("coverage", "text", "full, or the part looked at as WKT"),
                Column("outcome", "choice", "result", required=True, choices=("clean", "found")),
                Column("inspector", "text", "inspector's number"),
            ),
            event_date="inspected_on",
            may_be_empty=True,
            checked_after=("panels",),
        ),
        Table(
            "findings",
            "one damage at one inspection",
            (
                Column("finding", "id", "name of the finding", required=True),
                Column(
                    "inspection",
                    "ref",
                    "the look that found it; blank: an opportunity",
                    refers_to="inspections",
                ),
                Column("aircraft", "ref", "the aircraft", required=True, refers_to="aircraft"),
                Column("zone", "ref", "the zone", required=True, refers_to="zones"),
                Column("panel", "text", "serial as written"),
                Column("found_on", "date", "day it was found", required=True),
                Column("method", "choice", "method that found it", required=True, choices=METHODS),
                Column("kind", "choice", "damage type", required=True, choices=KINDS),
                Column("cause", "text", "cause as written, free text"),
                Column(
                    "outline",
                    "polygon",
                    "outline in panel coordinates, WKT, dataset's length unit",
                    unit="mm",
                ),
                Column("centre_x", "length", "centre, forward, dataset's length unit", unit="mm"),
                Column("centre_y", "length", "centre, up, dataset's length unit", unit="mm"),
                Column("length", "number", "longest extent as written, in size_unit", unit="mm", minimum=0),
                Column(
                    "width",
                    "number",
                    "extent across the length as written, in size_unit",
                    unit="mm",
                    minimum=0,
                ),
                Column(
                    "angle",
                    "number",
                    "angle of the length from forward",
                    unit="degrees",
                    minimum=-360,
                    maximum=360,
                ),
                Column(
                    "size_unit", "choice", "unit of length, width and rounding", choices=("mm", "cm", "in")
                ),
                Column(
                    "rounding",
                    "number",
                    "step to which the size was rounded, in size_unit",
                    unit="mm",
                    minimum=0,
                ),
                Column(
                    "tap_grid",
                    "text",
                    "grid of tap marks: a grid in taps, or a CSV file in the folder of the dataset",
                ),
                Column(
                    "depth",
                    "choice",
                    "where through the thickness",
                    choices=("near_bond", "far_bond", "inter_ply", "core"),
                ),
                Column("side", "choice", "face that was tapped", choices=("outer", "inner")),
                Column("disposition", "choice", "what was done", required=True, choices=DISPOSITIONS),
                Column("remarks", "text", "remarks as written"),
            ),
            event_date="found_on",
            may_be_empty=True,
            checked_after=("panels", "limits", "taps"),
        ),
        Table(
            "repairs",
            "one repair",
            (
                Column("repair", "id", "name of the repair", required=True),
                Column("finding", "ref", "the finding repaired", required=True, refers_to="findings"),
                Column("repaired_on", "date", "day of the repair", required=True),
                Column(
                    "repair_class",
                    "choice",
                    "class of repair",
                    required=True,
                    choices=("temporary", "interim", "permanent", "replacement"),
                ),
                Column("repair_method", "text", "how it was repaired"),
                Column("region", "polygon", "outline of the repair, WKT", unit="mm"),
                Column(
                    "restoration_factor",
                    "number",
                    "q: 0 renews, 1 changes nothing",
                    unit="-",
                    minimum=0,
                    maximum=2,
                ),
            ),
            event_date="repaired_on",
            may_be_empty=True,
            checked_after=("zones",),
        ),
        Table(
            "limits",
            "a damage limit",
            (
                Column("limit", "id", "name of the row", required=True),
                Column("group", "text", "zone group", required=True),
                Column("revision", "text", "revision of the source", required=True),
                Column("valid_from", "date", "first day in force", required=True),
                Column(
                    "size",
                    "length",
                    "allowable damage limit (ADL): largest damage that may stay; what of it is bounded: see bounds",
                    required=True,
                    unit="mm",
                    minimum=0,
                ),
                Column(
                    "repairable_size",
                    "length",
                    "repairable damage limit (RDL): largest damage that may be repaired",
                    unit="mm",
                    minimum=0,
                ),
                Column("spacing", "length", "smallest distance to the next damage", unit="mm", minimum=0),
                Column("edge_distance", "length", "smallest distance to the edge", unit="mm", minimum=0),
                Column(
                    "total_share",
                    "number",
                    "largest damaged share of the panel",
                    unit="-",
                    minimum=0,
                    maximum=1,
                ),
                Column(
                    "place",
                    "choice",
                    "part of the panel that it is for; blank: anywhere without a limit of its own",
                    choices=PLACES,
                    later=True,
                ),
                Column(
                    "kind",
                    "choice",
                    "damage type that it is for; blank: every kind without a limit of its own",
                    choices=KINDS,
                    later=True,
                ),
                Column(
                    "most_damages",
                    "number",
                    "largest number of damages on a panel, of the kind where one is named",
                    minimum=0,
                    later=True,
                ),
                Column(
                    "bounds",
                    "choice",
                    "what size and repairable_size bound; blank: the longest extent, as manuals mostly write it; with area "
                    "they are areas, in the length unit squared",
                    choices=BOUNDED,
                    later=True,
                ),
            ),
            event_date="valid_from",
            is_plan=True,
            may_be_empty=True,
            checked_after=("zones",),
        ),
        Table(
            "deferrals",
            "damage that was left for a time",
            (
                Column("deferral", "id", "name of the deferral", required=True),
                Column("finding", "ref", "the finding left", required=True, refers_to="findings"),
                Column(
                    "limit",
                    "ref",
                    "limit under which it was left; blank: by a disposition of its own",
                    refers_to="limits",
                ),
                Column("basis", "text", "on what ground it was left"),
                Column("deferred_on", "date", "day from which it was left", required=True),
                Column(
                    "until", "date", "last day; whichever is reached first of it and the usage", required=True
                ),
                Column(
                    "flight_hours", "number", "usage allowed from then on", unit="flight hours", minimum=0
                ),
                Column(
                    "flight_cycles", "number", "usage allowed from then on", unit="flight cycles", minimum=0
                ),
                Column("reinspect_by", "date", "day by which it must be looked at again; blank: not asked"),
                Column(
                    "reinspection",
                    "ref",
                    "the look that did; blank: not done yet, or not recorded as a look",
                    refers_to="inspections",
                ),
                Column("closed_on", "date", "day on which it ended; blank: open"),
                Column("closed_by", "choice", "how it ended", choices=CLOSED_BY),
            ),
            optional=True,
            later=True,
            event_date="deferred_on",
            end_date="closed_on",
            may_be_empty=True,
        ),
        Table(
            "taps",
            "one tap of a grid",
            (
                Column("tap", "id", "name of the tap", required=True),
                Column("grid", "text", "name of the grid, as tap_grid of findings has it", required=True),
                Column("x", "length", "place in panel coordinates, forward", required=True, unit="mm"),
                Column("y", "length", "place in panel coordinates, up", required=True, unit="mm"),
                Column(
                    "mark",
                    "choice",
                    "how it sounded; blank where only the contact time was read",
                    choices=MARKS,
                ),
                Column("contact_time", "number", "contact time of the hammer", unit="µs", minimum=0),
            ),
            optional=True,
            later=True,
            may_be_empty=True,
        ),
    )
}
"""The tables, by name."""


def _check_order() -> tuple[str, ...]:
    """Return the tables in an order in which each is checked after those that its checks look things up in."""
    order: list[str] = []
    while len(order) < len(TABLES):
        for name, table in TABLES.items():
            needed = {c.refers_to for c in table.columns if c.refers_to} | set(table.checked_after)
            if name not in order and needed <= {*order, name}:
                order.append(name)
                break
        else:
            raise RuntimeError("the tables refer to each other in a ring")
    return tuple(order)


CHECK_ORDER = _check_order()
"""The tables in the order of their checks."""


CLOCKS = ("flight_hours", "flight_cycles", "calendar_days")
"""Clocks on which ages are counted."""

MM_PER_UNIT = {"mm": 1.0, "cm": 10.0, "in": 25.4}
"""Length units that a dataset or a size may be written in [mm]."""
