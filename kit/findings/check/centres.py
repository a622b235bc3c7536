"""Does the centre of a damage lie off the place where other mappings of it lie, by one coordinate alone."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from kit.findings.check.context import CheckContext
from kit.findings.methods import is_damage
from kit.findings.units import centres

SAME_COORDINATE = 1.0
"""How near a coordinate lies to that of another mapping of the same damage: what a tape reads off (common practice, no source) [mm]."""

APART = 2.0
"""Beyond half of the longer size, how far apart centres lie before they are taken for two damages [mm]."""


def check_centres(context: CheckContext, rows: pd.DataFrame, box: NDArray) -> None:
    """Report centres that lie at no other mapping of their damage, and share one coordinate with one: the other is in doubt.

    A digit too few or two exchanged leave the other coordinate as it was. A track that loses its mapping to such a cell
    makes two damages of one, each of which seems to grow less.

    Parameters
    ----------
    context : CheckContext
        What the checks work on.
    rows : DataFrame
        Typed findings that nothing was found against.
    box : ndarray of float, shape (n_rows, 4)
        Bounds of their outlines; nan without one [mm].

    Notes
    -----
    Mappings of one kind on one panel are held against each other. Two damages that share a coordinate by chance are
    told from a typing error where each has a second mapping; a single mapping is named, as a warning.
    """
    shapes = rows["outline"].to_numpy(dtype=object)
    size = np.fmax(np.maximum(box[:, 2] - box[:, 0], box[:, 3] - box[:, 1]), rows["length"].to_numpy())
    real = (is_damage(rows) & (rows["panel"] != "")).to_numpy(dtype=bool)
    typed = real & shapely.is_missing(shapes) & (rows["centre_x"].notna() & rows["centre_y"].notna()).to_numpy()  # fmt: skip
    if not typed.any():
        return
    panel, kind = (pd.factorize(rows[name])[0].astype(np.int64) for name in ("panel", "kind"))
    own = panel * (kind.max() + 1) + kind
    # Where damages lie is worked out on the panels of these alone: the centre of a million outlines is dear.
    every = np.flatnonzero(real & np.isin(own, own[typed]))
    x, y = np.full((2, len(rows)), np.nan)
    x[every], y[every] = centres(rows.iloc[every])
    every = every[np.isfinite(x[every]) & np.isfinite(y[every])]
    lone = np.ones(len(rows), dtype=bool)
    partner = {"centre_x": np.full(len(rows), -1), "centre_y": np.full(len(rows), -1)}
    size = np.nan_to_num(size)
    for first, second in _pairs(np.flatnonzero(typed), every, own):
        off = {"centre_x": np.abs(x[first] - x[second]), "centre_y": np.abs(y[first] - y[second])}
        reach = np.maximum(size[first], size[second]) / 2 + APART
        lone[first[np.hypot(*off.values()) < reach]] = False
        for column, along in (("centre_x", "centre_y"), ("centre_y", "centre_x")):
            hit = (off[along] <= SAME_COORDINATE) & (off[column] >= reach)
            partner[column][first[hit]] = second[hit]
    for column, across in (("centre_x", x), ("centre_y", y)):
        other = np.where(lone, partner[column], -1)
        mask = other >= 0
        along = "centre_y" if column == "centre_x" else "centre_x"
        context.report(
            "findings",
            rows,
            mask,
            column,
            reason=f"{column} is far from another mapping of this damage type on the panel that has the same {along}",
            expected=[
                f"{across[k]:.5g} mm as of {name}, or another {along} (it is {here:.5g} mm)"
                for k, name, here in zip(
                    other[mask], rows["finding"].to_numpy()[other[mask]], across[mask], strict=True
                )
            ],
            mend=f"if it is the damage of that finding, correct {column}; nothing, if it is another one in line with it",
            warn=True,
        )


def _pairs(
    asked: NDArray[np.int64], every: NDArray[np.int64], own: NDArray[np.int64], most: int = 5_000_000
) -> Iterator[tuple[NDArray[np.int64], NDArray[np.int64]]]:
    """Yield each row asked for with all others of its panel and kind, at most about so many pairs at once."""
    order = every[np.argsort(own[every], kind="stable")]
    start = np.searchsorted(own[order], own[asked])
    n = np.searchsorted(own[order], own[asked], side="right") - start
    block = np.cumsum(n) // most
    for part in np.unique(block):
        mine = block == part
        first, count = np.repeat(asked[mine], n[mine]), n[mine]
        step = np.arange(len(first)) - np.repeat(np.cumsum(count) - count, count)
        second = order[np.repeat(start[mine], count) + step]
        other = first != second
        yield first[other], second[other]
