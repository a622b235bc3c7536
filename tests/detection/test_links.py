"""Links have the right shares, inverses and derivatives, also far out."""

import numpy as np
import pytest
from mpmath import erfc, exp, mp, mpf, sqrt
from scipy.optimize import approx_fprime

from kit.detection.links import LINKS, check_link, line_at, shares


def exact(link, x):
    x = mpf(x)
    if link == "logit":
        return 1 / (1 + exp(-x))
    return erfc(-x / sqrt(2)) / 2 if link == "probit" else 1 - exp(-exp(x))


@pytest.mark.parametrize("link", LINKS)
@pytest.mark.parametrize("x", [-20.0, -3.0, -0.1, 0.0, 0.7, 2.5])
def test_share_and_rest_agree_with_arithmetic_of_60_digits(link, x):
    mp.dps = 60
    share, rest, _, _ = (float(part) for part in shares(link, np.array(x)))
    assert share == pytest.approx(float(exact(link, x)), rel=1e-13)
    assert rest == pytest.approx(float(1 - exact(link, x)), rel=1e-13)


@pytest.mark.parametrize("link", LINKS)
def test_derivatives_are_those_of_the_share(link):
    for x in (-4.0, -1.0, 0.3, 1.5):
        at = np.array([x])
        _, _, first, second = (float(part[0]) for part in shares(link, at))
        assert first == pytest.approx(
            approx_fprime(at, lambda v: float(shares(link, v).share[0]), 1e-7)[0], rel=1e-5
        )
        assert second == pytest.approx(
            approx_fprime(at, lambda v: float(shares(link, v).first[0]), 1e-7)[0], rel=1e-4, abs=1e-7
        )


@pytest.mark.parametrize("link", LINKS)
def test_the_line_at_a_share_gives_the_share_back(link):
    p = np.array([1e-12, 0.01, 0.5, 0.9, 0.999999])
    np.testing.assert_allclose(shares(link, line_at(link, p)).share, p, rtol=1e-10)
    assert line_at(link, 1.0) == np.inf
    assert line_at(link, 0.0) == -np.inf


def test_an_unknown_link_is_named_with_those_there_are():
    with pytest.raises(ValueError, match=r"one of logit, probit, cloglog. Got 'log'"):
        check_link("log")
