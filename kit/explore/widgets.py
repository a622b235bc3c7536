"""The widgets: what is moved, and what is shown of it. All that is shown is worked out by the modules beside this one."""

from __future__ import annotations

import asyncio
import datetime as dt
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import pandas as pd

from kit.cautions import CAUTIONS
from kit.explore.damage_map import LAYERS, damage_map_of
from kit.explore.interval import IntervalBench, Setting, interval_bench
from kit.explore.review import corrections_review
from kit.explore.svg import escaped
from kit.explore.tap_entry import CLEAR, NOT_TAPPED, tap_entry_of
from kit.findings import Fleet
from kit.intervals import Evidence, Question, QuestionError
from kit.numerics.words import percent

if TYPE_CHECKING:
    from ipywidgets import Widget

_REST = 0.6  # s after the last move
_HAND = "Tab goes from one to the next, arrow keys move, space ticks."


def as_list(lines: Sequence[str]) -> str:
    """Return lines as HTML, the first one bold.

    Parameters
    ----------
    lines : sequence of str
        Text, escaped here.

    Returns
    -------
    str
        A paragraph and a list.
    """
    if not lines:
        return ""
    rest = "".join(f"<li>{escaped(line)}</li>" for line in lines[1:])
    return f"<b>{escaped(lines[0])}</b>" + (f'<ul style="margin:0">{rest}</ul>' if rest else "")


def _titled(words: str, *notice: str) -> Widget:
    import ipywidgets as widgets

    lines = "".join(f"<br>{escaped(one)}" for one in notice if one)
    return widgets.HTML(f"<p><b>{escaped(words)}</b>{lines}</p>")


def _cautions() -> Widget:
    import ipywidgets as widgets

    rows = "".join(f"<li>{escaped(one)}</li>" for one in CAUTIONS)
    return widgets.HTML(f"<details><summary>Cautions ({len(CAUTIONS)})</summary><ul>{rows}</ul></details>")


def _only(line: str) -> Widget:
    """Return a widget that says why there is nothing to move."""
    import ipywidgets as widgets

    from kit.explore.inputs import Spoken

    return widgets.VBox([Spoken(words=as_list([line]))])


def interval_explorer(
    bench: IntervalBench | Fleet | Evidence, question: Question | str | Path | None = None
) -> Widget:
    """Make sliders over repeat, first look, target, share of draws, limit and POD, for one schedule or two.

    Parameters
    ----------
    bench : IntervalBench, Fleet or Evidence
        What `interval_bench` gave, or the findings.
    question : Question, str or Path, optional
        With findings: the question, or the path of its file.

    Returns
    -------
    Widget
        Two sets of sliders, A and B; B counts where it is ticked.
    """
    import ipywidgets as widgets

    from kit.explore.inputs import Slider, Spoken

    if not isinstance(bench, IntervalBench):
        try:
            bench = interval_bench(bench, question)
        except QuestionError as error:
            return _only(f"Nothing to explore: {error}")
    unit, start = bench.unit, bench.start()
    values = {
        "repeat": ("Repeat interval", bench.repeats, [f"{one:,.0f} {unit}" for one in bench.repeats]),
        "first": ("First look", bench.repeats, [f"{one:,.0f} {unit}" for one in bench.repeats]),
        "target": (
            "Target, at most",
            bench.targets,
            [f"{one:g} {bench.measure_words} per 10,000 panel flight hours" for one in bench.targets],
        ),
        "share": (
            "Share of draws asked",
            bench.shares,
            [f"{percent(one)} of the draws" for one in bench.shares],
        ),
        "limit_mm": (
            "Limit",
            bench.limits,
            [f"{one:g} mm{' (in force)' if one == start.limit_mm else ''}" for one in bench.limits],
        ),
        "pod": ("POD or method", tuple(bench.pods), list(bench.pods)),
    }
    view = Spoken()
    is_pair = widgets.Checkbox(value=False, description="Hold a second schedule, B, against A", indent=False)
    settings: dict[str, Setting] = {"A": start, "B": start}
    sides = {}

    def show(_: object = None) -> None:
        a = bench.outcome(settings["A"])
        b = bench.outcome(settings["B"]) if is_pair.value else None
        view.show(as_list(bench.words(a, b)), bench.picture(a, b).svg)

    for side in ("A", "B"):
        parts = []
        for name, (label, choices, words) in values.items():
            one = Slider(
                label=f"{side}: {label}", options=words, index=choices.index(getattr(settings[side], name))
            )

            def moved(
                change: dict, *, side: str = side, name: str = name, choices: Sequence = choices
            ) -> None:
                settings[side] = replace(settings[side], **{name: choices[change["new"]]})
                show()

            one.observe(moved, names="index")
            parts.append(one)
        sides[side] = widgets.VBox(parts)
    sides["B"].layout.display = "none"

    def paired(_: object) -> None:
        sides["B"].layout.display = None if is_pair.value else "none"
        show()

    is_pair.observe(paired, names="value")
    show()
    title = _titled(bench.title or "Any other interval", _HAND, bench.notice.split(".")[0])
    return widgets.VBox([title, sides["A"], is_pair, sides["B"], view, _cautions()])


def damage_map(fleet: Fleet | Evidence, *, panel: str | None = None) -> Widget:
    """Make a map of damage by aircraft, panel and day, in layers.

    Parameters
    ----------
    fleet : Fleet or Evidence
        The findings.
    panel : str, optional
        Serial of the panel that is shown first.

    Returns
    -------
    Widget
        Lists, a slider over the days on which something became of the panel, and a box for each layer.
    """
    import ipywidgets as widgets

    from kit.explore.inputs import Choice, Slider, Spoken

    every = damage_map_of(fleet)
    if not every.aircraft:
        return _only("Nothing to show: no panel is on record.")
    rows = every.fleet.tables["panels"]
    of = rows.loc[rows["panel"] == panel, "aircraft"]
    first = of.iloc[-1] if len(of) else every.aircraft[0]
    tails = Choice(label="Aircraft", options=list(every.aircraft), index=every.aircraft.index(first))
    own = every.panels(first)
    panels = Choice(label="Panel", options=list(own), index=own.index(panel) if len(of) else 0)
    days = Slider(label="Day")
    layers = {
        name: widgets.Checkbox(value=True, description=words, indent=False) for name, words in LAYERS.items()
    }
    view = Spoken()
    on: list[pd.Timestamp] = []

    def show(_: object = None) -> None:
        there = every.at(panels.value, on[days.index])
        view.show(
            as_list(there.words()), there.picture([name for name, box in layers.items() if box.value]).svg
        )

    def of_panel(_: object = None) -> None:
        on[:] = every.days(panels.value)
        days.unobserve_all("index")
        with days.hold_sync():
            days.options = [f"{day:%Y-%m-%d}" for day in on]
            days.index = len(on) - 1
        days.observe(show, names="index")
        show()

    def of_tail(_: object) -> None:
        panels.unobserve_all("index")
        panels.choose(every.panels(tails.value))
        panels.observe(of_panel, names="index")
        of_panel()

    of_panel()
    tails.observe(of_tail, names="index")
    panels.observe(of_panel, names="index")
    for box in layers.values():
        box.observe(show, names="value")
    title = _titled("Damage by panel and day", _HAND, every.fleet.notice.split(".")[0])
    return widgets.VBox([title, tails, panels, days, widgets.VBox(list(layers.values())), view, _cautions()])


def review_corrections(fleet: Fleet, path: str | Path) -> Widget:
    """Make a review of the corrections that the data suggest, which writes the corrections file.

    Parameters
    ----------
    fleet : Fleet
        The dataset as loaded.
    path : str or Path
        The file; decisions that stand in it are taken over.

    Returns
    -------
    Widget
        A list of the proposals, what a person says of each, and a button that writes.
    """
    import ipywidgets as widgets

    from kit.explore.inputs import Choice, Spoken

    review = corrections_review(fleet, path)
    if not len(review):
        return _only(review.told)
    chosen = Choice(label="Proposal", options=[review.line(k) for k in range(len(review))])
    style = {"description_width": "11em"}
    role = widgets.Text(description="Role (not a name)", style=style)
    day = widgets.Text(description="Day, YYYY-MM-DD", value=f"{dt.date.today():%Y-%m-%d}", style=style)
    note = widgets.Text(description="Note", style=style)
    view, said = Spoken(), Spoken(words=as_list([review.told]))

    def show(_: object = None) -> None:
        view.show(as_list(review.words(chosen.index)))

    def decided(accept: bool | None) -> Callable[[object], None]:
        def act(_: object) -> None:
            k = chosen.index
            told = review.decide(k, accept, role=role.value, on=day.value, note=note.value)
            chosen.options = [review.line(n) for n in range(len(review))]
            said.show(as_list([told, review.counts]))
            show()

        return act

    buttons = []
    for words, accept in (("Accept", True), ("Leave as it is", False), ("Open again", None)):
        button = widgets.Button(description=words)
        button.on_click(decided(accept))
        buttons.append(button)
    write = widgets.Button(description=f"Write {review.path.name}", layout={"width": "auto"})
    write.on_click(lambda _: said.show(as_list([review.write()])))
    chosen.observe(show, names="index")
    show()
    title = _titled(
        "Corrections that the data suggest", _HAND, "Nothing is changed before it is accepted and written."
    )
    return widgets.VBox(
        [title, chosen, view, role, day, note, widgets.HBox(buttons), write, said, _cautions()]
    )


def tap_entry(
    fleet: Fleet | Evidence,
    panel: str,
    folder: str | Path,
    *,
    kind: str = "disbond",
    pitch_mm: float | None = None,
    unit: str = "mm",
) -> Widget:
    """Make the taps of a panel ready to be marked by click or key; the region is held against the limits at once.

    Parameters
    ----------
    fleet : Fleet or Evidence
        The findings.
    panel : str
        Serial of a fitted panel.
    folder : str or Path
        Where the file of the taps is written.
    kind, pitch_mm, unit : object
        As of `tap_entry_of`.

    Returns
    -------
    Widget
        The panel with its taps, the verdict, and a button that writes the file.
    """
    import ipywidgets as widgets

    from kit.explore.inputs import Spoken, TapMarks

    try:
        entry = tap_entry_of(fleet, panel, kind=kind, pitch_mm=pitch_mm, unit=unit)
    except (QuestionError, ValueError) as error:
        return _only(f"No taps to mark: {error}")
    left, low, right, high = entry.there.outline.bounds
    marks = TapMarks(
        label=f"Taps of panel {panel}, {len(entry.points):,} of them {entry.pitch_mm:g} mm apart. Arrow keys move; space marks dull or clear, "
        "d dull, c clear, u not tapped.",
        points=entry.points.tolist(),
        pitch=entry.pitch_mm,
        bounds=[left, low, right, high],
        marks=[NOT_TAPPED] * len(entry.points),
        under=entry.skin(),
    )
    view, said = Spoken(), Spoken()
    name = widgets.Text(
        description="File of the taps", value=f"{panel}.csv", style={"description_width": "11em"}
    )
    rest = widgets.Button(description="All other taps are clear", layout={"width": "auto"})
    again = widgets.Button(description="Start again", layout={"width": "auto"})
    write = widgets.Button(description="Write the file")

    waiting: list[asyncio.TimerHandle] = []

    def say_more() -> None:
        view.words = as_list(entry.read(marks.marks).words())

    def show(_: object = None) -> None:
        # The careful verdict is shown at once; what the best outline alone would say follows when the hand rests.
        reading = entry.read(marks.marks, by_best=False)
        marks.region = entry.drawn(reading)
        view.show(as_list(reading.words()))
        if waiting:
            waiting.pop().cancel()
        try:
            waiting.append(asyncio.get_running_loop().call_later(_REST, say_more))
        except RuntimeError:  # no kernel, nobody to wait for
            say_more()

    def write_it(_: object) -> None:
        # Only a name: the file lands in the folder that was given.
        said.show(as_list([entry.write(marks.marks, Path(folder) / Path(name.value).name)]))

    def clear_rest(_: object) -> None:
        marks.marks = [mark or CLEAR for mark in marks.marks]

    def start_again(_: object) -> None:
        marks.marks = [NOT_TAPPED] * len(marks.marks)

    marks.observe(show, names="marks")
    rest.on_click(clear_rest)
    again.on_click(start_again)
    write.on_click(write_it)
    show()
    title = _titled(
        f"Tap marks of panel {panel}, taken for {kind.replace('_', ' ')}",
        "Cross: not tapped. Ring: clear. Square with a cross: dull. Dotted: outer bound. " + _HAND,
    )
    return widgets.VBox([title, view, marks, widgets.HBox([rest, again]), name, write, said, _cautions()])
