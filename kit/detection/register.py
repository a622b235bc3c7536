"""Which PODs are known, by name: of what method, on what skin, in what conditions, and on what basis."""

from __future__ import annotations

import datetime as dt
import difflib
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Literal

import pandas as pd
from pydantic import BaseModel, ConfigDict, Field, Strict, ValidationError, model_validator

from kit.detection.curve import DetectionCurve
from kit.findings import METHODS, blind_to, read_toml_file

FILE = "pods.toml"
"""Name of the register in the folder of a dataset."""

_Number = Annotated[float, Strict()]
_Words = Annotated[str, Field(min_length=1)]


class PodError(ValueError):
    """A register of PODs that cannot be read, or a name that is not in it."""


class PodEntry(BaseModel):
    """The POD of one method on one class of skin, tapped from one side, in stated conditions."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    name: Annotated[
        str, Field(pattern=r"^[A-Za-z0-9][A-Za-z0-9_.-]*$", description="name by which questions use it")
    ]
    method: Annotated[Literal[METHODS], Field(description="inspection method")]
    skin_class: Annotated[
        _Words, Field(description="skin and construction it holds for, such as thin, or any")
    ]
    side: Annotated[Literal["outer", "inner", "any"], Field(description="face that is tapped")]
    conditions: Annotated[_Words, Field(description="place, noise, access and people it holds for")]
    a50_mm: Annotated[
        Annotated[_Number, Field(ge=0, allow_inf_nan=False)] | None,
        Field(description="size found half as often as the plateau; this or a90_95_mm [mm]"),
    ] = None
    a90_95_mm: Annotated[
        Annotated[_Number, Field(gt=0, allow_inf_nan=False)] | None,
        Field(description="published size with POD 0.90 at 95 % confidence; the curve is put there [mm]"),
    ] = None
    slope: Annotated[_Number, Field(gt=0, allow_inf_nan=False, description="slope in log size [-]")]
    plateau: Annotated[
        _Number, Field(gt=0, le=1, description="POD of the largest damage; never left out [-]")
    ]
    far_side_plateau: Annotated[
        _Number, Field(ge=0, le=1, description="plateau for damage on the other side; never left out [-]")
    ]
    basis: Annotated[Literal["trial", "published", "assumed"], Field(description="what the numbers rest on")]
    source: Annotated[_Words, Field(description="where they come from")]
    assumed: Annotated[
        tuple[Literal["a50_mm", "slope", "plateau", "far_side_plateau"], ...],
        Field(description="numbers that the source does not give and that are assumed"),
    ] = ()
    recorded_on: Annotated[
        dt.date | None, Field(description="day on which it became known; default: always known")
    ] = None
    valid_from: Annotated[
        dt.date | None, Field(description="first day on which it counts; default: always")
    ] = None

    @model_validator(mode="after")
    def _one_size(self) -> PodEntry:
        if (self.a50_mm is None) == (self.a90_95_mm is None):
            raise ValueError("give one of a50_mm and a90_95_mm")
        if self.a90_95_mm is not None and self.plateau <= 0.9:
            raise ValueError("a90_95_mm needs a plateau above 0.9, or POD 0.90 is reached at no size")
        return self

    @property
    def blind_to(self) -> tuple[str, ...]:
        """Kinds of damage that the method cannot see, whatever their size."""
        return blind_to(self.method)

    @property
    def a50(self) -> float:
        """Size found half as often as the plateau, from a90/95 where that is given [mm]."""
        if self.a50_mm is not None:
            return float(self.a50_mm)
        return self.a90_95_mm / (0.9 / (self.plateau - 0.9)) ** (1 / self.slope)

    @property
    def words(self) -> str:
        """Basis, source and what is assumed beside it, in words."""
        more = f"; assumed: {', '.join(self.assumed)}" if self.assumed else ""
        upper = "; its a90/95 taken as a90, an upper bound" if self.a90_95_mm is not None else ""
        return (
            f"{self.basis}, entry {self.name} of the register: {self.source}{upper}{more}; holds for {self.skin_class} skin, "
            f"{self.conditions}"
        )

    def curve(self, *, far_side_share: float = 0.0) -> DetectionCurve:
        """Return the entry as a curve.

        Parameters
        ----------
        far_side_share : float
            Share of damage on the side that is not tapped [-].

        Returns
        -------
        DetectionCurve
            With the far-side plateau of the entry.
        """
        return DetectionCurve(
            self.a50, self.slope, self.plateau, far_side_share, self.far_side_plateau, basis=self.basis
        )


_HONEYCOMB_TRIAL = (
    "Genest, Pant, Khan, Mandache, Klishch, ICAF 2023, abstract 55: metallic honeycomb panels, 70 damage sites, "
    "11 inspectors; the sites are dents, disbonds and both together, so that the sizes are not those of disbonds alone; false "
    "calls up to three times fewer with the automated tapper, their rate is not in the abstract and no false call is in the entry"
)
_ANCHOR = {
    "skin_class": "metallic honeycomb of the trial",
    "side": "outer",
    "slope": 4.0,
    "plateau": 1.0,
    "far_side_plateau": 0.0,
    "basis": "published",
    "assumed": ("slope", "plateau", "far_side_plateau"),
}


def _assumed(method: str, a50: float, slope: float, plateau: float, far: float, conditions: str) -> PodEntry:
    """Return an entry whose numbers are all assumed."""
    return PodEntry(
        name=f"assumed-{method.replace('_', '-')}",
        method=method,
        skin_class="any thin skin",
        side="outer",
        conditions=conditions,
        a50_mm=a50,
        slope=slope,
        plateau=plateau,
        far_side_plateau=far,
        basis="assumed",
        source="no source; a place to begin until a trial on like structure gives numbers",
        assumed=("a50_mm", "slope", "plateau", "far_side_plateau"),
    )


BUILT_IN = (
    PodEntry(
        name="published-manual",
        method="tap_manual",
        conditions="trial conditions, manual tapping",
        a90_95_mm=43.18,
        source=f"{_HONEYCOMB_TRIAL}; a90/95 1.70 in by manual tapping",
        **_ANCHOR,
    ),
    PodEntry(
        name="published-automated",
        method="tap_instrumented",
        conditions="trial conditions, automated tapper",
        a90_95_mm=27.94,
        source=f"{_HONEYCOMB_TRIAL}; a90/95 1.10 in by automated tapping",
        **_ANCHOR,
    ),
    _assumed(
        "moisture_meter",
        30.0,
        3.3,
        0.95,
        0.95,
        "dry surface, glass or aramid skin; meaningless on carbon or metal",
    ),
    _assumed(
        "thermography",
        25.0,
        3.3,
        0.94,
        0.5,
        "within an hour of a flight in the cold, or with heat; matt paint",
    ),
    _assumed(
        "x_ray",
        12.0,
        4.0,
        0.99,
        0.99,
        "liquid water, crushed or corroded core; off the aircraft or cleared area",
    ),
    _assumed(
        "ultrasonic",
        12.0,
        4.0,
        0.98,
        0.5,
        "calibrated on a standard of the same build; through transmission with two faces",
    ),
    _assumed(
        "visual", 80.0, 3.3, 0.55, 0.0, "looked at closely, in low light from the side; the skin must bulge"
    ),
)
"""Entries that need no file: published anchors, of which slope, plateau and far side are assumed, and one for each other
method, of which all is."""


@dataclass(frozen=True)
class PodRegister:
    """PODs by name.

    Parameters
    ----------
    entries : tuple of PodEntry
        The entries.
    source : str
        Where they were read.
    """

    entries: tuple[PodEntry, ...] = BUILT_IN
    source: str = "built in"

    @classmethod
    def read(cls, path: str | Path) -> PodRegister:
        """Read a register; the built-in entries stand beside those of the file.

        Parameters
        ----------
        path : str or Path
            A TOML file with a table ``[[pods]]`` for each entry.

        Returns
        -------
        PodRegister
            The register.

        Raises
        ------
        PodError
            If the file cannot be read, a field is missing, unknown or out of range, or a name stands twice;
            every problem is named with its entry and field.
        """
        path = Path(path)
        data = read_toml_file(path, of="a register of PODs", refuse=PodError)
        rows = data.get("pods")
        if set(data) != {"pods"} or not isinstance(rows, list) or not all(isinstance(r, dict) for r in rows):
            raise PodError(
                f"{path}: must hold a table [[pods]] for each POD and nothing else. Got "
                f"{', '.join(data) or 'nothing'}. See PodEntry for the fields."
            )
        entries, lines = [], []
        names = [(entry.name, entry.valid_from, entry.recorded_on) for entry in BUILT_IN]
        built_in = {entry.name for entry in BUILT_IN}
        for number, row in enumerate(rows, 1):
            try:
                entry = PodEntry.model_validate(row)
            except ValidationError as error:
                for item in error.errors(include_url=False):
                    field = str(item["loc"][0]) if item["loc"] else "entry"
                    got = f" Got {item['input']!r}." if item["loc"] and item["type"] != "missing" else ""
                    lines.append(
                        f"  [[pods]] {number} ({row.get('name', 'no name')}), {field}: {item['msg']}.{got}"
                    )
                continue
            days = (entry.name, entry.valid_from, entry.recorded_on)
            if days in names or entry.name in built_in:
                lines.append(
                    f"  [[pods]] {number} ({entry.name}), name: stands twice with the same days, or is that of a built-in entry."
                )
            names.append(days)
            entries.append(entry)
        if lines:
            raise PodError(
                f"{path}: {len(lines)} field(s) are wrong:\n" + "\n".join(lines) + "\nMend them in the file."
            )
        return cls((*entries, *BUILT_IN), str(path))

    @classmethod
    def of_dataset(cls, folder: str | Path) -> PodRegister:
        """Read the register of a dataset's folder; the built-in entries where there is none.

        Parameters
        ----------
        folder : str or Path
            The folder; anything else, such as a workbook, has no register.

        Returns
        -------
        PodRegister
            The register.
        """
        path = Path(folder) / FILE
        return cls.read(path) if path.is_file() else cls()

    def get(self, name: str, *, known_on: dt.date | None = None, on: dt.date | None = None) -> PodEntry:
        """Return the entry of a name.

        Parameters
        ----------
        name : str
            The name.
        known_on : date, optional
            Entries recorded later do not count, unless there is no other; default: all count.
        on : date, optional
            Entries valid only from later on do not count, unless there is no other; default: all count.

        Returns
        -------
        PodEntry
            Of several the one valid from the latest day, and of those the one recorded last.

        Raises
        ------
        PodError
            If there is none; names those there are.
        """
        named = [entry for entry in self.entries if entry.name == name]
        for day, field in ((known_on, "recorded_on"), (on, "valid_from")):
            early = [one for one in named if day is None or (getattr(one, field) or dt.date.min) <= day]
            named = early or named
        if named:
            return max(named, key=lambda one: (one.valid_from or dt.date.min, one.recorded_on or dt.date.min))
        names = list(dict.fromkeys(entry.name for entry in self.entries))
        near = difflib.get_close_matches(name, names, n=1)
        raise PodError(
            f"`pod` must be a name in the register ({self.source}). Got {name!r}. Known are {', '.join(names)}."
            + (f" Did you mean {near[0]}?" if near else f" Add it to {FILE} of the dataset.")
        )

    def to_frame(self) -> pd.DataFrame:
        """Return one row an entry.

        Returns
        -------
        DataFrame
            Columns name, method, skin_class, side, conditions, a50_mm (size found half as often as the plateau), a90_mm,
            slope, plateau, far_side_plateau, basis, assumed, blind_to, source, valid_from, recorded_on.
        """
        return pd.DataFrame(
            [
                {
                    "name": entry.name,
                    "method": entry.method,
                    "skin_class": entry.skin_class,
                    "side": entry.side,
                    "conditions": entry.conditions,
                    "a50_mm": entry.a50,
                    "a90_mm": entry.curve().a90,
                    "slope": entry.slope,
                    "plateau": entry.plateau,
                    "far_side_plateau": entry.far_side_plateau,
                    "basis": entry.basis,
                    "assumed": ", ".join(entry.assumed),
                    "blind_to": ", ".join(entry.blind_to),
                    "source": entry.source,
                    "valid_from": entry.valid_from,
                    "recorded_on": entry.recorded_on,
                }
                for entry in self.entries
            ]
        )
