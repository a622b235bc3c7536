"""One cell of the demo fleet goes wrong as people write it wrong: is it named, and if not, does an answer move?

Run as ``python tests/findings/corruption_campaign.py docs/corruptions.md 3000 --seed 1``. What is settled is kept beside
the page while it runs (``--keep``), so that a campaign that was broken off goes on where it was.

Each corruption is loaded from files by `kit.load_fleet`. Many are loaded together, one an aircraft, and told apart by
row and panel; whatever is not settled by that is loaded alone. In order, a corruption is settled by

1. a problem, which the sound dataset does not have, of the row or of another one that it bears on (``named``);
2. a column that no question reads: columns are mixed up as a whole, and no evidence changes (``not read``);
3. evidence: lives with all looks, tracks, sizes at first find, limit, cap, packages and usage of every question are
   the same as before, whatever the serials of their panels (``same evidence``);
4. the answers of those questions whose evidence changed: threshold and repeat (``same answers``, or ``moved``).
"""

from __future__ import annotations

import argparse
import csv
import json
import shutil
import tempfile
from collections.abc import Callable
from dataclasses import asdict, dataclass, replace
from pathlib import Path

import numpy as np
import pandas as pd

from kit.findings import TABLES, Fleet, TableError, find_traps, load_fleet
from kit.intervals.evidence import Evidence
from kit.intervals.named_pod import kind_asked, with_pod
from kit.intervals.question import Question, QuestionError, read_question
from kit.intervals.recommend import problem_of, recommend
from kit.intervals.search import SEARCH_STEP
from kit.simulate.progress import progress

DEMO = Path(__file__).parents[2] / "demo_fleet"
MOVES = 1e-3
"""Share of an interval from which it counts as moved [-]."""

SHARED = {"aircraft", "basing", "zones", "tasks", "limits"}
"""Tables of which a row bears on more than one aircraft's panels; their corruptions are looked at one by one."""

EVERYWHERE = {"findings", "usage"}
"""Tables of one aircraft of which a question reads something beside panels: how long damages are for their width, and usage."""

CATCHES = {
    ("findings", "centre_x"): "the outline or the taps of the mapping kept beside its centre",
    ("findings", "centre_y"): "the outline or the taps of the mapping kept beside its centre",
    ("findings", "length"): "the outline kept beside the size; a second reading of the card",
    ("findings", "width"): "the outline kept beside the size; a second reading of the card",
    ("cards", "closed_on"): "the days of the other cards of that check",
    ("panels", "fitted_on"): "the entry into service of its aircraft",
    ("usage", "flight_hours"): "readings each month: a step of one is held against those beside it",
    ("usage", "flight_cycles"): "readings each month: a step of one is held against those beside it",
}
"""What could catch a cell that went wrong so; other columns: a second reading of the paper."""

UNREAD = {
    "basing": ["base", "climate"],
    "zones": ["outer_material", "inner_material", "core_material", "cell_size", "core_density", "removable", "former_label_until"],
    "panels": ["build_lot"],
    "tasks": [f"{which}_{unit}" for which in ("threshold", "repeat") for unit in ("flight_hours", "flight_cycles", "days")],
    "cards": ["station", "why_not_done"],
    "inspections": ["inspector"],
    "repairs": ["repair_method", "region"],
    "limits": ["revision", "repairable_size", "spacing", "edge_distance", "total_share", "most_damages"],
    "deferrals": ["limit", "basis", "deferred_on", "until", "flight_hours", "flight_cycles", "reinspect_by", "closed_on", "closed_by"],
}  # fmt: skip
"""Columns that no question reads, which `unread_columns_hold` proves each time."""


@dataclass(frozen=True)
class Corruption:
    """One cell that went wrong."""

    table: str
    row: int
    column: str
    kind: str
    was: str
    cell: str


# What people do to a cell.


def _at_a_digit(cell: str, rng: np.random.Generator, n: int = 1) -> int | None:
    """Return where n digits stand side by side."""
    at = [i for i in range(len(cell) - n + 1) if cell[i : i + n].isdigit()]
    return at[int(rng.integers(len(at)))] if at else None


def digit_dropped(cell: str, rng: np.random.Generator) -> str:
    """A digit was not typed."""
    at = _at_a_digit(cell, rng)
    return cell if at is None else cell[:at] + cell[at + 1 :]


def digits_swapped(cell: str, rng: np.random.Generator) -> str:
    """Two digits side by side were typed in the other order."""
    at = [i for i in range(len(cell) - 1) if cell[i : i + 2].isdigit() and cell[i] != cell[i + 1]]
    if not at:
        return cell
    i = at[int(rng.integers(len(at)))]
    return cell[:i] + cell[i + 1] + cell[i] + cell[i + 2 :]


def decimal_shifted(cell: str, rng: np.random.Generator) -> str:
    """A number ten or a hundred times as large, or as small."""
    return _times(cell, float(rng.choice([0.01, 0.1, 10.0, 100.0])))


def other_unit(cell: str, rng: np.random.Generator) -> str:
    """Inches for millimetres or centimetres, hours for minutes."""
    return _times(cell, float(rng.choice([25.4, 1 / 25.4, 2.54, 60.0, 1 / 60])))


def _times(cell: str, factor: float) -> str:
    try:
        return f"{float(cell) * factor:.6g}"
    except ValueError:
        return cell


def other_date_order(cell: str, rng: np.random.Generator) -> str:
    """Month and day exchanged, or the year last."""
    parts = cell.split("-")
    if len(parts) != 3:
        return cell
    year, month, day = parts
    return [f"{year}-{day}-{month}", f"{day}.{month}.{year}", f"{month}/{day}/{year}"][int(rng.integers(3))]


KINDS = {
    "date": ["digit dropped", "digits swapped", "neighbour's value", "blank", "other date order"],
    "number": ["digit dropped", "digits swapped", "shifted decimal", "neighbour's value", "blank", "other unit"],
    "text": ["digit dropped", "digits swapped", "neighbour's value", "blank"],
}  # fmt: skip
MAKERS = {
    "digit dropped": digit_dropped,
    "digits swapped": digits_swapped,
    "shifted decimal": decimal_shifted,
    "other unit": other_unit,
    "other date order": other_date_order,
    "blank": lambda cell, rng: "",
}


class Demo:
    """The demo fleet as files, and what its sound state says."""

    def __init__(self, folder: Path, work: Path) -> None:
        self.folder, self.work = folder, work
        self.texts = {name: _rows(folder / f"{name}.csv") for name in TABLES if (folder / f"{name}.csv").exists()}  # fmt: skip
        shutil.copytree(
            folder,
            work,
            dirs_exist_ok=True,
            ignore=shutil.ignore_patterns("decisions", "truth", "answers", "set_aside"),
        )
        self.fleet = self.load()
        self.keys = _problems(self.fleet)
        self.asks = {
            path.stem: with_pod(read_question(path), self.fleet)
            for path in sorted((folder / "questions").glob("*.toml"))
        }
        self.evidence = Evidence(self.fleet)
        self.inputs = inputs(self.evidence, self.asks)
        self._answers: dict[str, object] = {}
        homes = self.fleet.tables["panels"].groupby("panel")["aircraft"].agg(frozenset)
        self.aircraft_of_panel: dict[str, frozenset[str]] = homes.to_dict()

    def load(self) -> Fleet:
        """Load the work folder."""
        return load_fleet(self.work, set_aside=self.work / "rejected.csv")

    def load_with(self, some: list[Corruption]) -> Fleet:
        """Load the dataset with some cells corrupted."""
        names = {one.table for one in some}
        try:
            for name in names:
                head, rows = self.texts[name]
                rows = [*rows]
                for one in some:
                    if one.table == name:
                        at = head.index(one.column)
                        rows[one.row] = [*rows[one.row][:at], one.cell, *rows[one.row][at + 1 :]]
                _write(self.work / f"{name}.csv", head, rows)
            return self.load()
        finally:
            for name in names:
                shutil.copy(self.folder / f"{name}.csv", self.work / f"{name}.csv")

    def answer(self, evidence: Evidence, name: str) -> tuple[float, float] | str:
        """Threshold and repeat of a question, or why there is none."""
        try:
            answer = recommend(evidence, self.asks[name])
        except QuestionError as error:
            return f"refused: {error}"
        nan = float("nan")
        return (nan if answer.threshold is None else answer.threshold, nan if answer.repeat is None else answer.repeat)  # fmt: skip

    def sound_answer(self, name: str) -> tuple[float, float] | str:
        """The same of the sound dataset, kept."""
        if name not in self._answers:
            self._answers[name] = self.answer(self.evidence, name)
        return self._answers[name]

    def aircraft_of(self, one: Corruption) -> frozenset[str]:
        """Aircraft whose panels a corruption may bear on."""
        head, rows = self.texts[one.table]
        row = dict(zip(head, rows[one.row], strict=True))
        found = {row.get("aircraft", "")}
        if one.column == "aircraft":
            found.add(one.cell)
        for column in ("panel", "finding"):
            for cell in (row.get(column, ""), one.cell if one.column == column else ""):
                found |= self.aircraft_of_panel.get(cell, frozenset()) if column == "panel" else {self._of_finding().get(cell, "")}  # fmt: skip
        return frozenset(found) - {""}

    def aircraft_of_row(self, table: str, row: int) -> frozenset[str]:
        """Aircraft that a row of a file names as it is written; none where it names no single one."""
        head, rows = self.texts.get(table, ([], []))
        if not 0 <= row - 2 < len(rows):
            return frozenset()
        cells = dict(zip(head, rows[row - 2], strict=True))
        return frozenset({cells.get("aircraft") or self._of_finding().get(cells.get("finding", ""), "")}) - {
            ""
        }

    def panels_of(self, one: Corruption) -> frozenset[str]:
        """Panels that a corruption of a row about one damage may bear on; none where it may bear on many."""
        if one.table not in ("repairs", "deferrals") or one.column in ("finding", "replaces"):
            return frozenset()
        head, rows = self.texts[one.table]
        finding = rows[one.row][head.index("finding")]
        every = self.fleet.tables["findings"]
        return frozenset(every.loc[every["finding"] == finding, "panel"]) - {""}

    def _of_finding(self) -> dict[str, str]:
        if not hasattr(self, "_finding"):
            head, rows = self.texts["findings"]
            self._finding = {row[0]: row[head.index("aircraft")] for row in rows}
        return self._finding


def _rows(path: Path) -> tuple[list[str], list[list[str]]]:
    with path.open(newline="", encoding="utf-8") as file:
        head, *rows = csv.reader(file)
    return head, rows


def _write(path: Path, head: list[str], rows: list[list[str]]) -> None:
    with path.open("w", newline="", encoding="utf-8") as file:
        csv.writer(file, lineterminator="\n").writerows([head, *rows])


def _problems(fleet: Fleet) -> set[tuple]:
    """Problems of a dataset; the number in an expectation may move with the fleet, so it is left out."""
    every = pd.concat([fleet.rejected, fleet.warnings])
    return set(every[["table", "file", "row", "column", "reason"]].itertuples(index=False, name=None))


def draw(demo: Demo, n: int, seed: int) -> list[Corruption]:
    """Draw corruptions: tables by the root of their rows, then a row, a column with a cell in it, and a kind."""
    rng = np.random.default_rng(seed)
    names = list(demo.texts)
    weight = np.sqrt([len(demo.texts[name][1]) for name in names])
    out: list[Corruption] = []
    while len(out) < n:
        name = str(rng.choice(names, p=weight / weight.sum()))
        head, rows = demo.texts[name]
        row = int(rng.integers(len(rows)))
        given = [i for i, cell in enumerate(rows[row]) if cell]
        at = given[int(rng.integers(len(given)))]
        column = next(c for c in TABLES[name].all_columns if c.name == head[at])
        of_type = {"date": "date", "number": "number", "length": "number"}.get(column.type, "text")
        kind, was = str(rng.choice(KINDS[of_type])), rows[row][at]
        if kind == "neighbour's value":
            beside = row + int(rng.choice([-1, 1]))
            cell = rows[beside % len(rows)][at]
        else:
            cell = MAKERS[kind](was, rng)
        if cell != was:
            out.append(Corruption(name, row, head[at], kind, was, cell))
    return out


def inputs(evidence: Evidence, asks: dict[str, Question]) -> dict[tuple[str, str], dict[str, str]]:
    """Whatever each question reads of a fleet: by question and what it is, by panel or life (blank: of none)."""
    out: dict[tuple[str, str], dict[str, str]] = {}
    shared: dict[tuple, dict[str, str]] = {}
    for name, ask in asks.items():
        try:
            out |= _inputs_of(name, ask, evidence.as_known_on(ask.known_on), shared)
        except (ValueError, QuestionError) as error:
            out[name, "refused"] = {"": str(error)}
    return out


def _inputs_of(
    name: str, ask: Question, evidence: Evidence, shared: dict[tuple, dict[str, str]]
) -> dict[tuple[str, str], dict[str, str]]:
    """What one question reads; what several of one day read alike is worked out once."""

    def once(what: str, make: Callable[..., dict[str, str]], *asked: object) -> dict[str, str]:
        key = (ask.known_on, what, *(tuple(sorted(one)) if isinstance(one, tuple) else one for one in asked))
        if key not in shared:
            shared[key] = make(evidence, *asked)
        return shared[key]

    problem = problem_of(ask, evidence, ())
    groups = ask.growth_groups or (ask.group,)
    out = {
        (name, "problem"): {"": repr(
            (problem.limit_mm, problem.cap, problem.packages, problem.usages, problem.units_per_day, problem.structure_class,
             evidence.extent_ratio(groups)[0])
        )}
    }  # fmt: skip
    every = tuple(sorted(set(evidence.fleet.tables["zones"]["group"])))
    for mode in ask.modes:
        seen = kind_asked(ask, mode)
        # Lives and sizes of all groups are read once a kind, and each question takes those of its own groups.
        read = {ask.group, *ask.life_groups, *(groups if mode.onset == "fit" else ())}
        lives = once("lives", _lives, every, seen, mode.clock, ask.basis)
        out[name, f"lives of {mode.kind}"] = _of_groups(lives, read)
        if mode.growth == "fit":
            out[name, f"tracks of {mode.kind}"] = once("tracks", _tracks, groups, seen, mode.clock)
        if mode.onset == "fit":
            sizes = once("sizes", _sizes, every, seen, mode.clock, ask.basis)
            out[name, f"sizes of {mode.kind}"] = _of_groups(sizes, set(groups))
    return out


def _of_groups(lives: dict[str, tuple[str, str]], groups: set[str]) -> dict[str, str]:
    """Return what is known of the lives of some groups."""
    return {life: said for life, (group, said) in lives.items() if group in groups}


def _lives(
    evidence: Evidence, groups: tuple[str, ...], seen: str, clock: str, basis: tuple[str, ...]
) -> dict[str, tuple[str, str]]:
    """Group of each life, and whatever is known of it."""
    lives = evidence.histories(groups, seen, clock, basis)
    zones = evidence.zones_of_lives(lives)
    zone_groups = evidence.fleet.tables["zones"].set_index("zone")["group"].to_dict()
    start = lives.look_start
    return {
        str(life): (str(zone_groups.get(zones[i], "")), repr(
            (float(lives.entry[i]), float(lives.lower[i]), float(lives.upper[i]), lives.cluster[i], zones[i], lives.look_age[start[i] : start[i + 1]].tolist())
        ))
        for i, life in enumerate(lives.life)
    }  # fmt: skip


def _tracks(evidence: Evidence, groups: tuple[str, ...], seen: str, clock: str) -> dict[str, str]:
    columns = ["found_on", "age", "diameter_mm", "rounding_mm", "width_assumed", "zone"]
    tracks = evidence.tracks(groups, seen, clock, 1.0)
    return {
        str(panel): repr((pd.factorize(rows["track"])[0].tolist(), rows[columns].to_numpy().tolist()))
        for panel, rows in tracks.sort_values(["panel", "found_on", "diameter_mm"]).groupby("panel")
    }


def _sizes(
    evidence: Evidence, groups: tuple[str, ...], seen: str, clock: str, basis: tuple[str, ...]
) -> dict[str, tuple[str, str]]:
    """Group of each life that was found, and its size then."""
    sizes = evidence.found_sizes(groups, seen, clock, basis)
    zones = evidence.zones_of_lives(sizes.histories)
    zone_groups = evidence.fleet.tables["zones"].set_index("zone")["group"].to_dict()
    every = zip(sizes.histories.life, zones, sizes.diameter_mm.tolist(), strict=True)
    return {str(life): (str(zone_groups.get(zone, "")), repr(size)) for life, zone, size in every}


def changed(before: dict, after: dict) -> set[tuple[str, str, str]]:
    """Question, what it reads, and panel or life of whatever differs."""
    out, pairs = set(), {}
    for key in before.keys() | after.keys():
        one, other = before.get(key, {}), after.get(key, {})
        pair = id(one), id(other)
        if pair not in pairs:
            # A life whose panel has another serial is the same life: no answer asks for its name.
            same = sorted(one.values()) == sorted(other.values())
            pairs[pair] = (
                set()
                if same
                else {name for name in one.keys() | other.keys() if one.get(name) != other.get(name)}
            )
        out |= {(*key, name) for name in pairs[pair]}
    return out


def unread_columns_hold(demo: Demo) -> bool:
    """Mix up all columns that no question is said to read, and look whether any evidence changes."""
    rng = np.random.default_rng(5)
    tables = dict(demo.fleet.tables)
    raw = dict(demo.fleet.as_read)
    for name, columns in UNREAD.items():
        for kept in (tables, raw):
            rows = kept[name] if kept is tables else kept[name].typed
            mixed = {column: rows[column].array.take(rng.permutation(len(rows))) for column in columns}
            rows = rows.assign(**mixed)
            kept[name] = rows if kept is tables else replace(raw[name], typed=rows)
    return not changed(
        demo.inputs, inputs(Evidence(replace(demo.fleet, tables=tables, as_read=raw)), demo.asks)
    )


def _named(demo: Demo, some: list[Corruption]) -> set[int]:
    """Which of some corruptions loaded together are named; none where the whole is refused.

    Where no two of them meet on an aircraft, a problem of another row of its aircraft names one as well, if it is there without the others.
    """
    try:
        fleet = demo.load_with(some)
    except TableError:
        return set()
    new = {(table, row) for table, _, row, _, _ in _problems(fleet) - demo.keys}
    own = [demo.aircraft_of(one) for one in some]
    apart = sum(map(len, own)) == len(frozenset().union(*own)) and not any(
        one.table in SHARED for one in some
    )
    planes = (
        frozenset().union(*(demo.aircraft_of_row(table, row) for table, row in new)) if apart else frozenset()
    )
    by_own_row = {k for k, one in enumerate(some) if (one.table, one.row + 2) in new}
    # What another row of its aircraft says may come of a corruption beside it that moved what is usual in the fleet: asked alone.
    by_others = [k for k in range(len(some)) if k not in by_own_row and own[k] & planes]
    return by_own_row | {k for k in by_others if _is_named_alone(demo, some[k])}


def _is_named_alone(demo: Demo, one: Corruption) -> bool:
    """Whether a corruption loaded alone is refused, or makes a problem anywhere that the sound dataset does not have."""
    try:
        return bool(_problems(demo.load_with([one])) - demo.keys)
    except TableError:
        return True


def batches(demo: Demo, some: list[int], drawn: list[Corruption], most: int) -> list[list[int]]:
    """Put together what does not meet on one aircraft."""
    out: list[tuple[set[str], list[int]]] = []
    for k in some:
        own = demo.aircraft_of(drawn[k])
        for taken, members in out:
            if len(members) < most and not taken & own:
                taken.update(own)
                members.append(k)
                break
        else:
            out.append((set(own), [k]))
    return [members for _, members in out]


def campaign(demo: Demo, drawn: list[Corruption], keep: Path | None = None, most: int = 24) -> pd.DataFrame:
    """Settle every corruption; a row each: what it was, how it was settled, and what moved."""
    settled = _kept(keep)

    def settle(k: int, how: str, **more: object) -> None:
        settled[k] = {"k": k, "how": how, **more}
        if keep is not None:
            with keep.open("a", encoding="utf-8") as file:
                file.write(json.dumps(settled[k]) + "\n")

    assert unread_columns_hold(demo)
    own = [k for k, one in enumerate(drawn) if one.table not in SHARED and k not in settled]
    shared = [k for k, one in enumerate(drawn) if one.table in SHARED and k not in settled]
    # Most are named; what is not meets in fewer fleets, whose evidence costs most.
    for members in progress(batches(demo, own, drawn, most), "named?"):
        some = [drawn[k] for k in members]
        named = _named(demo, some)
        for i, k in enumerate(members):
            if i in named:
                settle(k, "named")
            elif drawn[k].column in UNREAD.get(drawn[k].table, ()):
                settle(k, "not read")
    for members in progress([shared[i : i + 6] for i in range(0, len(shared), 6)], "named, shared?"):
        some = [drawn[k] for k in members]
        named = set() if _clash(some) else _named(demo, some)
        for i, k in enumerate(members):
            if i in named:
                settle(k, "named")
            elif drawn[k].column in UNREAD.get(drawn[k].table, ()):
                settle(k, "not read")
    own = [k for k in own if k not in settled]
    for members in progress(batches(demo, own, drawn, most), "together"):
        for k in _untouched(demo, members, drawn):
            settle(k, "same evidence")
    # Cells of one column go wrong alike: ids that nothing refers to meet in one fleet, in which nothing changes. Rows that bear on
    # many aircraft are told apart by nothing, so that one change leaves them all open.
    by_column: dict[tuple[str, str], list[int]] = {}
    for k in [*own, *shared]:
        if k not in settled:
            by_column.setdefault((drawn[k].table, drawn[k].column), []).append(k)
    for (table, _), every in progress(list(by_column.items()), "by column"):
        groups = [every] if table in SHARED else batches(demo, every, drawn, most)
        for members in groups:
            if len(members) > 1 and not _clash([drawn[k] for k in members]):
                for k in _untouched(demo, members, drawn):
                    settle(k, "same evidence")
    alone = [k for k in [*own, *shared] if k not in settled]
    for k in progress(sorted(alone), "alone"):
        settle(k, **_alone(demo, drawn[k]))
    return so_far(demo, drawn, settled)


def _untouched(demo: Demo, members: list[int], drawn: list[Corruption]) -> list[int]:
    """Return which of some corruptions loaded together change no evidence; none where the whole is refused."""
    try:
        fleet = demo.load_with([drawn[k] for k in members])
    except TableError:
        return []
    differs = changed(demo.inputs, inputs(Evidence(fleet), demo.asks))
    if not differs:
        return members
    touched = {panel.split(" after repair ")[0] for _, _, panel in differs}
    homes = fleet.tables["panels"].groupby("panel")["aircraft"].agg(frozenset).to_dict()
    planes = frozenset().union(
        *(demo.aircraft_of_panel.get(p, frozenset()) | homes.get(p, frozenset()) for p in touched)
    )
    out = []
    for k in members:
        everywhere = "" in touched and drawn[k].table in EVERYWHERE
        panels = demo.panels_of(drawn[k])
        meets = bool(panels & touched) if panels else bool(demo.aircraft_of(drawn[k]) & planes)
        if drawn[k].table not in SHARED and not everywhere and not meets:
            out.append(k)
    return out


def _kept(keep: Path | None) -> dict[int, dict]:
    """What was settled before, by number of the corruption."""
    if keep is None or not keep.exists():
        return {}
    return {(one := json.loads(line))["k"]: one for line in keep.read_text(encoding="utf-8").splitlines()}


def so_far(demo: Demo, drawn: list[Corruption], settled: dict[int, dict]) -> pd.DataFrame:
    """A row for each corruption that is settled."""
    rows = [{**asdict(one), "id": demo.texts[one.table][1][one.row][0], **settled[k]} for k, one in enumerate(drawn) if k in settled]  # fmt: skip
    return pd.DataFrame(rows)


def _clash(some: list[Corruption]) -> bool:
    """Whether two corruptions are of one row."""
    return len({(one.table, one.row) for one in some}) < len(some)


def _alone(demo: Demo, one: Corruption) -> dict[str, object]:
    """Settle one corruption that was not settled together with others."""
    try:
        fleet = demo.load_with([one])
    except TableError as error:
        return {"how": "named", "what": str(error)[:200]}
    if _problems(fleet) - demo.keys:
        return {"how": "named"}
    evidence = Evidence(fleet)
    differs = changed(demo.inputs, inputs(evidence, demo.asks))
    if not differs:
        return {"how": "same evidence"}
    for name in sorted({key[0] for key in differs}, key=lambda name: -sum(key[0] == name for key in differs)):
        was, now = demo.sound_answer(name), demo.answer(evidence, name)
        if isinstance(now, str):
            if now != was:
                return {"how": "named", "what": f"{name} {now[:200]}"}
        elif isinstance(was, str) or not np.allclose(was, now, rtol=MOVES, atol=0, equal_nan=True):
            traps = find_traps(fleet)
            trapped = ((traps["table"] == one.table) & (traps["row"] == one.row + 2)).any()
            return {"how": "moved", "what": f"{name}: first {was[0]:,.0f} to {now[0]:,.0f}, repeat {was[1]:,.0f} to {now[1]:,.0f}", "trap": bool(trapped)}  # fmt: skip
    return {"how": "same answers"}


def main(arguments: list[str] | None = None) -> None:
    """Run the campaign and write its page."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("page", type=Path, help="where the page goes")
    parser.add_argument("n", type=int, help="how many corruptions")
    parser.add_argument("--seed", type=int, default=1, help="of the draw")
    parser.add_argument("--keep", type=Path, help="where what is settled is kept, to go on from")
    parser.add_argument(
        "--so-far", action="store_true", help="write the page of what is settled, and settle no more"
    )
    given = parser.parse_args(arguments)
    with tempfile.TemporaryDirectory() as folder:
        demo = Demo(DEMO, Path(folder) / "fleet")
        keep = given.keep or given.page.with_suffix(".partial.jsonl")
        drawn = draw(demo, given.n, given.seed)
        table = so_far(demo, drawn, _kept(keep)) if given.so_far else campaign(demo, drawn, keep)
    given.page.write_text(page(table, given.seed, given.n), encoding="utf-8")


def page(table: pd.DataFrame, seed: int, n: int) -> str:
    """Write what came out of a campaign, or has come out so far, as a page."""
    n_open = n - len(table)
    n_first = next((i for i, k in enumerate(table["k"]) if k != i), len(table))
    n_first_moved = int((table["how"].iloc[:n_first] == "moved").sum())
    moved = table[table["how"] == "moved"]
    ways = ["named", "not read", "same evidence", "same answers", "moved"]
    by_table = (
        table.groupby("table")["how"].value_counts().unstack(fill_value=0).reindex(columns=ways, fill_value=0)
    )
    by_kind = (
        table.groupby("kind")["how"].value_counts().unstack(fill_value=0).reindex(columns=ways, fill_value=0)
    )
    lines = [
        "# Single cells that go wrong",
        "",
        f"{n:,} random corruptions of single cells of the demo fleet, as people write cells wrong (seed {seed}): tables are drawn by",
        "the root of their rows, then a row, one of its filled cells, and a way of going wrong. Each is loaded, and then",
        "either named by file, row and column, or held against every demo question. Made by",
        f"`python tests/findings/corruption_campaign.py docs/corruptions.md {n} --seed {seed}`.",
        "",
        f"**{len(moved)} of {len(table):,} settled ({len(moved) / len(table):.2%}) are not named and move an answer** (first look or repeat of a demo "
        f"question by more than {MOVES:.1%})."
        + (
            f" {n_open:,} are not settled yet. They are no random part: what is named in its own row is settled first, so that they are those that "
            "are not named in their own row or touch many panels. Up to that many more may move an answer. The first "
            f"{n_first:,} drawn are all settled: {n_first_moved} of them ({n_first_moved / n_first:.2%}) move an answer unnamed."
            if n_open
            else ""
        ),
        "",
        "*Not read*: a column that no question reads; *same evidence*: lives, tracks, sizes, limit, cap and usage of every",
        "question are what they were; *same answers*: first look and repeat of all questions whose evidence changed stay.",
        f"Repeats are searched on a grid of {SEARCH_STEP - 1:.0%} steps: what moves one by a single step may have moved the risk by far less.",
        "",
        *_markdown(by_table),
        "",
        *_markdown(by_kind),
        "",
        "## Those that move an answer unnamed",
        "",
    ]  # fmt: skip
    if len(moved):
        lines += [
            "| table, row | column | kind | was | became | answer | said by a trap | what could catch it |",
            "| --- | --- | --- | --- | --- | --- | --- | --- |",
        ]
        for row in moved.sort_values(["table", "column", "id"]).to_dict("records"):
            cells = [f"{row['table']} {row['id']}", row["column"], row["kind"], _short(row["was"]), _short(row["cell"]), row["what"], "yes" if row.get("trap") is True else "no", CATCHES.get((row["table"], row["column"]), "a second reading of the paper")]  # fmt: skip
            lines.append("| " + " | ".join(cells) + " |")
    else:
        lines.append("None.")
    return "\n".join(lines) + "\n"


def _short(cell: str) -> str:
    cell = cell.replace("|", "/")
    return (cell if len(cell) <= 30 else cell[:27] + "...") or "(blank)"


def _markdown(table: pd.DataFrame) -> list[str]:
    table = table.assign(all=table.sum(axis=1))
    table.loc["all"] = table.sum()
    head = [table.index.name or "", *table.columns]
    lines = ["| " + " | ".join(head) + " |", "| --- |" + " ---: |" * len(table.columns)]
    lines += ["| " + " | ".join([str(name), *(f"{int(cell):,}" for cell in row)]) + " |" for name, row in zip(table.index, table.to_numpy(), strict=True)]  # fmt: skip
    return lines


if __name__ == "__main__":
    main()
