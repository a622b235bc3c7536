"""A blind trial on panels with known damage, as a detection study would hand it in."""

from __future__ import annotations

import numpy as np
import pandas as pd

from kit.simulate.scenario import Scenario

_SKIN = "mid"
_METHODS = ("tap_manual", "tap_instrumented")
_FALSE_CALLS = 0.03  # chance that sound skin is called dull


def blind_trial(
    rng: np.random.Generator,
    scenario: Scenario,
    *,
    n_flaws: int = 60,
    n_sound: int = 30,
    n_inspectors: int = 8,
) -> pd.DataFrame:
    """Let inspectors look at places with and without damage that they do not know of.

    Parameters
    ----------
    rng : numpy.random.Generator
        Stream of the trial.
    scenario : Scenario
        Whose chances of detection hold.
    n_flaws, n_sound : int
        Places with damage, its sizes spread evenly in the log from 5 to 90 mm, and places without.
    n_inspectors : int
        Inspectors; each looks at every place by both tap methods.

    Returns
    -------
    DataFrame
        trial, place, size (equivalent diameter [mm], 0 without damage), inspector, method, skin_class, hit (1
        or 0).
    """
    sizes = np.r_[np.round(np.exp(rng.uniform(np.log(5), np.log(90), n_flaws)), 1), np.zeros(n_sound)]
    skill = np.exp(rng.normal(0, scenario.inspector_log_sd, n_inspectors))
    rows = []
    for method in _METHODS:
        pod = scenario.pod(method, _SKIN)
        for inspector in range(n_inspectors):
            with np.errstate(divide="ignore"):
                line = (np.log(sizes) - np.log(pod.a50 * skill[inspector])) / pod.spread
            chance = np.where(sizes > 0, pod.plateau / (1 + np.exp(-line)), _FALSE_CALLS)
            hit = rng.random(sizes.size) < chance
            rows += [
                {
                    "trial": f"B{len(rows) + k + 1:04d}", "place": f"S{k + 1:02d}", "size": sizes[k],
                    "inspector": f"inspector {inspector + 1}", "method": method, "skin_class": _SKIN, "hit": int(hit[k]),
                }
                for k in range(sizes.size)
            ]  # fmt: skip
    return pd.DataFrame(rows)
