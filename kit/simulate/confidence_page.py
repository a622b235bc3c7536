"""The page of the study of confidence: what its fleets came to, in tables and words."""

from __future__ import annotations

import numpy as np
import pandas as pd

from kit.intervals import Study
from kit.simulate.confidence_worlds import LEVELS


def summary(rows: pd.DataFrame) -> pd.DataFrame:
    """Summarise a study.

    Parameters
    ----------
    rows : DataFrame
        As `study` gives them.

    Returns
    -------
    DataFrame
        One row for each setting, measure and whose risk: fleets answered and refused, mean finds and
        tracks, delivered confidence at each level, share of bands that hold the truth, the root mean square of how many
        standard deviations of the draws the truth is off, the median interval over the oracle's, and mean seconds.
    """
    out = []
    if not len(rows):  # of a study that is not at its end
        return pd.DataFrame(out)
    for (setting, whose, measure), part in rows.loc[rows["whose"] != "none"].groupby(
        ["setting", "whose", "measure"], sort=False
    ):
        row = {"setting": setting, "whose": whose, "measure": measure, "fleets": len(part)}
        row["refused"] = int(((rows["setting"] == setting) & (rows["whose"] == "none")).sum())
        row |= {"finds": part["finds"].mean(), "tracks": part["tracks"].astype(float).mean()}
        row |= {f"delivered_{level:.2f}": part[f"delivered_{level:.2f}"].mean() for level in LEVELS}
        row |= {"band": part["band"].mean(), "ratio": part["ratio_0.95"].median()}
        row |= {"off": float(np.sqrt((part["off"] ** 2).mean())), "seconds": part["seconds"].mean()}
        out.append(row)
    return pd.DataFrame(out)


_LEAD = """# Stated and delivered confidence

Made by `python -m kit.simulate.confidence docs/confidence.md {fleets}`{so_far}; do not edit by hand.

The kit promises that a recommended interval meets its target in a stated share of joint draws. This page says in
which share of simulated fleets it met the target **in truth**. Each fleet is drawn event by event: panels with looks
every 3,000 to 5,000 flight hours, damage that begins, grows, is found or missed, is repaired when found beyond the
limit of 40 mm, else in 60 % of cases left and mapped again. The kit answers from the records alone, with 512 joint
draws; the target is the true risk of a first look at 10,000 and a repeat of 6,000 flight hours, so that an oracle that
knew the truth would answer 6,000. Growth is fitted in two forms (straight, and in proportion to size) and averaged by
their evidence.

- **delivered**: share of fleets whose recommended repeat meets the target in truth, for each share of draws asked.
  Standard error where 95 % are delivered: {error:.1%} for {least} fleets, the fewest of a world below, 2.2 % for 100, 1.5 % for 200.
- **band**: share of fleets whose 5 to 95 % band of the risk of a fixed schedule (10,000 and about 6,000) holds the truth.
- **off**: root mean square of how far the log of the true risk of that schedule is off the mean of the draws, in their standard
  deviations: 1 where the draws are as wide as they should be, less where they are wider.
- **interval**: median recommended repeat at 95 % of draws, over the 6,000 of the oracle.
- **refused**: fleets that the kit does not answer, for want of damage mapped twice (fewer than five): their growth has to
  be stated.

Exposure is held against its worst window of 10,000 flight hours; preventable exceedances against their mean over 40,000.
Damage beyond the limit counts as found no more surely than damage at it, and panels that are damaged and unfound as open
to further damage: both err to the safe side, the more the longer the interval.

"""


_OWN_WORDS = """## Worlds as the model has them

In each fleet a50, slope, size factor and Weibull shape are not what the analyst states but drawn from the spreads that
the analyst states beside them (log a50 and log slope 0.15, log size factor 0.05, log shape 0.35). Form of growth, spread of
rates and of sizes at onset, and the share that stands still are the same in every fleet and lie near the middle of the weak
priors, so that bands hold the truth more often than they say. In the last two worlds they are drawn from these priors as well: there
the bands are judged.

The oracle of the column *interval* knows the POD and the size factor. No number of finds tells them (nothing but a trial does), so that under a
stated spread the interval stays short of the oracle's: the worlds in which both are known show what finds and mappings alone
leave open, and the difference between the two rows is what a better trial is worth. Where life, sizes at onset and growth
are all known and the POD alone is as the analyst states it, an answer that holds in 95 % of draws comes to {exposure:.2f} of the
oracle's for exposure and {preventable:.2f} for preventable exceedances (median of {fleets} fleets, of which {delivered:.0%} or more meet the
target): no number of finds can bring more. With 150 finds, what is worked out for single draws with 96
samples of damage adds 10 to 19 % to the spread of the draws where POD and size factor are known, and hardly anything where they are not (two fleets).

"""


_BROKEN_WORDS = """## Worlds that break the model

Here the truth is off in one way that the analyst does not know of; the analyst states the spreads that the kit takes
where nobody states any (log a50 and log slope 0.2, log size factor 0.1). Where the world is not one that the model can
hold, the truth is simulated event by event with 120,000 panels for each interval.

"""


def page(
    own: pd.DataFrame,
    broken: pd.DataFrame,
    best: pd.DataFrame,
    fleets: int,
    *,
    broken_fleets: int | None = None,
    so_far: bool = False,
) -> str:
    """Write the study as a page.

    Parameters
    ----------
    own, broken : DataFrame
        Summaries of both kinds of worlds.
    best : DataFrame
        What `pod_alone` gives of the first.
    fleets : int
        Fleets of each that were asked for.
    broken_fleets : int, optional
        Of each world that breaks the model, where that was asked for. Default: half as many.
    so_far : bool
        Whether the study is not at its end.

    Returns
    -------
    str
        Markdown.
    """
    found = measured(own, broken)
    least = min(found.own_fleets, found.broken_fleets)
    text = _LEAD.format(
        fleets=fleets if broken_fleets is None else f"{fleets} --broken {broken_fleets}",
        so_far=", which is not at its end: the column *fleets* says how far it has come" if so_far else "",
        least=least,
        error=float(np.sqrt(0.95 * 0.05 / least)),
    )
    said = found.words()
    text += f"**In short**: {said}.\n\n"
    by_measure = best.groupby("measure")
    words = _OWN_WORDS.format(
        **by_measure["ratio"].median(),
        fleets=int(by_measure.size().max()),
        delivered=float(by_measure["delivered"].mean().min()),
    )
    return text + words + world_rows(own) + "\n" + _BROKEN_WORDS + world_rows(broken)


def measured(own: pd.DataFrame, broken: pd.DataFrame) -> Study:
    """Return the figures that answers quote.

    Parameters
    ----------
    own, broken : DataFrame
        Summaries of both kinds of worlds.

    Returns
    -------
    Study
        Of 95 % of the draws, and the least of smaller shares, rounded as the page shows them.
    """
    ends = [
        tuple(_as_shown(getattr(t["delivered_0.95"], end)()) for end in ("min", "max")) for t in (own, broken)
    ]
    numbers = [int((t["fleets"] + t["refused"]).min()) for t in (own, broken)]
    less = tuple(
        (level, *(_as_shown(t[f"delivered_{level:.2f}"].min()) for t in (own, broken)))
        for level in LEVELS
        if level < max(LEVELS)
    )
    return Study(own_fleets=numbers[0], broken_fleets=numbers[1], own=ends[0], broken=ends[1], less=less)


def _as_shown(share: float) -> float:
    """Round a share as the tables of the page do: 199 of 200 are shown as 100 %."""
    return float(f"{share:.0%}".removesuffix("%")) / 100


def world_rows(table: pd.DataFrame) -> str:
    """Write a summary as a table.

    Parameters
    ----------
    table : DataFrame
        As `summary` gives it.

    Returns
    -------
    str
        Markdown.
    """
    head = (
        "| world | whose risk | measure | fleets | finds | tracks | refused | delivered at 80 % | at 90 % | at 95 % | band | off | interval |\n"
        "| --- | --- | --- | --- | --- | --- | --- | --- | --- | --- | --- | --- | --- |\n"
    )
    lines = []
    for row in table.to_dict("records"):
        shares = " | ".join(f"{row[f'delivered_{level:.2f}']:.0%}" for level in LEVELS)
        lines.append(
            f"| {row['setting']} | {row['whose']} | {row['measure']} | {row['fleets'] + row['refused']:.0f} | {row['finds']:.0f} | {row['tracks']:.0f} | "
            f"{row['refused']} | {shares} | {row['band']:.0%} | {row['off']:.2f} | {row['ratio']:.2f} |\n"
        )
    return head + "".join(lines)
