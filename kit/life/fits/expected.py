"""What looks are expected to find under a life: by look, and on the scale on which finds are plotted."""

from __future__ import annotations

import dataclasses

import numpy as np
import pandas as pd

from kit.life.fits.ranks import share_of_increments
from kit.life.likelihood.families import WEIBULL, Family
from kit.life.likelihood.imperfect import Detection, DetectionInput, as_detection, detection_terms
from kit.life.lives.censored import Histories, looks_with_entries


def chance_found_by_look(
    histories: Histories,
    detection: DetectionInput = 1.0,
    *,
    scale: float,
    shape: float,
    family: Family = WEIBULL,
) -> pd.DataFrame:
    r"""Work out, for each look after entry, the chance that it finds damage if none before it did.

    Parameters
    ----------
    histories : Histories
        Lives with the ages of their looks.
    detection : float, mapping or Detection
        Chance of detection, as `kit.fit_weibull` takes it.
    scale, shape : float
        Of the life [clock units], [-].
    family : Family
        Family of the life.

    Returns
    -------
    DataFrame
        One row a look after entry: row (of the life in `histories`), age [clock units] and chance [-].

    Notes
    -----
    The compensator of the first find in discrete time: finds less the sum of these chances over the looks that were
    made have mean zero, however long each life was watched. With :math:`P_k` the chance that the first k looks are
    clean, look k has the chance :math:`1 - P_k / P_{k-1}`.
    """
    model: Detection = as_detection(detection)
    ages, _, method, begin = looks_with_entries(histories)
    n_looks = np.diff(begin)
    # One row for each beginning of each life's sequence of looks, the empty one included.
    owner = np.repeat(np.arange(len(histories)), n_looks + 1)
    upto = np.arange(owner.size) - np.repeat(np.cumsum(n_looks + 1) - (n_looks + 1), n_looks + 1)
    start = np.r_[0, np.cumsum(upto)].astype(np.int64)
    at = np.arange(start[-1]) - np.repeat(start[:-1], upto) + np.repeat(begin[:-1][owner], upto)
    some = np.asarray(ages)[at]
    last = np.where(upto > 0, some[np.maximum(start[1:] - 1, 0)] if some.size else 0.0, 0.0)
    beginnings = Histories(
        life=owner.astype(object),
        entry=np.zeros(owner.size),
        lower=last,
        upper=np.full(owner.size, np.inf),
        count=np.ones(owner.size),
        cluster=None,
        look_age=some,
        look_start=start,
        clock=histories.clock,
        look_method=None if method is None else method[at],
    )
    terms = dataclasses.replace(detection_terms(beginnings, model), family=family)
    log_clean = np.atleast_1d(terms.by_row(float(np.log(scale)), float(np.log(shape)))[0])
    step = np.minimum(np.r_[0.0, np.diff(log_clean)], 0.0)
    after = (upto > 0) & (last > histories.entry[owner])
    return pd.DataFrame({"row": owner[after], "age": last[after], "chance": -np.expm1(step[after])})


def expected_positions(
    histories: Histories, detection: DetectionInput = 1.0, *, scale: float, shape: float
) -> pd.DataFrame:
    """Place the finds that a life leads one to expect from these looks where `plotting_positions` would place them.

    Parameters
    ----------
    histories : Histories
        Lives with the ages of their looks.
    detection : float, mapping or Detection
        Chance of detection, as `kit.fit_weibull` takes it.
    scale, shape : float
        Weibull life [clock units], [-].

    Returns
    -------
    DataFrame
        One row for each age of a look, rising: age [clock units], share expected to be found by it [-]. Finds scatter about this
        line where the life is right; about the share with damage they do not, as looks miss damage and come after it began.

    See Also
    --------
    kit.plotting_positions : The finds themselves.
    """
    looks = chance_found_by_look(histories, detection, scale=scale, shape=shape)
    looks["finds"] = looks["chance"] * histories.count[looks["row"].to_numpy()]
    sums = looks.groupby("age", sort=True)["finds"].sum()
    age = sums.index.to_numpy(np.float64)
    return pd.DataFrame({"age": age, "share": share_of_increments(histories, age, sums.to_numpy())})
