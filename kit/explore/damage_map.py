"""What was found, repaired and left on a panel up to a day, drawn to scale in layers, and how it stands against its limits."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
import pandas as pd
import shapely

from kit.explore.svg import Picture, escaped, hatches, outline_path, picture, text
from kit.findings import PLACES, Fleet, need_fleet
from kit.intervals import Evidence
from kit.regions import TIER_WORDS, limits_in_force, standing_regions, tier_panels

LAYERS = {
    "finds": "finds up to the day (dotted outline)",
    "regions": "damage that stands (hatched)",
    "repairs": "repairs (long dashes)",
    "limits": "limits by place (bands)",
}
"""Layers of the map, in words."""

_WIDE, _TALL, _LEFT, _TOP = 760.0, 380.0, 30.0, 26.0


@dataclass(frozen=True, eq=False, kw_only=True)
class PanelDay:
    """A panel on a day.

    Parameters
    ----------
    panel, aircraft, zone, group : str
        Which panel, and where it is then.
    day : Timestamp
        The day.
    outline : Polygon or None
        Of its zone; None where it is fitted nowhere on that day [mm].
    edge_band_mm : float
        Width of the band along the edge [mm].
    fastener_rows : geometry or None
        Rows of fasteners [mm].
    finds, standing : DataFrame
        Regions found up to the day; those of them that stand.
    repairs : DataFrame
        Repairs up to the day, with geometry.
    limits : DataFrame
        Limits in force by place.
    verdict : str
        The panel as a whole against its limits, in words.
    n_unmapped : int
        Damages on record up to the day without a place on the panel.
    """

    panel: str
    aircraft: str
    zone: str
    group: str
    day: pd.Timestamp
    outline: shapely.Polygon | None
    edge_band_mm: float
    fastener_rows: shapely.Geometry | None
    finds: pd.DataFrame
    standing: pd.DataFrame
    repairs: pd.DataFrame
    limits: pd.DataFrame
    verdict: str
    n_unmapped: int

    def words(self) -> tuple[str, ...]:
        """Say what is on the panel.

        Returns
        -------
        tuple of str
            What stands and the verdict first, then each damage and repair.
        """
        if self.outline is None:
            return (f"{self.panel} is fitted on no aircraft on {self.day:%Y-%m-%d}.",)
        out = [
            f"{self.panel} on {self.aircraft}, zone {self.zone}, {self.day:%Y-%m-%d}: {_many(len(self.finds), 'mapped find')}, "
            f"{_many(len(self.standing), 'damage')} {'stands' if len(self.standing) == 1 else 'stand'}, {_many(len(self.repairs), 'repair')}.",
            self.verdict,
        ]
        if self.n_unmapped:
            out.append(
                f"Without a place on the panel, and not drawn: {_many(self.n_unmapped, 'damage')} on record."
            )
        out += [
            f"{mark}: {row.kind.replace('_', ' ')}, {row.diameter_mm:.0f} mm, found {row.found_on:%Y-%m-%d}, stands"
            for mark, row in zip(self.marks, self.standing.itertuples(), strict=True)
        ]
        out += [
            f"R{k + 1}: {row.repair_class} repair of {row.finding}, {row.repaired_on:%Y-%m-%d}"
            + ("" if row.geometry is not None else ", not mapped")
            for k, row in enumerate(self.repairs.itertuples())
        ]
        out += [
            f"Limit {row.limit}, {row.place.replace('_', ' ') or 'anywhere'}, {row.kind.replace('_', ' ') or 'every kind'}: "
            + (
                "no size stated"
                if np.isnan(row.size)
                else f"{row.size:g} {'mm²' if row.bounds == 'area' else 'mm'}"
            )
            for row in self.limits.itertuples()
        ]
        return tuple(out)

    @property
    def marks(self) -> list[str]:
        """Marks of the damages that stand."""
        return [f"D{k + 1}" for k in range(len(self.standing))]

    def picture(self, layers: Sequence[str] = tuple(LAYERS)) -> Picture:
        """Draw the panel.

        Parameters
        ----------
        layers : sequence of str
            Of `LAYERS` those that are drawn.

        Returns
        -------
        Picture
            To scale, forward to the right.
        """
        told = self.words()
        if self.outline is None:
            return picture(text(12, 24, told[0]), width=_WIDE + 60, height=40, words=told[0])
        low_x, low_y, high_x, high_y = shapely.bounds(self.outline)
        scale = min(_WIDE / (high_x - low_x), _TALL / (high_y - low_y))
        height = (high_y - low_y) * scale

        def on_picture(shape: shapely.Geometry) -> shapely.Geometry:
            return shapely.transform(
                shape,
                lambda xy: np.column_stack(
                    [_LEFT + (xy[:, 0] - low_x) * scale, _TOP + height - (xy[:, 1] - low_y) * scale]
                ),
            )

        def path(shape: shapely.Geometry | None, style: str) -> str:
            data = "" if shape is None else outline_path(on_picture(shape))
            return f'<path d="{data}" fill-rule="evenodd" {style}/>' if data else ""

        body = hatches(self.standing["kind"].tolist())
        if "limits" in layers:
            body += self._bands(path, on_picture)
        if "finds" in layers:
            for shape in self.finds["geometry"]:
                body += path(shape, 'fill="none" stroke="black" stroke-width="1" stroke-dasharray="1.5,2.5"')
        if "repairs" in layers:
            for k, shape in enumerate(self.repairs["geometry"]):
                body += path(shape, 'fill="none" stroke="black" stroke-width="1.6" stroke-dasharray="8,3"')
                body += self._mark(shape, f"R{k + 1}", on_picture, below=True)
        if "regions" in layers:
            for mark, row in zip(self.marks, self.standing.itertuples(), strict=True):
                body += path(
                    row.geometry, f'fill="url(#hatch-{escaped(row.kind)})" stroke="black" stroke-width="1.4"'
                )
                body += self._mark(row.geometry, mark, on_picture)
        body += path(self.outline, 'fill="none" stroke="black" stroke-width="2.2"')
        bottom = _TOP + height
        body += text(
            _LEFT, bottom + 16, f"forward →   {high_x - low_x:,.0f} by {high_y - low_y:,.0f} mm", size=11
        )
        body += text(
            _LEFT, 16, f"{self.panel} · {self.aircraft} · {self.zone} · {self.day:%Y-%m-%d}", bold=True
        )
        return picture(body, width=_WIDE + 60, height=bottom + 26, words=" ".join(told[:2]))

    def _mark(self, shape: shapely.Geometry | None, words: str, place: object, *, below: bool = False) -> str:
        if shape is None or shapely.is_empty(shape):
            return ""
        left, top, right, bottom = shapely.bounds(place(shape))
        return (
            text(left - 2, bottom + 12, words, anchor="end", bold=True, size=11)
            if below
            else text(right + 2, top - 1, words, bold=True, size=11)
        )

    def _bands(self, path: object, place: object) -> str:
        out = ""
        size = {row.place: row.size for row in self.limits.itertuples() if row.kind == ""}
        if self.edge_band_mm > 0:
            inner = shapely.buffer(self.outline, -self.edge_band_mm)
            out += path(shapely.difference(self.outline, inner), 'fill="#e8e8e8" stroke="none"')
            out += path(inner, 'fill="none" stroke="#555" stroke-width="1" stroke-dasharray="9,5"')
        if self.fastener_rows is not None:
            for part in shapely.get_parts(self.fastener_rows):
                points = shapely.get_coordinates(place(part))
                data = "M" + "L".join(f"{x:.1f},{y:.1f}" for x, y in points)
                out += (
                    f'<path d="{data}" fill="none" stroke="#333" stroke-width="1.4" stroke-dasharray="1,5"/>'
                )
        words = "; ".join(
            f"{where.replace('_', ' ') or 'anywhere'} {value:g}"
            for where, value in size.items()
            if np.isfinite(value)
        )
        return out + text(
            _LEFT + _WIDE, 16, f"allowable [mm]: {words or 'no limit on record'}", anchor="end", size=11
        )


def _many(n: int, what: str) -> str:
    return f"{n:,} {what}{'' if n == 1 else 's'}"


@dataclass(frozen=True, eq=False)
class DamageMap:
    """The panels of a fleet, ready to be looked at on any day.

    Parameters
    ----------
    evidence : Evidence
        The fleet.
    """

    evidence: Evidence
    _kept: dict[str, pd.DataFrame] = field(default_factory=dict, repr=False)
    _seen: dict[tuple[str, pd.Timestamp], PanelDay] = field(default_factory=dict, repr=False)

    @property
    def fleet(self) -> Fleet:
        """The fleet."""
        return self.evidence.fleet

    @property
    def aircraft(self) -> tuple[str, ...]:
        """Aircraft with panels on record."""
        return tuple(sorted(set(self.fleet.tables["panels"]["aircraft"]) - {""}))

    def panels(self, aircraft: str) -> tuple[str, ...]:
        """Return the panels that were ever fitted to an aircraft, those with most finds first.

        Parameters
        ----------
        aircraft : str
            The aircraft.

        Returns
        -------
        tuple of str
            Serials.
        """
        rows = self.fleet.tables["panels"]
        here = pd.Index(rows.loc[rows["aircraft"] == aircraft, "panel"].unique())
        n = self.evidence.regions["panel"].value_counts().reindex(here, fill_value=0)
        return tuple(sorted(here, key=lambda panel: (-n[panel], panel)))

    def days(self, panel: str) -> tuple[pd.Timestamp, ...]:
        """Return the days on which something became of a panel, and the cut-off.

        Parameters
        ----------
        panel : str
            Its serial.

        Returns
        -------
        tuple of Timestamp
            Fittings, finds and repairs, in order.
        """
        rows = self.fleet.tables["panels"]
        found = self._of_panel(panel)
        repairs = self.fleet.tables["repairs"]
        repaired = repairs.loc[repairs["finding"].isin(found["finding"]), "repaired_on"]
        fitted = rows.loc[rows["panel"] == panel, "fitted_on"]
        days = pd.concat([fitted, found["found_on"], repaired]).dropna().dt.normalize()
        days = {day for day in days if day <= self.fleet.cut_off}
        return tuple(sorted(days | {self.fleet.cut_off}))

    def _of_panel(self, panel: str) -> pd.DataFrame:
        regions = self.evidence.regions
        if panel not in self._kept:
            self._kept[panel] = regions.loc[regions["panel"] == panel].sort_values("found_on", kind="stable")
        return self._kept[panel]

    def at(self, panel: str, day: pd.Timestamp | str) -> PanelDay:
        """Return a panel as it stood at the end of a day, by what is known today.

        Parameters
        ----------
        panel : str
            Its serial.
        day : Timestamp or str
            The day, no later than the cut-off.

        Returns
        -------
        PanelDay
            The panel.

        Raises
        ------
        ValueError
            If the panel is not on record, or the day is after the cut-off.
        """
        day = pd.Timestamp(day).normalize()
        if (panel, day) not in self._seen:
            self._seen[panel, day] = self._made(panel, day)
        return self._seen[panel, day]

    def _made(self, panel: str, day: pd.Timestamp) -> PanelDay:
        fleet = self.fleet
        rows = fleet.tables["panels"]
        rows = rows.loc[rows["panel"] == panel]
        if not len(rows):
            raise ValueError(f"`panel` must be a serial of the table panels. Got {panel!r}; correct it.")
        now = rows.loc[(rows["fitted_on"] <= day) & ~(rows["removed_on"] <= day)].sort_values("fitted_on")
        own = self._of_panel(panel)
        finds = own.loc[own["found_on"] <= day]
        standing = standing_regions(fleet, day, regions=own)
        repairs = self._repairs(finds, day)
        listed = fleet.damage
        listed = listed.loc[(listed["panel"] == panel) & (listed["found_on"] <= day)]
        n_unmapped = int((~listed["finding"].isin(own["finding"])).sum())
        blank = {"aircraft": "", "zone": "", "group": "", "outline": None, "fastener_rows": None}
        if not len(now):
            return PanelDay(
                panel=panel, day=day, edge_band_mm=np.nan, finds=finds, standing=standing, repairs=repairs,
                limits=pd.DataFrame(), verdict="", n_unmapped=n_unmapped, **blank,
            )  # fmt: skip
        where = now.iloc[-1]
        zone = fleet.tables["zones"].set_index("zone").loc[where["zone"]]
        tier = tier_panels(fleet, day, regions=standing, panels=[panel]).iloc[0]
        why = (
            f" (by {tier['clause'].replace('_', ' ')}, limit {tier['limit']})"
            if tier["clause"] and tier["limit"]
            else ""
        )
        return PanelDay(
            panel=panel,
            aircraft=where["aircraft"],
            zone=where["zone"],
            group=zone["group"],
            day=day,
            outline=zone["outline"],
            edge_band_mm=float(zone["edge_band"]),
            fastener_rows=zone["fastener_rows"],
            finds=finds,
            standing=standing.sort_values("found_on", kind="stable").reset_index(drop=True),
            repairs=repairs,
            limits=place_limits(fleet, zone["group"], day),
            verdict=f"The panel as a whole {TIER_WORDS.get(tier['tier'], tier['tier'])}{why}."
            if tier["n_damages"]
            else "No damage with a place stands on it.",
            n_unmapped=n_unmapped,
        )

    def _repairs(self, finds: pd.DataFrame, day: pd.Timestamp) -> pd.DataFrame:
        rows = self.fleet.tables["repairs"]
        rows = rows.loc[rows["finding"].isin(finds["finding"]) & (rows["repaired_on"] <= day)]
        rows = rows.sort_values("repaired_on", kind="stable").reset_index(drop=True)
        shapes = finds.drop_duplicates("finding").set_index("finding")["geometry"].reindex(rows["finding"])
        own = [a if a is not None else b for a, b in zip(rows["region"], shapes, strict=True)]
        return rows[["repair", "finding", "repaired_on", "repair_class"]].assign(
            geometry=np.array([None, *own], object)[1:]
        )


def place_limits(fleet: Fleet, group: str, day: pd.Timestamp) -> pd.DataFrame:
    """Return the limits of a group in force on a day, by place, for every kind of damage.

    Parameters
    ----------
    fleet : Fleet
        The fleet.
    group : str
        Zone group.
    day : Timestamp
        The day.

    Returns
    -------
    DataFrame
        As `kit.regions.limits_in_force` gives it, each limit once.
    """
    places = ("", *PLACES)
    n = len(places)
    rows = limits_in_force(
        fleet.tables["limits"], np.full(n, group, object), np.array(places, object), np.full(n, day)
    )
    return rows.loc[rows["limit"] != ""].drop_duplicates("limit").reset_index(drop=True)


def damage_map_of(fleet: Fleet | Evidence) -> DamageMap:
    """Make a fleet ready to be looked at panel by panel.

    Parameters
    ----------
    fleet : Fleet or Evidence
        The findings.

    Returns
    -------
    DamageMap
        Its panels.
    """
    need_fleet(fleet, Evidence, must="a fleet, or the evidence of one")
    return DamageMap(fleet if isinstance(fleet, Evidence) else Evidence(fleet))
