"""Draws and panels put together by hand, for tests of programmes."""

import numpy as np

from kit.posterior import KindDraws, PodDraws
from kit.programmes import PanelLives


def one_draw(**changes):
    """Return draws that are all alike: a life of scale 20,000 and shape 2, growth and POD of the middle."""
    n, restoration = changes.pop("n", 8), changes.pop("restoration", 0.0)
    values = {
        "scale": 20_000.0,
        "shape": 2.0,
        "onset_median": 20.0,
        "onset_log_sd": 0.4,
        "rate_median": 0.003,
        "rate_log_sd": 0.5,
        "no_growth_share": 0.1,
        "a50": 20.0,
        "slope": 4.0,
        "plateau": 0.95,
        "far_side_share": 0.0,
        "far_side_plateau": 0.1,
    } | changes
    pod = {
        name: np.full(n, values.pop(name))
        for name in ("a50", "slope", "plateau", "far_side_share", "far_side_plateau")
    }
    return KindDraws(
        kind="disbond",
        clock="flight_hours",
        form=np.full(n, "linear"),
        pod=PodDraws(**pod),
        restoration=None if restoration is None else np.full(n, restoration),
        diagnostics={},
        **{name: np.full(n, value) for name, value in values.items()},
    )


def panels(now, looks=(), start=0.0):
    """Return panels that were looked at alike."""
    now = np.atleast_1d(np.asarray(now, float))
    table = np.full((now.size, max(len(looks), 1)), np.nan)
    table[:, : len(looks)] = looks
    return PanelLives(
        kind="disbond",
        clock="flight_hours",
        start=np.full(now.size, start),
        now=now,
        looks=table,
        known_mm=np.full(now.size, np.nan),
        known_since=np.full(now.size, np.nan),
    )
