import math
from datetime import date

import pytest

from kit.simulate import default_scenario


def a90(pod):
    return pod.a50 * math.exp(-pod.spread * math.log(pod.plateau / 0.9 - 1))


def test_fleet_has_900_panels_in_the_ten_groups_of_the_contract():
    scenario = default_scenario()
    labels = {f.group: [z.label for z in f.zones] for f in scenario.families}
    assert sum(len(z) for z in labels.values()) * scenario.n_aircraft == 900
    assert labels["flap"] == ["575", "576", "675", "676"]
    assert labels["cowl_door"] == ["415", "416", "425", "426"]
    assert labels["gear_door"] == ["732", "742"]
    assert set(labels) == {
        "radome", "fairing", "rudder", "elevator", "trailing_edge", "aileron", "flap", "spoiler", "cowl_door", "gear_door"
    }  # fmt: skip


@pytest.mark.parametrize(
    ("method", "skin_class", "size"),
    [
        ("tap_manual", "thin", 38),
        ("tap_manual", "mid", 52),
        ("tap_manual", "thick", 113),
        ("tap_instrumented", "thin", 25),
    ],
)
def test_size_found_nine_times_in_ten_is_the_stated_one(method, skin_class, size):
    """The scenario states the curves and, separately and in whole mm, these a90."""
    assert a90(default_scenario().pod(method, skin_class)) == pytest.approx(size, abs=0.5)


def test_radome_is_a_64_gon_on_a_circle_of_1150_mm():
    corners = default_scenario().family("radome").outline
    assert len(corners) == 64
    assert all(math.hypot(x - 575, y - 575) == pytest.approx(575, abs=0.01) for x, y in corners)


def test_limit_of_critical_panels_falls_from_30_to_25_mm_in_2014():
    scenario = default_scenario()
    rudder, flap = scenario.family("rudder"), scenario.family("flap")
    assert [scenario.limit_on(rudder, date(y, 1, 1)) for y in (2014, 2015)] == [30.0, 25.0]
    assert [scenario.limit_on(flap, date(y, 1, 1)) for y in (2014, 2015)] == [40.0, 40.0]


def test_mirror_zones_are_mutual_and_on_the_other_side():
    for family in default_scenario().families:
        zones = {z.label: z for z in family.zones}
        for z in family.zones:
            if z.side != "centre":
                assert zones[z.mirror].mirror == z.label
                assert {z.side, zones[z.mirror].side} == {"left", "right"}


def test_empty_fleet_is_refused_with_the_value_given():
    with pytest.raises(ValueError, match=r"`n_aircraft` must be at least 1\. Got 0 instead"):
        default_scenario(n_aircraft=0)
