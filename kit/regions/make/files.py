"""Which regions of the skin does a GeoJSON or GeoParquet file hold."""

from __future__ import annotations

from pathlib import Path

import pandas as pd

from kit.findings import MM_PER_UNIT, region_rows, table_error


def read_regions(path: str | Path, *, unit: str = "mm") -> pd.DataFrame:
    """Read the regions of findings from a file of a geographic information system.

    Parameters
    ----------
    path : str or Path
        A GeoJSON file (ends in .geojson or .json; a FeatureCollection whose features have the id
        of a finding as the property ``finding`` or as their id), or a GeoParquet file with the
        column ``finding`` and the geometry as WKB.
    unit : str
        Unit of the coordinates: mm, cm or in.

    Returns
    -------
    DataFrame
        A row for each region: finding, geometry (Polygon in panel coordinates, mm).

    Raises
    ------
    TableError
        If the file is not of the format, if it is in a coordinate system of the Earth, or if a
        region has no id, is no polygon, is too large, or is one of several of a finding. Its
        `problems` is a table of all of them.
    ValueError
        If `unit` is none of the three.
    FileNotFoundError
        If there is no such file.
    MissingPackage
        If a GeoParquet file is read without pyarrow.

    Notes
    -----
    Coordinates are taken as panel-local: from the datum of the panel, forward and up. A panel has
    no coordinate system of the Earth. The one that GeoJSON has by default (CRS84) is passed over,
    since writers add it to plain coordinates; any other one is refused, except a local
    engineering system whose axes are in `unit`.
    """
    if unit not in MM_PER_UNIT:
        raise ValueError(f"`unit` must be one of {', '.join(MM_PER_UNIT)}. Got {unit!r}; correct the name.")
    path = Path(path)
    if not path.is_file():
        raise FileNotFoundError(f"`path` must be a GeoJSON or GeoParquet file. There is no {str(path)!r}.")
    regions, problems = region_rows(path, path.name, unit=unit)
    if len(problems):
        raise table_error(problems, name=path.name)
    return regions[["finding", "geometry"]]
