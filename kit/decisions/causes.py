"""Why does a past question get another answer today: one thing changed at a time, and the rows that moved it most."""

from __future__ import annotations

import dataclasses
import itertools
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pandas as pd

from kit.decisions.form import DecisionRecord
from kit.decisions.record import decision_record
from kit.decisions.rerun import open_question
from kit.decisions.strict_json import RecordError
from kit.decisions.verdicts import Rerun
from kit.detection import PodError
from kit.findings import PACKAGES, USAGE, Fleet, events_up_to, rows_kept
from kit.intervals import (
    Evidence,
    NamedDetection,
    Question,
    QuestionError,
    allowed_by_risk,
    recommend,
    with_numbers,
)
from kit.numerics.forked import Mapped
from kit.numerics.words import in_words

ORDER = (
    "kit and library versions, or what was altered",
    "rows corrected",
    "rows withdrawn",
    "rows added late",
    "limits recorded late",
    "POD recorded late",
    "planned usage and packages recorded late",
    "events since",
    "limits since",
    "POD since",
    "planned usage and packages since",
)
"""Causes in the order in which they are let in, one on top of the other."""

INTERACTION = "each cause is let in on top of those before it, so that what two causes do only together is counted with the later one"
"""How an interaction is given out."""

QUANTITIES = ("threshold", "repeat", "rule risk", "share of draws that meet the target")
"""What is followed from cause to cause; the risk rule moves where the packages of the repeat do not."""


@dataclass(frozen=True, eq=False)
class Causes:
    """What each cause did to an answer.

    Parameters
    ----------
    steps : tuple of (str, int, DecisionRecord or None)
        Cause, how many rows it let in, and the answer with it and all before it; None where that cannot be answered,
        and the answer before it then stands. The first step is the record itself.
    """

    steps: tuple[tuple[str, int, DecisionRecord | None], ...]

    def __repr__(self) -> str:
        """Return one line."""
        return f"Causes({len(self.steps) - 1} steps)"

    def words(self) -> tuple[str, ...]:
        """Say which causes moved the repeat interval, or the longest interval of the risk rule where the repeat stayed.

        Returns
        -------
        tuple of str
            Lines of a list; one sentence where nothing moved either.
        """
        unit = in_words(self.steps[0][2].question.clock)
        lines = []
        for (_, before), (_, after) in itertools.pairwise(self.to_frame().iterrows()):
            moved = [
                f"{name} {words} {unit}"
                for column, name in (("repeat", "repeat"), ("rule risk", "longest interval of the risk rule"))
                if (words := _moved(before[column], after[column]))
            ]
            if moved:
                lines.append(f"- {after['cause']} ({after['rows']:,} rows): {'; '.join(moved)}")
        return ("\n".join(lines) or "No cause moved the repeat or the longest interval of the risk rule.",)

    def to_frame(self) -> pd.DataFrame:
        """Return one row a cause.

        Returns
        -------
        DataFrame
            Columns cause, rows, and for each of `QUANTITIES` its value with the cause and, ending in ``_change``, what
            the cause added. The changes sum to the whole difference of the last row and the first.
        """
        out: list[dict[str, object]] = []
        before: dict[str, float] = {}
        for cause, n_rows, record in self.steps:
            values = before if record is None else _values(record)
            row: dict[str, object] = {"cause": cause, "rows": n_rows, "answered": record is not None}
            for name in QUANTITIES:
                row[name] = values[name]
                row[f"{name}_change"] = values[name] - before[name] if before else 0.0
            out.append(row)
            before = values
        return pd.DataFrame(out)


def _moved(before: float, after: float) -> str:
    """Say a change of an interval; blank where there is none to the unit."""
    if np.isnan(before) and np.isnan(after):
        return ""
    if np.isnan(before) or np.isnan(after):
        return " to ".join("none" if np.isnan(x) else f"{x:,.0f}" for x in (before, after))
    return f"{after - before:+,.0f} to {after:,.0f}" if round(after - before) else ""


def _values(record: DecisionRecord) -> dict[str, float]:
    number = lambda x: float("nan") if x is None else float(x)  # noqa: E731 - one-line reading of null
    rules = {rule.rule: rule.interval for rule in record.rules}
    answer = record.recommendation
    values = (answer.threshold, answer.repeat, rules.get("risk"), _share(record))
    return dict(zip(QUANTITIES, map(number, values), strict=True))


def _share(record: DecisionRecord) -> float | None:
    """Share of draws that meet the target at a schedule that stays: what was proposed, else the present one."""
    for judged in (record.proposal, record.present):
        if judged is not None:
            return judged.share_meeting
    return record.share_meeting


def causes_of(result: Rerun, fleet: Fleet, *, run: Mapped = map) -> Causes:
    """Say what moved an answer from the record to what is known to date.

    Parameters
    ----------
    result : Rerun
        What `rerun` gave, with its runs of then, of what is known now of that time, and to date.
    fleet : Fleet
        The dataset as it is today.
    run : callable
        How the steps are answered, as in `rerun`.

    Returns
    -------
    Causes
        One step for each of `ORDER`; a cause without rows of its own is not run, as it changes nothing.
    """
    steps = _Steps(result, fleet).all()
    hybrids = list({id(one): one for _, _, one in steps if isinstance(one, _Hybrid)}.values())
    answers = dict(zip(map(id, hybrids), run(_Hybrid.answer, hybrids), strict=True))
    return Causes(
        tuple((cause, n, answers[id(one)] if isinstance(one, _Hybrid) else one) for cause, n, one in steps)
    )


@dataclass(frozen=True, eq=False)
class _Hybrid:
    """A body of data between two days, and what is asked of it."""

    body: Fleet
    asked: Question

    def answer(self) -> DecisionRecord | None:
        """Return the answer; None where there is none."""
        try:
            return decision_record(recommend(Evidence(self.body), self.asked), with_curve=False)
        except QuestionError:
            return None


_Step = tuple[str, int, DecisionRecord | _Hybrid | None]


class _Steps:
    """Hybrids of what was known then and what is known today."""

    def __init__(self, result: Rerun, fleet: Fleet) -> None:
        self.result, self.fleet = result, fleet
        self.day = pd.Timestamp(result.then.known_on)
        self.asked = open_question(result.then.question)
        since = fleet.rows_since(self.day)
        self.since = since.assign(limit=since["table"] == "limits")
        self.then = fleet.as_known_on(self.day)

    def all(self) -> list[_Step]:
        """Give the record and every step, answered already or not."""
        result = self.result
        steps: list[_Step] = [("the record", 0, result.then), (ORDER[0], 0, result.now)]
        let_in: list[str] = []
        for what, cause in (("corrected", ORDER[1]), ("withdrawn", ORDER[2]), ("late", ORDER[3])):
            let_in.append(what)
            n_rows = int(((self.since["what"] == what) & ~self.since["limit"]).sum())
            steps.append((cause, n_rows, self._of_that_time(let_in) if n_rows else steps[-1][2]))
        n_limits = int(self.since["limit"].sum())
        steps.append(
            (ORDER[4], n_limits, self._of_that_time([*let_in, "limits"]) if n_limits else steps[-1][2])
        )
        now = events_up_to(self.fleet, self.day)
        pods, plans = self._pod_differs(now), self._plans_differ(now)
        same_plans = {name: getattr(self.then, name) for name in (PACKAGES, USAGE)}
        half = dataclasses.replace(now, **same_plans)
        steps.append(
            (
                ORDER[5],
                int(pods),
                _Hybrid(half, self.asked) if pods and plans else self._last(steps, pods),
            )
        )
        steps.append((ORDER[6], int(plans), result.known_now))
        return steps + self._since(now)

    def _last(self, steps: list[_Step], differs: bool) -> DecisionRecord | _Hybrid | None:
        return self.result.known_now if differs else steps[-1][2]

    def _since(self, now: Fleet) -> list[_Step]:
        """Give the steps from what is known now of that time to what is known to date."""
        result, today = self.result, self.fleet
        rows = sum(
            len(today.tables[name]) - len(now.tables[name]) for name in today.tables if name != "limits"
        )
        held = {name: getattr(now, name) for name in (PACKAGES, USAGE)}
        limits = len(today.tables["limits"]) - len(now.tables["limits"])
        pods = self._pod_differs(today, now)
        plans = any(not getattr(today, name).equals(getattr(now, name)) for name in (PACKAGES, USAGE))
        pod_then = self._numbers(now)
        tables = today.tables | {"limits": now.tables["limits"]}
        bodies = (
            (ORDER[7], rows, dataclasses.replace(today, **held, tables=tables), pod_then, True),
            (ORDER[8], limits, dataclasses.replace(today, **held), pod_then, bool(limits)),
            (ORDER[9], int(pods), dataclasses.replace(today, **held), self.asked, pods),
        )
        last = len(bodies) if plans else max(k for k, one in enumerate(bodies) if one[4])
        out: list[_Step] = []
        for k, (cause, n_rows, body, asked, differs) in enumerate(bodies):
            if k >= last:
                out.append((cause, n_rows, result.today))  # the last difference leads to the answer to date
            else:
                out.append((cause, n_rows, _Hybrid(body, asked) if differs else out[-1][2]))
        return [*out, (ORDER[10], int(plans), result.today)]

    def _of_that_time(self, let_in: list[str]) -> _Hybrid:
        """Give a body with some sorts of later rows let in, all else as known then."""
        wanted = self.since["limit"] if let_in[-1] == "limits" else self.since["limit"] & False
        chosen = self.since.loc[wanted | (self.since["what"].isin(let_in) & ~self.since["limit"])]
        body = events_up_to(rows_kept(self.fleet, self.day, chosen), self.day)
        plans = {name: getattr(self.then, name) for name in (PACKAGES, USAGE)}
        return _Hybrid(dataclasses.replace(body, **plans), self._numbers(self.then))

    def _numbers(self, body: Fleet) -> Question:
        """Return the question with the numbers that its POD and the target of its class have in a body of data."""
        try:
            return with_numbers(self.asked, body)
        except (QuestionError, PodError):
            return self.result.then.question.model_copy(update={"known_on": None})

    def _pod_differs(self, body: Fleet, other: Fleet | None = None) -> bool:
        if not isinstance(self.asked.detection, NamedDetection) and self.asked.target is not None:
            return False
        one, two = self._numbers(body), self._numbers(other or self.then)
        return (one.detection, one.target) != (two.detection, two.target)

    def _plans_differ(self, body: Fleet) -> bool:
        return any(not getattr(body, name).equals(getattr(self.then, name)) for name in (PACKAGES, USAGE))


INFLUENCE_DRAWS = 128
"""Draws by which rows are ranked: enough to tell which matter, too few for the answer itself."""


def influence(
    result: Rerun, fleet: Fleet, *, most: int = 10, panels: int = 40, run: Mapped = map
) -> tuple[pd.DataFrame, str]:
    """Rank the panels whose later rows moved the answer, by leaving the rows of one out at a time.

    Parameters
    ----------
    result : Rerun
        What `rerun` gave.
    fleet : Fleet
        The dataset as it is today.
    most : int
        How many to return.
    panels : int
        At most so many are left out in turn, those with most later findings, looks and repairs first. Those that have
        none of these are left out together first, and one by one only where that changes anything.
    run : callable
        How the runs are made, as in `rerun`.

    Returns
    -------
    DataFrame
        Columns panel, rows (table and id of each), risk_rule and share with all rows, and their changes when the rows
        that became known later of that panel are left out; the largest change of the risk rule first, of alike ones that
        of the share.
    str
        What was not looked at, in words.

    Raises
    ------
    RecordError
        If what is known now of that time cannot answer the question.
    """
    day = pd.Timestamp(result.then.known_on)
    asked = open_question(result.then.question).model_copy(update={"draws": INFLUENCE_DRAWS})
    since = fleet.rows_since(day)
    owner = _panel_of(fleet, result.then.question.group)
    since = since.assign(panel=[owner.get((one.table, one.id), "") for one in since.itertuples(index=False)])
    own = since.loc[since["panel"] != ""]
    order, n_telling = _most_rows_first(own)
    order = order[:panels]

    def values(left_out: tuple[str, ...]) -> tuple[float, float] | None:
        rows = since.loc[~since["panel"].isin(left_out)]
        try:
            return allowed_by_risk(events_up_to(rows_kept(fleet, day, rows), day), asked)
        except QuestionError:
            return None

    alone = _left_out_in_turn(values, order, n_telling, run)
    whole = alone[""]
    if whole is None:
        raise RecordError(
            f"{result.now.name}: what is known now of that time gives no answer, so that nothing can be ranked. "
            "Run it again without ranking rows."
        )
    out = []
    for panel in order:
        rows = own.loc[own["panel"] == panel]
        risk_rule, share = alone[panel] or (float("nan"), float("nan"))
        names = [
            f"{one.what} {one.table} {one.id}" for one in rows.itertuples(index=False) if one.table != "taps"
        ]
        names += [f"{(rows['table'] == 'taps').sum()} taps"] if (rows["table"] == "taps").any() else []
        out.append(
            {
                "panel": panel,
                "rows": "; ".join(names),
                "risk_rule": whole[0],
                "risk_rule_change": risk_rule - whole[0],
                "share": whole[1],
                "share_change": share - whole[1],
            }
        )
    columns = ["panel", "rows", "risk_rule", "risk_rule_change", "share", "share_change"]
    frame = pd.DataFrame(out, columns=columns)
    moved = frame[["risk_rule_change", "share_change"]].abs()
    # A run without an answer is the largest change there is.
    frame = frame.iloc[
        np.lexsort((-moved["share_change"].fillna(np.inf), -moved["risk_rule_change"].fillna(np.inf)))
    ]
    words = (
        f"{len(since) - len(own):,} later rows of other zone groups, of whole aircraft or of the programme are not ranked"
        + (
            f"; of {own['panel'].nunique()} panels with later rows the {len(order)} with most were"
            if len(order) < own["panel"].nunique()
            else ""
        )
        + f"; ranked with {INFLUENCE_DRAWS} draws"
    )
    return frame.head(most).reset_index(drop=True), words


_TELLING = ("findings", "inspections", "repairs")
"""Tables whose rows tell most of a life; hundreds of taps are one map of one finding."""


def _most_rows_first(own: pd.DataFrame) -> tuple[list[str], int]:
    """Panels in the order in which their later rows are likely to matter, and how many have telling rows."""
    telling = own["table"].isin(_TELLING).groupby(own["panel"]).sum()
    order = pd.DataFrame({"telling": -telling, "rows": -own["panel"].value_counts()})
    panels = order.sort_values(["telling", "rows"], kind="stable").index
    return [str(panel) for panel in panels], int((telling > 0).sum())


_Values = tuple[float, float] | None


def _left_out_in_turn(
    values: Callable[[tuple[str, ...]], _Values], panels: list[str], n_alone: int, run: Mapped
) -> dict[str, _Values]:
    """Answers without each panel, and under "" with all: the first so many alone, the others by halving what changes anything."""
    out: dict[str, _Values] = {}
    rest = tuple(panels[n_alone:])
    waiting = [(), *((panel,) for panel in panels[:n_alone]), *([rest] if rest else [])]
    for _ in range(len(rest).bit_length() + 2):  # each round halves what is left out together
        if not waiting:
            break
        parted: list[tuple[str, ...]] = []
        for some, answer in zip(waiting, run(values, waiting), strict=True):
            if len(some) < 2:
                out["".join(some)] = answer
            elif answer == out[""]:
                out |= dict.fromkeys(some, answer)
            else:
                parted += [some[: len(some) // 2], some[len(some) // 2 :]]
        waiting = parted
    return out


def _panel_of(fleet: Fleet, group: str) -> dict[tuple[str, str], str]:
    """Panel that each row of a group is about, superseded rows included."""
    zones = fleet.tables["zones"]
    wanted = set(zones.loc[zones["group"] == group, "zone"])
    out: dict[tuple[str, str], str] = {}
    finding_panel: dict[str, str] = {}
    grid_panel: dict[str, str] = {}
    fitted = fleet.tables["panels"]
    at = dict(zip(zip(fitted["aircraft"], fitted["zone"], strict=True), fitted["panel"], strict=True))
    for table, key in (("panels", "fitting"), ("inspections", "inspection"), ("findings", "finding")):
        rows = fleet.as_read[table].typed
        for one in rows.loc[rows["zone"].isin(wanted)].to_dict("records"):
            panel = one["panel"] or at.get((one["aircraft"], one["zone"]), f"{one['aircraft']} {one['zone']}")
            out[table, one[key]] = panel
            if table == "findings":
                finding_panel[one[key]] = panel
                if one["tap_grid"]:
                    grid_panel[one["tap_grid"]] = panel
    for table, key in (("repairs", "repair"), ("deferrals", "deferral")):
        rows = fleet.as_read[table].typed
        out |= {
            (table, name): finding_panel[one]
            for name, one in zip(rows[key], rows["finding"], strict=True)
            if one in finding_panel
        }
    taps = fleet.as_read["taps"].typed
    out |= {
        ("taps", name): grid_panel[one]
        for name, one in zip(taps["tap"], taps["grid"], strict=True)
        if one in grid_panel
    }
    return out
