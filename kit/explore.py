"""What would another repeat interval cost? A slider, and the same in words and as a picture.

All numbers are read from an answer; nothing is worked out anew.
"""

from __future__ import annotations

import base64
import html
import io
import textwrap
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from matplotlib.figure import Figure

from kit.detection import DetectionCurve
from kit.figures import plot_risk

if TYPE_CHECKING:
    from ipywidgets import VBox

    from kit.findings import Fleet
    from kit.intervals import Answer
    from kit.simulate.schedule import ScheduleOutcome

_PER_FLIGHT_HOURS = 10_000.0
_HAPPENED = ("arose", "found", "exceedances", "exposure_hours")
_PLAYED = ("exceedances", "preventable", "exposure", "preventable_exposure")


def _examined(answer: Answer, repeat: float) -> pd.Series:
    """Row of the curve for a repeat interval that was examined."""
    curve = answer.curve
    at = np.flatnonzero(np.isclose(curve["repeat"].to_numpy(np.float64), repeat, rtol=1e-6, atol=0.0))
    if not at.size:
        near = curve["repeat"].iloc[(curve["repeat"] - repeat).abs().argsort()[:3]].sort_values()
        raise ValueError(
            f"`repeat` must be one of the {len(curve)} intervals that the answer examined. Got {repeat:g}. "
            f"The nearest are {', '.join(f'{x:,.6g}' for x in near)}; nothing is read between them."
        )
    return curve.iloc[int(at[0])]


def _cap(answer: Answer) -> float:
    """Longest interval that the programme's cap leaves; infinite without one."""
    return min(
        (rule.interval for rule in answer.rules if rule.rule == "cap" and rule.interval), default=float("inf")
    )


def risk_text(answer: Answer, repeat: float) -> str:
    """Say what a repeat interval means: risk, exposure, and whether the target is met.

    Parameters
    ----------
    answer : Answer
        What `kit.recommend` gave.
    repeat : float
        One of the intervals in the answer's curve [units of the question's clock].

    Returns
    -------
    str
        Five lines of plain text, or six where the programme has a cap that is shorter.

    Raises
    ------
    ValueError
        If the interval was not examined.
    """
    row, target, unit = (
        _examined(answer, repeat),
        answer.question.target,
        answer.question.clock.replace("_", " "),
    )
    per = "per 10,000 panel flight hours"
    measure = target.column
    meets = row["share_meeting"] >= target.share_of_draws - 1e-9

    def band(name: str, form: str) -> str:
        return f"{row[name]:{form}} (5 % to 95 % of draws: {row[f'{name}_lower']:{form}} to {row[f'{name}_upper']:{form}})"

    lines = [
        f"Repeat interval: {row['repeat']:,.0f} {unit}",
        f"Preventable exceedances: {band('preventable', '.4f')} {per}",
        f"Hours beyond the limit, unfound: {band('exposure', ',.1f')} {per}",
        f"Target, {target.measure.replace('_', ' ')} at most {target.per_10000_flight_hours:g} {per}: "
        f"{'met' if meets else 'NOT met'}; {row['share_meeting']:.1%} of draws meet it, "
        f"{target.share_of_draws:.1%} must (best estimate {row[measure]:.4g})",
    ]
    if row["repeat"] > _cap(answer) * (1 + 1e-9):
        lines.append(f"Longer than the cap of {_cap(answer):,.0f} {unit}: never allowed, whatever the risk")
    lines.append(
        "Advisory only: the approved maintenance data, the caps and the airworthiness authority govern."
    )
    return "\n".join(lines)


def risk_picture(answer: Answer, repeats: Sequence[float]) -> Figure:
    """Draw risk and exposure against the repeat interval, with some intervals marked.

    Parameters
    ----------
    answer : Answer
        What `kit.recommend` gave.
    repeats : sequence of float
        Intervals of the answer's curve [units of the question's clock].

    Returns
    -------
    Figure
        The target's measure beside the exposure; each interval marked by a ring and its length.

    Raises
    ------
    ValueError
        If an interval was not examined.
    """
    figure = Figure(figsize=(9.6, 4.0), layout="constrained")
    measure = answer.question.target.column
    names = ("preventable" if measure == "exposure" else measure, "exposure")
    rows = [_examined(answer, repeat) for repeat in repeats]
    for name, ax in zip(names, figure.subplots(1, 2), strict=True):
        plot_risk(answer, name, ax)
        for row in rows:
            at = (row["repeat"], row[name])
            ax.plot(
                *at, "o", markersize=13, markerfacecolor="none", markeredgecolor="black", markeredgewidth=1.6
            )
            right = row["repeat"] > 0.7 * ax.get_xlim()[1]
            ax.annotate(
                f"{row['repeat']:,.0f}",
                at,
                xytext=(-9 if right else 9, -13),
                textcoords="offset points",
                ha="right" if right else "left",
                fontsize="small",
                fontweight="bold",
                bbox={"facecolor": "white", "edgecolor": "none", "alpha": 0.8, "pad": 0.8},
            )
    return figure


def _png(figure: Figure) -> str:
    """Return a figure as the text of a data address."""
    buffer = io.BytesIO()
    figure.savefig(buffer, format="png", dpi=80, metadata={"Software": None})
    return "data:image/png;base64," + base64.b64encode(buffer.getvalue()).decode("ascii")


def risk_html(answer: Answer, repeat: float) -> str:
    """Return text and picture of one repeat interval as a piece of HTML.

    Parameters
    ----------
    answer : Answer
        What `kit.recommend` gave.
    repeat : float
        One of the intervals in the answer's curve [units of the question's clock].

    Returns
    -------
    str
        Every word escaped; the picture carries the text in words for who cannot see it.
    """
    lines = [html.escape(line) for line in risk_text(answer, repeat).splitlines()]
    words = html.escape(
        f"Risk and exposure against the repeat interval, with {repeat:,.0f} marked", quote=True
    )
    head, *rest = lines
    body = "".join(f"<li>{line}</li>" for line in rest)
    picture = f'<img alt="{words}" src="{_png(risk_picture(answer, [repeat]))}" style="max-width: 100%">'
    return (
        f'<div role="status"><b>{head}</b><ul style="margin: 0; line-height: 1.4">{body}</ul></div>{picture}'
    )


def interval_explorer(answer: Answer) -> VBox:
    """Make a slider over the repeat intervals that an answer examined.

    Parameters
    ----------
    answer : Answer
        What `kit.recommend` gave.

    Returns
    -------
    VBox
        A title, the slider and the text with its picture. The slider takes the arrow keys, and works
        when it is let go, not on the way.
    """
    import ipywidgets as widgets

    repeats = [float(x) for x in answer.curve["repeat"]]
    unit = answer.question.clock.replace("_", " ")
    labels = _labels(repeats)
    start = 0
    if answer.repeat is not None:
        start = int(np.argmin(np.abs(np.asarray(repeats) - answer.repeat)))
    slider = widgets.SelectionSlider(
        options=list(zip(labels, repeats, strict=True)),
        index=start,
        description=f"Repeat interval [{unit}]",
        continuous_update=False,
        style={"description_width": "initial"},
        layout=widgets.Layout(width="95%", max_width="46em"),
        tooltip="Arrow keys move to the next interval that was examined",
    )
    view = widgets.HTML(value=risk_html(answer, slider.value))
    heading = "\n".join(
        textwrap.wrap(f"{answer.question.title} {str(answer.dataset['notice']).split('.')[0]}.", 110)
    )
    title = widgets.HTML(value=f"<p>{html.escape(heading)}</p>")

    def show(change: dict[str, object]) -> None:
        view.value = risk_html(answer, float(change["new"]))

    slider.observe(show, names="value")
    return widgets.VBox([title, slider, view])


def _labels(values: Sequence[float]) -> list[str]:
    """Whole numbers, with decimals only where two would read alike."""
    for digits in range(7):
        labels = [f"{value:,.{digits}f}" for value in values]
        if len(set(labels)) == len(labels):
            break
    return labels


def _ends(answer: Answer) -> tuple[tuple[float, float], ...]:
    """Ages up to which damage counts and their weights: the last look before the horizon, and the next one.

    An answer averages over both, so that no interval gains by a look that happens to fall just before the
    horizon; see `kit.intervals.cycle_kernel`.
    """
    if answer.repeat is None or answer.threshold is None:
        raise ValueError(
            f"`answer` must recommend an interval. {answer.question.name}: no interval examined meets the target. "
            "Ask with another target, or look at the curve."
        )
    first, repeat, horizon = answer.threshold, answer.repeat, answer.question.horizon
    n_gaps = int(np.floor((horizon - first) / repeat * (1 + 1e-12)))
    last, after = (first + n_gaps * repeat, first + (n_gaps + 1) * repeat) if n_gaps >= 0 else (0.0, first)
    share = (horizon - last) / (after - last)
    ends = ((last, 1.0 - share), (after, share)) if share > 1e-12 else ((last, 1.0),)
    return tuple(end for end in ends if end[0] > 0)


def scheduled_plays(answer: Answer) -> list[dict[str, object]]:
    """Put each kind of damage under the recommended schedule, for a play event by event.

    Parameters
    ----------
    answer : Answer
        What `kit.recommend` gave.

    Returns
    -------
    list of dict
        Arguments of `kit.simulate.schedule.simulate_schedule` but for the number of lives and the seed:
        life_scale, life_shape, growth, detection, limit, first, repeat, horizon, all on the clock of
        the question. For each kind one play up to the last look before the horizon, and one up to
        the next look; one where the horizon is a look.

    Raises
    ------
    ValueError
        If the answer recommends no interval.
    """
    ask, pod, plays = answer.question, answer.question.detection, []
    ends = _ends(answer)
    for mode in answer.modes:
        per_unit = mode.units_per_schedule_unit
        share = next(asked.far_side_share for asked in ask.modes if asked.kind == mode.kind)
        same = {
            "life_scale": mode.scale / per_unit,
            "life_shape": mode.shape,
            "growth": mode.growth.convert(1 / per_unit, ask.clock),
            "detection": DetectionCurve(
                pod.a50_mm, pod.slope, pod.plateau, share, pod.far_side_plateau, basis=pod.basis
            ),
            "limit": answer.limit_mm,
            "first": answer.threshold,
            "repeat": answer.repeat,
        }
        plays += [same | {"horizon": end} for end, _ in ends]
    return plays


def compare_with_play(answer: Answer, played: Sequence[ScheduleOutcome]) -> pd.DataFrame:
    """Set the risk of an answer beside lives that were played event by event.

    Parameters
    ----------
    answer : Answer
        What `kit.recommend` gave.
    played : sequence of ScheduleOutcome
        One for each of `scheduled_plays`, in that order, each with a seed of its own.

    Returns
    -------
    DataFrame
        Index measure; columns answer, played and standard_error [per 10,000 panel flight hours], and
        difference_in_errors: answer less played, in standard errors [-].

    Raises
    ------
    ValueError
        If the outcomes are not those of the plays.

    Notes
    -----
    The plays are taken as independent, so that their variances add; with one common seed they would not
    be.
    """
    ask, ends = answer.question, _ends(answer)
    wanted = [(answer.threshold, answer.repeat, end) for _ in answer.modes for end, _ in ends]
    got = [(one.first, one.repeat, one.horizon) for one in played]
    if len(got) != len(wanted) or not np.allclose(got, wanted):
        raise ValueError(
            f"`played` must hold an outcome for each of the {len(wanted)} plays of `scheduled_plays`, in order. Got "
            f"{len(got)}, first {played[0] if got else 'none'!r}."
        )
    hours_per_unit = answer.units_per_day["flight_hours"] / answer.units_per_day[ask.clock]
    weights = [weight for _ in answer.modes for _, weight in ends]
    rows = []
    for name in _PLAYED:
        # Exposure comes in units of the clock, counts do not.
        scale = (
            _PER_FLIGHT_HOURS
            / (ask.horizon * hours_per_unit)
            * (hours_per_unit if "exposure" in name else 1.0)
        )
        parts = [(weight, getattr(one, name)) for weight, one in zip(weights, played, strict=True)]
        value = scale * sum(weight * part.value for weight, part in parts)
        error = scale * float(np.sqrt(sum((weight * part.standard_error) ** 2 for weight, part in parts)))
        best = answer.risk[name][0]
        gap = (best - value) / error if error > 0 else float("nan")
        rows.append((name, best, value, error, gap))
    columns = ["measure", "answer", "played", "standard_error", "difference_in_errors"]
    return pd.DataFrame(rows, columns=columns).set_index("measure")


def rows_of_group(rows: pd.DataFrame, fleet: Fleet, group: str) -> pd.DataFrame:
    """Keep the rows that concern a group of zones.

    Parameters
    ----------
    rows : DataFrame
        Columns table and id, as `Fleet.rows_since` gives them.
    fleet : Fleet
        Where the ids are looked up, among the current rows.
    group : str
        Group of the zones table.

    Returns
    -------
    DataFrame
        The rows of findings, inspections, panels, zones, repairs, tasks, cards and limits that name the
        group, one of its zones, or a finding or task of one; in the order given. Rows of whole aircraft
        (usage, basing) concern all groups and are left out, as are rows superseded by now.

    Raises
    ------
    ValueError
        If the dataset lacks the group.
    """
    tables = fleet.tables
    zones = set(tables["zones"].loc[tables["zones"]["group"] == group, "zone"])
    if not zones:
        known = ", ".join(sorted(tables["zones"]["group"].unique()))
        raise ValueError(f"`group` must be a group of the zones table. Got {group!r}. Known are {known}.")
    ids = {
        name: set(tables[name].loc[tables[name]["zone"].isin(zones), key])
        for name, key in (
            ("findings", "finding"),
            ("inspections", "inspection"),
            ("panels", "fitting"),
            ("zones", "zone"),
        )
    }
    repairs, tasks, cards, limits = (tables[name] for name in ("repairs", "tasks", "cards", "limits"))
    ids["repairs"] = set(repairs.loc[repairs["finding"].isin(ids["findings"]), "repair"])
    named = tasks["zones"].map(lambda cell: bool(zones & {zone.strip() for zone in cell.split(";")}))
    ids["tasks"] = set(tasks.loc[named.astype(bool), "task"])
    ids["cards"] = set(cards.loc[cards["task"].isin(ids["tasks"]), "card"])
    ids["limits"] = set(limits.loc[limits["group"] == group, "limit"])
    keep = [row_id in ids.get(table, ()) for table, row_id in zip(rows["table"], rows["id"], strict=True)]
    return rows.loc[np.array(keep, dtype=bool)]


def readable(frame: pd.DataFrame, *, digits: int = 6) -> pd.DataFrame:
    """Round every number of a table to significant digits, for print.

    Parameters
    ----------
    frame : DataFrame
        Numbers and words may share a column.
    digits : int
        Significant digits [-].

    Returns
    -------
    DataFrame
        Floats as words, with thousands separators; a dash where there is none. Other values as they are.

    Raises
    ------
    ValueError
        If `digits` is below 1.

    Examples
    --------
    >>> readable(pd.DataFrame({"then": [12988.12254, "risk", float("nan")]}))["then"].tolist()
    ['12,988.1', 'risk', '–']
    """
    if digits < 1:
        raise ValueError(f"`digits` must be at least 1. Got {digits!r}.")

    def words(value: object) -> object:
        if value is None or (isinstance(value, float) and np.isnan(value)):
            return "–"
        return f"{value:,.{digits}g}" if isinstance(value, float) else value

    return frame.astype(object).map(words)


def what_happened(source: str | Path, *, by: str = "group") -> pd.DataFrame:
    """Count what really happened in a simulated fleet, to hold an answer against it.

    Parameters
    ----------
    source : str or Path
        Folder of the dataset; the truth stands in its folder ``truth``, which no analysis reads.
    by : str
        ``group`` or ``zone``.

    Returns
    -------
    DataFrame
        Index group or zone: arose, found and exceedances (damages that arose while records were kept) and
        exposure_hours (flight hours beyond the limit). No rows where the dataset has no truth, as
        with any real one.

    Raises
    ------
    ValueError
        If `by` is unknown.
    """
    if by not in ("group", "zone"):
        raise ValueError(f"`by` must be group or zone. Got {by!r}.")
    path = Path(source) / "truth" / "onsets.csv"
    if not path.is_file():
        return pd.DataFrame(columns=list(_HAPPENED), index=pd.Index([], name=by), dtype=float)
    onsets = pd.read_csv(path, dtype=str, keep_default_na=False)
    onsets = onsets.loc[onsets["is_before_records"] == ""]
    parts = pd.DataFrame(
        {
            by: onsets[by],
            "arose": 1,
            "found": (onsets["found_on"] != "").astype(int),
            "exceedances": (onsets["is_exceedance"] == "yes").astype(int),
            "exposure_hours": onsets["exposure_flight_hours"].astype(float),
        }
    )
    return parts.groupby(by).sum()
