"""The skin over a disbond as a clamped plate: published roots and worked cases."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy.special import iv, jv

from kit.detection import (
    centre_stiffness,
    expected_contact_ratio,
    plate_frequency,
    plate_root,
    plate_stiffness,
    size_at_ratio,
)
from kit.regions import half_sine_contact_time

REFERENCES = Path(__file__).parents[1] / "data" / "references"
EXPECTED = pd.read_csv(REFERENCES / "expected.csv").query("case == 'G1'")
CASES = pd.read_csv(REFERENCES / "G1_plate_over_disbond.csv").set_index("case")
SKIN = {"modulus_gpa": 70.0, "thickness_mm": 0.5, "poisson": 0.33}


def g1(quantity):
    if quantity.startswith("lambda2_"):
        return plate_root(int(quantity[-2]), int(quantity[-1]))
    case = next(name for name in CASES.index if quantity.startswith(name))
    row = CASES.loc[case]
    skin = {"modulus_gpa": row["E_Pa"] / 1e9, "thickness_mm": row["h_m"] * 1e3, "poisson": row["nu"]}
    diameter = 2e3 * row["radius_m"]
    return {
        "D_Nm": lambda: plate_stiffness(**skin),
        "f_Hz": lambda: plate_frequency(diameter, **skin, density_kg_m3=row["rho_kg_m3"]),
        "centre_stiffness_N_per_m": lambda: centre_stiffness(diameter, **skin),
        "half_sine_contact_s_for_10g": lambda: (
            half_sine_contact_time(centre_stiffness(diameter, **skin), hammer_mass=0.01) / 1e6
        ),
    }[quantity.removeprefix(case + "_")]()


@pytest.mark.parametrize("row", list(EXPECTED.itertuples()), ids=lambda row: row.quantity)
def test_clamped_plate_leissa_1969_and_worked_cases(row):
    assert float(g1(row.quantity)) == pytest.approx(row.expected, abs=row.tol_abs)


def test_every_reference_value_of_the_plate_is_looked_at():
    assert len(EXPECTED) == 16


@pytest.mark.parametrize("n", range(6))
@pytest.mark.parametrize("circles", range(4))
def test_roots_solve_the_equation_in_order(n, circles):
    x = np.sqrt(plate_root(n, circles))
    terms = jv(n, x) * iv(n + 1, x), iv(n, x) * jv(n + 1, x)
    assert sum(terms) == pytest.approx(0, abs=1e-9 * abs(terms[0]))
    grid = np.linspace(1e-3, x * (1 - 1e-9), 20000)
    values = jv(n, grid) * iv(n + 1, grid) + iv(n, grid) * jv(n + 1, grid)
    assert (np.diff(np.sign(values)) != 0).sum() == circles  # as many roots below it as it has nodal circles


def test_a_disbond_of_no_size_sounds_as_the_skin_and_ratio_and_size_invert():
    hammer = {"hammer_mass": 0.01, "sound_contact_time_us": 300.0}
    sizes = np.array([1e-6, 5.0, 20.0, 60.0])
    ratio = expected_contact_ratio(sizes, **SKIN, **hammer)
    assert ratio[0] == pytest.approx(1.0)
    assert (np.diff(ratio) > 0).all()
    np.testing.assert_allclose(size_at_ratio(ratio[1:], **SKIN, **hammer), sizes[1:], rtol=1e-9)
    # springs in series, put together here the long way
    k_sound = 0.01 * (np.pi / 300e-6) ** 2
    k = 1 / (1 / k_sound + 1 / centre_stiffness(20.0, **SKIN))
    assert ratio[2] == pytest.approx(half_sine_contact_time(k, hammer_mass=0.01) / 300.0)


def test_thicker_skin_needs_a_larger_disbond():
    hammer = {"hammer_mass": 0.01, "sound_contact_time_us": 300.0}
    thin, thick = (size_at_ratio(1.3, **SKIN | {"thickness_mm": h}, **hammer) for h in (0.5, 1.0))
    assert thick == pytest.approx(thin * 2**1.5)  # stiffness with the cube of thickness


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: plate_stiffness(**SKIN | {"poisson": 1.0}), r"`poisson` .*Got 1.0"),
        (
            lambda: plate_stiffness(**SKIN | {"thickness_mm": 0}),
            r"`thickness_mm` must be positive and finite. Got 0",
        ),
        (lambda: centre_stiffness([10.0, -1.0], **SKIN), r"`diameter` must be positive and finite"),
        (lambda: plate_root(-1), r"`n_diameters` must be a whole number of at least 0. Got -1"),
        (
            lambda: size_at_ratio(0.9, **SKIN, hammer_mass=0.01, sound_contact_time_us=300),
            r"`ratio` .*Got 0.9",
        ),
    ],
)
def test_wrong_arguments_are_refused(call, message):
    with pytest.raises(ValueError, match=message):
        call()
