"""What a ranking takes as given: POD by method and skin, false calls, clock and pattern of each kind of damage."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field, Strict, ValidationError, model_validator

from kit.detection import BUILT_IN, DetectionCurve
from kit.findings import CLOCKS, KINDS, METHODS, read_toml_file

FILE = "ranking.toml"
"""Name of the settings in the folder of a dataset."""

ANY_SKIN = "any"
"""Class of every skin where classes are not distinguished."""

Number = Annotated[float, Strict()]


class SettingsError(ValueError):
    """Settings of a ranking that cannot be read."""


class SkinPod(BaseModel):
    """POD by size of one method on one class of skin."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    method: Literal[METHODS]
    skin_class: Annotated[str, Field(min_length=1)]
    a50_mm: Annotated[Number, Field(gt=0, allow_inf_nan=False)]
    slope: Annotated[Number, Field(gt=0, allow_inf_nan=False)]
    plateau: Annotated[Number, Field(gt=0, le=1)]
    far_side_plateau: Annotated[Number, Field(ge=0, le=1)]
    log_a50_sd: Annotated[Number, Field(ge=0, le=1)] = 0.1

    def curve(self, *, far_side_share: float, z: float = 0.0) -> DetectionCurve:
        """Return the POD by size.

        Parameters
        ----------
        far_side_share : float
            Share of damage on the side that is not tapped [-].
        z : float
            Standard errors by which the log of a50 is off [-].

        Returns
        -------
        DetectionCurve
            The curve.
        """
        return DetectionCurve(
            float(self.a50_mm * 2.718281828459045 ** (self.log_a50_sd * z)),
            self.slope,
            self.plateau,
            far_side_share,
            self.far_side_plateau,
        )


class KindSettings(BaseModel):
    """Clock and pattern of one kind of damage, and what holds where the data do not tell."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    clock: Literal[CLOCKS]
    far_side_share: Annotated[Number, Field(ge=0, lt=1)] = 0.0
    assumed_shape: Annotated[Number, Field(gt=0.1, lt=10)]
    onset_median_mm: Annotated[Number, Field(gt=0)] = 20.0
    onset_log_sd: Annotated[Number, Field(ge=0, lt=3)] = 0.45
    rate_median_mm: Annotated[Number, Field(gt=0)]
    rate_log_sd: Annotated[Number, Field(ge=0, lt=3)] = 0.6
    no_growth_share: Annotated[Number, Field(ge=0, le=1)] = 0.2


# Assumed, no source: bonds open with the flight cycles, water comes with the years, blows with the flights.
_ASSUMED_KINDS = {
    kind: KindSettings(clock="flight_cycles", assumed_shape=1.0, rate_median_mm=0.002) for kind in KINDS
} | {
    "disbond": KindSettings(clock="flight_cycles", assumed_shape=2.5, rate_median_mm=0.0026),
    "moisture": KindSettings(clock="calendar_days", assumed_shape=2.0, rate_median_mm=0.0164),
    "moisture_disbond": KindSettings(clock="calendar_days", assumed_shape=2.0, rate_median_mm=0.0164),
}


def _assumed_pods() -> tuple[SkinPod, ...]:
    """Return the first built-in entry of each method, for any skin."""
    out: dict[str, SkinPod] = {}
    for entry in BUILT_IN:
        out.setdefault(
            entry.method,
            SkinPod(
                method=entry.method,
                skin_class=ANY_SKIN,
                a50_mm=float(entry.a50),
                slope=float(entry.slope),
                plateau=float(entry.plateau),
                far_side_plateau=float(entry.far_side_plateau),
                log_a50_sd=0.2,
            ),
        )
    return tuple(out.values())


class RankingSettings(BaseModel):
    """What a ranking takes as given."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    basis: Annotated[str, Field(min_length=1)]
    measured_to_true: Annotated[Number, Field(gt=0.2, lt=5)] = 1.0
    skin_classes: dict[str, Annotated[Number, Field(gt=0)]] = {}
    pods: tuple[SkinPod, ...]
    false_calls: dict[Literal[METHODS], Annotated[Number, Field(ge=0, lt=1)]] | Literal["fit"] = "fit"
    false_call_kind: Literal[KINDS] = "disbond"
    kinds: dict[Literal[KINDS], KindSettings] = {}

    @model_validator(mode="after")
    def _goes_together(self) -> RankingSettings:
        seen = [(pod.method, pod.skin_class) for pod in self.pods]
        twice = sorted({key for key in seen if seen.count(key) > 1})
        if twice:
            raise ValueError(f"pods stand twice for {twice[0][0]} on {twice[0][1]} skin; leave one out")
        known = set(self.skin_classes) | {ANY_SKIN}
        strange = sorted({pod.skin_class for pod in self.pods} - known)
        if strange:
            raise ValueError(
                f"skin_class {strange[0]} of a pod is none of skin_classes; known are {', '.join(sorted(known))}"
            )
        return self

    @classmethod
    def assumed(cls) -> RankingSettings:
        """Return settings for a dataset that brings none: one POD for all skins, false calls fitted.

        Returns
        -------
        RankingSettings
            Published or assumed PODs of the built-in register.
        """
        return cls(
            basis="assumed: the first built-in POD of each method, for any skin; skins are not distinguished",
            pods=_assumed_pods(),
        )

    @classmethod
    def read(cls, path: str | Path) -> RankingSettings:
        """Read settings.

        Parameters
        ----------
        path : str or Path
            A TOML file.

        Returns
        -------
        RankingSettings
            The settings.

        Raises
        ------
        SettingsError
            If the file cannot be read or a field is missing, unknown or out of range.
        """
        path = Path(path)
        try:
            return cls.model_validate(
                read_toml_file(path, of="the settings of a ranking", refuse=SettingsError)
            )
        except ValidationError as error:
            first = error.errors()[0]
            where = ".".join(str(part) for part in first["loc"]) or "file"
            raise SettingsError(
                f"{path}: {where}: {first['msg']} (got {first.get('input')!r:.80}); {error.error_count()} to correct."
            ) from None

    @classmethod
    def of_source(cls, source: str | Path) -> RankingSettings:
        """Return the settings that lie beside a dataset, else those assumed.

        Parameters
        ----------
        source : str or Path
            Folder of the dataset.

        Returns
        -------
        RankingSettings
            From its file `FILE` where there is one.
        """
        path = Path(source) / FILE
        return cls.read(path) if path.is_file() else cls.assumed()

    def kind(self, name: str) -> KindSettings:
        """Return the settings of a kind of damage.

        Parameters
        ----------
        name : str
            Kind of damage.

        Returns
        -------
        KindSettings
            As stated, else as assumed.
        """
        return self.kinds.get(name, _ASSUMED_KINDS[name])

    def skin_class(self, thickness_mm: float) -> str:
        """Return the class of an outer skin.

        Parameters
        ----------
        thickness_mm : float
            Its thickness; nan counts as the thickest, which is seen least [mm].

        Returns
        -------
        str
            The first class that is no thinner.
        """
        for name, thickest in sorted(self.skin_classes.items(), key=lambda item: item[1]):
            if thickness_mm <= thickest:
                return name
        return max(self.skin_classes, key=self.skin_classes.get) if self.skin_classes else ANY_SKIN

    def pod(self, method: str, skin_class: str) -> SkinPod:
        """Return the POD of a method on a class of skin.

        Parameters
        ----------
        method, skin_class : str
            Which.

        Returns
        -------
        SkinPod
            That of the class, else that for any skin, else the built-in one of the method.
        """
        known = {(pod.method, pod.skin_class): pod for pod in (*_assumed_pods(), *self.pods)}
        return known.get((method, skin_class)) or known[method, ANY_SKIN]
