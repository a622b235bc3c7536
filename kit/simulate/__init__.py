"""The invented demo fleet: what really happened, and what its operator would hold."""

from kit.simulate.damage import simulate_truth
from kit.simulate.operator import operator_tables
from kit.simulate.scenario import Scenario, default_scenario
from kit.simulate.write import make_demo

__all__ = ["Scenario", "default_scenario", "make_demo", "operator_tables", "simulate_truth"]
