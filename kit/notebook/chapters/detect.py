"""Notebook 07: what a tap test can see, and how fast what it missed grows."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pandas as pd

from kit.detection import DetectionCurve, HitMissFit, detectable_size, fit_hit_miss, grid_pod, trial_power
from kit.findings import Fleet
from kit.growth import GrowthComparison
from kit.notebook.tell import NoAnswer
from kit.numerics.words import in_words
from kit.regions import track_graph

_MAPPED_AGAIN = 8  # damages, fewer of which tell no rate
_ABOVE = 1.25  # size that a trial is to prove, over the a90/95 that there is


def blind_trial(source: str | Path, file: str) -> pd.DataFrame:
    """Read the blind trial that stands beside a dataset.

    Parameters
    ----------
    source : str or Path
        Folder of the dataset.
    file : str
        The trial's file, within it.

    Returns
    -------
    DataFrame
        A row a look: size [mm], hit, method, inspector.

    Raises
    ------
    NoAnswer
        If there is no such file.
    """
    path = Path(source, file)
    if not path.is_file():
        raise NoAnswer(
            f"there is no blind trial {file} in the dataset's folder, so there is no POD of its own to fit."
        )
    return pd.read_csv(path)


def fit_trial(trial: pd.DataFrame, *, by_inspector: bool = True) -> HitMissFit:
    """Fit the POD of each method of a trial, with its plateau and its false calls.

    Parameters
    ----------
    trial : DataFrame
        What `blind_trial` gave.
    by_inspector : bool
        Whether inspectors may differ.

    Returns
    -------
    HitMissFit
        By method.
    """
    return fit_hit_miss(
        trial["size"], trial["hit"], trial["method"], plateau="fit", false_calls="fit",
        inspector=trial["inspector"] if by_inspector else None,
    )  # fmt: skip


def groups_words(fit: HitMissFit) -> tuple[str, ...]:
    """Say whether methods and inspectors differ.

    Parameters
    ----------
    fit : HitMissFit
        What `fit_trial` gave.

    Returns
    -------
    tuple of str
        Sentences; none on methods where there is one.
    """
    methods = (fit.test_groups().words(),) if len(fit.groups) > 1 else ()
    return (*methods, fit.test_inspectors().words())


def size_to_prove(fit: HitMissFit, method: str, trial: pd.DataFrame) -> float:
    """Choose a size that a trial might prove: somewhat above what this one proved, or its largest.

    Parameters
    ----------
    fit : HitMissFit
        What `fit_trial` gave.
    method : str
        The method.
    trial : DataFrame
        What it was fitted to.

    Returns
    -------
    float
        Size [mm].
    """
    bound = fit.a90_95(group=method)
    return float(_ABOVE * (bound if np.isfinite(bound) else trial["size"].max()))


def size_words(wanted: float) -> str:
    """Say what the shares of a table of trials are shares of.

    Parameters
    ----------
    wanted : float
        Size at which trials are to prove nine in ten [mm].

    Returns
    -------
    str
        One sentence.
    """
    return f"Below, the share of trials that would prove nine in ten at {wanted:.0f} mm."


def power(fit: HitMissFit, method: str, wanted: float, *, seed: int) -> pd.DataFrame:
    """Simulate trials of other sizes and count how many prove nine in ten at a size.

    Parameters
    ----------
    fit : HitMissFit
        What `fit_trial` gave.
    method : str
        The method.
    wanted : float
        Size to be proved [mm].
    seed : int
        Of the trials.

    Returns
    -------
    DataFrame
        A row a size of trial: flaws, inspectors, taps, share proving, its error, and the middle a90/95.
    """
    table = trial_power(
        fit.curve(group=method), wanted, n_flaws=[30, 60, 120], n_inspectors=[4, 8], size_from=5, size_to=90,
        inspector_sd=float(fit.a50_spread), n_trials=100, seed=seed,
    )  # fmt: skip
    return table[["n_flaws", "n_inspectors", "n_taps", "share_proving", "standard_error", "median_a90_95"]]


def grid_table(
    curve: DetectionCurve, limit_mm: float, pitches: Sequence[float] = (12.5, 25.0, 50.0)
) -> pd.DataFrame:
    """Set the chance to find damage that is tapped beside that on grids, which must meet it first.

    Parameters
    ----------
    curve : DetectionCurve
        POD of damage that is tapped.
    limit_mm : float
        Size that matters [mm].
    pitches : sequence of float
        Distances between taps [mm].

    Returns
    -------
    DataFrame
        A row a size [mm], a column a grid [-].
    """
    sizes = np.unique([10.0, 20.0, 30.0, limit_mm, 80.0])
    chances = {"if tapped": curve.pod(sizes)}
    chances |= {f"grid of {pitch:g} mm": grid_pod(sizes, pitch, curve) for pitch in pitches}
    return pd.DataFrame(chances, index=pd.Index(sizes, name="size [mm]"))


def first_sizes(regions: pd.DataFrame, kind: str) -> pd.Series:
    """Return the sizes at which damages of a kind were first found.

    Parameters
    ----------
    regions : DataFrame
        What `kit.regions.tracked_regions` gave.
    kind : str
        Kind of damage.

    Returns
    -------
    Series
        Diameters of equal area [mm].
    """
    first = regions.sort_values("found_on", kind="stable").drop_duplicates("track")
    return first.loc[first["kind"] == kind, "diameter_mm"]


def mapped_sizes(fleet: Fleet, regions: pd.DataFrame, *, kind: str, clock: str) -> pd.DataFrame:
    """Return the sizes of the damages of a kind by age, where enough were mapped again to tell a rate.

    Parameters
    ----------
    fleet : Fleet
        As loaded.
    regions : DataFrame
        What `kit.regions.tracked_regions` gave; sizes in a doubtful unit are left out.
    kind, clock : str
        Kind of damage and clock of the ages.

    Returns
    -------
    DataFrame
        As `kit.growth.fit_tracks` takes it.

    Raises
    ------
    NoAnswer
        If fewer than eight were mapped again.
    """
    kept = regions[(regions["kind"] == kind) & ~regions["unit_suspect"]]
    sizes = track_graph(kept, fleet=fleet, clock=clock).to_frame().dropna(subset=["age", "diameter_mm"])
    again = int((sizes.groupby("track")["age"].nunique() > 1).sum())
    if again < _MAPPED_AGAIN:
        raise NoAnswer(
            f"only {again} damages of {in_words(kind)} were mapped again; {_MAPPED_AGAIN} are asked before a rate of growth is told."
        )
    return sizes


def second_way_words(trial: pd.DataFrame, method: str) -> str:
    """Fit the POD of one method without inspectors by a general optimiser, beside the kit's own fit.

    Parameters
    ----------
    trial : DataFrame
        What `blind_trial` gave.
    method : str
        The method.

    Returns
    -------
    str
        One sentence.
    """
    from scipy.optimize import minimize  # slow to load

    one = trial[(trial["method"] == method) & (trial["size"] > 0)]
    ours = fit_hit_miss(one["size"], one["hit"])
    x, hit = np.log(one["size"].to_numpy()), one["hit"].to_numpy()
    theirs = minimize(
        lambda b: np.logaddexp(0, -(2 * hit - 1) * (b[0] + b[1] * x)).sum(), [-8.0, 2.0], method="BFGS"
    )
    return (
        f"a50 {ours.a50:.4f} and {np.exp(-theirs.x[0] / theirs.x[1]):.4f} mm, log-likelihood {ours.log_likelihood:.6f} and "
        f"{-theirs.fun:.6f}."
    )


def grid_words(curve: DetectionCurve, pitch_mm: float) -> str:
    """Say which size nine looks in ten find on a grid.

    Parameters
    ----------
    curve : DetectionCurve
        POD of damage that is tapped.
    pitch_mm : float
        Distance between taps [mm].

    Returns
    -------
    str
        One sentence.
    """
    reach = detectable_size(pitch_mm, curve, pod=0.9)
    found = (
        f"nine in ten of {reach:.0f} mm are found"
        if np.isfinite(reach)
        else "nine in ten are found at no size"
    )
    return f"On a grid of {pitch_mm:g} mm {found}."


def answer_words(
    fleet: Fleet, fit: HitMissFit, method: str, pitch_mm: float, comparison: GrowthComparison
) -> tuple[str, ...]:
    """Say the notebook's answer.

    Parameters
    ----------
    fleet : Fleet
        As loaded.
    fit : HitMissFit
        What `fit_trial` gave.
    method : str
        The method.
    pitch_mm : float
        Distance between taps [mm].
    comparison : GrowthComparison
        Forms of growth side by side.

    Returns
    -------
    tuple of str
        Sentences.
    """
    told = comparison.cautions[0]
    return (
        f"As known on {fleet.known_on:%Y-%m-%d}: {fit.words(group=method)} {grid_words(fit.curve(group=method), pitch_mm)}",
        comparison.fits["linear"].words(),
        f"{told[0].upper()}{told[1:]}.",
    )
