"""How soon a repaired panel must be looked at again, against one that was never repaired."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from kit.life.recurrence.restoration import RestorationFit
from kit.numerics.words import in_words, percent

_MOST = 2.0  # largest factor that is examined; a bound without end is read there


@dataclass(frozen=True, eq=False)
class AfterRepair:
    """Times after a repair until a share of such panels has damage again.

    Parameters
    ----------
    fit : RestorationFit
        The factors and the life.
    age : float
        Age of the panel at its repair [clock units].
    share : float
        Share with damage [-].
    level : float
        Confidence of the bounds of the factors [-].
    table : DataFrame
        Index group; lives, finds [-], factor with lower and upper [-], after with after_lower (at the upper factor) and after_upper
        [clock units], of_new: after as a share of the time from new [-]; pays: yes, no or open.
    new : float
        Time from new until the share has damage [clock units].
    """

    fit: RestorationFit
    age: float
    share: float
    level: float
    table: pd.DataFrame
    new: float

    def __repr__(self) -> str:
        """Return one line."""
        told = ", ".join(f"{name} {after:,.0f}" for name, after in self.table["after"].items())
        return f"AfterRepair({percent(self.share)} again after: {told}; new {self.new:,.0f} {self.fit.life.clock})"

    def to_frame(self) -> pd.DataFrame:
        """Return one row a group of repairs.

        Returns
        -------
        DataFrame
            As `table`.
        """
        return self.table

    def words(self) -> str:
        """Say what each repair leaves of the age, and how soon the first look after it is due.

        Returns
        -------
        str
            Markdown.
        """
        unit = in_words(self.fit.life.clock)
        lines = [
            f"A new panel has {percent(self.share)} chance of {in_words(self.fit.life.kind)} by **{self.new:,.0f} {unit}**. "
            f"A panel repaired at {self.age:,.0f} {unit} ({percent(self.level)} bounds of the factor, the shorter time first):",
            "",
        ]
        for name, row in self.table.iterrows():
            verdict = {
                "yes": "younger than before: the repair pays",
                "no": "older than before: sooner damaged than had nothing been done, or prone from the start",
                "open": "the looks do not tell whether it pays",
            }[row["pays"]]
            # A factor at the end of its range is where the search stopped, no estimate.
            end = ", where its range ends" if row["factor"] >= _MOST else ""
            told = (
                f"at least {row['lower']:.2f} of the age stays (likeliest {row['factor']:.2f}{end}; no upper bound), the same share after "
                f"**{row['after_lower']:,.0f} to {row['after_upper']:,.0f}** {unit}"
                if np.isinf(row["upper"])
                else f"{row['factor']:.2f} of the age stays ({row['lower']:.2f} to {row['upper']:.2f}), the same share after "
                f"**{row['after']:,.0f}** ({row['after_lower']:,.0f} to {row['after_upper']:,.0f}) {unit}"
            )
            lines.append(
                f"- **{name}**: {told}; {verdict} ({row['finds']:g} finds in {row['lives']:g} lives)."
            )
        return "\n".join(lines)


def after_repair(fit: RestorationFit, *, age: float, share: float = 0.1, level: float = 0.95) -> AfterRepair:
    r"""Work out how soon a share of repaired panels has damage again.

    Parameters
    ----------
    fit : RestorationFit
        Factors and life, as fitted.
    age : float
        Age of the panel at its repair [clock units].
    share : float
        Share with damage [-].
    level : float
        Confidence of the bounds of the factors [-].

    Returns
    -------
    AfterRepair
        The shorter time is that of the bound that is worse. The life is taken as known.

    Raises
    ------
    ValueError
        If `age` is not positive, or `share` not between 0 and 1.

    See Also
    --------
    kit.life.fit_restoration : The factors.

    Notes
    -----
    With virtual age :math:`V = q\,a` after a repair at age a, the time x until the share p has damage solves
    :math:`1 - S(V + x)/S(V) = p`; for a Weibull life :math:`x = \eta\,[(V/\eta)^k - \log(1 - p)]^{1/k} - V`. A factor whose upper
    bound has no end is read at 2, the most that is examined.
    """
    if not age > 0 or not 0 < share < 1:
        raise ValueError(
            f"`age` must be positive and `share` between 0 and 1. Got age={age!r}, share={share!r}."
        )
    scale, shape, counts = fit.scale, fit.shape, fit.counts

    def time(factor: float) -> float:
        begin = factor * age / scale
        return scale * ((begin**shape - np.log1p(-share)) ** (1 / shape) - begin)

    rows = {}
    for name, factor in fit.restoration.items():
        fitted = name in fit.fitted
        low, high = fit.bounds(name, level=level, method="profile") if fitted else (factor, factor)
        low, high = max(float(low), 0.0), float(high)
        rows[name] = {
            "lives": float(counts["lives"].get(name, 0.0)),
            "finds": float(counts["finds"].get(name, 0.0)),
            "factor": float(factor),
            "lower": low,
            "upper": high,
            "after": time(factor),
            "after_lower": min(time(low), time(min(high, _MOST))),
            "after_upper": max(time(low), time(min(high, _MOST))),
            "of_new": time(factor) / time(0.0),
            "pays": "yes" if high < 1 else "no" if low > 1 else "open",
        }
    table = pd.DataFrame.from_dict(rows, orient="index").rename_axis("repair")
    return AfterRepair(fit=fit, age=age, share=share, level=level, table=table, new=time(0.0))
