"""The invented demo fleet: what really happened, and what its operator would hold."""

from kit.simulate.damage import simulate_truth
from kit.simulate.demo_scenario import default_scenario
from kit.simulate.extract import EXTRACT_UNITS, make_extract
from kit.simulate.operator import operator_tables
from kit.simulate.scenario import Scenario
from kit.simulate.write import make_demo

__all__ = [
    "EXTRACT_UNITS",
    "Scenario",
    "default_scenario",
    "make_demo",
    "make_extract",
    "operator_tables",
    "simulate_truth",
]
