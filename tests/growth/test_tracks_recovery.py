"""Growth, standing still, arrest, jumps and what detection hides come back from tracks with known ones."""

import pytest

from growth.simulated_tracks import TRUE, mappings, off
from kit.detection import DetectionCurve
from kit.growth import fit_tracks


@pytest.mark.parametrize(
    ("simulated", "asked", "more"),
    [
        ({"still": 0.3, "correlation": 0.5}, {}, {"no_growth_share": 0.3, "correlation": 0.5}),
        ({"form": "proportional", "rate": 2e-4}, {"form": "proportional"}, {"rate_median": 2e-4}),
        (
            {"form": "pressure", "rate": 1e-2, "times": 6, "repair_from": 60.0},
            {"form": "pressure"},
            {"rate_median": 1e-2},
        ),
        ({"rounding": 10.0, "still": 0.2}, {}, {"no_growth_share": 0.2}),
        ({"wide": 0.4, "still": 0.2}, {"width_log_sd": 0.3}, {"no_growth_share": 0.2}),
    ],
    ids=["linear", "proportional", "pressure", "rounded", "width assumed"],
)
def test_what_was_simulated_comes_back(simulated, asked, more):
    fit = fit_tracks(mappings(300, seed=11, **simulated), **asked)
    for name, true in {**TRUE, **more}.items():
        assert abs(off(fit, name, true)) < 3, name


@pytest.mark.long
def test_damage_that_stops_at_a_random_time_comes_back():
    fit = fit_tracks(mappings(200, seed=4, arrest=2e-4, rate=1e-2, error=0.08), may_stop=True)
    for name, true in (
        ("arrest_rate", 2e-4),
        ("rate_median", 1e-2),
        ("rate_log_sd", 0.5),
        ("size_log_sd", 0.08),
    ):
        assert abs(off(fit, name, true)) < 3, name
    never = fit_tracks(mappings(150, seed=4, error=0.08), may_stop=True)
    assert never.arrest_rate < 0.2 * 2e-4


@pytest.mark.long
def test_jumps_come_back_and_would_else_be_taken_for_error():
    tracks = mappings(200, seed=2, jump=0.03, still=0.2)
    fit = fit_tracks(tracks, may_jump=True)
    for name, true in (
        ("jump_share", 0.03),
        ("jump_median", 2.5),
        ("rate_median", 6e-3),
        ("size_log_sd", 0.12),
    ):
        assert abs(off(fit, name, true)) < 3, name
    blind = fit_tracks(tracks)
    assert blind.aic > fit.aic + 20
    assert off(blind, "size_log_sd", 0.12) > 3


def test_conditioning_on_the_first_find_takes_away_the_bias_of_found_damage():
    """Large damage is large because it grows fast, and is found: found damage grows faster than the rest."""
    curve = DetectionCurve(40.0, 4.0)
    tracks = mappings(1200, seed=7, correlation=0.8, curve=curve)
    assert tracks["track"].nunique() < 600
    found = fit_tracks(tracks, may_stand_still=False)
    every = fit_tracks(tracks, may_stand_still=False, detection=curve)
    for name in ("rate_median", "first_median"):
        assert off(found, name, TRUE[name]) > 6, name
        assert abs(off(every, name, TRUE[name])) < 3, name
    assert (found.is_conditioned, every.is_conditioned) == (False, True)
    assert any("found damage" in words for words in found.cautions)
