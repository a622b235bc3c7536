"""Which outline does a GeoJSON or GeoParquet file give each finding."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from kit.findings.check.problems import TableError, one_problem, sorted_problems, table_error
from kit.findings.packages import missing_package
from kit.findings.read import size_limits
from kit.findings.read.lazy_text import cell_text
from kit.findings.tables import MM_PER_UNIT

ID = "finding"
"""Property or column that holds the id of the finding."""

_LOCAL = "coordinates are taken as panel-local: from the datum of the panel, forward and up"


def region_rows(path: Path, file: str, *, unit: str) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Read regions of findings, and say which cannot be used.

    Parameters
    ----------
    path : Path
        A GeoJSON file (ends in .geojson or .json) or a GeoParquet file.
    file : str
        What to call it in problems.
    unit : str
        Unit of the coordinates: mm, cm or in.

    Returns
    -------
    regions : DataFrame
        finding, geometry (Polygon in panel coordinates, mm) and row, the number of the region
        in the file from 1 on; each finding once.
    problems : DataFrame
        Regions that are left out: without an id, no polygon, too large, or one of several of
        one finding.

    Raises
    ------
    TableError
        If the file as a whole cannot be used: not of the format, or in coordinates of the Earth.
    MissingPackage
        If a GeoParquet file is read without pyarrow.
    """
    words = size_limits.too_large(
        path.stat().st_size, size_limits.LARGEST_FILE, what="the file", unit="bytes", mend="split the dataset"
    )
    if words:
        raise table_error(one_problem("findings", file, **words), name=file)
    if path.suffix.lower() in (".geojson", ".json"):
        ids, shapes, whys = _from_geojson(path, file)
    else:
        ids, shapes, whys = _from_geoparquet(path, file, unit)
    return _sorted_out(ids, shapes, whys, file, MM_PER_UNIT[unit])


def _sorted_out(
    ids: list[str], shapes: NDArray, whys: list[str], file: str, factor: float
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return regions that can be used, in mm, and the problems of the others."""
    kinds = shapely.get_type_id(shapes)
    names = {kind.value: kind.name for kind in shapely.GeometryType}
    corners = shapely.get_num_coordinates(shapes)
    bounds = shapely.bounds(shapes)
    problems = []
    twice = pd.Series(ids, dtype="str").duplicated(keep=False).to_numpy()
    good = np.zeros(len(ids), dtype=bool)
    for k, (name, read_why) in enumerate(zip(ids, whys, strict=True)):
        expected, mend = "a closed Polygon with numbers", "draw the region again"
        why = read_why
        if not name:
            why = why or "the region has no finding"
            expected, mend = f"the id of a finding as {ID}", f"write the id as {ID}"
        elif why:
            pass
        elif kinds[k] != shapely.GeometryType.POLYGON:
            why = f"the region is no polygon but {'nothing' if kinds[k] < 0 else names[kinds[k]]}"
            expected, mend = "one Polygon", "draw one outline for each finding"
        elif corners[k] > size_limits.MOST_CORNERS:
            why = f"the region is too large ({corners[k]:,} corners)"
            expected, mend = f"at most {size_limits.MOST_CORNERS:,} corners", "draw it with fewer corners"
        elif not np.isfinite(bounds[k]).all():
            why = "the region has points that are no finite numbers or none at all"
        elif twice[k]:
            why, expected = "several regions of one finding, none is used", "one region of each finding"
            mend = "take out all but one"
        good[k] = not why
        if why:
            problems.append(
                one_problem(
                    "findings",
                    file,
                    row=k + 1,
                    column=ID,
                    value=size_limits.shortened(name),
                    reason=why,
                    expected=expected,
                    mend=mend,
                )
            )
    kept = shapely.force_2d(shapes[good])
    if factor != 1.0 and len(kept):
        kept = shapely.transform(kept, lambda points: points * factor)
    frame = pd.DataFrame(
        {
            ID: pd.Series(np.asarray(ids, dtype=object)[good], dtype="str"),
            "geometry": pd.Series(kept, dtype=object),
            "row": np.flatnonzero(good) + 1,
        }
    )
    return frame, sorted_problems(problems)


def _from_geojson(path: Path, file: str) -> tuple[list[str], NDArray, list[str]]:
    """Return ids, geometries and what is wrong with each, of a GeoJSON file."""
    try:
        contents = json.loads(path.read_bytes().decode("utf-8-sig"))
    except (ValueError, RecursionError) as error:
        raise _refused(file, f"the file is not JSON in UTF-8: {error}", "correct the place named") from None
    features = contents.get("features") if isinstance(contents, dict) else None
    if not isinstance(features, list) or not all(isinstance(item, dict) for item in features):
        raise _refused(file, "the file holds no FeatureCollection", "save the regions as a FeatureCollection")
    crs = contents.get("crs")
    if crs is not None:
        properties = crs.get("properties") if isinstance(crs, dict) else None
        name = properties.get("name") if isinstance(properties, dict) else None
        if not (isinstance(name, str) and name.upper().endswith("CRS84")):
            raise _of_the_earth(file, str(name or crs))
    ids, texts, whys = [], [], []
    for feature in features:
        properties = feature.get("properties")
        name = properties.get(ID) if isinstance(properties, dict) else None
        ids.append(cell_text(feature.get("id") if name is None else name))
        geometry, why, text = feature.get("geometry"), "", None
        if geometry is not None:
            text = json.dumps(geometry)
            if len(text) > 4 * size_limits.LONGEST_POLYGON:
                text, why = None, f"the region is too large ({len(text):,} characters)"
        texts.append(text)
        whys.append(why)
    shapes = np.full(len(texts), None, dtype=object)
    have = np.array([text is not None for text in texts], dtype=bool)
    with np.errstate(invalid="ignore", over="ignore"):
        shapes[have] = shapely.from_geojson(np.asarray(texts, dtype=object)[have], on_invalid="ignore")
    return ids, shapes, whys


def _from_geoparquet(path: Path, file: str, unit: str) -> tuple[list[str], NDArray, list[str]]:
    """Return ids, geometries and what is wrong with each, of a GeoParquet file."""
    try:
        import pyarrow as pa
        import pyarrow.parquet as pq
    except ImportError as error:
        raise missing_package("pyarrow", extra="parquet", what="Reading GeoParquet") from error
    try:
        with pq.ParquetFile(path) as opened:
            about, schema = opened.metadata, opened.schema_arrow
            words = size_limits.too_large(
                about.num_rows, size_limits.MOST_ROWS, what="the file", unit="rows", mend="split the dataset"
            )
            if words:
                raise table_error(one_problem("findings", file, **words), name=file)
            column = _geometry_column(about.metadata or {}, file, unit)
            if ID not in schema.names or column not in schema.names:
                mend = f"write the columns {ID} and {column}"
                raise _refused(file, f"the file has no column {ID} or no column {column}", mend)
            contents = opened.read(columns=[ID, column])
            contents.validate(full=True)
    except (pa.ArrowException, OSError) as error:
        raise _refused(file, f"the file is not Parquet that can be read: {error}", "write it again") from None
    ids = [cell_text(name) for name in contents.column(ID).to_pylist()]
    cells = contents.column(column).to_pylist()
    whys = [
        f"the region is too large ({len(cell):,} bytes)"
        if cell is not None and len(cell) > size_limits.LONGEST_POLYGON
        else ""
        for cell in cells
    ]
    bits = [None if why else cell for cell, why in zip(cells, whys, strict=True)]
    shapes = np.full(len(bits), None, dtype=object)
    if bits:
        with np.errstate(invalid="ignore", over="ignore"):
            shapes[:] = shapely.from_wkb(np.array([*bits, None], dtype=object)[:-1], on_invalid="ignore")
    return ids, shapes, whys


def _geometry_column(metadata: dict[bytes, bytes], file: str, unit: str) -> str:
    """Return the column with the geometry, refusing what is not panel-local or not WKB."""
    mend = "write it as GeoParquet, with the geometry as WKB"
    try:
        geo = json.loads(metadata.get(b"geo", b"null"))
        name = geo["primary_column"]
        about = geo["columns"][name]
        encoding, crs = about["encoding"], about.get("crs")
    except (ValueError, TypeError, KeyError, RecursionError, AttributeError):
        raise _refused(file, "the file has no geo metadata that can be read", mend) from None
    if str(encoding).upper() != "WKB":
        raise _refused(file, f"the geometry is encoded as {encoding}, not as WKB", mend)
    if isinstance(crs, dict) and crs.get("type") == "EngineeringCRS":
        _check_axis_unit(crs, file, unit)
    elif crs is not None:
        identity = crs.get("id") if isinstance(crs, dict) else None
        is_default = isinstance(identity, dict) and identity.get("code") == "CRS84"
        if not is_default:
            raise _of_the_earth(file, str(crs.get("name") if isinstance(crs, dict) else crs))
    return str(name)


def _check_axis_unit(crs: dict[str, Any], file: str, unit: str) -> None:
    """Refuse a local coordinate system of which the axes are in another unit."""
    try:
        stated = crs["coordinate_system"]["axis"][0]["unit"]
        factor = 1.0 if stated == "metre" else float(stated["conversion_factor"])
    except (KeyError, TypeError, IndexError, ValueError):
        return
    if not np.isclose(1000 * factor, MM_PER_UNIT[unit]):
        raise _refused(
            file,
            f"the axes of the file are in steps of {1000 * factor:g} mm, but the unit is {unit}",
            "state the unit of the file",
        )


def _of_the_earth(file: str, name: str) -> TableError:
    """Return the error about coordinates of the Earth."""
    return _refused(
        file,
        f"the file is in the coordinate system {size_limits.shortened(name)}",
        f"write the file without a coordinate system; {_LOCAL}",
    )


def _refused(file: str, reason: str, mend: str) -> TableError:
    """Return the error about the file as a whole."""
    problem = one_problem(
        "findings",
        file,
        reason=reason,
        expected=f"polygons with the id of a finding, in GeoJSON or GeoParquet; {_LOCAL}",
        mend=mend,
    )
    return table_error(problem, name=file)
