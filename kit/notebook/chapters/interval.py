"""Notebook 05: how often one group of zones must be tapped."""

from __future__ import annotations

import numpy as np
import pandas as pd
from matplotlib.figure import Figure

from kit.figures import plot_modes, plot_probability, plot_share_damaged
from kit.findings import Fleet
from kit.intervals import Answer, ModeAnswer, Question
from kit.life import LifeFit, fit_weibull
from kit.notebook.tell import present
from kit.numerics.words import in_words, number, percent, spelled
from kit.ranking import rank_zones

_SHARE = 0.1  # of the panels, at whose age lives are compared
_PER = "per 10,000 panel flight hours"


def asked_words(question: Question) -> tuple[str, ...]:
    """Say what is asked and which target is held.

    Parameters
    ----------
    question : Question
        As read.

    Returns
    -------
    tuple of str
        Sentences.
    """
    target = question.target
    return (
        f"**{question.title}**",
        f"Target: {target.words}, in {percent(target.share_of_draws)} of parameter draws, up to an age of {question.horizon:,.0f} "
        f"{in_words(question.clock)}.",
    )


def evidence_table(result: Answer) -> pd.DataFrame:
    """Return what is known of each kind of damage.

    Parameters
    ----------
    result : Answer
        What `kit.recommend` gave.

    Returns
    -------
    DataFrame
        A row a kind: clock, lives, finds, life with bounds.
    """
    table = result.to_frame().filter(regex="^(kind|clock|lives|finds|scale|shape)")
    return table.round({name: 0 if "scale" in name else 3 for name in table})


def most_found(result: Answer) -> ModeAnswer:
    """Return the kind of damage with most finds.

    Parameters
    ----------
    result : Answer
        What `kit.recommend` gave.

    Returns
    -------
    ModeAnswer
        The first of those with as many.
    """
    return max(result.modes, key=lambda mode: mode.histories.n_finds)


def evidence_words(result: Answer) -> tuple[str, ...]:
    """Say of which kind most finds are, how many lives are left out, and how the life of each kind came about.

    Parameters
    ----------
    result : Answer
        What `kit.recommend` gave.

    Returns
    -------
    tuple of str
        Sentences.
    """
    most = most_found(result).histories
    kind = in_words(most_found(result).kind)
    found = f"Most finds are of {kind}: {most.n_finds:.0f}" if most.n_finds else "No find of any kind"
    bases = "\n".join(f"- {in_words(mode.kind)}: {mode.life_basis}" for mode in result.modes)
    return (
        bases,
        f"{found} in {most.n_lives:.0f} lives. {len(most.excluded)} lives are left out, for these reasons. Bounds hold 95 % of the joint "
        "draws.",
    )


def mode_of(result: Answer, kind: str) -> ModeAnswer:
    """Return what is known of a kind of damage.

    Parameters
    ----------
    result : Answer
        What `kit.recommend` gave.
    kind : str
        Kind of damage.

    Returns
    -------
    ModeAnswer
        Of that kind.

    Raises
    ------
    NoAnswer
        If the question does not ask about it.
    """
    modes = {mode.kind: mode for mode in result.modes}
    return modes[present("kind", kind, modes, of="kinds asked about")]


def naive_fit(mode: ModeAnswer) -> LifeFit | None:
    """Fit a life the wrong way, to the dates of the finds alone.

    Parameters
    ----------
    mode : ModeAnswer
        What is known of a kind.

    Returns
    -------
    LifeFit or None
        None where fewer than two finds of different age leave nothing to fit.
    """
    upper = mode.histories.to_frame()["upper"]
    finds = upper[upper < np.inf]
    return fit_weibull(lower=finds, upper=finds) if finds.nunique() > 1 else None


def life_picture(mode: ModeAnswer, naive: LifeFit | None, question: Question) -> Figure:
    """Draw the life of a kind over what was found, with the life fitted the wrong way.

    Parameters
    ----------
    mode : ModeAnswer
        What is known of a kind.
    naive : LifeFit or None
        What `naive_fit` gave.
    question : Question
        As asked.

    Returns
    -------
    Figure
        Two axes; one, of the lives that the draws leave open, where there is no fit to the finds.
    """
    figure = Figure(figsize=(11, 5.4), layout="constrained")
    if mode.fit is None or not mode.histories.n_finds:
        plot_modes((mode,), question.clock, question.horizon, figure.subplots())
        return figure
    axes = figure.subplots(1, 2)
    plot_share_damaged(mode.fit, mode.histories, axes[0], naive=naive)
    plot_probability(mode.fit, mode.histories, axes[1], naive=naive)
    return figure


def naive_words(mode: ModeAnswer, naive: LifeFit | None) -> tuple[str, ...]:
    """Say what the fit and the wrong way say, and on which side that errs.

    Parameters
    ----------
    mode : ModeAnswer
        What is known of a kind.
    naive : LifeFit or None
        What `naive_fit` gave.

    Returns
    -------
    tuple of str
        Sentences.
    """
    kind, lives = in_words(mode.kind), mode.histories
    finds = (
        f"{lives.n_finds:g} {'find' if lives.n_finds == 1 else 'finds'} of {kind} in {lives.n_lives:g} lives"
    )
    if naive is None or mode.fit is None:
        return (
            f"{finds}: the naive way has nothing to fit. The answer rests on what clean looks rule out: {mode.life_basis}.",
        )
    fit, middle = mode.fit, float(naive.quantile(0.5))
    half = float(1 - fit.survival(middle))
    first = "late" if naive.quantile(_SHARE) > fit.quantile(_SHARE) else "early"
    rest = "early" if half < 0.5 else "late"
    return (
        fit.words(share=_SHARE),
        f"The naive way says {naive.quantile(_SHARE):,.0f}; it errs {first} for the first panels and {rest} for the rest (half of the panels at "
        f"{middle:,.0f}, where the fit has {percent(half)}).",
    )


def risk_words(result: Answer) -> str:
    """Say how risk and exposure go from the shortest to the longest repeat that is shown.

    Parameters
    ----------
    result : Answer
        What `kit.recommend` gave.

    Returns
    -------
    str
        Sentences.
    """
    short, long = result.curve.iloc[0], result.curve.iloc[-1]
    return (
        f"From every {short['repeat']:,.0f} to every {long['repeat']:,.0f} {in_words(result.question.clock)}, preventable exceedances go from "
        f"{number(short['preventable'])} to {number(long['preventable'])} {_PER}, and hours beyond the limit and unfound from "
        f"{number(short['exposure'])} to {number(long['exposure'])}. What no interval prevents goes from {number(short['not_preventable'])} to "
        f"{number(long['not_preventable'])}."
    )


def rules_table(result: Answer) -> pd.DataFrame:
    """Return what each rule says.

    Parameters
    ----------
    result : Answer
        What `kit.recommend` gave.

    Returns
    -------
    DataFrame
        Columns rule, interval, governs, reason.
    """
    table = pd.DataFrame(list(result.rules))[["rule", "interval", "governs", "reason"]]
    table = table.assign(rule=table["rule"].map(in_words), reason=table["reason"].map(spelled))
    return table.round({"interval": 0})


def rules_words(result: Answer) -> tuple[str, ...]:
    """Say which rule governs, what is recommended, what is in force, and what the confidence covers.

    Parameters
    ----------
    result : Answer
        What `kit.recommend` gave.

    Returns
    -------
    tuple of str
        Sentences.
    """
    unit = in_words(result.question.clock)
    now = "no interval" if result.current_repeat is None else f"every {result.current_repeat:,.0f} {unit}"
    first = "none" if result.threshold is None else f"{result.threshold:,.0f} {unit}"
    repeat = "none recommended" if result.repeat is None else f"every {result.repeat_words}"
    return (
        f"The repeat interval is governed by: {in_words(result.governed_by)}. Initial inspection: {first}.",
        f"Repeat: {repeat}. The programme asks {now} now.",
        f"What the confidence covers: {result.confidence_words}.",
    )


def three_repeats(result: Answer) -> list[float]:
    """Return the shortest repeat that was examined, the recommended or a middle one, and the longest.

    Parameters
    ----------
    result : Answer
        What `kit.recommend` gave.

    Returns
    -------
    list of float
        One, two or three of them [units of the question's clock].
    """
    repeats = result.curve["repeat"]
    middle = repeats.iloc[len(repeats) // 2] if result.repeat is None else result.repeat
    return list(dict.fromkeys([repeats.iloc[0], float(middle), repeats.iloc[-1]]))


def panel_flight_hours(fleet: Fleet, group: str) -> float:
    """Return what the panels of a group flew while records were kept.

    Parameters
    ----------
    fleet : Fleet
        As loaded.
    group : str
        Zone group.

    Returns
    -------
    float
        Panel flight hours.
    """
    rates = rank_zones(fleet).set_index(["kind", "group"])
    return float(rates.loc[("all", group), "panel_flight_hours"])


def expected_now(result: Answer) -> pd.DataFrame:
    """Return what is expected under the interval in force, or the one recommended where none is.

    Parameters
    ----------
    result : Answer
        What `kit.recommend` gave.

    Returns
    -------
    DataFrame
        Damages beyond the limit and undetected, in all and by what could prevent them, with 5 % and 95 % of the draws.
    """
    curve = result.curve
    now = curve.loc[(curve["repeat"] - (result.current_repeat or result.repeat or 0.0)).abs().idxmin()]
    parts = {"in all": "exceedances", "preventable": "preventable", "no interval prevents": "not_preventable"}
    rows = {
        words: now[[name, f"{name}_lower", f"{name}_upper"]].to_numpy(float) for words, name in parts.items()
    }
    table = pd.DataFrame(rows, index=["expected", "5 % of draws", "95 % of draws"]).T
    return table.rename_axis(f"{_PER}, tapped every {now['repeat']:,.0f}").round(4)
