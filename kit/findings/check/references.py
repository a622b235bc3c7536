"""Do the names in one table stand in another, and are those rows accepted."""

from __future__ import annotations

import numpy as np
import pandas as pd

from kit.findings.check.context import PLACED, CheckContext
from kit.findings.check.labels import LATE, SEVERAL, UNKNOWN
from kit.findings.frames import one_name_a_row
from kit.findings.keys import among, places
from kit.findings.tables import TABLES, Column


class References:
    """Resolve the references of a table to the tables checked before it.

    Parameters
    ----------
    context : CheckContext
        What the checks work on; what is accepted so far is looked up at each call.
    """

    def __init__(self, context: CheckContext) -> None:
        self._context = context

    def resolve(self, name: str, rows: pd.DataFrame) -> pd.DataFrame:
        """Return rows whose references name current rows, reporting those that do not.

        Parameters
        ----------
        name : str
            Table of the rows.
        rows : DataFrame
            Typed rows.

        Returns
        -------
        DataFrame
            The rows; a name of a superseded row is that of the row that stands for it, a zone
            is its present label, and `zone_as_written` stands beside it in looks and findings.
        """
        table = TABLES[name]
        for column in table.columns:
            if column.type == "ref":
                cells = rows[column.name]
                if column.refers_to == "zones" and name in ("inspections", "findings"):
                    rows["zone_as_written"] = cells
                rows[column.name] = self._one_each(name, column, rows, cells)
            elif column.type == "refs":
                rows[column.name] = self._several_each(name, column, rows)
        return rows

    def _several_each(self, name: str, column: Column, rows: pd.DataFrame) -> pd.Series:
        """Resolve cells that hold several names."""
        cells = rows[column.name]
        given = cells[cells != ""]
        if not len(given):
            return cells
        parts = one_name_a_row(given.to_frame("names"), "names", "name")["name"]
        hollow = given[~given.index.isin(parts.index)]
        self._context.log.add(
            name,
            rows.loc[hollow.index],
            column.name,
            hollow,
            reason=f"{column.name} names nothing",
            expected=f"ids of rows of {column.refers_to} with ; between them",
            mend="write the names, or leave the cell blank where it may be",
        )
        if not len(parts):
            return cells.where(cells == "", "").astype("str")
        spread = rows.loc[parts.index].reset_index(names="_label")
        names = self._one_each(name, column, spread, parts.reset_index(drop=True), labels=spread["_label"])
        joined = names.groupby(spread["_label"]).agg(lambda found: ";".join(dict.fromkeys(found)))
        return cells.where(cells == "", joined.reindex(cells.index).fillna("")).astype("str")

    def _one_each(
        self, name: str, column: Column, rows: pd.DataFrame, cells: pd.Series, labels: pd.Series | None = None
    ) -> pd.Series:
        """Resolve one name for each row; `labels` are those of the rows, where repeated."""
        target = column.refers_to
        known, accepted = self._context.known[target], self._context.tables[target]
        index = rows.index if labels is None else pd.Index(labels)
        if known.superseded:
            # a correction with another id takes the place of the row that it corrects
            cells = cells.map(known.superseded).fillna(cells).astype("str")
        given = (cells != "").to_numpy()
        if target == "zones":
            cells, several = self._zone(name, column, rows, cells, index)
            given = given & ~several
        ids = accepted[TABLES[target].id_column]
        if (name, column.name) in PLACED:
            at = self._context.places[name, column.name] = places(cells, ids)
            missing = given & (at < 0)
        else:
            missing = given & ~among(cells, ids)
        if not missing.any():
            return cells
        is_known = among(cells, known.ids)
        is_later = among(cells, known.later) & ~is_known
        at = self._rows_of(target)
        where = rows.set_axis(index)
        lost, later = missing & is_known, missing & is_later
        for which, reason, expected, mend, warn in (
            (
                lost,
                f"refers to a rejected row of {target}",
                f"the id of an accepted row of {target}",
                [f"correct {at.get(cell, 'that row')} first" for cell in cells[lost]],
                False,
            ),
            (
                later,
                f"refers to a row of {target} that became known later",
                f"the id of a row of {target} known on that day",
                "nothing, if the row was recorded late",
                not column.required,
            ),
            (
                missing & ~is_known & ~is_later,
                f"no such row in {target}",
                f"the id of a row of {target}",
                f"correct the {column.name}, or add the row to {target}",
                False,
            ),
        ):
            words = {"reason": reason, "expected": expected, "mend": mend, "warn": warn}
            self._context.log.add(name, where[which], column.name, cells[which], **words)
        return cells

    def _zone(
        self, name: str, column: Column, rows: pd.DataFrame, cells: pd.Series, index: pd.Index
    ) -> tuple[pd.Series, np.ndarray]:
        """Resolve zone labels of the day to present labels, and say which are ambiguous."""
        aircraft = rows.get("aircraft")
        serial = rows["panel"] if "panel" in rows and self._context.fittings is not None else None
        zone, what = self._context.labels.resolve(
            cells,
            rows[TABLES[name].event_date],
            aircraft=aircraft,
            serial=serial,
            fittings=self._context.fittings,
            present_first=name in ("panels", "tasks"),
        )
        late, several = what == LATE, what == SEVERAL
        if not late.any() and not several.any():
            return zone.where(what != UNKNOWN, cells) if (what == UNKNOWN).any() else zone, several
        where = rows.set_axis(index)
        until = self._context.tables["zones"].set_index("zone")["former_label_until"].reindex(zone[late])
        self._context.log.add(
            name,
            where[late],
            column.name,
            cells[late],
            reason="a former label used after its last day",
            expected=[
                f"{label}, the present label (the former one was in use until {day:%Y-%m-%d})"
                for label, day in until.items()
            ],
            mend="write the present label",
            warn=True,
        )
        self._context.log.add(
            name,
            where[several],
            column.name,
            cells[several],
            reason="the label stood for more than one zone that day",
            expected="a label that stood for one zone, or the serial of the panel beside it",
            mend="write the present label of the zone that is meant",
        )
        return zone.where(what != UNKNOWN, cells), several

    def _rows_of(self, target: str) -> dict[str, str]:
        """Return where each row of a table stands, by id."""
        current = self._context.known[target].current
        places = current["file"] + " row " + current["row"].astype("str")
        return dict(zip(current[TABLES[target].id_column], places, strict=True))
