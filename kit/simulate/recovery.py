"""Do the fits find what made the data: many simulated fleets for each model, bias and coverage in a table.

Run as ``python -m kit.simulate.recovery docs/recovery.md``, with a number of fleets after the file if it
is not to be 200. Each fleet has a seed of its own, so that any line can be looked at again by itself.
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd
from scipy.special import ndtri

from kit.detection import fit_hit_miss, fit_response, two_looks
from kit.findings import replace_text
from kit.growth import fit_tracks, size_after
from kit.life import (
    Histories,
    MethodDetection,
    NoFiniteMaximum,
    SameLives,
    bootstrap,
    fit_frailty,
    fit_life,
    fit_moisture_then_disbond,
    fit_regression,
    fit_two_clocks,
    fit_weibull,
)
from kit.simulate.progress import progress

LEVEL = 0.9
"""Confidence of the bounds whose coverage is counted."""

FLEETS = 200
"""Fleets for each model."""

_Z = float(ndtri(0.5 + LEVEL / 2))
Result = tuple[str, float, float, float, float]
"""Quantity, truth, estimate, lower and upper bound."""


@dataclass(frozen=True)
class Study:
    """One model: a fleet drawn from known truth, and what the fit says of it.

    Parameters
    ----------
    name : str
        What is fitted, for the table.
    run : callable
        Takes a random generator and gives the results of one fleet.
    in_logs : bool
        Whether bias is taken of the logs.
    """

    name: str
    run: Callable[[np.random.Generator], list[Result]]
    in_logs: bool = True


def panel_looks_of(
    rng: np.random.Generator,
    onset: np.ndarray,
    *,
    pod: float | dict[str, float] = 1.0,
    late: float = 0.3,
    span: tuple[float, float] = (3000.0, 9000.0),
) -> Histories:
    """Look at panels every 600, 900 or 1,200 hours until damage is found or the watch ends.

    Parameters
    ----------
    rng : numpy.random.Generator
        Source of the random numbers.
    onset : ndarray, shape (n,)
        Ages at onset [hours].
    pod : float or dict of str to float
        Chance that a look finds what is there, or of each of several methods, used at random [-].
    late : float
        Share that comes under watch at its second look, if clean then [-].
    span : tuple of float
        Ages between which watches end, evenly [hours].

    Returns
    -------
    Histories
        What the looks say.
    """
    rows = []
    chances = pod if isinstance(pod, dict) else {"": pod}
    names = list(chances)
    for i, age_at_onset in enumerate(onset):
        gap = rng.choice([600.0, 900.0, 1200.0])
        ages = np.arange(rng.uniform(0, 600) + gap, rng.uniform(*span), gap)
        if ages.size < 3:
            continue
        entry = ages[1] if rng.random() < late else 0.0
        others = len(rows)
        for age in ages:
            method = names[int(rng.integers(len(names)))]
            found = bool(age >= age_at_onset and rng.random() < chances[method])
            if found and age <= entry:
                del rows[others:]
                break  # found before the records begin, so it never is in them
            if age >= entry or pod != 1.0:
                rows.append({"life": i, "age": age, "found": found, "entry": entry, "method": method})
            if found:
                break
    return Histories.from_looks(pd.DataFrame(rows), clock="flight_hours")


def _of_life(fit, scale: float, shape: float, method: str) -> list[Result]:
    """Scale, shape and the age by which a tenth has damage."""
    truth = fit.family.inverse_cumulative_hazard(-np.log1p(-0.1))
    results = []
    for name, true in (("scale", scale), ("shape", shape)):
        results.append((name, true, getattr(fit, name), *fit.bounds(name, level=LEVEL, method=method)))
    at = scale * np.exp(float(truth) / shape)
    results.append(
        ("age at 10 %", at, float(fit.quantile(0.1)), *fit.quantile_bounds(0.1, level=LEVEL, method=method))
    )
    return results


def _weibull(method: str, n: int = 250) -> Callable[[np.random.Generator], list[Result]]:
    def run(rng: np.random.Generator) -> list[Result]:
        return _of_life(fit_weibull(panel_looks_of(rng, 8000 * rng.weibull(2.0, n))), 8000.0, 2.0, method)

    return run


def _bootstrapped(way: str) -> Callable[[np.random.Generator], list[Result]]:
    def run(rng: np.random.Generator) -> list[Result]:
        fit = fit_weibull(panel_looks_of(rng, 8000 * rng.weibull(2.0, 250)))
        draws = bootstrap(fit, 200, seed=int(rng.integers(2**31)), way=way)
        return [
            (name, true, getattr(fit, name), *draws.bounds(name, level=LEVEL))
            for name, true in (("scale", 8000.0), ("shape", 2.0))
        ]

    return run


def _other(name: str) -> Callable[[np.random.Generator], list[Result]]:
    def run(rng: np.random.Generator) -> list[Result]:
        shape = 1.5 if name == "lognormal" else 2.5
        z = rng.standard_normal(250) if name == "lognormal" else rng.logistic(size=250)
        return _of_life(
            fit_life(panel_looks_of(rng, 6000 * np.exp(z / shape)), distribution=name),
            6000.0,
            shape,
            "profile",
        )

    return run


def _missing(pod: float | dict[str, float], told: object) -> Callable[[np.random.Generator], list[Result]]:
    def run(rng: np.random.Generator) -> list[Result]:
        histories = panel_looks_of(rng, 8000 * rng.weibull(2.0, 250), pod=pod)
        return _of_life(fit_weibull(histories, detection=told), 8000.0, 2.0, "profile")

    return run


def _two_stage(rng: np.random.Generator) -> list[Result]:
    truth = {"moisture_scale": 4000.0, "moisture_shape": 2.0, "disbond_scale": 1500.0, "disbond_shape": 1.3}
    rows = []
    for i in range(400):
        wet = truth["moisture_scale"] * rng.weibull(truth["moisture_shape"])
        stop = wet + truth["disbond_scale"] * rng.weibull(truth["disbond_shape"])
        gap = rng.choice([400.0, 700.0])
        ages = np.arange(gap, rng.uniform(2500, 7000), gap)
        entry = ages[1] if rng.random() < 0.3 and ages.size > 3 else 0.0
        if stop <= entry:
            continue
        for age in ages[ages >= entry]:
            told = bool(age >= wet) if rng.random() < 0.6 else None
            rows.append({"life": i, "age": age, "disbond": age >= stop, "moisture": told, "entry": entry})
            if age >= stop:
                break
    fit = fit_moisture_then_disbond(pd.DataFrame(rows))
    return [
        (name.replace("_", " "), true, fit.estimates[name], *fit.bounds(name, level=LEVEL, method="wald"))
        for name, true in truth.items()
    ]


def _two_clocks(rng: np.random.Generator) -> list[Result]:
    rows: dict[str, list[dict]] = {"flight_cycles": [], "calendar_days": []}
    for i in range(500):
        rate, onset = 5 * np.exp(rng.normal(0, 0.7)), 3000 * rng.weibull(2.5)
        for day in np.arange(300.0, rng.uniform(1500, 4000), 300.0):
            found = 0.5 * rate * day / 5 + 0.5 * day >= onset
            for clock, age in (("flight_cycles", rate * day), ("calendar_days", day)):
                rows[clock].append({"life": i, "age": age, "found": found})
            if found:
                break
    built = {clock: Histories.from_looks(pd.DataFrame(x), clock=clock) for clock, x in rows.items()}
    fit = fit_two_clocks(SameLives(built, pd.Series([], dtype="int64")), level=LEVEL)
    # The mix is told at the fleet's own mean usage; half and half at 5 cycles a day is this one.
    true = 0.5 * fit.ratio / 5 / (0.5 * fit.ratio / 5 + 0.5)
    return [("share of the first clock", true, fit.mix, *fit.bounds("mix", level=LEVEL))]


def _regression(rng: np.random.Generator) -> list[Result]:
    n = 2000
    humid = rng.random(n) < 0.4
    onset = 20_000 * np.exp(-0.5 * humid) * rng.weibull(1.8, n)
    end = 1000.0 * rng.integers(3, 20, n)
    find = 1000 * np.ceil(onset / 1000)
    seen = find <= end
    frame = pd.DataFrame(
        {
            "lower": np.where(seen, find - 1000, end),
            "upper": np.where(seen, find, np.inf),
            "climate": np.where(humid, "humid", "dry"),
        }
    )
    fit = fit_regression(frame, "climate", reference={"climate": "dry"})
    effect, error = fit.coefficients["climate[humid]"], fit.standard_error("climate[humid]")
    shape = np.log(fit.shape), fit.standard_error("shape") / fit.shape
    return [
        ("effect of climate (log)", -0.5, effect, effect - _Z * error, effect + _Z * error),
        ("shape (log)", float(np.log(1.8)), shape[0], shape[0] - _Z * shape[1], shape[0] + _Z * shape[1]),
    ]


def _shared(rng: np.random.Generator) -> list[Result]:
    group = np.repeat(np.arange(40), 20)
    rate = np.exp(0.7 * rng.normal(size=40))[group]
    onset = 12_000 * (rng.exponential(size=800) / rate) ** 0.5
    end = 1500.0 * rng.integers(2, 7, 800)
    find = 1500 * np.ceil(onset / 1500)
    seen = find <= end
    frame = pd.DataFrame({"lower": np.where(seen, find - 1500, end), "upper": np.where(seen, find, np.inf)})
    fit = fit_frailty(frame, group)
    truth = {"scale": 12_000.0, "shape": 2.0, "spread": 0.7}
    return [(name, true, getattr(fit, name), *fit.bounds(name, level=LEVEL)) for name, true in truth.items()]


def _trial(rng: np.random.Generator) -> list[Result]:
    size = np.exp(rng.uniform(np.log(6), np.log(80), 400))
    fit = fit_hit_miss(size, rng.random(400) < 1 / (1 + (20 / size) ** 4))
    results = []
    for name, true in (("a50", 20.0), ("a90", 20 * 9**0.25)):
        value, error = float(getattr(fit, name)), float(fit.standard_error(name))
        reach = np.exp(_Z * error / value)
        results.append((name, true, value, value / reach, value * reach))
    return results


def _response(rng: np.random.Generator) -> list[Result]:
    size = np.exp(rng.uniform(np.log(6), np.log(60), 150))
    response = np.exp(-1.6 + 0.7 * np.log(size) + 0.15 * rng.standard_normal(150))
    fit = fit_response(size, response, threshold=1.5, noise=1.1, saturation=2.6)
    error = float(np.sqrt(fit.covariance[1, 1]))
    return [("slope of log response", 0.7, fit.slope, fit.slope - _Z * error, fit.slope + _Z * error)]


def _two_looks(rng: np.random.Generator) -> list[Result]:
    one, other = rng.random(80) < 0.7, rng.random(80) < 0.6
    found = two_looks((one & other).sum(), (one & ~other).sum(), (~one & other).sum(), level=LEVEL)
    return [("number of damages", 80.0, found.number, *found.number_bounds)]


def _tracks(form: str) -> Callable[[np.random.Generator], list[Result]]:
    rate = {"linear": 6e-3, "proportional": 2e-4}[form]

    def run(rng: np.random.Generator) -> list[Result]:
        n = 200
        at = np.tile([0.0, 2000.0, 4000.0, 6000.0], n)
        start = np.repeat(30 * np.exp(0.4 * rng.standard_normal(n)), 4)
        rates = np.repeat(np.where(rng.random(n) < 0.3, 0.0, rate * np.exp(0.5 * rng.standard_normal(n))), 4)
        size = size_after(form, start, rates, at) * np.exp(0.12 * rng.standard_normal(4 * n))
        frame = pd.DataFrame({"track": np.repeat(np.arange(n), 4), "age": at, "diameter_mm": size})
        fit = fit_tracks(frame, form=form)
        truth = {"rate_median": rate, "rate_log_sd": 0.5, "no_growth_share": 0.3}
        return [
            (name.replace("_", " "), true, getattr(fit, name), *fit.bounds(name, level=LEVEL, method="wald"))
            for name, true in truth.items()
        ]

    return run


STUDIES: tuple[Study, ...] = (
    Study("Weibull, periodic looks, left truncation; profile bounds", _weibull("profile")),
    Study("the same; Wald bounds", _weibull("wald")),
    Study("the same, 40 panels; profile bounds", _weibull("profile", 40)),
    Study("the same; bootstrap of lives", _bootstrapped("clusters")),
    Study("the same; bootstrap of the schedule", _bootstrapped("schedule")),
    Study("lognormal; profile bounds", _other("lognormal")),
    Study("log-logistic; profile bounds", _other("loglogistic")),
    Study("Weibull, looks find 0.6 of what is there, told", _missing(0.6, 0.6)),
    Study(
        "Weibull, two methods find 0.4 and 0.9, told",
        _missing(
            {"tap_manual": 0.4, "tap_instrumented": 0.9},
            MethodDetection({"tap_manual": 0.4, "tap_instrumented": 0.9}),
        ),
    ),
    Study("Weibull, looks find 0.6 and are taken as perfect (the wrong way)", _missing(0.6, 1.0)),
    Study("moisture, then disbond; Wald bounds", _two_stage),
    Study("mix of cycles and calendar; profile bounds", _two_clocks, in_logs=False),
    Study("regression on climate; Wald bounds", _regression, in_logs=False),
    Study("zones that share a log-normal effect", _shared),
    Study("POD from 400 hits and misses; Wald bounds", _trial),
    Study("POD from 150 contact-time readings, some censored; Wald bounds", _response, in_logs=False),
    Study("two looks at 80 damages (Chapman)", _two_looks),
    Study("growth of 200 damages mapped four times, linear; Wald bounds", _tracks("linear")),
    Study("the same, proportional; Wald bounds", _tracks("proportional")),
)
"""The models, and the wrong way once, to show what it does."""


def recovery_table(n: int = FLEETS, *, studies: tuple[Study, ...] = STUDIES, seed: int = 1) -> pd.DataFrame:
    """Fit each model to many simulated fleets.

    Parameters
    ----------
    n : int
        Fleets for each model.
    studies : tuple of Study
        The models.
    seed : int
        Seed of the first fleet.

    Returns
    -------
    DataFrame
        Columns model, quantity, truth, fleets (with a fit), bias (mean error, in logs where these are
        used), bias_error (its standard error), coverage (share of the fleets whose bounds hold the truth),
        coverage_error.
    """
    rows = []
    for number, study in enumerate(studies):
        results, refused = [], 0
        for i in progress(range(n), study.name):
            rng = np.random.default_rng([seed, number, i])
            try:
                results.append(study.run(rng))
            except NoFiniteMaximum:
                refused += 1
        for j, (quantity, truth, *_) in enumerate(results[0] if results else []):
            values = np.array([[one[j][1], one[j][2], one[j][3], one[j][4]] for one in results])
            true, estimate, low, high = values.T
            error = np.log(estimate / true) if study.in_logs else estimate - true
            covered = float(((low <= true) & (true <= high)).mean())
            rows.append(
                {
                    "model": study.name,
                    "quantity": quantity,
                    "truth": truth,
                    "fleets": len(results),
                    "refused": refused,
                    "bias": float(error.mean()),
                    "bias_error": float(error.std(ddof=1) / np.sqrt(len(error))),
                    "coverage": covered,
                    "coverage_error": float(np.sqrt(covered * (1 - covered) / len(error))),
                }
            )
    return pd.DataFrame(rows)


def recovery_page(table: pd.DataFrame) -> str:
    """Put the table on a page.

    Parameters
    ----------
    table : DataFrame
        What `recovery_table` gave.

    Returns
    -------
    str
        Markdown.
    """
    lines = [
        "# Do the fits find what made the data?",
        "",
        f"{int(table[['fleets', 'refused']].sum(axis=1).max())} simulated fleets for each model, all invented, made from the truth in "
        "the table. Bias is the mean error of the estimate (of its log, where not said otherwise) with its standard error. Coverage "
        f"is the share of fleets whose {LEVEL:.0%} bounds hold the truth; 86 to 94 % is what chance alone allows a right method. "
        "Fleets without a finite maximum are refused by the fit, and counted.",
        "",
        "Made by `python -m kit.simulate.recovery docs/recovery.md`.",
        "",
        "| model | quantity | truth | fleets | refused | bias | coverage |",
        "| --- | --- | --- | --- | --- | --- | --- |",
    ]
    for row in table.to_dict("records"):
        lines.append(
            f"| {row['model']} | {row['quantity']} | {row['truth']:,.4g} | {row['fleets']} | {row['refused']} | "
            f"{row['bias']:+.3f} ± {row['bias_error']:.3f} | {row['coverage']:.1%} |"
        )
    return "\n".join([*lines, ""])


if __name__ == "__main__":
    fleets = int(sys.argv[2]) if len(sys.argv) > 2 else FLEETS
    replace_text(Path(sys.argv[1]), recovery_page(recovery_table(fleets)))
