"""The mean cumulative function, against published cases, closed forms, two libraries and what must not matter."""

import subprocess
import sys
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import surpyval
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.special import ndtri

from kit.life import mean_cumulative
from kit.life.recurrence import recurrent

REFERENCES = Path(__file__).parents[1] / "data" / "references"
EXPECTED = pd.read_csv(REFERENCES / "expected.csv").set_index(["case", "quantity"])


def expected(case, quantity):
    row = EXPECTED.loc[(case, quantity)]
    return pytest.approx(row["expected"], abs=max(row["tol_abs"], 1e-12), rel=0)


def read(case):
    return pd.read_csv(next(REFERENCES.glob(f"{case}_*.csv")))


def valve_seats():
    return read("C1").rename(columns={"engine": "unit", "days": "age", "replacement": "event"})


def three_systems():
    return read("C6").rename(columns={"system": "unit", "time": "age"})


def watches(seed, n_units=12, *, late=0.5):
    """Events at whole ages, several to an age, units that enter late and leave early."""
    rng = np.random.default_rng(seed)
    rows = []
    for unit in range(n_units):
        entry = float(rng.integers(0, 40)) if rng.random() < late else 0.0
        end = float(rng.integers(60, 120))
        events = rng.integers(int(entry) + 1, int(end) + 1, rng.poisson(3 * rng.gamma(1.0)))
        rows += [{"unit": unit, "age": float(age), "event": 1, "entry": entry} for age in events]
        rows.append({"unit": unit, "age": end, "event": 0, "entry": entry})
    return pd.DataFrame(rows)


def plainly(frame, age, *, sample=False):
    """Mean and variance at an age, by the definition with loops over units."""
    units = {
        name: (rows["entry"].iloc[0], rows.loc[rows["event"] == 0, "age"].iloc[0], rows.loc[rows["event"] == 1, "age"].tolist())
        for name, rows in frame.groupby("unit")
    }  # fmt: skip
    ages = sorted(frame.loc[(frame["event"] == 1) & (frame["age"] <= age), "age"].unique())
    mean, sums, steps = 0.0, dict.fromkeys(units, 0.0), []
    for t in ages:
        here = [name for name, (entry, end, _) in units.items() if entry < t <= end]
        d = {name: units[name][2].count(t) for name in here}
        step = sum(d.values()) / len(here)
        mean += step
        for name in here:
            sums[name] += (d[name] - step) / len(here)
        steps.append((d, step, len(here)))
    if not sample:
        return mean, sum(value**2 for value in sums.values())
    variance = 0.0
    for k, (late, step, n) in enumerate(steps):
        variance += sum((x - step) ** 2 for x in late.values()) / (n - 1) / n
        for early, _, m in steps[:k]:
            variance += 2 * sum((x - step) * early.get(name, 0) for name, x in late.items()) / (n - 1) / m
    return mean, variance


@pytest.mark.parametrize("day", [61, 139, 326, 410, 581, 621, 653])
def test_mean_cumulative_valve_seats_nelson_1995(day):
    """41 engines, 48 replacements; the robust error is that of Lawless and Nadeau."""
    table = mean_cumulative(valve_seats()).to_frame()
    row = table[table["age"] <= day].iloc[-1]
    assert row["mcf"] == expected("C1", f"mcf_{day}")
    assert row["standard_error"] == expected("C1", f"se_robust_{day}")
    assert row["at_risk"] == expected("C1", f"at_risk_{day}")


def test_counts_valve_seats_nelson_1995():
    result = mean_cumulative(valve_seats())
    assert result.n_units == expected("C1", "engines")
    assert result.n_events == expected("C1", "replacements")


@pytest.mark.parametrize("age", [1, 5, 8, 16])
def test_mean_cumulative_three_systems_meeker_escobar_1998(age):
    table = mean_cumulative(three_systems()).to_frame().set_index("age")
    assert table.loc[age, "mcf"] == expected("C6", f"mcf_{age}")
    assert table.loc[age, "standard_error"] ** 2 == expected("C6", f"var_robust_{age}")


@pytest.mark.parametrize("seed", range(5))
@pytest.mark.parametrize("sample", [False, True])
def test_mean_and_variance_are_those_of_the_definition(seed, sample, monkeypatch):
    """The blocks of ages that are held at once are made small, so that several are needed."""
    monkeypatch.setattr(recurrent, "_CELLS", 60)
    frame = watches(seed)
    table = mean_cumulative(frame, variance="sample" if sample else "robust").to_frame()
    for row in table.iloc[:: max(len(table) // 6, 1)].itertuples():
        mean, variance = plainly(frame, row.age, sample=sample)
        assert row.mcf == pytest.approx(mean, rel=1e-12)
        assert row.standard_error == pytest.approx(np.sqrt(variance) if variance > 0 else np.nan, rel=1e-9, nan_ok=True)  # fmt: skip


def test_with_all_units_watched_alike_the_sample_form_is_the_variance_of_a_mean():
    """Then it is that of the units' own counts over their number, and the robust form has n in place of n - 1."""
    frame = watches(3, late=0.0)
    frame.loc[frame["event"] == 0, "age"] = 200.0
    counts = frame.groupby("unit")["event"].sum()
    n = len(counts)
    sample, robust = (
        mean_cumulative(frame, variance=name).standard_error[-1] for name in ("sample", "robust")
    )
    assert sample == pytest.approx(np.sqrt(counts.var(ddof=1) / n))
    assert robust == pytest.approx(np.sqrt(counts.var(ddof=0) / n))


@pytest.mark.parametrize("seed", range(3))
def test_surpyval_gives_the_same_mean_and_robust_variance(seed):
    frame = watches(seed, n_units=30)
    ours = mean_cumulative(frame)
    other = surpyval.NonParametricCounting.fit(
        x=frame["age"].to_numpy(), i=frame["unit"].to_numpy(), c=1 - frame["event"].to_numpy(), tl=frame["entry"].to_numpy()
    )  # fmt: skip
    at = np.searchsorted(other.x, ours.age)
    np.testing.assert_allclose(other.mcf_hat[at], ours.mcf, rtol=1e-12)
    np.testing.assert_allclose(other.var[at], ours.standard_error**2, rtol=1e-9)


@pytest.mark.long
def test_reliability_has_the_same_mean_and_leaves_out_that_events_of_a_unit_go_together():
    """Its variance adds up over events as if each came from a unit of its own: 0.421 where 0.755 is right (C6).

    In a process of its own: its import changes how numpy warns and pandas prints.
    """
    call = (
        "from reliability.Repairable_systems import MCF_nonparametric as f;"
        "m = f([[5, 8, 12], [16], [1, 8, 16, 20]], print_results=False, show_plot=False);"
        "print(float(m.MCF[-1]), float(m.variance[-1]))"
    )
    said = subprocess.run([sys.executable, "-c", call], capture_output=True, text=True, check=True).stdout
    mean, variance = map(float, said.split())
    ours = mean_cumulative(three_systems())
    assert mean == pytest.approx(ours.mcf[-1])
    assert variance == pytest.approx(0.42130, abs=1e-5)
    assert ours.standard_error[-1] ** 2 == pytest.approx(0.75463, abs=1e-5)


def test_late_units_enter_the_risk_set_late():
    frame = pd.DataFrame(
        {"unit": list("aabb"), "age": [5, 20, 12, 20], "event": [1, 0, 1, 0], "entry": [0, 0, 10, 10]}
    )
    result = mean_cumulative(frame)
    assert result.at_risk.tolist() == [1, 2]
    assert result.mcf.tolist() == [1.0, 1.5]
    late = mean_cumulative(frame[frame["unit"] == "b"])
    assert "no unit is watched before 10" in " ".join(late.cautions)


def test_bounds_of_the_mean_number_of_clustered_events_cover_it():
    """60 units whose rates differ as a gamma of shape 1: events of a unit go together."""
    rng = np.random.default_rng(1)
    inside = 0
    for _ in range(300):
        counts = rng.poisson(3 * rng.gamma(1.0, size=60))
        unit = np.r_[np.repeat(np.arange(60), counts), np.arange(60)]
        age = np.r_[100 * rng.random(counts.sum()), np.full(60, 100.0)]
        event = np.r_[np.ones(counts.sum(), int), np.zeros(60, int)]
        low, high = mean_cumulative(pd.DataFrame({"unit": unit, "age": age, "event": event})).bounds(
            level=0.9
        )
        inside += low[-1] <= 3 <= high[-1]
    assert 0.85 <= inside / 300 <= 0.94


@settings(max_examples=20, deadline=None, derandomize=True)
@given(st.integers(0, 10_000), st.floats(0.01, 100.0))
def test_order_of_rows_names_and_unit_of_age_do_not_matter(seed, factor):
    frame = watches(seed)
    one = mean_cumulative(frame)
    changed = frame.assign(
        age=frame["age"] * factor, entry=frame["entry"] * factor, unit="u" + frame["unit"].astype(str)
    )
    other = mean_cumulative(changed.sample(frac=1.0, random_state=seed))
    np.testing.assert_allclose(other.age, one.age * factor)
    np.testing.assert_allclose(other.mcf, one.mcf)
    np.testing.assert_allclose(other.standard_error, one.standard_error, rtol=1e-9)


def test_a_count_is_so_many_rows_and_a_cost_weighs_events():
    frame = watches(4)
    events = frame[frame["event"] == 1]
    twice = mean_cumulative(pd.concat([frame, events], ignore_index=True))
    counted = mean_cumulative(frame.assign(count=2))
    np.testing.assert_allclose(counted.mcf, twice.mcf)
    np.testing.assert_allclose(counted.standard_error, twice.standard_error)
    assert counted.n_events == twice.n_events == 2 * len(events)
    paid = mean_cumulative(frame.assign(cost=250.0))
    np.testing.assert_allclose(paid.mcf, 250 * mean_cumulative(frame).mcf)
    assert paid.n_events == len(events)


def test_bounds_are_normal_on_the_scale_that_is_named():
    result = mean_cumulative(valve_seats())
    low, high = result.bounds(level=0.9)
    np.testing.assert_allclose(low * high, result.mcf**2)
    assert (low > 0).all()
    np.testing.assert_allclose(np.log(high / result.mcf), ndtri(0.95) * result.standard_error / result.mcf)
    low, high = result.bounds(level=0.9, scale="plain")
    np.testing.assert_allclose((low + high) / 2, result.mcf)


def test_the_mean_steps_at_events_and_is_0_before():
    result = mean_cumulative(three_systems())
    assert result.at([0.5, 1.0, 7.9, 8.0, 99.0]) == pytest.approx([0, 1 / 3, 2 / 3, 4 / 3, 11 / 6])
    assert result["mcf"].tolist() == result.to_frame()["mcf"].tolist()
    assert repr(result) == "MeanCumulative(units=3, events=5, 1.833 at 16)"


def test_there_is_no_standard_error_where_units_do_not_differ():
    alone = mean_cumulative(pd.DataFrame({"unit": [1, 1], "age": [3.0, 9.0], "event": [1, 0]}))
    alike = mean_cumulative(
        pd.DataFrame({"unit": list("aabb"), "age": [3.0, 9, 3, 9], "event": [1, 0, 1, 0]})
    )
    for result in (alone, alike):
        assert np.isnan(result.standard_error).all()
        assert np.isnan(result.bounds()).all()
        assert "no standard error at 1 of 1 ages" in " ".join(result.cautions)
    assert np.isnan(mean_cumulative(three_systems().query("unit == 'A'"), variance="sample").standard_error).all()  # fmt: skip


def test_few_under_watch_are_named_with_the_age():
    assert mean_cumulative(valve_seats()).cautions == ()
    assert "fewer than 5 units are under watch at some ages, first at 1" in mean_cumulative(three_systems()).cautions[0]  # fmt: skip


def test_an_event_at_age_0_of_a_unit_watched_from_new_counts():
    frame = pd.DataFrame({"unit": list("aab"), "age": [0.0, 9, 9], "event": [1, 0, 0]})
    assert mean_cumulative(frame).at(0.0) == 0.5


def test_no_events_give_an_empty_table():
    result = mean_cumulative(pd.DataFrame({"unit": [1], "age": [9.0], "event": [0]}))
    assert len(result.to_frame()) == 0
    assert result.at(5.0) == 0.0
    assert "no events" in repr(result)


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"event": [1, 2, 1, 0]}, r"`event` must be 1, or 0 .*Got 2 in row 1 \(unit a\), 1 of 4 rows"),
        ({"event": [1, 1, 1, 0]}, "one row with `event` 0.*Got 0 for unit a, 1 of 2 units"),
        ({"event": [1, 0, 0, 0]}, "Got 2 for unit b"),
        ({"age": [5, 3, 2, 9]}, r"not be beyond the unit's end of watch. Got 5.0 in row 0 \(unit a\)"),
        ({"age": [5, np.nan, 2, 9]}, "`age` must be finite and at least 0. Got nan in row 1"),
        ({"unit": ["a", None, "b", "b"]}, "Got a blank in row 1"),
        ({"entry": [0, 0, 1, 2]}, "`entry` must be the same in all rows of a unit. Got 1.0 in row 2"),
        ({"entry": [6, 6, 0, 0]}, r"`age` must be after the unit's entry. Got 5.0 in row 0"),
        ({"entry": [0, 0, -1, -1]}, "`entry` must be finite and at least 0. Got -1.0 in row 2"),
        ({"count": [1, 1, 0, 1]}, "`count` must be above 0 for every event. Got 0.0 in row 2"),
        ({"cost": [1, 1, np.nan, 1]}, "`cost` must be finite for every event. Got nan in row 2"),
    ],
)  # fmt: skip
def test_impossible_tables_are_refused(change, message):
    frame = pd.DataFrame({"unit": list("aabb"), "age": [5.0, 8, 2, 9], "event": [1, 0, 1, 0]})
    with pytest.raises(ValueError, match=message):
        mean_cumulative(frame.assign(**change))


def test_other_bad_input_gets_one_clear_error():
    frame = three_systems()
    with pytest.raises(ValueError, match="event missing"):
        mean_cumulative(frame.drop(columns="event"))
    with pytest.raises(ValueError, match="Got no rows"):
        mean_cumulative(frame.iloc[:0])
    with pytest.raises(ValueError, match=r"robust, sample. Got 'naive'"):
        mean_cumulative(frame, variance="naive")
    with pytest.raises(ValueError, match=r"`level` must be above 0 and below 1. Got 95"):
        mean_cumulative(frame).bounds(level=95)
    with pytest.raises(ValueError, match=r"`scale` must be log or plain. Got 'logit'"):
        mean_cumulative(frame).bounds(scale="logit")
    with pytest.raises(ValueError, match=r"`entry` must not be beyond the end of watch. Got 20 and 9 for unit 1"):  # fmt: skip
        mean_cumulative(pd.DataFrame({"unit": [1], "age": [9.0], "event": [0], "entry": [20.0]}))
