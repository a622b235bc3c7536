"""Which zone does a label mean on a day: renumbered zones and zones that a subtype lacks."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from kit.findings.fittings import Fittings
from kit.findings.frames import one_name_a_row
from kit.findings.keys import among, places

OK, LATE, UNKNOWN, SEVERAL = 0, 1, 2, 3
"""What became of a label: resolved, resolved though its time is over, unknown, ambiguous."""


class ZoneLabels:
    """Resolve zone labels as written to the present labels.

    Parameters
    ----------
    zones : DataFrame
        Columns zone, subtypes, former_label, former_label_until.
    aircraft : DataFrame
        Columns aircraft, subtype.
    """

    def __init__(self, zones: pd.DataFrame, aircraft: pd.DataFrame) -> None:
        self._zones = zones[["zone", "former_label", "former_label_until"]].reset_index(drop=True)
        self._present = pd.Index(self._zones["zone"])
        self._former = self._zones[self._zones["former_label"] != ""]
        self._subtype = pd.Series(aircraft["subtype"].to_numpy(dtype=object), index=aircraft["aircraft"])
        self._pairs = one_name_a_row(zones[["zone", "subtypes"]], "subtypes", "subtype")
        self.subtypes = frozenset(self._pairs["subtype"])

    def has_zone(self, aircraft: ArrayLike, zone: ArrayLike) -> NDArray[np.bool_]:
        """Return whether the subtype of each aircraft has a zone.

        Parameters
        ----------
        aircraft, zone : array_like of str, shape (n,)
            Aircraft and present labels.

        Returns
        -------
        ndarray of bool, shape (n,)
            False also where the aircraft or the zone is unknown.
        """
        n_zones = len(self._present) + 1
        plane, where = places(aircraft, self._subtype.index), places(zone, self._present)
        subtypes = pd.Index(self._subtype.unique())
        kind = np.append(subtypes.get_indexer(self._subtype.to_numpy(dtype=object)), -1)[plane]
        pairs = self._pairs
        has = np.zeros((len(subtypes) + 1, n_zones), dtype=bool)
        row, column = subtypes.get_indexer(pairs["subtype"]), self._present.get_indexer(pairs["zone"])
        has[row, column] = True
        has[-1, :] = has[:, -1] = False
        return has[kind, where]

    def subtype_of(self, aircraft: ArrayLike) -> NDArray[np.object_]:
        """Return the subtype of each aircraft.

        Parameters
        ----------
        aircraft : array_like of str, shape (n,)
            Aircraft.

        Returns
        -------
        ndarray of str, shape (n,)
            "" where the aircraft is unknown.
        """
        return self._subtype.reindex(pd.Index(aircraft)).fillna("").to_numpy(dtype=object)

    def resolve(
        self,
        labels: pd.Series,
        dates: pd.Series,
        *,
        aircraft: pd.Series | None = None,
        serial: pd.Series | None = None,
        fittings: Fittings | None = None,
        present_first: bool = False,
    ) -> tuple[pd.Series, NDArray[np.int64]]:
        """Return the present label of each zone written.

        A label means the zone that had it on the day. A former label used after its last day
        is resolved all the same, and said to be late. Where zones have exchanged labels, the
        subtype and then the serial as written decide; where they do not, the label stays as
        it is and is said to be ambiguous.

        Parameters
        ----------
        labels : Series of str
            Labels as written.
        dates : Series of datetime64
            Days on which they were written.
        aircraft, serial : Series of str, optional
            Aircraft and serial as written.
        fittings : Fittings, optional
            Which panel was where.
        present_first : bool
            Whether a present label means its zone whatever the day, as in registers that are
            kept up to date.

        Returns
        -------
        zone : Series of str
            Present labels.
        what : ndarray of int
            `OK`, `LATE`, `UNKNOWN` or `SEVERAL`.
        """
        is_present = among(labels, self._present)
        was_former = among(labels, self._former["former_label"])
        if present_first:
            was_former = was_former & ~is_present
        what = np.where(is_present, OK, UNKNOWN)
        zone = labels.copy()
        if not was_former.any():
            return zone, what
        asked = pd.DataFrame({"label": labels, "date": dates, "row": np.arange(len(labels))})[was_former]
        asked["aircraft"] = "" if aircraft is None else aircraft[was_former]
        asked["serial"] = "" if serial is None else serial[was_former]
        found = self._candidates(asked, check_subtype=aircraft is not None)
        found = found[found["rank"] == found.groupby("row")["rank"].transform("min")]
        several = found.groupby("row")["zone"].transform("nunique") > 1
        if several.any() and serial is not None and fittings is not None:
            tied = found[several]
            fitted = fittings.at(tied["aircraft"], tied["zone"], tied["date"], tied["serial"])
            panel = np.where(fitted >= 0, fittings.panels["panel"].to_numpy(dtype=object)[fitted], "")
            named = tied[(panel == tied["serial"].to_numpy(dtype=object)) & (panel != "")]
            named = named[~named["row"].duplicated(keep=False)]
            found = pd.concat([found[~found["row"].isin(named["row"])], named])
            several = found.groupby("row")["zone"].transform("nunique") > 1
        one = found[~several].drop_duplicates("row")
        values = zone.to_numpy(dtype=object).copy()
        values[one["row"]] = one["zone"]
        what[one["row"]] = np.where(one["rank"] == 3, LATE, OK)
        what[found.loc[several, "row"].unique()] = SEVERAL
        return pd.Series(values, index=labels.index, dtype="str"), what

    def _candidates(self, asked: pd.DataFrame, *, check_subtype: bool) -> pd.DataFrame:
        """Return the zones that each label may mean, the likelier ones with a lower rank."""
        former = asked.merge(self._former, left_on="label", right_on="former_label")
        over = (former["date"] > former["former_label_until"]).to_numpy()
        former["rank"] = np.where(over, 3, 1)
        present = asked.merge(self._zones, left_on="label", right_on="zone")
        own = present["former_label"]
        named_so = (own == "") | (own == present["label"]) | (present["date"] > present["former_label_until"])
        present["rank"] = np.where(named_so, 1, 2)
        found = pd.concat([former, present], ignore_index=True)
        if check_subtype:
            found.loc[~self.has_zone(found["aircraft"], found["zone"]), "rank"] += 10
        return found
