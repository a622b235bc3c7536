"""How far answers hang on their seed is measured as it is told."""

from types import SimpleNamespace

import numpy as np
import pytest

from kit.intervals import monte_carlo
from kit.simulate import seed_noise
from kit.simulate.seed_noise import Noise, page


def one(question, draws, risk, found, said=0.04, rise=0.5):
    return Noise(question, draws, 96, risk, rise, said, found, 1.0)


def test_an_interval_that_sampling_alone_shortens_is_told_by_how_much_it_would_be_longer():
    """Risk as the root of the interval: 10 % more of it is an interval 21 % shorter, by hand."""
    text = page([one("flap", 1024, 0.11, 0.05), one("flap", 4096, 0.10, 0.02)], 8)
    assert "| flap | 1,024 | 96 | 5.0% | 4.0% | 21% |" in text
    assert "| flap | 4,096 | 96 | 2.0% | 4.0% | 0% |" in text


def test_the_page_gives_median_and_largest_over_questions():
    text = page([one("flap", 1024, 0.1, 0.02), one("radome", 1024, 0.1, 0.06)], 8)
    assert "| 1,024 | 96 | 4.0%, 6.0% | 4.0%, 4.0% | 0%, 0% | 1.0 s |" in text


def test_scatter_over_seeds_is_that_of_the_risk_over_how_it_rises(monkeypatch):
    """Risk as a power 2 of the interval times e^(seed): its log scatters by 1 over seeds 0, 1, 2, the interval's by 1/2."""
    now = {}
    monkeypatch.setattr(seed_noise, "with_numbers", lambda ask, _: now.update(seed=ask.seed) or ask)
    monkeypatch.setattr(seed_noise, "beliefs", lambda *_: ())
    monkeypatch.setattr(seed_noise, "problem_of", lambda ask, *_, **__: SimpleNamespace(ask=ask))
    monkeypatch.setattr(
        monte_carlo, "held_values", lambda _, first, repeat: np.full(9, repeat**2 * np.exp(now["seed"]))
    )
    monkeypatch.setattr(seed_noise, "monte_carlo_error", lambda *_: 0.25)

    class Asked:
        name, target = "flap", type("", (), {"share_of_draws": 0.95})

        def model_copy(self, update):
            self.seed = update["seed"]
            return self

    evidence = type("", (), {"fleet": None})
    found = seed_noise.noise(evidence, Asked(), draws=9, samples=48, seeds=[0, 1, 2], first=4e3, repeat=2e3)
    assert found.rise == pytest.approx(2.0)
    assert found.found == pytest.approx(0.5)
    assert found.risk == pytest.approx(2e3**2 * np.exp(1.0))
    assert found.said == 0.25
