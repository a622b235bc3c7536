"""The form of a decision record: its fields, what each says, and the digest over them."""

from __future__ import annotations

import datetime as dt
import hashlib
import json
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field

from kit.intervals import Question

SCHEMA = 5
"""Version of the form in which records are written. Form 4 named neither the tier of its limit nor what it bounds, and had other
words for the same. Form 3 said neither when it was made nor which rows, packages,
planned usage and POD it used. Form 1 knew the mean risk over the horizon alone; forms 1 and 2
took growth and POD as sure, a panel's first onset only, and gave the risk at the best estimate."""

Number = float | None
Value = float | str | None


class _Part(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class ModeRecord(_Part):
    """Evidence and fit of one kind of damage."""

    kind: str
    clock: str
    lives: Annotated[float, Field(description="lives in the fit")]
    finds: Annotated[float, Field(description="lives with a find")]
    excluded: Annotated[dict[str, int], Field(description="lives left out, by reason")]
    life_basis: Annotated[str, Field(description="how the life came about")]
    scale: Annotated[float, Field(description="Weibull scale [units of the clock]")]
    shape: Annotated[float, Field(description="Weibull shape [-]")]
    scale_bounds: Annotated[
        tuple[Number, Number],
        Field(
            description="95 % of the draws lie between them; before form 3 profile bounds, null where unbounded"
        ),
    ]
    shape_bounds: Annotated[
        tuple[Number, Number],
        Field(
            description="95 % of the draws lie between them; before form 3 profile bounds, null where unbounded"
        ),
    ]
    log_likelihood: Annotated[Number, Field(description="log-likelihood of the fit [-]")]
    onset_median_mm: Annotated[float, Field(description="median size at onset [mm]")]
    onset_log_sd: Annotated[float, Field(description="standard deviation of its log [-]")]
    rate_median: Annotated[
        float,
        Field(
            description="median growth rate [mm per unit of the clock; 1 per unit of the clock where growth is proportional]"
        ),
    ]
    rate_log_sd: Annotated[float, Field(description="standard deviation of its log [-]")]
    no_growth_share: Annotated[float, Field(description="share that does not grow [-]")]
    growth_basis: Annotated[str, Field(description="fitted, or where the stated numbers come from")]
    growth_form: Annotated[str, Field(description="form of growth of the central value")] = "linear"


class RuleRecord(_Part):
    """What one rule says."""

    rule: str
    interval: Annotated[
        Number, Field(description="longest interval it allows [units of the schedule's clock]")
    ]
    governs: bool
    reason: str


class Recommendation(_Part):
    """The answer."""

    threshold: Annotated[
        Number,
        Field(
            description="first look, also where no repeat is recommended; null in old records [units of the schedule's clock]"
        ),
    ]
    repeat: Annotated[
        Number, Field(description="spacing of the looks after it [units of the schedule's clock]")
    ]
    threshold_in_words: str
    repeat_in_words: str
    governed_by: str
    limit_mm: Annotated[float, Field(description="largest equivalent diameter that may stay [mm]")]
    risk: Annotated[
        dict[str, tuple[float, float, float]],
        Field(
            description="per 10,000 panel flight hours: median, 5 % and 95 % of the draws; before form 3 the best estimate in "
            "place of the median"
        ),
    ]
    current_repeat: Annotated[Number, Field(description="interval of the programme then")]


class Judgement(_Part):
    """An interval that was not recommended, held against the target."""

    repeat: Annotated[float, Field(description="spacing of the looks [units of the schedule's clock]")]
    first: Annotated[float, Field(description="first look [units of the schedule's clock]")]
    share_meeting: Annotated[float, Field(description="share of the draws that meet the target [-]")]
    meets: Annotated[bool, Field(description="whether enough of them do")]
    risk: Annotated[
        dict[str, tuple[float, float, float]],
        Field(description="per 10,000 panel flight hours: median, 5 % and 95 % of the draws"),
    ]


class DueRecord(_Part):
    """When the panels of one aircraft are due under the recommendation."""

    aircraft: Annotated[str, Field(description="tail")]
    panels: Annotated[int, Field(description="panels of the group")]
    late: Annotated[int, Field(description="of these past their next look at the cut-off")]
    unknown: Annotated[int, Field(description="of these of unknown age")]
    due_on: Annotated[dt.date | None, Field(description="first day on which one is due, by planned usage")]


class PartRecord(_Part):
    """What a part of the fleet, such as a subtype, would be recommended alone."""

    name: Annotated[str, Field(description="the part")]
    share: Annotated[float, Field(description="share of the panels [-]")]
    first: Annotated[float, Field(description="its own first look [units of the schedule's clock]")]
    repeat: Annotated[Number, Field(description="its own repeat; null where no interval will do [same]")]
    repeat_words: Annotated[str, Field(description="the repeat in packages")]
    governed_by: Annotated[str, Field(description="rule that set it")]
    share_meeting: Annotated[
        float,
        Field(description="share of the draws in which it meets the target under the schedule of all [-]"),
    ]


class SlackRecord(_Part):
    """Gaps between looks as flown, over the interval that their task names."""

    gaps: Annotated[int, Field(description="gaps between two looks of closed cards at one panel")]
    still_open: Annotated[int, Field(description="of these not closed yet and longer than nominal already")]
    middle: Annotated[float, Field(description="median of actual over nominal [-]")]
    nine_of_ten: Annotated[float, Field(description="ratio that nine of ten do not exceed [-]")]
    longest: Annotated[float, Field(description="largest ratio [-]")]
    share_over: Annotated[float, Field(description="share longer than nominal by more than 2 % [-]")]


class DatasetRecord(_Part):
    """What was known, and in which state."""

    name: str
    notice: str
    known_on: Annotated[dt.date, Field(description="last day of which rows were known")]
    cut_off: Annotated[dt.date, Field(description="last day of which events count")]
    rejected_rows: Annotated[int, Field(description="problems of rows set aside")]
    warned_rows: Annotated[int, Field(description="problems of rows accepted with a warning")]
    fingerprint: Annotated[dict[str, str], Field(description="SHA-256 of each table as known then")]


class RowsRecord(_Part):
    """The rows that were used, one by one."""

    root: Annotated[
        str, Field(description="root of the tree of SHA-256 digests of the rows in the side file")
    ]
    counts: Annotated[dict[str, int], Field(description="how many rows by table")]


class SignOff(_Part):
    """Who agreed, by role."""

    role: str
    on: dt.date
    note: str = ""


class DecisionRecord(_Part):
    """A decision on one question, with what it rests on."""

    record: Annotated[Literal[1, 2, 3, 4, 5], Field(description="version of this form")] = SCHEMA
    name: str
    known_on: Annotated[dt.date, Field(description="day whose knowledge was used")]
    made_on: Annotated[
        dt.date | None, Field(description="day on which it was made, by the clock of that machine")
    ] = None
    question: Question
    dataset: Annotated[DatasetRecord, Field(description="the data as known then")]
    reference: Annotated[
        dict[str, tuple[dict[str, Value], ...]],
        Field(description="limit, POD, packages and planned usage that it rests on, with values and days"),
    ] = {}
    rows: Annotated[RowsRecord | None, Field(description="the rows that were used")] = None
    set_aside: Annotated[
        tuple[str, ...],
        Field(description="rows as known then that were set aside, by table, id or row, and reason"),
    ] = ()
    software: Annotated[dict[str, str], Field(description="versions that made it")]
    code: Annotated[
        str,
        Field(description="SHA-256 of the kit's own code that made it; blank in records before it was told"),
    ] = ""
    modes: tuple[ModeRecord, ...]
    rules: tuple[RuleRecord, ...]
    recommendation: Recommendation
    curve: Annotated[list[dict[str, float]], Field(description="risk against repeat interval")]
    proposal: Annotated[Judgement | None, Field(description="judgement of a proposed interval")] = None
    present: Annotated[
        Judgement | None, Field(description="judgement of the interval of the programme then")
    ] = None
    share_meeting: Annotated[
        Number, Field(description="share of the draws that meet the target where the risk is given [-]")
    ] = None
    due: Annotated[
        tuple[DueRecord, ...], Field(description="next looks by aircraft, the earliest first")
    ] = ()
    parts: Annotated[
        tuple[PartRecord, ...],
        Field(
            description="parts of the fleet side by side; none where there is one, or in records before it was told"
        ),
    ] = ()
    slack: Annotated[
        SlackRecord | None,
        Field(
            description="intervals as flown against nominal ones; null where no cards tell them, or before it was told"
        ),
    ] = None
    assumptions: Annotated[tuple[str, ...], Field(description="what does not come from data")]
    cautions: tuple[str, ...]
    sign_offs: tuple[SignOff, ...] = ()
    digest: Annotated[str, Field(description="SHA-256 of all of the above in canonical JSON")] = ""


def record_digest(record: DecisionRecord) -> str:
    """Return the SHA-256 of a record as it is written, without its digest.

    Parameters
    ----------
    record : DecisionRecord
        The record.

    Returns
    -------
    str
        64 hexadecimal digits, independent of the order of keys and of white space.
    """
    return digest_of(record.model_dump(mode="json"))


def digest_of(data: dict[str, Any]) -> str:
    """Return the SHA-256 of the contents of a record, without its digest.

    Parameters
    ----------
    data : dict
        The contents as JSON values.

    Returns
    -------
    str
        64 hexadecimal digits.
    """
    rest = {key: value for key, value in data.items() if key != "digest"}
    text = json.dumps(rest, sort_keys=True, ensure_ascii=False, separators=(",", ":"), allow_nan=False)
    return hashlib.sha256(text.encode("utf-8")).hexdigest()
