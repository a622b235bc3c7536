"""One Weibull fit by a general library, made in a process of its own: what the library sets for numpy and pandas dies with it."""

from __future__ import annotations

import contextlib
import io
import warnings
from multiprocessing.connection import Connection

import numpy as np


def by_surpyval(rows: dict[str, np.ndarray]) -> tuple[float, float]:
    """Fit ages between two looks, with left truncation; looks are taken to find all.

    Parameters
    ----------
    rows : dict of str to ndarray
        entry, lower, upper, count.

    Returns
    -------
    tuple of float
        Scale and shape.
    """
    import surpyval

    late = rows["entry"] if rows["entry"].any() else None
    fit = surpyval.Weibull.fit(xl=rows["lower"], xr=rows["upper"], n=rows["count"], tl=late)
    return float(fit.params[0]), float(fit.params[1])


def by_reliability(rows: dict[str, np.ndarray]) -> tuple[float, float]:
    """Fit ages at find as if they were onsets, and last clean looks: it knows neither intervals nor left truncation.

    Parameters
    ----------
    rows : dict of str to ndarray
        entry, lower, upper, count.

    Returns
    -------
    tuple of float
        Scale and shape.
    """
    from reliability.Fitters import Fit_Weibull_2P

    times = np.rint(rows["count"]).astype(int)
    if (times != rows["count"]).any():
        raise ValueError("counts that are no whole numbers cannot be given to it")
    found = np.isfinite(rows["upper"])
    clean = ~found & (rows["lower"] > 0)
    fit = Fit_Weibull_2P(
        failures=np.repeat(rows["upper"][found], times[found]),
        right_censored=np.repeat(rows["lower"][clean], times[clean]) if clean.any() else None,
        print_results=False,
        show_probability_plot=False,
    )
    return float(fit.alpha), float(fit.beta)


FITS = {"surpyval": by_surpyval, "reliability": by_reliability}


def answer(name: str, rows: dict[str, np.ndarray], end: Connection) -> None:
    """Fit rows by a library, and send what came of it; to be run in a process of its own.

    Parameters
    ----------
    name : str
        One of `FITS`.
    rows : dict of str to ndarray
        entry, lower, upper, count.
    end : Connection
        Where scale and shape, or what was refused, are sent.
    """
    nowhere = io.StringIO()
    with contextlib.redirect_stdout(nowhere), contextlib.redirect_stderr(nowhere), warnings.catch_warnings():
        warnings.simplefilter("ignore")
        try:
            scale, shape = FITS[name](rows)
            told = (
                {"scale": scale, "shape": shape}
                if np.isfinite([scale, shape]).all()
                else {"refused": f"it gives scale {scale} and shape {shape}"}
            )
        except (Exception, SystemExit) as reason:  # whatever a library raises is what it has to say
            told = {"refused": f"{type(reason).__name__}: {' '.join(str(reason).split())[:200]}"}
    end.send(told)
    end.close()
