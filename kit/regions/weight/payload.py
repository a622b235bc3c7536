"""How much trapped water and how many patches are carried: by control surface with the moment about its hinge, by aircraft."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
import shapely

from kit.findings import Fleet
from kit.regions.track.standing import standing_regions
from kit.regions.weight.balance import hinge_arm, moment
from kit.regions.weight.water import patch_area, porosity, water_mass

SOLID_KG_M3 = {"aramid": 1380.0, "aluminium": 2680.0}
"""Density of the solid that a core is made of, by its material (from memory of data sheets) [kg/m³]."""


@dataclass(frozen=True, repr=False)
class AddedMass:
    """Water and patches carried on a day.

    Parameters
    ----------
    table : DataFrame
        A row for each aircraft, as from `to_frame`.
    surfaces : DataFrame
        A row for each control surface that carries some, as from `by_surface`.
    on : Timestamp
        The day.
    n_wet, n_patches : int
        Wet regions and patches that stand.
    n_unknown : int
        Of these, those whose mass is not known: no shape, or a core of unknown depth, density or solid.
    assumptions : tuple of str
        What is not in the data and was taken, with where it is from.
    cautions : tuple of str
        What the figures do not tell.
    """

    table: pd.DataFrame
    surfaces: pd.DataFrame
    on: pd.Timestamp
    n_wet: int
    n_patches: int
    n_unknown: int
    assumptions: tuple[str, ...]
    cautions: tuple[str, ...]

    def __repr__(self) -> str:
        """Say what it holds in one line."""
        most = self.surfaces["moment_kg_m"].max() if len(self.surfaces) else 0.0
        return (
            f"<AddedMass on {self.on:%Y-%m-%d}: largest moment about a hinge line {most:.3g} kg m on "
            f"{len(self.surfaces)} control surfaces with water or patches; {self.table['water_kg'].sum():.3g} kg of water "
            f"and {self.table['patch_kg'].sum():.3g} kg of patches on {len(self.table)} aircraft>"
        )

    def by_surface(self) -> pd.DataFrame:
        """Return a row for each control surface that carries water or patches.

        Returns
        -------
        DataFrame
            aircraft, zone, group, panel; water_kg, patch_kg, added_kg; water_moment_kg_m, patch_moment_kg_m and
            moment_kg_m (about the hinge line, positive on the side of the panel), largest_arm_mm and n_unknown
            (regions and patches whose mass or arm is not known); the largest moment first.

        Notes
        -----
        On a control surface balance comes before payload: a small mass far from the hinge can take the surface out of
        its balance limits, which guard it from flutter.
        """
        return self.surfaces.copy()

    def to_frame(self) -> pd.DataFrame:
        """Return a row for each aircraft.

        Returns
        -------
        DataFrame
            aircraft; n_wet, wet_area_mm2 (wet skin, each spot once), water_kg; n_patches, patch_area_mm2, patch_kg;
            added_kg; payload_kg (payload lost to it); n_unknown (regions and patches left out of the sums).
        """
        return self.table.copy()


def water_and_patch(
    fleet: Fleet,
    on: str | pd.Timestamp | None = None,
    *,
    fill: float = 1.0,
    fill_basis: str = "upper bound: all cells under the wet area full",
    solid_density_kg_m3: Mapping[str, float] | None = None,
    solid_basis: str = "typical of the material, assumed",
    ply_thickness_mm: float = 0.25,
    n_plies: float = 4.0,
    patch_density_kg_m3: float = 1600.0,
    overlap_mm: float = 0.0,
    patch_basis: str = "a typical wet lay-up, assumed; the region of a repair is the whole patch",
    repair_methods: Sequence[str] | None = None,
    regions: pd.DataFrame | None = None,
) -> AddedMass:
    """Sum up, for each aircraft, the water in standing moisture and the patches of repairs.

    Parameters
    ----------
    fleet : Fleet
        The dataset.
    on : date, optional
        The day; the cut-off by default.
    fill : float
        Share of the wet core that is full [-].
    fill_basis : str
        Where that is from; listed with the result.
    solid_density_kg_m3 : mapping of str to float, optional
        Density of the solid by core material; default: `SOLID_KG_M3` [kg/m³].
    solid_basis : str
        Where that is from.
    ply_thickness_mm, n_plies, patch_density_kg_m3, overlap_mm : float
        As for `patch_mass`, the same for all patches.
    patch_basis : str
        Where they are from.
    repair_methods : sequence of str, optional
        Methods, as written in the repairs, that leave such a patch; all but replacements by default.
    regions : DataFrame, optional
        Regions that stand on the day, with kind, panel, aircraft, zone and geometry; default those of
        `kit.standing_regions`.

    Returns
    -------
    AddedMass
        A row for each aircraft that is in service by then.

    Raises
    ------
    ValueError
        If a number is negative, a share not from 0 to 1, or a core not lighter than its solid.

    Notes
    -----
    Wet area is that of regions of kind moisture and of the bond that moisture broke, each spot once. A patch counts from the day of its
    repair for as long as the panel repaired is fitted; temporary ones count too, replacements of the
    panel do not. One patch over another counts as two. Payload is lost pound for pound (common practice, no source).
    """
    for name, value in (
        ("ply_thickness_mm", ply_thickness_mm),
        ("n_plies", n_plies),
        ("patch_density_kg_m3", patch_density_kg_m3),
        ("overlap_mm", overlap_mm),
    ):
        if not value >= 0:
            raise ValueError(f"`{name}` must not be negative. Got {value!r}; check the sign and the unit.")
    day = fleet.cut_off if on is None else pd.Timestamp(on)
    if regions is None:
        regions = standing_regions(fleet, day)
    solids = dict(SOLID_KG_M3 if solid_density_kg_m3 is None else solid_density_kg_m3)
    zones = fleet.tables["zones"].set_index("zone")
    wet = _wet(zones, regions, solids, fill)
    kg_per_mm2 = ply_thickness_mm * n_plies * patch_density_kg_m3 * 1e-9
    patches = _patches(fleet, zones, day, repair_methods, overlap_mm, kg_per_mm2)
    planes = fleet.tables["aircraft"]
    index = pd.Index(planes.loc[planes["entry_into_service"] <= day, "aircraft"], name="aircraft")
    table = pd.DataFrame(index=index)
    for name, part, area, mass in (
        ("wet", wet, "wet_area_mm2", "water_kg"),
        ("patches", patches, "patch_area_mm2", "patch_kg"),
    ):
        by = part.groupby("aircraft")
        table[f"n_{name}"] = by["n"].sum().reindex(index, fill_value=0).astype("int64")
        table[area] = by["area"].sum().reindex(index, fill_value=0.0)
        table[mass] = by["mass"].sum().reindex(index, fill_value=0.0)
    table["added_kg"] = table["water_kg"] + table["patch_kg"]
    table["payload_kg"] = table["added_kg"]
    lost = pd.concat([part[["aircraft", "n_unknown"]] for part in (wet, patches)])
    lost = lost.groupby("aircraft")["n_unknown"].sum()
    table["n_unknown"] = lost.reindex(index, fill_value=0).astype("int64")
    used = ", ".join(f"{name} {value:g} kg/m³" for name, value in solids.items())
    return AddedMass(
        table=table.reset_index(),
        surfaces=_surfaces(zones, wet, patches),
        on=day,
        n_wet=int(table["n_wet"].sum()),
        n_patches=int(table["n_patches"].sum()),
        n_unknown=int(table["n_unknown"].sum()),
        assumptions=(
            f"{100 * fill:g} % of the wet core is full ({fill_basis}).",
            f"Solid of the core: {used} ({solid_basis}).",
            f"Patches have {n_plies:g} plies of {ply_thickness_mm:g} mm at {patch_density_kg_m3:g} kg/m³ and go "
            f"{overlap_mm:g} mm beyond the region of the repair ({patch_basis}).",
            f"Repairs that are patches: {'all but replacements' if repair_methods is None else ', '.join(repair_methods)}.",
            "Payload is lost pound for pound (common practice, no source).",
        ),
        cautions=(
            "On a control surface balance comes first: hold the moment about the hinge line against the approved balance limits, "
            "re-balance as the approved data say, and check for flutter limits before flight, whatever the size of the damage.",
            "Only moisture that was found and still stands counts; water that no look found is not in it.",
            "The core under a bond that moisture broke is taken as wet as well.",
            "Not for weight and balance: weigh the aircraft.",
        ),
    )


_WET = ("moisture", "moisture_disbond")  # kinds under which the core holds water


def _wet(
    zones: pd.DataFrame, regions: pd.DataFrame, solids: Mapping[str, float], fill: float
) -> pd.DataFrame:
    """Return aircraft, number of regions, wet area, mass of water and its arm for each wet panel."""
    some = regions[regions["kind"].isin(_WET)]
    some = some.assign(blank=shapely.is_missing(some["geometry"].to_numpy(object)))
    by = some.groupby(["aircraft", "zone", "panel"], sort=True)
    rows = by["blank"].agg(n="size", n_unknown="sum").reset_index()
    shapes = np.array(
        [shapely.union_all(shapes.to_numpy(object)) for _, shapes in by["geometry"]], dtype=object
    )
    core = zones.reindex(rows["zone"])
    solid = core["core_material"].map(solids).to_numpy(dtype=float)
    pores = porosity(core["core_density"].to_numpy(dtype=float), solid)
    area = shapely.area(shapes)
    rows["area"] = area
    rows["mass"] = water_mass(area, core["core_thickness"].to_numpy(dtype=float), pores, fill)
    rows["arm"] = _arms(shapes, core)
    rows["n_unknown"] = rows["n_unknown"].where(rows["mass"].notna(), rows["n"])
    return rows


def _arms(shapes: np.ndarray, zones: pd.DataFrame) -> np.ndarray:
    """Return the arm of each shape about the hinge line of its zone [mm]; nan where it has none."""
    if not len(shapes):
        return np.empty(0)
    lines, outlines = (zones[name].where(zones[name].notna(), None) for name in ("hinge_line", "outline"))
    return hinge_arm(shapes, lines.to_numpy(object), outlines.to_numpy(object))


def _surfaces(zones: pd.DataFrame, wet: pd.DataFrame, patches: pd.DataFrame) -> pd.DataFrame:
    """Return mass and moment of water and patches for each control surface that has any."""
    parts = []
    for name, part in (("water", wet), ("patch", patches)):
        on = part[_turns(zones, part["zone"])]
        arm = on["arm"].to_numpy(dtype=float)
        mass = on["mass"].to_numpy(dtype=float)
        parts.append(
            on[["aircraft", "zone", "panel", "n_unknown"]].assign(
                **{f"{name}_kg": mass, f"{name}_moment_kg_m": moment(mass, arm), "largest_arm_mm": arm}
            )
        )
    every = pd.concat(parts, ignore_index=True)
    sums = ["water_kg", "patch_kg", "water_moment_kg_m", "patch_moment_kg_m", "n_unknown"]
    by = every.groupby(["aircraft", "zone", "panel"], sort=True)
    out = by[sums].sum().join(by["largest_arm_mm"].max()).reset_index()
    out.insert(2, "group", out["zone"].map(zones["group"]))
    out["added_kg"] = out["water_kg"] + out["patch_kg"]
    out["moment_kg_m"] = out["water_moment_kg_m"] + out["patch_moment_kg_m"]
    names = ["aircraft", "zone", "group", "panel", "water_kg", "patch_kg", "added_kg"]
    names += ["water_moment_kg_m", "patch_moment_kg_m", "moment_kg_m", "largest_arm_mm", "n_unknown"]
    out = out.sort_values(["moment_kg_m", "aircraft", "zone"], ascending=[False, True, True])
    return out[names].astype({"n_unknown": "int64"}).reset_index(drop=True)


def _turns(zones: pd.DataFrame, zone: pd.Series) -> np.ndarray:
    """Return which zones have a hinge line."""
    return zones["hinge_line"].reindex(zone).notna().to_numpy()


def _patches(
    fleet: Fleet,
    zones: pd.DataFrame,
    day: pd.Timestamp,
    methods: Sequence[str] | None,
    overlap_mm: float,
    kg_per_mm2: float,
) -> pd.DataFrame:
    """Return aircraft, zone, panel, area, mass and arm of each patch."""
    repairs = fleet.tables["repairs"]
    repairs = repairs[(repairs["repaired_on"] <= day) & (repairs["repair_class"] != "replacement")]
    repairs = repairs if methods is None else repairs[repairs["repair_method"].isin(methods)]
    panel = repairs["finding"].map(fleet.tables["findings"].set_index("finding")["panel"])
    fitted = fleet.tables["panels"]
    fitted = fitted[(fitted["fitted_on"] <= day) & ~(fitted["removed_on"] <= day)]
    fitted = fitted.drop_duplicates("panel", keep="last").set_index("panel")
    shapes = repairs["region"].to_numpy(object)
    rows = pd.DataFrame(
        {
            "aircraft": panel.map(fitted["aircraft"]),
            "zone": panel.map(fitted["zone"]),
            "panel": panel,
            "n": 1,
            "n_unknown": shapely.is_missing(shapes).astype("int64"),
        }
    )
    rows["area"] = patch_area(shapes, overlap_mm)
    rows["mass"] = rows["area"] * kg_per_mm2
    rows["arm"] = _arms(shapes, zones.reindex(rows["zone"]))
    return rows[rows["aircraft"].notna()]
