"""One archive with all that a decision rests on, so that another machine can check it without the operator's data."""

from __future__ import annotations

import datetime as dt
import io
import json
import os
import struct
import tempfile
import tomllib
import zipfile
import zlib
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from hashlib import sha256
from pathlib import Path

import pandas as pd
import shapely

from kit.decisions.form import DecisionRecord, digest_of
from kit.decisions.record_file import MOST_BYTES as RECORD_BYTES
from kit.decisions.record_file import as_record, read_contents, rows_path
from kit.decisions.rerun import PACKED_QUESTION, question_path
from kit.decisions.rows import MOST_TIMES, SMALL
from kit.decisions.strict_json import RecordError, json_object
from kit.detection import PodEntry, PodError, PodRegister
from kit.findings import (
    PACKAGES,
    SIZES,
    TABLES,
    TARGETS,
    USAGE,
    Fleet,
    TableError,
    known_by,
    load_fleet,
    replace_bytes,
)
from kit.intervals import QuestionError
from kit.numerics.toml_text import toml_contents

ENDING = ".pack.zip"
"""What the name of an evidence pack ends in."""

MANIFEST = "manifest.json"
MOST_BYTES = 1_000_000_000
"""An archive that is larger than this when unpacked is not read [bytes]."""

_README = """Evidence of one interval decision: the record, the rows that were known on its day, and what it asked.

  kit rerun {name}        runs the question again on these rows and holds every field of the record against the answer
  {record}    the decision record; its digest is over all of it
  question.json           what was asked, by the record; beside it, where it was kept, the question as it was given (TOML):
                          a re-run holds the record against it
  data/                   the rows known on that day, rejected and superseded ones too, as CSV in mm; dataset.toml; pods.toml
  {rows}   the rows used in canonical form, whose root stands in the record
  cautions.txt            what every reader must know
  versions.json           software that made the record
  manifest.json           SHA-256 of each of these files

What came after that day is not in here, so that only the run as known then can be repeated from it.
"""


_READMES = (_README,)
"""Every wording that a version of the kit gave this file: one that it is changed from stays here, or packs of then are refused."""

_NEEDED = (MANIFEST, PACKED_QUESTION, "README.txt", "cautions.txt", "versions.json", "data/dataset.toml")
"""Files that every pack has, besides its record and tables."""


def pack_decision(record: str | Path, fleet: Fleet, path: str | Path | None = None) -> Path:
    """Write the evidence pack of a decision.

    Parameters
    ----------
    record : str or Path
        The decision record.
    fleet : Fleet
        The dataset as it is today; only what was known on the day of the record goes into the pack.
    path : str or Path, optional
        The archive; default ``<name>.pack.zip`` beside the record.

    Returns
    -------
    Path
        The archive.

    Raises
    ------
    RecordError
        If the record does not match its own digest, or the archive cannot be written.
    """
    contents = read_contents(record)
    data = as_record(contents, record)
    if data.digest != digest_of(contents):
        raise RecordError(
            f"{record}: does not match its own digest: it was altered. Restore the file from its source."
        )
    record = Path(record)
    target = Path(path) if path is not None else record.with_name(f"{data.name}{ENDING}")
    day = pd.Timestamp(data.known_on)
    files = {f"{data.name}.json": record.read_bytes()}
    side = rows_path(record)
    if side.is_file():
        files[f"{data.name}.rows.gz"] = side.read_bytes()
    asked = question_path(record)
    if asked.is_file():
        files[asked.name] = asked.read_bytes()
    files |= {f"data/{name}": text.encode("utf-8") for name, text in _data(fleet, day).items()}
    files[PACKED_QUESTION] = (data.question.model_dump_json(indent=1) + "\n").encode("utf-8")
    files |= _words(data, target.name)
    manifest = {"record": data.name, "digest": data.digest} | {
        "files": {name: sha256(content).hexdigest() for name, content in sorted(files.items())}
    }
    files[MANIFEST] = (json.dumps(manifest, indent=1) + "\n").encode("utf-8")
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED, compresslevel=9) as archive:
        for name in sorted(files):
            entry = zipfile.ZipInfo(name, date_time=(1980, 1, 1, 0, 0, 0))  # the same bytes on whichever day
            entry.compress_type = zipfile.ZIP_DEFLATED
            archive.writestr(entry, files[name])
    try:
        replace_bytes(target, buffer.getvalue())
    except OSError as error:
        raise RecordError(
            f"{target}: cannot be written ({error.strerror}). Give a path that can be written to."
        ) from None
    return target


@contextmanager
def open_pack(path: str | Path) -> Iterator[tuple[Path, Fleet]]:
    """Unpack an evidence pack into a folder that goes when it is done with.

    Parameters
    ----------
    path : str or Path
        The archive.

    Yields
    ------
    record : Path
        The decision record, with its rows beside it.
    fleet : Fleet
        The rows known on its day.

    Raises
    ------
    RecordError
        If it is no evidence pack, or a file in it is not the one that was packed.
    """
    files = _unpacked(Path(path))
    manifest = json_object(files.get(MANIFEST, b""), f"{path}: {MANIFEST}", "a manifest")
    stated, name = manifest.get("files"), manifest.get("record")
    if not isinstance(stated, dict) or not isinstance(name, str) or set(manifest) != _OF_MANIFEST:
        raise RecordError(
            f"{path}: not an evidence pack: {MANIFEST} must name the record, its digest and the files, and nothing else. Restore "
            "the file from its source."
        )
    if missing := [one for one in _NEEDED if one not in files]:
        raise RecordError(
            f"{path}: not as it was packed: {', '.join(missing)} was taken out. Restore the file from its source."
        )
    found = {one: sha256(content).hexdigest() for one, content in files.items() if one != MANIFEST}
    other = sorted(one for one in set(found) | set(stated) if found.get(one) != stated.get(one))
    if other:
        raise RecordError(
            f"{path}: altered after it was packed: {', '.join(other[:5])}. Restore the file from its source."
        )
    if f"{name}.json" not in files:
        raise RecordError(f"{path}: not an evidence pack: there is no record {name}.json in it.")
    if words := _at_odds(files, name, manifest.get("digest")) or _reaches_out(files):
        raise RecordError(f"{path}: not as it was packed: {words}. Restore the file from its source.")
    with tempfile.TemporaryDirectory() as folder:
        root = Path(folder)
        (root / "data").mkdir()
        for one, content in files.items():
            (root / one).write_bytes(content)
        try:
            day = pd.Timestamp(as_record(json_object(files[f"{name}.json"], name), name).known_on)
            if words := _pods_known_later(root / "data", day):
                raise RecordError(f"{path}: not as it was packed: {words}. Restore the file from its source.")
            fleet = load_fleet(root / "data", set_aside=root / "rejected_rows.csv")
            if words := _known_later(fleet, day):
                raise RecordError(f"{path}: not as it was packed: {words}. Restore the file from its source.")
            yield root / f"{name}.json", _with_file_problems(fleet, root / "data" / _PROBLEMS)
        except (RecordError, QuestionError, TableError) as error:
            error.args = (str(error).replace(f"{root}{os.sep}", f"{path}: "),)  # the folder is gone by then
            raise


def _known_later(fleet: Fleet, day: pd.Timestamp) -> str:
    """Say what in an unpacked archive became known after its day: no pack holds any of it, and the later runs would go by it."""
    for name, raw in fleet.as_read.items():
        early = (TABLES[name].id_column, "recorded_on")  # all that is told of a row that is named early
        cells = [one.name for one in TABLES[name].all_columns if one.name not in early]
        later = raw.text.loc[raw.typed["recorded_on"] > day, cells]
        if (later != "").to_numpy().any():
            return f"data/{name}.csv holds rows that were recorded after {day:%Y-%m-%d}"
    for name, rows in fleet.stated.items():
        if len(known_by(rows, day)) < len(rows):
            return f"data/dataset.toml has {name} that were recorded after {day:%Y-%m-%d}"
    return ""


def _pods_known_later(folder: Path, day: pd.Timestamp) -> str:
    """Say the same of the PODs."""
    try:
        of_dataset = PodRegister.of_dataset(folder)
    except PodError as error:
        return f"data/pods.toml cannot be read ({str(error).splitlines()[0].rpartition('pods.toml: ')[2]})"
    if len(_pods_known(of_dataset, day)) < len(set(of_dataset.entries) - set(PodRegister().entries)):
        return f"data/pods.toml has PODs that were recorded after {day:%Y-%m-%d}"
    return ""


def _pods_known(register: PodRegister, day: pd.Timestamp) -> list[PodEntry]:
    """Entries of a dataset's own register as known on a day; where a name has none by then, those that stand in for it."""
    own = [one for one in register.entries if one not in PodRegister().entries]
    is_known = {one.name for one in own if _by(one, day)}
    return [one for one in own if _by(one, day) or one.name not in is_known]


def _by(entry: PodEntry, day: pd.Timestamp) -> bool:
    return entry.recorded_on is None or entry.recorded_on <= day.date()


def _words(data: DecisionRecord, archive: str) -> dict[str, bytes]:
    """Files of a pack for people to read, all of which the record itself gives."""
    texts = {
        "cautions.txt": "\n".join(data.cautions) + "\n",
        "versions.json": json.dumps(data.software, indent=1) + "\n",
        "README.txt": _README.format(name=archive, record=f"{data.name}.json", rows=f"{data.name}.rows.gz"),
    }
    return {name: text.encode("utf-8") for name, text in texts.items()}


def _at_odds(files: dict[str, bytes], name: str, digest: object) -> str:
    """Say what in an unpacked archive is not of its record: a second record, or words for people that it does not say."""
    own = (f"{name}.json", f"{name}.rows.gz", f"{name}.question.toml", PACKED_QUESTION, MANIFEST)
    path = Path(f"{name}.json")
    if len(files[path.name]) > RECORD_BYTES:
        return f"the record {path} has {len(files[path.name]):,} bytes, and one has at most {RECORD_BYTES:,}"
    data = as_record(json_object(files[path.name], path), path)
    if data.name != name:
        return f"the record {path} is of {data.name[:80]}"
    if data.digest != digest:
        return f"the digest in {MANIFEST} is not that of the record"
    words = _words(data, "")
    for one, content in files.items():
        if one.startswith("data/") or one in own:
            continue
        if one == "README.txt":
            if not any(_is_readme(content, text, name) for text in _READMES):
                return f"{one} does not say what a pack says of itself"
            continue
        if one not in words:
            return f"{one[:80]} does not belong in it"
        if content != words[one]:
            return f"{one} does not say what the record says"
    return ""


def _is_readme(content: bytes, text: str, name: str) -> bool:
    """Whether this is that text, whatever the archive was called when it was made."""
    hole = "\N{NULL}"
    whole = text.format(name=hole, record=f"{name}.json", rows=f"{name}.rows.gz").encode("utf-8")
    before, after = whole.split(hole.encode("utf-8"))
    called = content.removeprefix(before).removesuffix(after)
    return content == before + called + after and called.endswith(b".zip") and b"\n" not in called


def _reaches_out(files: dict[str, bytes]) -> str:
    """Say whether the description of the data names what no pack has, such as a file elsewhere on the machine that reads it."""
    try:
        stated = toml_contents(files.get("data/dataset.toml", b"").decode("utf-8"))
    except ValueError as error:
        return f"data/dataset.toml cannot be read ({error})"
    tables = stated.get("tables")
    if not isinstance(tables, dict) or any(file != f"{table}.csv" for table, file in tables.items()):
        return "data/dataset.toml names files that are not tables in it"
    strange = sorted(set(stated) - _KEYS)
    return f"data/dataset.toml has {strange[0][:80]}, which no pack has" if strange else ""


_KEYS = {"name", "notice", "length_unit", "cut_off", "clocks", "tables", PACKAGES, USAGE, TARGETS}
"""What `_toml` writes."""

_OF_MANIFEST = {"record", "digest", "files"}

_PROBLEMS = "file_problems.json"
_OF_DATA = ("dataset.toml", "pods.toml", _PROBLEMS)
_NO_ARCHIVE = (
    OSError,
    ValueError,
    zipfile.BadZipFile,
    NotImplementedError,
    RuntimeError,
    EOFError,
    zlib.error,
    struct.error,
)


def _unpacked(path: Path) -> dict[str, bytes]:
    """Files of an archive, none outside its folders and not more than can be held."""
    try:
        if path.exists() and not path.is_file():  # a pipe may never end
            raise ValueError("not a regular file")
        with zipfile.ZipFile(path) as archive:
            entries = archive.infolist()
            most = min(MOST_BYTES, SMALL + MOST_TIMES * path.stat().st_size)
            if sum(one.file_size for one in entries) > most:
                raise ValueError(f"more than {most:,} bytes when unpacked from {path.stat().st_size:,}")
            names = [one.filename for one in entries]
            for name in names:
                folder, _, last = name.rpartition("/")
                known = last in _OF_DATA or (last.endswith(".csv") and last.removesuffix(".csv") in TABLES)
                if (
                    names.count(name) > 1
                    or folder not in ("", "data")
                    or (folder == "data" and not known)
                    or "\\" in name
                    or last in ("", ".", "..")
                ):
                    raise ValueError(f"{name[:80]!r} does not belong in it")
            out = {}
            for one in entries:
                with archive.open(one) as file:
                    out[one.filename] = file.read(one.file_size + 1)
            return out
    except _NO_ARCHIVE as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise RecordError(
            f"{path}: not an evidence pack ({reason}). Give an archive that `kit pack` made."
        ) from None


def _data(fleet: Fleet, day: pd.Timestamp) -> dict[str, str]:
    """Every row known on a day as CSV, with the description of the dataset."""
    out, tables = {}, []
    referred: dict[str, set[str]] = {}
    for name, table in TABLES.items():
        typed = fleet.as_read[name].typed
        some = typed[typed["recorded_on"].isna() | (typed["recorded_on"] <= day)]
        for column in table.all_columns:
            if column.refers_to:
                cells = some[column.name].drop_duplicates()
                names = {one.strip() for cell in cells for one in cell.split(";")}
                referred[column.refers_to] = referred.get(column.refers_to, set()) | names
    for name, table in TABLES.items():
        raw = fleet.as_read[name]
        known = raw.typed["recorded_on"].isna() | (raw.typed["recorded_on"] <= day)
        if table.optional and not known.any():
            continue
        typed = raw.typed[known]
        text = raw.text.loc[typed.index]
        sizes = SIZES if name == "findings" else ()  # a size stays in the unit that its own row names
        cells = {
            c.name: [str(cell) for cell in text[c.name]]
            if c.name in sizes
            else _written(c.type, typed[c.name], text[c.name])
            for c in table.all_columns
        }
        frame = pd.concat([pd.DataFrame(cells), _named_early(fleet, name, known, referred.get(name, set()))])
        out[f"{name}.csv"] = frame.to_csv(index=False, lineterminator="\n")
        tables.append(f'{name} = "{name}.csv"')
    out["dataset.toml"] = _toml(fleet, tables, day)
    try:
        pods = _pods_known(PodRegister.of_dataset(fleet.source), day)
    except PodError:
        pods = []  # a register that cannot be read has no entries, for answers as for their digest
    if pods:
        out["pods.toml"] = "\n".join(
            line for one in pods for line in ("[[pods]]", *_pairs(one.model_dump()), "")
        )
    problems = [json.loads(part.to_json(orient="split", index=False)) for part in fleet.file_problems]
    out[_PROBLEMS] = json.dumps(problems, ensure_ascii=False) + "\n"
    return out


def _named_early(fleet: Fleet, name: str, known: pd.Series, referred: set[str]) -> pd.DataFrame:
    """Name rows that became known later but that rows known then refer to: their ids and days, nothing else of them.

    A row that refers to one that is not known yet is distinguished from one that refers to nothing.
    """
    table, typed = TABLES[name], fleet.as_read[name].typed
    later = typed[~known & typed[TABLES[name].id_column].isin(referred)]
    cells = {column.name: [""] * len(later) for column in table.all_columns}
    cells[table.id_column] = later[table.id_column].tolist()
    cells["recorded_on"] = later["recorded_on"].dt.strftime("%Y-%m-%d").tolist()
    return pd.DataFrame(cells)


def _written(kind: str, typed: pd.Series, text: pd.Series) -> list[str]:
    """Cells that read back as they are typed; what could not be read stays as written."""
    written = [str(cell) for cell in text]
    if kind == "date":
        own = typed.dt.strftime("%Y-%m-%d").astype(object).where(typed.notna(), "").tolist()
    elif kind in ("polygon", "lines"):
        own = [cell or "" for cell in shapely.to_wkt(typed.to_numpy(dtype=object), rounding_precision=-1)]
    elif typed.dtype.kind == "f":
        own = ["" if cell != cell else repr(cell) for cell in typed.tolist()]
    elif typed.dtype.kind == "b":
        own = ["yes" if cell else "" for cell in typed]
    else:
        own = [str(cell) for cell in typed]
    if typed.dtype.kind == "b":
        return [
            mine if mine or cell.lower() in ("no", "false", "0") else cell
            for mine, cell in zip(own, written, strict=True)
        ]
    return [mine or cell for mine, cell in zip(own, written, strict=True)]


def _toml(fleet: Fleet, tables: list[str], day: pd.Timestamp) -> str:
    stated = {name: known_by(rows, day) for name, rows in fleet.stated.items()}
    lines = [f"name = {json.dumps(fleet.name)}", f"notice = {json.dumps(fleet.notice)}", 'length_unit = "mm"']
    lines += [
        f"cut_off = {fleet.cut_off:%Y-%m-%d}",
        f"clocks = {json.dumps(list(fleet.clocks))}",
        "",
        "[tables]",
        *tables,
    ]
    for row in stated.get(PACKAGES, pd.DataFrame()).to_dict("records"):
        lines += ["", "[[packages]]", *_pairs(row)]
    for row in stated.get(USAGE, pd.DataFrame()).to_dict("records"):
        lines += ["", f"[[planned_usage.{json.dumps(row.pop('subtype'))}]]", *_pairs(row)]
    for row in stated.get(TARGETS, pd.DataFrame()).to_dict("records"):
        lines += ["", f"[[targets.{row.pop('structure_class')}]]", *_pairs(row)]
    text = "\n".join(lines) + "\n"
    tomllib.loads(text)
    return text


def _pairs(row: dict[str, object]) -> list[str]:
    out = []
    for name, value in row.items():
        if value is None or value is pd.NaT or value != value:
            continue
        shown = f"{value:%Y-%m-%d}" if isinstance(value, dt.date) else json.dumps(value)
        out.append(f"{name} = {shown}")
    return out


def _with_file_problems(fleet: Fleet, path: Path) -> Fleet:
    """Add problems of lines and headings that are not in tables any more."""
    if not path.is_file() or len(fleet.file_problems) != 2:
        return fleet
    try:
        parts = json.loads(path.read_text(encoding="utf-8"))
        frames = tuple(
            pd.DataFrame(part["data"], columns=part["columns"]).astype(like.dtypes.to_dict())
            if part["data"]
            else like
            for part, like in zip(parts, fleet.file_problems, strict=True)
        )
    except (ValueError, TypeError, KeyError, RecursionError) as error:
        raise RecordError(
            f"{path.name}: not as it was packed ({str(error)[:200]}). Restore the file from its source."
        ) from None
    return replace(fleet, file_problems=frames)
