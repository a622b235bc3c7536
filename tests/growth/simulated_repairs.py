"""Found damage as looks show it that repair at once what is beyond a limit, and map the rest again."""

import numpy as np
import pandas as pd

from kit.growth import size_after

LIMIT = 40.0  # mm; damage found beyond it is repaired at once
RATE, RATE_SD, STILL = 0.0025, 0.6, 0.2  # mm per flight hour
ONSET, ONSET_SD = 18.0, 0.4  # mm
ERROR = 0.15
MONITORED = 0.6  # of the damage found within the limit; the rest is repaired as well


def found_damage(n_tracks, *, seed, form="linear", rate=RATE, arrest=0.0, again=None):
    """Damage of many panels, found and mapped again until `n_tracks` of it were mapped twice or more.

    Onset is Weibull (50,000 flight hours, shape 2), looks come every 3,000 to 5,000 hours and find size a with
    the chance 0.97 / (1 + (20/a)^4), and the fleet is read at an age between 8,000 and 40,000 hours. Damage that is
    left is mapped at every look, or every `again` hours.
    """
    rng = np.random.default_rng(seed)
    rows, number, n_again = [], 0, 0
    while n_again < n_tracks:
        number += 1
        onset, cut_off = 50_000 * rng.weibull(2.0), rng.uniform(8_000, 40_000)
        if onset > cut_off:
            continue
        gap = rng.uniform(3_000, 5_000)
        looks = np.arange(gap * rng.random(), cut_off, gap)
        looks = looks[looks > onset]
        start = ONSET * np.exp(ONSET_SD * rng.standard_normal())
        own = 0.0 if rng.random() < STILL else rate * np.exp(RATE_SD * rng.standard_normal())
        stop = rng.exponential(1 / arrest) if arrest > 0 else np.inf
        is_monitored = rng.random() < MONITORED

        def size(age, start=start, own=own, onset=onset, stop=stop):
            return size_after(form, start, own, np.minimum(age - onset, stop))

        found = np.flatnonzero(rng.random(looks.size) < 0.97 / (1 + (20.0 / size(looks)) ** 4))
        if not found.size:
            continue
        ages = looks[found[0] :] if again is None else np.arange(looks[found[0]], cut_off, again)
        mapped = []
        for age, true in zip(ages, size(ages), strict=True):
            read = true * np.exp(ERROR * rng.standard_normal())
            mapped.append((number, age, read))
            if read > LIMIT or not is_monitored:
                break
        n_again += len(mapped) > 1
        rows += mapped
    return pd.DataFrame(rows, columns=["track", "age", "diameter_mm"])
