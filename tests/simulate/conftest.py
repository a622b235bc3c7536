"""One small and one full demo, made once for all tests of the simulator."""

from dataclasses import dataclass
from pathlib import Path

import pandas as pd
import pytest

from kit.findings.tables import TABLES
from kit.simulate import default_scenario, make_demo, simulate_truth


@dataclass
class Demo:
    folder: Path
    tables: dict[str, pd.DataFrame]
    blemishes: pd.DataFrame

    def rows_with(self, table, *traps):
        """Ids of rows with an injected error of these traps."""
        chosen = self.blemishes["table"].eq(table) & self.blemishes["trap"].isin(traps)
        return set(self.blemishes.loc[chosen, "row"])


def read(path):
    return pd.read_csv(path, dtype=str, keep_default_na=False)


@pytest.fixture(scope="session")
def demo(tmp_path_factory):
    folder = make_demo(tmp_path_factory.mktemp("demo") / "fleet")
    # Taps are handed in as files that findings name; they have no table of their own in the demo.
    tables = {name: read(folder / f"{name}.csv") for name in TABLES if name != "taps"}
    return Demo(folder, tables, read(folder / "truth" / "blemishes.csv"))


@pytest.fixture(scope="session")
def small_scenario():
    return default_scenario(n_aircraft=4)


@pytest.fixture(scope="session")
def full_truth():
    return simulate_truth()
