"""Plotting positions against tables of median ranks and hand-worked adjusted ranks."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy.special import betainc

from kit.life.fits.ranks import median_ranks, plotting_positions
from kit.life.lives.censored import Histories

REFERENCES = Path(__file__).parents[1] / "data" / "references"
EXPECTED = pd.read_csv(REFERENCES / "expected.csv").query("case == 'B5'")
TABLE = pd.read_csv(REFERENCES / "B5_median_ranks.csv")


def histories_of(lower, upper, entry=None, count=None):
    """Histories with a clean look at each lower age above 0 and a find at each finite upper age."""
    rows = []
    for i, (low, up) in enumerate(zip(lower, upper, strict=True)):
        more = {
            "life": f"{i:04d}",
            "entry": 0.0 if entry is None else entry[i],
            "count": 1.0 if count is None else count[i],
        }
        if low > 0:
            rows.append({"age": low, "found": False, **more})
        if np.isfinite(up):
            rows.append({"age": up, "found": True, **more})
    return Histories.from_looks(pd.DataFrame(rows))


@pytest.mark.parametrize("row", list(EXPECTED.itertuples()), ids=lambda row: row.quantity)
def test_median_ranks_benard_bos_levenbach_1953(row):
    """Exact medians, and the error of the approximation of Benard & Bos-Levenbach (1953).

    ERRATA: the sixth of six is printed as .8910; it is .8909.
    """
    if row.quantity.startswith("max_abs_benard_error"):
        n = int(row.quantity.rsplit("n", 1)[1])
        got = np.abs(median_ranks(n) - median_ranks(n, method="benard")).max()
    else:
        n, i = (int(part[1:]) for part in row.quantity.split("_")[:2])
        got = median_ranks(n)[i - 1]
    assert got == pytest.approx(row.expected, abs=row.tol_abs, rel=0)


@pytest.mark.parametrize("n", sorted(TABLE["n"].unique()))
def test_median_ranks_of_the_whole_table(n):
    """Six printed digits, so half a unit of the sixth."""
    rows = TABLE.loc[TABLE["n"] == n]
    np.testing.assert_allclose(median_ranks(n)[rows["i"] - 1], rows["median_rank_exact"], atol=5.1e-7, rtol=0)
    np.testing.assert_allclose(
        median_ranks(n, method="benard")[rows["i"] - 1], rows["benard_approx"], atol=5.1e-7, rtol=0
    )


@pytest.mark.parametrize("n", [1, 2, 30, 5000])
def test_median_ranks_are_medians(n):
    share, i = median_ranks(n), np.arange(1, n + 1)
    np.testing.assert_allclose(betainc(i, n - i + 1, share), 0.5, rtol=1e-9)
    np.testing.assert_allclose(share + share[::-1], 1.0, rtol=1e-9)


def test_complete_data_have_the_median_ranks():
    ages = 100.0 * np.array([3, 1, 2, 5, 4, 6])
    frame = plotting_positions(histories_of(ages - 50, ages))
    np.testing.assert_allclose(frame["upper"], np.sort(ages))
    np.testing.assert_allclose(frame["share"], median_ranks(6), rtol=1e-12)


def test_adjusted_ranks_worked_by_hand():
    """Five lives: found 100, clean to 150, found 200, clean to 250, found 300.

    Ranks 1, then 1 + 5/4 = 2.25 with 3 left, then 2.25 + 3.75/2 = 4.125 with 1 left.
    """
    inf = np.inf
    frame = plotting_positions(histories_of([50, 150, 150, 250, 250], [100, inf, 200, inf, 300]))
    for share, rank in zip(frame["share"], [1.0, 2.25, 4.125], strict=True):
        assert betainc(rank, 5 - rank + 1, share) == pytest.approx(0.5, rel=1e-9)


def test_adjusted_ranks_with_left_truncation_worked_by_hand():
    """Four lives, one of them under watch from 150 on, so that 3 are at risk at the find at 100.

    Rank (5)/4 = 1.25 with 3 at risk; then 1.25 + 3.75/4 = 2.1875 with 3 at risk (the late one has come).
    """
    inf = np.inf
    frame = plotting_positions(histories_of([50, 150, 300, 300], [100, 200, inf, inf], entry=[0, 0, 0, 150]))
    for share, rank in zip(frame["share"], [1.25, 2.1875], strict=True):
        assert betainc(rank, 4 - rank + 1, share) == pytest.approx(0.5, rel=1e-9)


def test_a_life_clean_at_the_age_of_a_find_is_still_under_watch_there():
    inf = np.inf
    with_it = plotting_positions(histories_of([100, 200, 200], [200, inf, inf]))
    rank = 1.0  # 4 / (3 + 1)
    assert betainc(rank, 3 - rank + 1, with_it["share"][0]) == pytest.approx(0.5)


def test_a_count_stands_for_as_many_rows():
    inf = np.inf
    lower, upper, count = (
        np.array([50, 150, 100, 250]),
        np.array([100, 200, inf, inf]),
        np.array([2, 3, 1, 4]),
    )
    counted = plotting_positions(histories_of(lower, upper, count=count))
    repeated = plotting_positions(histories_of(np.repeat(lower, count), np.repeat(upper, count)))
    pd.testing.assert_frame_equal(counted, repeated)


def test_shares_rise_and_follow_the_share_found_in_a_large_sample():
    """10,000 lives of scale 1, looked at once each 0.01, half clean from 1.0 on: F(t) within 4 standard errors."""
    onset = np.random.default_rng(5).weibull(2.0, 10_000)
    lower = np.floor(onset * 100) / 100
    stops = np.where(np.arange(10_000) % 2, 1.0, 9.0)
    found = lower < stops
    frame = plotting_positions(
        histories_of(np.where(found, lower, stops), np.where(found, lower + 0.01, np.inf))
    )
    share = frame["share"].to_numpy()
    assert (np.diff(share) > 0).all()
    truth = -np.expm1(-(frame["upper"] ** 2))
    early = frame["upper"] < 1.0
    assert (np.abs(share - truth)[early] < 4 * np.sqrt(truth * (1 - truth) / 10_000)[early] + 1e-3).all()


def test_no_finds_have_no_positions():
    frame = plotting_positions(histories_of([100, 200], [np.inf, np.inf]))
    assert list(frame.columns) == ["lower", "upper", "share"]
    assert frame.empty


@pytest.mark.parametrize(
    ("arguments", "message"), [((0,), "`n` must"), ((2.5,), "`n` must"), ((3, "mean"), "`method` must")]
)
def test_median_ranks_refuse(arguments, message):
    with pytest.raises(ValueError, match=message):
        median_ranks(*arguments)
