"""Datasets that several parts of the tests share: tiny ones by hand, a small simulated one, the demo."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import pytest
from findings.conftest import Tiny, tiny  # noqa: F401 - the fixture is used by name

import kit
from kit.findings import Fleet
from kit.simulate import default_scenario, make_demo

DEMO = Path(__file__).parents[1] / "demo_fleet"
LAST_DAY = 4017  # 2020-12-31, the cut-off of the tiny dataset


def day(n: int) -> str:
    """Return the day so many days after 2010-01-01."""
    return (dt.date(2010, 1, 1) + dt.timedelta(n)).isoformat()


class Hand(Tiny):
    """A fleet put together in a test, to be done in one's head.

    Days are counted from 2010-01-01. An aircraft flies 10 hours and 5 cycles a day from its entry.
    """

    def __init__(self, folder: Path) -> None:
        super().__init__(folder)
        zones = self.rows["zones"]
        self.rows = {name: [] for name in self.rows}
        self.rows["zones"] = [{**row, "former_label": "", "former_label_until": ""} for row in zones]
        self._add("tasks", task="K1", zones="Z1", method="tap_manual", valid_from=day(0))
        self._add("tasks", task="K2", zones="Z2", method="tap_manual", valid_from=day(0))
        self._add("limits", limit="M1", group="flap", revision="1", valid_from=day(0), size="60")

    def _add(self, table: str, **cells: object) -> str:
        row = {"recorded_on": day(0)} | {name: str(cell) for name, cell in cells.items()}
        self.rows[table].append(row)
        return row[next(iter(cells))]

    def _new(self, table: str, letter: str) -> str:
        return f"{letter}{len(self.rows[table]) + 1}"

    def aircraft(
        self, name: str, *, entry: int = 0, records_from: int | None = None, hours_per_day: float = 10
    ) -> Hand:
        begin = "" if records_from is None else day(records_from)
        self._add(
            "aircraft", aircraft=name, subtype="S1", entry_into_service=day(entry), records_from=begin,
            recorded_on=begin or day(entry),
        )  # fmt: skip
        for n in (entry, LAST_DAY):
            self._add(
                "usage", reading=self._new("usage", "R"), aircraft=name, read_on=day(n), recorded_on=day(n),
                flight_hours=hours_per_day * (n - entry), flight_cycles=5 * (n - entry),
            )  # fmt: skip
        return self

    def panel(
        self,
        panel: str,
        aircraft: str,
        *,
        zone: str = "Z1",
        on: int = 0,
        until: int | None = None,
        state: str = "new",
        **cells: object,
    ) -> Hand:
        removed = {} if until is None else {"removed_on": day(until)}
        self._add(
            "panels", fitting=self._new("panels", "F"), panel=panel, aircraft=aircraft, zone=zone,
            fitted_on=day(on), state=state, recorded_on=day(on if until is None else until),
            **removed, **cells,
        )  # fmt: skip
        return self

    def card(self, aircraft: str, *days: int, zone: str = "Z1", **cells: object) -> Hand:
        """Close cards: each implies that its zone was tapped and clean."""
        for n in days:
            self._add(
                "cards", card=self._new("cards", "C"), task="K1" if zone == "Z1" else "K2", aircraft=aircraft,
                closed_on=day(n), recorded_on=day(n), **cells,
            )  # fmt: skip
        return self

    def clean(self, aircraft: str, *days: int, zone: str = "Z1", method: str = "tap_manual") -> Hand:
        """Record clean looks."""
        for n in days:
            self._look(aircraft, n, zone=zone, method=method, outcome="clean")
        return self

    def _look(self, aircraft: str, n: int, *, zone: str, method: str, outcome: str) -> str:
        return self._add(
            "inspections", inspection=self._new("inspections", "L"), aircraft=aircraft, zone=zone,
            inspected_on=day(n), method=method, outcome=outcome, recorded_on=day(n),
        )  # fmt: skip

    def find(
        self,
        aircraft: str,
        n: int,
        *,
        zone: str = "Z1",
        kind: str = "disbond",
        method: str = "tap_manual",
        disposition: str = "monitor",
        at: tuple[float, float] = (200, 100),
        size: float = 30,
        recorded: int | None = None,
    ) -> str:
        """Record a look that found something: an ellipse of twice the length than width."""
        look = self._look(aircraft, n, zone=zone, method=method, outcome="found")
        return self._add(
            "findings", finding=self._new("findings", "D"), inspection=look, aircraft=aircraft, zone=zone,
            found_on=day(n), method=method, kind=kind, centre_x=at[0], centre_y=at[1], length=size, width=size / 2,
            size_unit="mm", disposition=disposition, recorded_on=day(n if recorded is None else recorded),
        )  # fmt: skip

    def repair(self, finding: str, n: int, factor: float) -> Hand:
        self._add(
            "repairs", repair=self._new("repairs", "X"), finding=finding, repaired_on=day(n),
            repair_class="permanent", restoration_factor=factor, recorded_on=day(n),
        )  # fmt: skip
        return self

    def load(self) -> Fleet:
        return kit.load_fleet(self.write())


@pytest.fixture
def hand(tmp_path: Path) -> Hand:
    return Hand(tmp_path / "hand")


@pytest.fixture(scope="session")
def demo_fleet(tmp_path_factory) -> Fleet:
    """Return the demo fleet of the repository, its rejected rows written elsewhere."""
    return kit.load_fleet(DEMO, set_aside=tmp_path_factory.mktemp("demo") / "rejected_rows.csv")


@pytest.fixture(scope="session")
def demo_evidence(demo_fleet) -> kit.Evidence:
    return kit.Evidence(demo_fleet)


@pytest.fixture(scope="session")
def small_folder(tmp_path_factory) -> Path:
    """Return a simulated fleet of ten aircraft; not to be altered, copy it for that."""
    return make_demo(
        tmp_path_factory.mktemp("small") / "fleet", seed=5, scenario=default_scenario(n_aircraft=10)
    )


@pytest.fixture(scope="session")
def small_evidence(small_folder) -> kit.Evidence:
    return kit.Evidence(kit.load_fleet(small_folder, set_aside=small_folder.parent / "rejected_rows.csv"))


QUESTION = """\
name = "small"
title = "When must the lower skins of the flaps be tapped, and how often?"
group = "flap"
horizon = 40000
seed = 7
draws = 100
packages = ["base check"]

[target]
per_10000_flight_hours = 0.05
share_of_draws = 0.8

[threshold]
allowed_share = 0.2

[detection]
method = "tap_manual"
a50_mm = 20
slope = 4.0
plateau = 0.97
basis = "assumed"

[[modes]]
kind = "moisture"
clock = "calendar_days"
assumed_shape = 2.0
growth = { rate_median = 0.0164, rate_log_sd = 0.7, basis = "an estimate" }
onset = { median_mm = 19, log_sd = 0.48, basis = "an estimate" }
"""


@pytest.fixture(scope="session")
def question_text() -> str:
    """Return a question of one kind of damage, with growth and size at onset stated."""
    return QUESTION


@pytest.fixture(scope="session")
def small_question(tmp_path_factory) -> kit.Question:
    path = tmp_path_factory.mktemp("question") / "small.toml"
    path.write_text(QUESTION)
    return kit.read_question(path)
