"""Tap marks of a panel: the region that they make, how it stands against the limits at once, and the file of the taps."""

from __future__ import annotations

import csv
import io
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

import numpy as np
import pandas as pd
import shapely

from kit.explore.damage_map import DamageMap, PanelDay, damage_map_of
from kit.explore.svg import Picture, escaped, outline_path, picture
from kit.explore.writing import write_new
from kit.findings import KINDS, MM_PER_UNIT, Fleet
from kit.intervals import Evidence
from kit.numerics.typing import Floats
from kit.regions import (
    TIER_WORDS,
    TIERS,
    TapMarkOutlines,
    equivalent_diameter,
    tap_mark_outlines,
    tier_panels,
)
from kit.tap_sheets import panel_sheets, tap_lattice

NOT_TAPPED, CLEAR, DULL = range(3)
"""Marks of a tap."""

_WORDS = {NOT_TAPPED: "not_tapped", CLEAR: "clear", DULL: "dull"}
_NEW = "this mark"


def _damages(number: int) -> str:
    return "1 damage that stands" if number == 1 else f"{number} damages that stand"


@dataclass(frozen=True, eq=False, kw_only=True)
class TapReading:
    """What the marks come to.

    Parameters
    ----------
    outlines : TapMarkOutlines or None
        The region and its bounds; None where nothing is tapped.
    tier, tier_outer : str
        The panel as a whole with this region and all that stands, by its best outline and by the outer bound.
    clause, limit : str
        What decided by the outer bound, and the limit.
    n_standing : int
        Damages on record that stand on the panel.
    """

    outlines: TapMarkOutlines | None
    tier: str
    tier_outer: str
    clause: str
    limit: str
    n_standing: int

    def words(self) -> tuple[str, ...]:
        """Say it in sentences.

        Returns
        -------
        tuple of str
            The verdict first.
        """
        if self.outlines is None:
            return ("Nothing is tapped yet.",)
        one = self.outlines
        if not one.n_dull:
            return (f"No dull tap among {one.n_taps:,}: no region.", "A clear tap does not prove the bond.")
        best, outer = (float(equivalent_diameter(shape.area)) for shape in (one.best, one.outer))
        why = (
            f" (by {self.clause.replace('_', ' ')}, limit {self.limit})" if self.clause and self.limit else ""
        )
        out = [
            f"{'AT LEAST, for the region is open: with' if one.open_edge else 'With'} this region and {_damages(self.n_standing)}, the panel {TIER_WORDS.get(self.tier_outer, self.tier_outer)}{why}."
        ]
        if self.tier_outer != self.tier:
            out.append(
                f"That is by the outer bound, through the nearest clear taps; by the best outline it would be: {TIER_WORDS.get(self.tier, self.tier)}. "
                "Tap at half the pitch round it to tell."
            )
        out.append(
            f"{one.n_dull} dull of {one.n_taps:,} taps: {one.best.area:,.0f} mm², {best:.0f} mm across as a disc, "
            + (f"{outer:.0f} mm or more by its outer bound." if one.open_edge else f"at most {outer:.0f} mm.")
        )
        if one.open_edge:
            out.append(
                "The region is OPEN: dull taps lie beside places that were not tapped. Tap on outwards until it is clear on all sides."
            )
        return tuple(out)


@dataclass(frozen=True, eq=False, kw_only=True)
class TapEntry:
    """The taps of one panel, to be marked.

    Parameters
    ----------
    damage_map : DamageMap
        The fleet.
    there : PanelDay
        The panel at the end of the data.
    points : ndarray, shape (n, 2)
        Places of the taps [mm].
    pitch_mm : float
        Step of the grid [mm].
    kind : str
        Kind of damage that a dull place is taken for.
    unit : str
        Unit of length in the dataset's files.
    """

    damage_map: DamageMap
    there: PanelDay
    points: Floats
    pitch_mm: float
    kind: str
    unit: str

    @cached_property
    def _standing(self) -> pd.DataFrame:
        return self.there.standing[["finding", "panel", "geometry", "diameter_mm", "kind", "track"]]

    def read(self, marks: list[int], *, by_best: bool = True) -> TapReading:
        """Make the region of the marks and hold it against the limits.

        Parameters
        ----------
        marks : list of int
            Of each tap: `NOT_TAPPED`, `CLEAR` or `DULL`.
        by_best : bool
            Whether it is judged by its best outline too; the careful verdict, by the outer bound, is there without.

        Returns
        -------
        TapReading
            By the region's best outline and by its outer bound.
        """
        marked = np.asarray(marks, int)
        blank = TapReading(
            outlines=None, tier="", tier_outer="", clause="", limit="", n_standing=len(self._standing)
        )
        if not (marked != NOT_TAPPED).any():
            return blank
        made = tap_mark_outlines(
            *self.points.T,
            marked == DULL,
            pitch=self.pitch_mm,
            outline=self.there.outline,
            tapped=marked != NOT_TAPPED,
        )
        if not made.n_dull:
            return TapReading(
                outlines=made, tier="", tier_outer="", clause="", limit="", n_standing=len(self._standing)
            )
        outer = self._judged(made.outer)
        # What the outer bound may stay with, the region within it may stay with too.
        best = outer if not by_best or outer["tier"] == TIERS[0] else self._judged(made.best)
        worst = max((best, outer), key=lambda row: TIERS.index(row["tier"]))
        return TapReading(
            outlines=made,
            tier=best["tier"],
            tier_outer=worst["tier"],
            clause=worst["clause"],
            limit=worst["limit"],
            n_standing=len(self._standing),
        )

    def _judged(self, shape: shapely.Geometry) -> pd.Series:
        """Judge the panel with one more region."""
        new = pd.DataFrame(
            {
                "finding": [_NEW],
                "panel": [self.there.panel],
                "geometry": np.array([shape, None], object)[:1],
                "diameter_mm": [float(equivalent_diameter(shape.area))],
                "kind": [self.kind],
                "track": [-1],
            }
        )
        every = pd.concat([self._standing, new], ignore_index=True) if len(self._standing) else new
        return tier_panels(
            self.damage_map.fleet, self.there.day, regions=every, panels=[self.there.panel]
        ).iloc[0]

    def drawn(self, reading: TapReading) -> str:
        """Return the region with its bounds as SVG in panel coordinates.

        Parameters
        ----------
        reading : TapReading
            The region.

        Returns
        -------
        str
            Outer bound dotted, best outline thick, inner bound thin.
        """
        if reading.outlines is None:
            return ""
        thin = 0.08 * self.pitch_mm
        one = reading.outlines
        styles = (
            (one.outer, f'fill="#f2c9b8" fill-opacity="0.5" stroke="black" stroke-width="{thin:g}" stroke-dasharray="{2 * thin:g},{2 * thin:g}"'),
            (one.best, f'fill="#c8553d" fill-opacity="0.35" stroke="black" stroke-width="{2 * thin:g}"'),
            (one.inner, f'fill="none" stroke="black" stroke-width="{thin / 2:g}"'),
        )  # fmt: skip
        return "".join(
            f'<path d="{outline_path(shape)}" fill-rule="evenodd" {style}/>'
            for shape, style in styles
            if not shape.is_empty
        )

    def skin(self) -> str:
        """Return the panel, its bands and the damage that stands as SVG in panel coordinates.

        Returns
        -------
        str
            Below the taps.
        """
        there, thin = self.there, 0.06 * self.pitch_mm
        out = f'<path d="{outline_path(there.outline)}" fill="white" stroke="black" stroke-width="{2.5 * thin:g}" fill-rule="evenodd"/>'
        if there.edge_band_mm > 0:
            inner = outline_path(shapely.buffer(there.outline, -there.edge_band_mm))
            out += f'<path d="{inner}" fill="none" stroke="#777" stroke-width="{thin:g}" stroke-dasharray="{8 * thin:g},{5 * thin:g}"/>'
        for row in there.standing.itertuples():
            out += (
                f'<path d="{outline_path(row.geometry)}" fill="#bbb" fill-opacity="0.6" stroke="black" stroke-width="{thin:g}">'
                f"<title>{escaped(row.finding)}, {escaped(row.kind)}</title></path>"
            )
        return out

    def marked(self, dull: shapely.Geometry) -> list[int]:
        """Return marks of which those within a shape are dull and all others clear.

        Parameters
        ----------
        dull : geometry
            The shape [mm].

        Returns
        -------
        list of int
            Of each tap.
        """
        within = shapely.intersects_xy(dull, *self.points.T)
        return np.where(within, DULL, CLEAR).tolist()

    def marked_middle(self) -> list[int]:
        """Return marks of which the few in the middle of the panel are dull, as an example.

        Returns
        -------
        list of int
            Of each tap: dull within one and a half pitches of the middle of all taps.
        """
        return self.marked(shapely.Point(self.points.mean(axis=0)).buffer(1.5 * self.pitch_mm))

    def picture(self, marks: list[int]) -> Picture:
        """Draw the marks and the region that they make.

        Parameters
        ----------
        marks : list of int
            Of each tap.

        Returns
        -------
        Picture
            Forward to the right; dull taps are squares with a cross, clear ones rings, others small crosses.
        """
        left, low, right, high = self.there.outline.bounds
        room, size = self.pitch_mm, 0.2 * self.pitch_mm
        shapes = {
            NOT_TAPPED: f"M{-size / 2:g},0h{size:g}M0,{-size / 2:g}v{size:g}",
            CLEAR: f"M{-size:g},0a{size:g},{size:g} 0 1,0 {2 * size:g},0a{size:g},{size:g} 0 1,0 {-2 * size:g},0",
            DULL: f"M{-size:g},{-size:g}h{2 * size:g}v{2 * size:g}h{-2 * size:g}zl{2 * size:g},{2 * size:g}M{-size:g},{size:g}l{2 * size:g},{-2 * size:g}",
        }
        reading = self.read(marks)
        parts = [self.skin(), self.drawn(reading)]
        for (x, y), mark in zip(self.points, marks, strict=True):
            parts.append(
                f'<path transform="translate({x:.1f},{y:.1f})" d="{shapes[mark]}" fill="none" stroke="black" stroke-width="{size / 5:.3g}"/>'
            )
        wide, tall = right - left + 2 * room, high - low + 2 * room
        body = f'<g transform="translate({room - left:g},{high + room:g}) scale(1,-1)">{"".join(parts)}</g>'
        return picture(body, width=wide, height=tall, words=reading.words()[0], scale=760 / wide)

    def csv_text(self, marks: list[int]) -> str:
        """Return the taps as the text of a file that a finding can name in tap_grid.

        Parameters
        ----------
        marks : list of int
            Of each tap.

        Returns
        -------
        str
            Columns x, y and mark, in the dataset's unit of length.
        """
        contents = io.StringIO()
        writer = csv.writer(contents, lineterminator="\n")
        writer.writerow(["x", "y", "mark"])
        factor = MM_PER_UNIT[self.unit]
        for (x, y), mark in zip(self.points, marks, strict=True):
            writer.writerow([f"{x / factor:.6g}", f"{y / factor:.6g}", _WORDS[int(mark)]])
        return contents.getvalue()

    def write(self, marks: list[int], path: str | Path) -> str:
        """Write the taps to a new file.

        Parameters
        ----------
        marks : list of int
            Of each tap.
        path : str or Path
            The file; one that is there is never written over.

        Returns
        -------
        str
            What was written, or why nothing was, in one line.
        """
        marks = list(marks)
        if not any(marks):
            return "Nothing is written: no tap is marked yet."
        if not str(path).lower().endswith(".csv"):
            return f"Nothing is written: the name must end in .csv. Got {str(path)!r}."
        told = f"{sum(mark != NOT_TAPPED for mark in marks):,} taps, {marks.count(DULL)} dull, in {self.unit}"
        return write_new(Path(path), self.csv_text(marks), told)


def tap_entry_of(
    fleet: Fleet | Evidence | DamageMap,
    panel: str,
    *,
    kind: str = "disbond",
    pitch_mm: float | None = None,
    unit: str = "mm",
) -> TapEntry:
    """Make a panel ready for its tap marks.

    Parameters
    ----------
    fleet : Fleet, Evidence or DamageMap
        The findings.
    panel : str
        Serial of a fitted panel.
    kind : str
        Kind of damage that a dull place is taken for; its limits hold.
    pitch_mm : float, optional
        Step of the grid; default that of the panel's tap-test sheet [mm].
    unit : str
        Unit of length in the dataset's files: mm, cm or in.

    Returns
    -------
    TapEntry
        With the same grid as the sheet.

    Raises
    ------
    ValueError
        If the panel is not fitted, or kind, pitch or unit is wrong.
    """
    if kind not in KINDS:
        raise ValueError(f"`kind` must be one of {', '.join(KINDS)}. Got {kind!r}; correct it.")
    if unit not in MM_PER_UNIT:
        raise ValueError(f"`unit` must be one of {', '.join(MM_PER_UNIT)}. Got {unit!r}; correct it.")
    every = fleet if isinstance(fleet, DamageMap) else damage_map_of(fleet)
    there = every.at(panel, every.fleet.cut_off)
    if there.outline is None:
        raise ValueError(f"`panel` must be fitted at the end of the data. {panel} is not; take another.")
    if pitch_mm is None:
        sheet = panel_sheets(every.evidence, [panel])[0]
        points, pitch_mm = sheet.taps, sheet.pitch_mm
    elif not 1.0 <= pitch_mm < np.inf:
        raise ValueError(f"`pitch_mm` must be at least 1 and finite. Got {pitch_mm!r}; give it in mm.")
    else:
        points = tap_lattice(there.outline, float(pitch_mm))
    return TapEntry(
        damage_map=every, there=there, points=points, pitch_mm=float(pitch_mm), kind=kind, unit=unit
    )
