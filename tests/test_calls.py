"""Calls that notebooks, the command line and outside checks rely on stay where they are, with these arguments."""

import inspect

import pytest

import kit

CALLS = {
    "load_fleet": "source set_aside",
    "build_histories": "fleet kind clock zones basis",
    "fit_weibull": "histories lower upper entry count cluster detection",
    "fit_turnbull": "lower upper entry count",
    "fit_regression": "frame formula_or_columns",
    "fit_moisture_then_disbond": "frame",
    "mean_cumulative": "frame",
    "fit_power_law": "ages end",
    "fit_hit_miss": "size hit group",
    "tap_grid_chance": "length width pitch angle",
    "measure": "geometries",
    "track": "regions",
    "interval_risk": "life growth detection limit first repeat horizon",
    "failure_finding_interval": "scale shape unavailability method",
    "age_replacement": "scale shape cost_ratio",
    "recommend": "fleet question",
    "write_decision": "answer folder",
    "rerun": "path fleet",
}

METHODS = {
    "fit_weibull": "survival quantile quantile_bounds bounds draws standard_error to_frame",
    "fit_turnbull": "to_frame band survival_range",
    "Histories": "from_looks to_frame",
    "Fleet": "as_known_on fingerprint",
}


@pytest.mark.parametrize("name", CALLS)
def test_a_call_takes_the_arguments_that_others_rely_on(name):
    parameters = inspect.signature(getattr(kit, name)).parameters
    assert set(CALLS[name].split()) <= set(parameters)


@pytest.mark.parametrize("name", CALLS)
def test_a_call_needs_no_more_than_what_is_written(name):
    parameters = inspect.signature(getattr(kit, name)).parameters.values()
    needed = {
        p.name for p in parameters if p.default is p.empty and p.kind not in (p.VAR_KEYWORD, p.VAR_POSITIONAL)
    }
    assert needed <= set(CALLS[name].split())


@pytest.mark.parametrize("name", METHODS)
def test_a_result_has_what_others_ask_it_for(name):
    thing = getattr(kit, name)
    if inspect.isfunction(thing):
        result = thing(
            lower=[0, 1000, 1000, 2000], upper=[1000, 2000, float("inf"), float("inf")], count=[2, 9, 30, 20]
        )
    else:
        result = thing
    for method in METHODS[name].split():
        assert callable(getattr(result, method))


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("fit_shared", "fit_frailty"),
        ("SharedFit", "FrailtyFit"),
        ("scale_lower_bound", "weibayes_bound"),
        ("detection_ridge", "detection_profile"),
        ("DetectionRidge", "DetectionProfile"),
    ],
)
def test_an_old_name_still_works_for_one_release(old, new):
    assert getattr(kit.life, old) is getattr(kit.life, new)
