"""Whether repaired areas have damage again sooner than new ones: lives between repairs, and how they compare."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from kit.findings import Fleet, PanelAges, need_fleet
from kit.life.groups.regression import fit_regression
from kit.life.groups.regression_fit import RegressionFit
from kit.life.lives.censored import Histories, ages_of
from kit.life.lives.histories import AFTER_REPAIR, histories_of_kind, panel_looks, repairs_that_end_lives
from kit.numerics.typing import Floats

NEW = "new"
"""Name of first lives, which no repair came before."""

_ANY = "repair"
_SELECTION = (
    "lives after a repair are lives of panels that had damage before: panels that were prone to it from the start are "
    "among them more often, which looks the same as a repair that does not renew"
)
_WHOLE_PANEL = (
    "a repair renews the repaired area, the looks are of whole panels: damage elsewhere on a repaired panel counts as "
    "damage after the repair"
)


@dataclass(frozen=True, eq=False)
class RepairedLives:
    """Lives from new to the first repair and from each repair to the next, with what was done before.

    Parameters
    ----------
    histories : Histories
        The lives, with ages since the last repair, or since new before the first [clock units].
    panel : ndarray of object, shape (n,)
        Panel of each life.
    number : ndarray of int, shape (n,)
        Repairs that the panel had before; 0 for a first life [-].
    gap : ndarray of float, shape (n, n_most)
        Age between each of these repairs and the one before it (or new), in order, with zeros in front
        [clock units].
    group : ndarray of int, shape (n, n_most)
        Which of `groups` each of these repairs belongs to; -1 in front.
    factor : ndarray of float, shape (n, n_most)
        Restoration factor of each, as written; nan where none was, and in front [-].
    groups : tuple of str
        Names of the groups of repairs.
    """

    histories: Histories
    panel: NDArray[np.object_]
    number: NDArray[np.int64]
    gap: Floats
    group: NDArray[np.int64]
    factor: Floats
    groups: tuple[str, ...]

    def __len__(self) -> int:
        """Return the number of lives."""
        return len(self.histories)

    def __repr__(self) -> str:
        """Return one line with the counts."""
        after, found = self.number > 0, np.isfinite(self.histories.upper)
        count = self.histories.count
        return (
            f"RepairedLives(first={count[~after].sum():g} with {count[~after & found].sum():g} finds, "
            f"after repair={count[after].sum():g} with {count[after & found].sum():g} finds, "
            f"groups={', '.join(self.groups)})"
        )

    @property
    def last_group(self) -> NDArray[np.object_]:
        """Group of the repair that each life followed; ``new`` for first lives."""
        names = np.array([*self.groups, NEW], dtype=object)  # -1 is the last
        return names[self.group[:, -1]]

    def virtual(self, restoration: Floats) -> Floats:
        """Return the virtual age that each life began at.

        Parameters
        ----------
        restoration : ndarray, shape (n, n_most)
            Restoration factor of each repair before; anything in front [-].

        Returns
        -------
        ndarray, shape (n,)
            Virtual age after the last repair; 0 for first lives [clock units].
        """
        age = np.zeros(len(self))
        for column in range(self.gap.shape[1]):
            here = self.group[:, column] >= 0
            q = np.where(here, restoration[:, column], 0.0)
            age = q * (age + self.gap[:, column])
        return age

    def restoration(self, q: float | Mapping[str, float] | str) -> Floats:
        """Return the restoration factor of each repair before each life.

        Parameters
        ----------
        q : float, mapping of str to float or "table"
            One for all repairs, one for each group, or those that were written.

        Returns
        -------
        ndarray, shape (n, n_most)
            Factors; 0 in front [-].

        Raises
        ------
        ValueError
            If a factor is not within 0 and 2, a group has none, or one is wanted that was not written.
        """
        here = self.group >= 0
        if isinstance(q, str):
            if q != "table":
                raise ValueError(
                    f"`restoration` must be a number, a number for each group, or 'table'. Got {q!r}."
                )
            if np.isnan(self.factor[here]).any():
                row = int(np.argmax((here & np.isnan(self.factor)).any(axis=1)))
                raise ValueError(
                    f"`restoration` 'table' needs a factor written for each repair. Got none for one of panel "
                    f"{self.panel[row]}. Fill it in, or give a number."
                )
            return np.where(here, self.factor, 0.0)
        values = q if isinstance(q, Mapping) else dict.fromkeys(self.groups, q)
        missing = [name for name in self.groups if name not in values]
        if missing:
            raise ValueError(
                f"`restoration` must have a number for each group of repairs. Got none for {', '.join(missing)}."
            )
        factors = np.array([*(values[name] for name in self.groups), 0.0], np.float64)
        if not ((factors >= 0) & (factors <= 2)).all():
            raise ValueError(
                f"`restoration` must lie between 0 and 2. Got {dict(values) if isinstance(q, Mapping) else q!r}."
            )
        return factors[self.group]

    def at(self, q: float | Mapping[str, float] | str) -> Histories:
        """Return the histories at virtual age for known restoration factors.

        Parameters
        ----------
        q : float, mapping of str to float or "table"
            As in `restoration`.

        Returns
        -------
        Histories
            Each life enters at the virtual age that the last repair left.
        """
        begun = self.virtual(self.restoration(q))
        h = self.histories
        return dataclasses.replace(
            h,
            entry=h.entry + begun,
            lower=h.lower + begun,
            upper=h.upper + begun,
            look_age=h.look_age + np.repeat(begun, np.diff(h.look_start)),
        )

    def to_frame(self) -> pd.DataFrame:
        """Return the lives as a table.

        Returns
        -------
        DataFrame
            The columns of `Histories.to_frame`, with ages since the last repair, then panel, number and
            after (group of the last repair, or new).
        """
        return self.histories.to_frame().assign(panel=self.panel, number=self.number, after=self.last_group)

    @classmethod
    def from_looks(
        cls, looks: pd.DataFrame, repairs: pd.DataFrame, *, clock: str = "age", kind: str = ""
    ) -> RepairedLives:
        """Build lives from looks and repairs, all at ages from new.

        Parameters
        ----------
        looks : DataFrame
            One row a look: ``panel``, ``age`` from new [clock units], ``found`` (bool). Optional: ``entry``,
            the age from new at which the panel came under watch, ``cluster``, ``count``, ``method``.
        repairs : DataFrame
            One row a repair: ``panel``, ``age`` from new [clock units]. Optional: ``group`` and
            ``restoration_factor``.
        clock : str
            Clock of the ages.
        kind : str
            Kind of damage.

        Returns
        -------
        RepairedLives
            A life for each panel and each repair that was looked at. A look at the age of a repair belongs
            to the life before it.

        Raises
        ------
        ValueError
            If a column is missing, or a value impossible.
        """
        for name, frame, columns in (
            ("looks", looks, ("panel", "age", "found")),
            ("repairs", repairs, ("panel", "age")),
        ):
            missing = [column for column in columns if column not in frame.columns]
            if missing:
                raise ValueError(
                    f"`{name}` must have the columns {', '.join(columns)}. Got {', '.join(map(str, frame.columns))}: "
                    f"{', '.join(missing)} missing."
                )
            ages_of(frame, "panel", name)
        done = _numbered(
            pd.DataFrame(
                {
                    "panel": repairs["panel"].to_numpy(object),
                    "repaired_at": repairs["age"].to_numpy(np.float64),
                    "group": repairs["group"].to_numpy(object) if "group" in repairs.columns else _ANY,
                    "factor": repairs["restoration_factor"].to_numpy(np.float64)
                    if "restoration_factor" in repairs.columns
                    else np.nan,
                }
            ).sort_values(["panel", "repaired_at"], kind="stable")
        )
        # Names as numbers: text is stored in more than one way, and merging minds.
        _, names = pd.factorize(pd.concat([looks["panel"], done["panel"]]).to_numpy(object))
        events = looks.assign(
            age=looks["age"].astype(np.float64), code=pd.Index(names).get_indexer(looks["panel"])
        )
        events = pd.merge_asof(
            events.sort_values("age", kind="stable"),
            done[["repaired_at", "number"]]
            .assign(code=pd.Index(names).get_indexer(done["panel"]))
            .sort_values("repaired_at", kind="stable"),
            left_on="age",
            right_on="repaired_at",
            by="code",
            allow_exact_matches=False,
        )
        number = events["number"].fillna(0).astype(np.int64)
        begun = events["repaired_at"].fillna(0.0)
        entry = (events["entry"] if "entry" in events.columns else 0.0) - begun
        events = events.assign(
            life=_life_names(events["panel"], number), age=events["age"] - begun, entry=np.maximum(entry, 0.0)
        )
        keep = ["life", "age", "found", "entry"]
        keep += [name for name in ("cluster", "count", "method") if name in events.columns]
        histories = Histories.from_looks(events[keep], clock=clock, kind=kind)
        return _with_repairs(histories, events.assign(number=number), done)


def repaired_lives(
    fleet: Fleet,
    *,
    kind: str = "disbond",
    clock: str = "flight_hours",
    zones: Sequence[str] | None = None,
    basis: Sequence[str] = ("recorded", "implied"),
    methods: Sequence[str] | None = None,
    by: str | None = None,
) -> RepairedLives:
    """Build the lives before and after repairs of a fleet.

    Parameters
    ----------
    fleet : Fleet
        The findings as loaded.
    kind : str
        Kind of damage whose onset is wanted.
    clock : str
        ``flight_hours``, ``flight_cycles`` or ``calendar_days``.
    zones : sequence of str, optional
        Labels of the zones; default all.
    basis, methods : sequence of str
        Which looks count, as in `build_histories`.
    by : str, optional
        Column of the repairs table that groups them: ``repair_class`` or ``repair_method``. Default: one
        group.

    Returns
    -------
    RepairedLives
        The lives that `build_histories` gives with ``include_repaired=True``. Which repairs end a life is
        as there: those with a restoration factor below 1.

    Raises
    ------
    ValueError
        If a name is unknown.
    """
    need_fleet(fleet)
    if by not in (None, "repair_class", "repair_method"):
        raise ValueError(f"`by` must be repair_class, repair_method or None. Got {by!r}.")
    known = list(fleet.tables["zones"]["zone"])
    wanted = known if zones is None else list(zones)
    unknown = sorted(set(wanted) - set(known))
    if unknown:
        raise ValueError(f"`zones` must name zones of the dataset. Got {', '.join(unknown)}.")
    ages = PanelAges(fleet, clock)
    looks, excluded = panel_looks(
        fleet,
        zones=wanted,
        basis=basis,
        methods=methods,
        clock=clock,
        kind=kind,
        include_repaired=True,
        ages=ages,
    )
    done = repairs_that_end_lives(fleet)
    done = _numbered(
        pd.DataFrame(
            {
                "panel": done["panel"].to_numpy(object),
                "repaired_at": ages.at(done["panel"].to_numpy(object), done["repaired_on"].to_numpy()),
                "group": _ANY if by is None else done[by].replace("", "not known").to_numpy(object),
                "factor": done["restoration_factor"].to_numpy(np.float64),
            }
        )
    )
    names = done.assign(life=_life_names(done["panel"], done["number"])).set_index("life")
    after = looks["life"].isin(names.index)
    # A life after a repair enters at its virtual age, so what passed since is the difference.
    looks = looks.assign(
        age=looks["age"] - looks["entry"].where(after, 0.0), entry=looks["entry"].mask(after, 0.0)
    )
    histories = histories_of_kind(looks, excluded, kind=kind, clock=clock)
    of_life = looks.drop_duplicates("life")[["life"]]
    row = names.reindex(of_life["life"])
    events = of_life.assign(
        panel=np.where(row["panel"].isna(), of_life["life"], row["panel"]),
        number=row["number"].fillna(0).to_numpy(np.int64),
    )
    return _with_repairs(histories, events, done)


def _numbered(done: pd.DataFrame) -> pd.DataFrame:
    """Give each panel's repairs numbers in their order, and the age that passed before each."""
    before = done.groupby("panel")["repaired_at"].shift().fillna(0.0)
    return done.assign(
        number=done.groupby("panel").cumcount().to_numpy() + 1, gap=done["repaired_at"] - before
    ).reset_index(drop=True)


def _life_names(panel: pd.Series, number: pd.Series) -> pd.Series:
    """Names of lives, as `build_histories` gives them."""
    names = panel.astype(str)
    return names.where(number == 0, names + AFTER_REPAIR + number.astype(str))


def _with_repairs(histories: Histories, events: pd.DataFrame, done: pd.DataFrame) -> RepairedLives:
    """Put beside each life the repairs that came before it."""
    of_life = events.drop_duplicates("life").set_index("life").reindex(histories.life)
    panel, number = of_life["panel"].to_numpy(object), of_life["number"].to_numpy(np.int64)
    most = int(number.max()) if number.size else 0
    shape = (len(histories), most)
    gap, group, factor = np.zeros(shape), np.full(shape, -1), np.full(shape, np.nan)
    first = done.loc[done["number"] == 1].reset_index(names="row").set_index("panel")["row"]
    later = np.flatnonzero(number > 0)
    begin = first.reindex(panel[later]).to_numpy(np.int64)
    used = np.zeros(len(done), bool)
    for step in range(most):  # so many repairs back from the last
        rows = later[number[later] > step]
        at = begin[number[later] > step] + number[rows] - 1 - step
        used[at] = True
    names, code = np.unique(done["group"].to_numpy(object)[used].astype(str), return_inverse=True)
    codes = np.full(len(done), -1)
    codes[used] = code
    for step in range(most):
        rows = later[number[later] > step]
        at = begin[number[later] > step] + number[rows] - 1 - step
        column = most - 1 - step
        gap[rows, column], group[rows, column] = done["gap"].to_numpy()[at], codes[at]
        factor[rows, column] = done["factor"].to_numpy(np.float64)[at]
    return RepairedLives(histories, panel, number, gap, group, factor, tuple(map(str, names)))


@dataclass(frozen=True, eq=False)
class RepairedAgainstNew:
    """How lives after a repair compare with first lives, both from age 0.

    Parameters
    ----------
    fit : RegressionFit
        Weibull lives of one shape, with a time ratio for each group.
    counts : DataFrame
        Index after; lives, finds [-] and watched, the time clean under watch [clock units].
    left_out : tuple of str
        Groups that have no finite ratio, because nothing was found in them or nobody was clean.
    """

    fit: RegressionFit
    counts: pd.DataFrame = field(repr=False)
    left_out: tuple[str, ...] = ()

    def __repr__(self) -> str:
        """Return one line with the time ratios."""
        said = ", ".join(f"{name} {ratio:.3g}" for name, ratio in self.time_ratio.items())
        return f"RepairedAgainstNew(time ratio: {said or 'none'})"

    @property
    def time_ratio(self) -> pd.Series:
        """By what factor lives after a repair are longer than first ones, by group [-]."""
        ratio = self.fit.time_ratio
        return ratio.set_axis([_level(name) for name in ratio.index]).rename("time_ratio")

    @property
    def cautions(self) -> tuple[str, ...]:
        """What the reader of the numbers must know."""
        notes = [_SELECTION, _WHOLE_PANEL, *self.fit.cautions]
        notes += [f"{name}: no ratio, too little was seen after such repairs" for name in self.left_out]
        return tuple(notes)

    def to_frame(self, *, level: float = 0.95, method: str = "profile") -> pd.DataFrame:
        """Return the ratios as a table.

        Parameters
        ----------
        level : float
            Confidence of the bounds [-].
        method : str
            ``profile``, ``wald`` or ``cluster``, as in `RegressionFit.bounds`.

        Returns
        -------
        DataFrame
            Index after (new, then the groups); lives, finds, watched [clock units], time_ratio with
            lower and upper, hazard_ratio with hazard_lower and hazard_upper [-]; nan where there is no
            ratio.
        """
        rows = {}
        for name in self.fit.names[1:]:
            low, high = self.fit.bounds(name, level=level, method=method)
            hazard = self.fit.hazard_ratio_bounds(name, level=level, method=method)
            rows[_level(name)] = (
                self.fit.time_ratio[name],
                np.exp(low),
                np.exp(high),
                self.fit.hazard_ratio[name],
                *hazard,
            )
        columns = ["time_ratio", "lower", "upper", "hazard_ratio", "hazard_lower", "hazard_upper"]
        ratios = pd.DataFrame.from_dict(rows, orient="index", columns=columns, dtype=np.float64)
        return self.counts.join(ratios)


def lives_with_repairs(lives: Fleet | RepairedLives, **asked: object) -> RepairedLives:
    """Take lives as they are or build them from a fleet, and refuse those of which none followed a repair.

    Parameters
    ----------
    lives : Fleet or RepairedLives
        The findings as loaded, or lives already built.
    **asked
        As `repaired_lives` takes them, for a fleet.

    Returns
    -------
    RepairedLives
        The lives.

    Raises
    ------
    ValueError
        If no life followed a repair.
    """
    need_fleet(lives, RepairedLives, name="lives", must="a fleet or repaired lives")
    made = repaired_lives(lives, **asked) if isinstance(lives, Fleet) else lives
    if not (made.number > 0).any():
        raise ValueError(
            f"`lives` must hold lives after a repair. Got {len(made)} first lives only: nothing tells what a repair does. "
            "Repairs with a restoration factor below 1, and looks after them, are needed."
        )
    return made


def _level(name: str) -> str:
    """Level of a coefficient's name, which is ``after[level]``."""
    return name.removeprefix("after[").removesuffix("]")


def repaired_against_new(
    lives: Fleet | RepairedLives,
    *,
    kind: str = "disbond",
    clock: str = "flight_hours",
    zones: Sequence[str] | None = None,
    by: str | None = None,
    shape: float | None = None,
) -> RepairedAgainstNew:
    r"""Compare lives after a repair with first lives.

    Parameters
    ----------
    lives : Fleet or RepairedLives
        The findings as loaded, or lives already built; the latter carry their groups.
    kind : str
        Kind of damage whose onset is wanted, for a fleet.
    clock : str
        ``flight_hours``, ``flight_cycles`` or ``calendar_days``, for a fleet.
    zones : sequence of str, optional
        Labels of the zones, for a fleet; default all.
    by : str, optional
        ``repair_class`` or ``repair_method``: each with a ratio of its own. Default: all in one.
    shape : float, optional
        Shape to assume instead of fitting it.

    Returns
    -------
    RepairedAgainstNew
        Time and hazard ratios against first lives, by the group of the last repair.

    Raises
    ------
    NoFiniteMaximum
        If first lives, or all after repairs, have no finds or no clean time.
    ValueError
        If no life followed a repair.

    See Also
    --------
    fit_restoration : The virtual age that repairs leave.

    Notes
    -----
    Every life is taken from age 0 at its beginning, new or repaired, with one Weibull shape k. The time
    ratio r stretches all ages; the hazard ratio is :math:`r^{-k}`. A ratio of 1 says that repaired areas
    are as new.
    """
    lives = lives_with_repairs(lives, kind=kind, clock=clock, zones=zones, by=by)
    h = lives.histories
    frame = lives.to_frame()
    frame.attrs = {"clock": h.clock, "kind": h.kind}
    if h.cluster is None:
        frame["cluster"] = lives.panel  # lives of one panel are not independent
    found = np.isfinite(h.upper)
    counts = pd.DataFrame(
        {
            "after": frame["after"],
            "lives": h.count,
            "finds": np.where(found, h.count, 0.0),
            "watched": h.count * (h.lower - h.entry),
        }
    )
    counts = counts.groupby("after").sum()
    counts = counts.loc[[name for name in (NEW, *lives.groups) if name in counts.index]]
    none = counts.index[(counts["finds"] == 0) | (counts["watched"] == 0)]
    left_out = tuple(name for name in none if name != NEW) if len(none) < len(counts) - 1 else ()
    fit = fit_regression(
        frame.loc[~frame["after"].isin(left_out)], ["after"], reference={"after": NEW}, shape=shape
    )
    return RepairedAgainstNew(fit, counts, left_out)
