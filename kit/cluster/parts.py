"""How a fleet lies on disk in parts, and what one part needs to be worked on alone.

A part holds the rows of some aircraft. A panel belongs to the part of the aircraft that it was fitted to first; who works on a
part reads, beside its own rows, those of the other aircraft on which its panels have been. What is worked out of a part is kept
for its own panels only, so that every panel counts once.
"""

from __future__ import annotations

import json
import shutil
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import shapely

from kit.findings import GEOMETRIES, TABLES, Fleet, missing_package
from kit.intervals import traps_by_group
from kit.life import AFTER_REPAIR

FORM = 4
SHARED = ("zones", "tasks", "limits")
"""Tables that stand for all aircraft."""

WITHOUT_LOOKS = ("aircraft", "basing", "panels", "usage", "findings", "repairs", "deferrals")
"""Tables that are read whole where the looks stay with the parts."""

_HEAD = "parts.json"
_HOMES = "homes.parquet"


class WithParts(dict):
    """Tables of a whole fleet, of which some stay with its parts: to ask for one of these is an error, not an empty table."""

    def __missing__(self, name: str) -> pd.DataFrame:
        """Say which table is not here."""
        raise KeyError(
            f"the table {name} stays with the parts of the fleet; this call works on a fleet in memory (kit.load_fleet), or has one of its "
            "name in kit.cluster"
        )


@dataclass(frozen=True)
class Parts:
    """A fleet in parts.

    Parameters
    ----------
    folder : Path
        Where it lies.
    aircraft : tuple of tuple of str
        Aircraft of each part.
    """

    folder: Path
    aircraft: tuple[tuple[str, ...], ...]

    def __len__(self) -> int:
        """Return the number of parts."""
        return len(self.aircraft)

    def panels(self, part: int) -> pd.Index:
        """Return the panels that belong to a part.

        Parameters
        ----------
        part : int
            Number of the part.

        Returns
        -------
        Index
            Serials.
        """
        homes = _parquet().read_parquet(self.folder / _HOMES, filters=[("home", "==", part)])
        return pd.Index(homes["panel"].unique())

    @property
    def head(self) -> dict[str, Any]:
        """What is said of the fleet as a whole: name, source, days, clocks, fingerprint."""
        return json.loads((self.folder / _HEAD).read_text(encoding="utf-8"))

    def fleet(self, part: int, tables: Sequence[str] = tuple(TABLES), *, outlines: bool = True) -> Fleet:
        """Return what is needed to work on a part: its aircraft, and those on which its panels have been.

        Parameters
        ----------
        part : int
            Number of the part.
        tables : sequence of str
            Tables that are wanted; others come without rows.
        outlines : bool
            Whether outlines of findings are read, which are most of their size.

        Returns
        -------
        Fleet
            Accepted rows; the problems of rows stay with the whole fleet.
        """
        homes = _parquet().read_parquet(self.folder / _HOMES, filters=[("home", "==", part)])
        aircraft = sorted(set(self.aircraft[part]) | set(homes["aircraft"]))
        where = sorted({k for k, own in enumerate(self.aircraft) if set(own) & set(aircraft)})
        return self._fleet(where, aircraft, tables, outlines=outlines, said=f", part {part}")

    def traps(self) -> pd.DataFrame:
        """Return the records that look like a trap which moves an answer, found when the parts were written.

        Returns
        -------
        DataFrame
            As `kit.intervals.open_traps.traps_by_group` gives them.
        """
        return _parquet().read_parquet(self.folder / "traps.parquet")

    def without_looks(self) -> Fleet:
        """Return the whole fleet without what is large: no looks, cards and taps, no outlines of findings.

        Returns
        -------
        Fleet
            With the problems of rows, which bear on an answer.
        """
        fleet = self._fleet(range(len(self)), None, WITHOUT_LOOKS, outlines=False, said="")
        tables = WithParts(
            {name: rows for name, rows in fleet.tables.items() if name in (*SHARED, *WITHOUT_LOOKS)}
        )
        problems = {
            name: pd.read_parquet(self.folder / f"{name}.parquet") for name in ("rejected", "warnings")
        }
        return replace(fleet, tables=tables, **problems)

    def _fleet(
        self,
        where: Sequence[int],
        aircraft: list[str] | None,
        tables: Sequence[str],
        *,
        outlines: bool,
        said: str,
    ) -> Fleet:
        """Put some aircraft of some parts together; None: all of them."""
        pd_, head = _parquet(), self.head
        kept: dict[str, dict[str, pd.DataFrame]] = {}
        for kind in ("tables", "unusable"):
            kept[kind] = {}
            for name in TABLES:
                if name in SHARED:
                    rows = self._rows(self.folder / kind / f"{name}.parquet", name)
                elif name in tables:
                    parts = [
                        self._rows(self._file(kind, name, k), name, aircraft, outlines=outlines)
                        for k in where
                    ]
                    key = TABLES[name].id_column
                    rows = pd.concat(parts).sort_values(key, kind="stable").reset_index(drop=True)
                else:
                    rows = self._rows(self._file(kind, name, where[0]), name, [])
                kept[kind][name] = rows
        planned = pd_.read_parquet(self.folder / "planned_usage.parquet")
        return Fleet(
            name=head["name"],
            notice=head["notice"],
            tables=kept["tables"],
            unusable=kept["unusable"],
            rejected=pd.DataFrame(),
            warnings=pd.DataFrame(),
            cut_off=pd.Timestamp(head["cut_off"]),
            known_on=pd.Timestamp(head["known_on"]),
            packages=pd_.read_parquet(self.folder / "packages.parquet"),
            planned_usage=planned,
            targets=pd_.read_parquet(self.folder / "targets.parquet"),
            clocks=tuple(head["clocks"]),
            source=f"{head['source']}{said}",
        )

    def rows(self, name: str, part: int) -> pd.DataFrame:
        """Return the accepted rows of one table that lie in one part, and no others.

        Parameters
        ----------
        name : str
            Table, none that all parts share.
        part : int
            Number of the part.

        Returns
        -------
        DataFrame
            As loaded.
        """
        return self._rows(self._file("tables", name, part), name)

    def _file(self, kind: str, name: str, part: int) -> Path:
        return self.folder / kind / name / f"part-{part:05d}.parquet"

    @staticmethod
    def _rows(
        path: Path, name: str, aircraft: list[str] | None = None, *, outlines: bool = True
    ) -> pd.DataFrame:
        shapes = [column.name for column in TABLES[name].columns if column.type in GEOMETRIES]
        read = None
        if not outlines and name == "findings":
            from pyarrow.parquet import read_schema

            read = [column for column in read_schema(path).names if column not in shapes]
        filters = None if aircraft is None else [("_aircraft", "in", aircraft or [""])]
        rows = pd.read_parquet(path, filters=filters, columns=read)
        rows = rows.drop(columns="_aircraft", errors="ignore").reset_index(drop=True)
        for column in shapes:
            drawn = np.full(len(rows), None, object)
            if column in rows:
                drawn = shapely.from_wkb(rows[column].to_numpy(object))
            rows[column] = pd.Series(drawn, index=rows.index, dtype=object)
        return rows

    def own(self, names: pd.Series | Sequence[object], part: int) -> np.ndarray:
        """Return which lives, or panels, belong to a part.

        Parameters
        ----------
        names : sequence of str
            Names of panels, or of lives as `kit.life` makes them.
        part : int
            Number of the part.

        Returns
        -------
        ndarray of bool
            Of each name.
        """
        panel = pd.Series(names, dtype="str").str.split(AFTER_REPAIR, n=1).str[0]
        return panel.isin(self.panels(part)).to_numpy()


def write_parts(fleet: Fleet, folder: str | Path, *, parts: Sequence[Sequence[str]] | int) -> Parts:
    """Write a fleet that was loaded and checked as Parquet files in parts, by aircraft.

    Parameters
    ----------
    fleet : Fleet
        As loaded, or as known on a day.
    folder : str or Path
        Where to; it must not exist yet.
    parts : int, or sequence of sequence of str
        How many parts of about as many aircraft each, or the aircraft of each part: those that exchange panels, as
        the fleets of one operator do, are best kept together.

    Returns
    -------
    Parts
        What was written.

    Raises
    ------
    ValueError
        If the parts do not hold each aircraft once.
    FileExistsError
        If the folder is there already.
    MissingPackage
        If pyarrow is not installed.
    """
    _parquet()
    target = Path(folder)
    if target.exists():
        raise FileExistsError(f"`folder` must not exist yet. Got {target}. Name another, or remove it.")
    names = sorted(fleet.tables["aircraft"]["aircraft"])
    own = _groups(names, parts)
    beside = target.with_name(f".{target.name}.being-written")
    shutil.rmtree(beside, ignore_errors=True)
    beside.mkdir(parents=True)
    part_of = {name: k for k, group in enumerate(own) for name in group}
    write_rows(fleet, beside, part_of, range(len(own)))
    panels = fleet.tables["panels"].sort_values(["fitted_on", "fitting"], kind="stable")
    home = panels.groupby("panel")["aircraft"].transform("first").map(part_of)
    write_whole(
        fleet,
        beside,
        own,
        homes=panels[["panel", "aircraft"]].assign(home=home),
        traps=traps_by_group(fleet),
        fingerprint=fleet.fingerprint(),
    )
    beside.rename(target)
    return Parts(target, own)


def write_rows(fleet: Fleet, folder: Path, part_of: dict[str, int], numbers: Sequence[int]) -> None:
    """Write the rows of the tables that are spread over parts, accepted and unusable ones.

    Parameters
    ----------
    fleet : Fleet
        As loaded.
    folder : Path
        Where to.
    part_of : dict of str to int
        Number of the part of each aircraft; rows that name none of them go to the first part.
    numbers : sequence of int
        Parts to write.
    """
    of_grid = _aircraft_of_grid(fleet)
    for kind, tables in (("tables", fleet.tables), ("unusable", fleet.unusable)):
        of_finding = _aircraft_of_finding(tables, fleet)
        for name in TABLES:
            if name in SHARED:
                continue
            rows = _as_bytes(name, tables.get(name, fleet.tables[name].iloc[:0]))
            if "aircraft" in rows:
                plane = rows["aircraft"]
            elif name == "taps":
                plane = rows["grid"].map(of_grid)
            else:
                plane = rows["finding"].map(of_finding)
            plane = plane.astype("str").fillna("")
            (folder / kind / name).mkdir(parents=True, exist_ok=True)
            where = plane.map(part_of).fillna(numbers[0]).astype(int)
            for k in numbers:
                some = rows.assign(_aircraft=plane)[where == k]
                some.to_parquet(folder / kind / name / f"part-{k:05d}.parquet", index=False)


def write_whole(
    fleet: Fleet,
    folder: Path,
    aircraft: tuple[tuple[str, ...], ...],
    *,
    homes: pd.DataFrame,
    traps: pd.DataFrame,
    fingerprint: dict[str, str],
) -> None:
    """Write what stands for all parts: tables that they share, problems, homes of panels, and what is said of the fleet.

    Parameters
    ----------
    fleet : Fleet
        The fleet; of its tables those that all parts share are needed.
    folder : Path
        Where to.
    aircraft : tuple of tuple of str
        Aircraft of each part.
    homes : DataFrame
        Panel, each aircraft that it was fitted to, and the part that it belongs to.
    traps : DataFrame
        Records that look like a trap, by group.
    fingerprint : dict of str to str
        Digests of the whole fleet.
    """
    for kind, tables in (("tables", fleet.tables), ("unusable", fleet.unusable)):
        (folder / kind).mkdir(exist_ok=True)
        for name in SHARED:
            rows = _as_bytes(name, tables.get(name, fleet.tables[name].iloc[:0]))
            rows.to_parquet(folder / kind / f"{name}.parquet", index=False)
    homes.sort_values(["home", "panel"]).to_parquet(folder / _HOMES, index=False)
    for name in ("packages", "planned_usage", "targets", "rejected", "warnings"):
        getattr(fleet, name).to_parquet(folder / f"{name}.parquet")
    traps.to_parquet(folder / "traps.parquet")
    head = {
        "form": FORM,
        "name": fleet.name,
        "notice": fleet.notice,
        "source": fleet.source,
        "cut_off": f"{fleet.cut_off:%Y-%m-%d}",
        "known_on": f"{fleet.known_on:%Y-%m-%d}",
        "clocks": list(fleet.clocks),
        "aircraft": [list(group) for group in aircraft],
        "fingerprint": fingerprint,
    }
    (folder / _HEAD).write_text(json.dumps(head, indent=1), encoding="utf-8")


def _as_bytes(name: str, rows: pd.DataFrame) -> pd.DataFrame:
    """Return rows with their geometries as WKB."""
    shapes = [one.name for one in TABLES[name].columns if one.type in GEOMETRIES and one.name in rows]
    return rows.assign(
        **{
            column: pd.Series(shapely.to_wkb(rows[column].to_numpy(object)), index=rows.index, dtype=object)
            for column in shapes
        }
    )


def open_parts(folder: str | Path) -> Parts:
    """Open what `write_parts` wrote.

    Parameters
    ----------
    folder : str or Path
        Where it lies.

    Returns
    -------
    Parts
        Ready to be worked on.

    Raises
    ------
    FileNotFoundError
        If there is no such folder.
    ValueError
        If it is of a later form.
    """
    path = Path(folder)
    head = json.loads((path / _HEAD).read_text(encoding="utf-8"))
    if head["form"] != FORM:
        raise ValueError(
            f"{path / _HEAD} is of form {head['form']!r}; this kit reads form {FORM}. Write the parts anew."
        )
    return Parts(path, tuple(tuple(group) for group in head["aircraft"]))


def _groups(names: list[str], parts: Sequence[Sequence[str]] | int) -> tuple[tuple[str, ...], ...]:
    if isinstance(parts, int):
        if not 1 <= parts <= len(names):
            raise ValueError(f"`parts` must be from 1 to the number of aircraft, {len(names)}. Got {parts}.")
        return tuple(
            tuple(str(one) for one in some) for some in np.array_split(np.array(names, object), parts)
        )
    given = [name for group in parts for name in group]
    if sorted(given) != names:
        odd = sorted({*given} ^ {*names}) or sorted({name for name in given if given.count(name) > 1})
        raise ValueError(
            f"`parts` must hold each aircraft once. Got {len(given)} names for {len(names)} aircraft; look at {', '.join(odd[:5])}."
        )
    return tuple(tuple(group) for group in parts)


def _aircraft_of_finding(tables: dict[str, pd.DataFrame], fleet: Fleet) -> dict[str, str]:
    found: dict[str, str] = {}
    for one in (tables.get("findings"), fleet.tables["findings"]):
        if one is not None and len(one):
            found |= dict(zip(one["finding"], one["aircraft"], strict=True))
    return found


def _aircraft_of_grid(fleet: Fleet) -> dict[str, str]:
    rows = fleet.tables["findings"]
    rows = rows[rows["tap_grid"] != ""]
    return dict(zip(rows["tap_grid"], rows["aircraft"], strict=True))


def _parquet():
    """Return pandas, once it is known that it can read Parquet."""
    try:
        import pyarrow  # noqa: F401
    except ImportError as error:
        raise missing_package("pyarrow", extra="parquet", what="Parquet in parts") from error
    return pd
