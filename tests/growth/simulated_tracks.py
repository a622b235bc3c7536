"""Tracks of damage with known growth, as repeat mappings would show them."""

import numpy as np
import pandas as pd

from kit.growth import size_after
from kit.numerics.fit import SCALES

TRUE = {
    "rate_median": 6e-3,
    "rate_log_sd": 0.5,
    "first_median": 30.0,
    "first_log_sd": 0.4,
    "size_log_sd": 0.12,
}


def mappings(
    n, *, seed, form="linear", rate=6e-3, error=0.12, still=0.0, correlation=0.0, times=4, arrest=0.0, jump=0.0,
    rounding=0.0, wide=0.0, curve=None, repair_from=np.inf,
):  # fmt: skip
    """Damages mapped every 2000 clock units, straight from the definition."""
    rng = np.random.default_rng(seed)
    z, other = rng.standard_normal((2, n))
    first = 30.0 * np.exp(0.4 * z)
    rates = rate * np.exp(0.5 * (correlation * z + np.sqrt(1 - correlation**2) * other))
    rates = np.where(rng.random(n) < still, 0.0, rates)
    stop = rng.exponential(1 / arrest, n) if arrest > 0 else np.full(n, np.inf)
    age = 2000.0 * np.arange(times)
    true = size_after(form, first[:, None], rates[:, None], np.minimum(age, stop[:, None]))
    jumps = (rng.random((n, times)) < jump) & (np.arange(times) > 0)
    steps = np.log(2.5) + 0.2 * rng.standard_normal((n, times))
    true = true * np.exp(np.cumsum(jumps * steps, axis=1))
    assumed = rng.random((n, times)) < wide
    noise = error * rng.standard_normal((n, times)) + 0.3 * assumed * rng.standard_normal((n, times))
    size = true * np.exp(noise)
    found = np.ones(n, bool) if curve is None else rng.random(n) < curve.pod(first)
    kept = (
        np.cumsum(size >= repair_from, axis=1) - (size >= repair_from) == 0
    )  # mapped, repaired, mapped no more
    row, k = np.nonzero(kept & found[:, None])
    read = np.maximum(np.round(size / rounding), 1) * rounding if rounding else size
    begin = rng.uniform(0, 9000, n)
    return pd.DataFrame(
        {
            "track": row,
            "age": begin[row] + age[k],
            "diameter_mm": read[row, k],
            "rounding_mm": float(rounding),
            "width_assumed": assumed[row, k],
        }
    )


def off(fit, name, true):
    """How many standard errors a fitted parameter is from the true one."""
    scale = fit.parameter(name).scale
    place = SCALES[scale].place
    return (place(getattr(fit, name)) - place(true)) / fit.standard_error(f"{scale}_{name}")
