"""What is asked of an interval: a question, as a TOML file that an auditor can read."""

from __future__ import annotations

import datetime as dt
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal, get_args

from pydantic import (
    AfterValidator,
    BaseModel,
    ConfigDict,
    Discriminator,
    Field,
    Strict,
    Tag,
    ValidationError,
    model_validator,
)

from kit.findings import KINDS, read_toml_file

if TYPE_CHECKING:
    from kit.detection import PodEntry

Clock = Literal["flight_hours", "flight_cycles", "calendar_days"]
Number = Annotated[float, Strict()]  # a whole number will do; a text or a flag will not
Whole = Annotated[int, Strict()]
Share = Annotated[Number, Field(ge=0, le=1)]
Positive = Annotated[Number, Field(gt=0, allow_inf_nan=False)]

RuleName = Literal["risk", "growth_window", "detection_chance", "failure_finding", "cost"]
"""Rules for the repeat, as `govern` names them. Each has its numbers in the table of its name, the risk in `target`."""

RULE_FIELDS = {name: "target" if name == "risk" else name for name in get_args(RuleName)}
"""Field of a question that holds the numbers of each rule for the repeat; where that is empty the rule is not asked."""


class QuestionError(ValueError):
    """A question that cannot be read or answered as it stands."""


def _known_kind(kind: str) -> str:
    """Refuse a kind that no finding can name: it would pass for one that was never found."""
    if kind not in KINDS:
        raise ValueError(f"it must be one of {', '.join(KINDS)}")
    return kind


class _Part(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class StatedGrowth(_Part):
    """Growth that is stated and not fitted."""

    rate_median: Annotated[
        Positive, Field(description="median growth rate of damage that grows [mm per clock unit]")
    ]
    rate_log_sd: Annotated[Number, Field(ge=0, lt=10, description="standard deviation of its log [-]")]
    no_growth_share: Annotated[Share, Field(description="share of damage that does not grow [-]")] = 0.0
    log_rate_sd: Annotated[
        Number,
        Field(ge=0, lt=5, description="how sure the median is: standard deviation of its log [-]"),
    ] = 0.3
    basis: Annotated[str, Field(description="where the numbers come from")]


class StatedOnset(_Part):
    """Size at onset that is stated and not fitted."""

    median_mm: Annotated[Positive, Field(description="median equivalent diameter at onset [mm]")]
    log_sd: Annotated[Number, Field(ge=0, lt=10, description="standard deviation of its log [-]")]
    log_median_sd: Annotated[
        Number,
        Field(ge=0, lt=5, description="how sure the median is: standard deviation of its log [-]"),
    ] = 0.15
    basis: Annotated[str, Field(description="where the numbers come from")]


class Mode(_Part):
    """One kind of damage, on the clock that drives it."""

    kind: Annotated[
        str, AfterValidator(_known_kind), Field(description="damage type, as in the findings table")
    ]
    clock: Annotated[Clock, Field(description="clock that drives it")]
    far_side_share: Annotated[Share, Field(description="share of it on the side that is not tapped [-]")] = (
        0.0
    )
    assumed_shape: Annotated[
        Positive | None,
        Field(
            description="median of the prior of the Weibull shape; finds move it, the more the more there are. Default: a weak "
            "prior about 2 [-]"
        ),
    ] = None
    shape_log_sd: Annotated[
        Positive | None,
        Field(
            description="standard deviation of the log of that prior; default 0.35 where a shape is assumed, else 0.5 [-]"
        ),
    ] = None
    restoration: Annotated[
        Share | Literal["fit"] | None,
        Field(
            description="what a repair leaves of the age: 0 as new, 1 as old; fit: from the lives that followed repairs; null "
            "counts the first onset only [-]"
        ),
    ] = 0.0
    growth: Annotated[Literal["fit"] | StatedGrowth, Field(description="fit, or stated growth")] = "fit"
    onset: Annotated[Literal["fit"] | StatedOnset, Field(description="fit, or stated size at onset")] = "fit"


class StatedDetection(_Part):
    """POD of the planned inspection, from a table."""

    method: Annotated[str, Field(description="inspection method")]
    a50_mm: Annotated[Number, Field(ge=0, description="size found half as often as the plateau [mm]")]
    slope: Annotated[Positive, Field(description="slope in log size [-]")]
    plateau: Annotated[Number, Field(gt=0, le=1, description="POD of the largest damage [-]")]
    far_side_plateau: Annotated[Share, Field(description="plateau for damage on the other side [-]")] = 0.0
    log_a50_sd: Annotated[
        Number, Field(ge=0, lt=5, description="how sure a50 is: standard deviation of its log [-]")
    ] = 0.2
    log_slope_sd: Annotated[
        Number, Field(ge=0, lt=5, description="how sure the slope is: standard deviation of its log [-]")
    ] = 0.2
    logit_plateau_sd: Annotated[
        Number, Field(ge=0, lt=5, description="how sure the plateau is: standard deviation of its logit [-]")
    ] = 0.3
    logit_far_share_sd: Annotated[
        Number,
        Field(ge=0, lt=5, description="how sure the far-side share is: standard deviation of its logit [-]"),
    ] = 0.3
    basis: Annotated[str, Field(description="trial, published or assumed, and where")]
    in_fit: Annotated[
        Literal["size", "perfect"] | Annotated[Number, Field(gt=0, le=1)],
        Field(description="detection in the life fit: by size and growth, perfect, or one chance"),
    ] = "size"
    pod: Annotated[
        str | None,
        Field(
            description="in place of the numbers: name in pods.toml of the dataset, or of a built-in entry; records hold "
            "it beside the numbers that it stood for"
        ),
    ] = None

    @classmethod
    def of_entry(cls, entry: PodEntry, **more: object) -> StatedDetection:
        """Return the numbers that a name in the register stands for.

        Parameters
        ----------
        entry : PodEntry
            Of the register.
        **more
            Fields that the register does not have.

        Returns
        -------
        StatedDetection
            With the name beside them.
        """
        return cls(
            method=entry.method,
            a50_mm=entry.a50,
            slope=entry.slope,
            plateau=entry.plateau,
            far_side_plateau=entry.far_side_plateau,
            basis=entry.words,
            pod=entry.name,
            **more,
        )


class NamedDetection(_Part):
    """POD of the planned inspection, by its name in the register."""

    pod: Annotated[str, Field(description="name in pods.toml of the dataset, or of a built-in entry")]
    in_fit: Annotated[
        Literal["size", "perfect"] | Annotated[Number, Field(gt=0, le=1)],
        Field(description="detection in the life fit: by size and growth, perfect, or one chance"),
    ] = "size"


MOST_SAMPLED = 2_000_000
"""Largest number of draws times damages sampled in each."""

_FORMS = ("stated", "named")


def _form_of_detection(value: object) -> str:
    """Tell a POD by name from one whose numbers stand in the question or record."""
    if isinstance(value, dict):
        return "named" if "pod" in value and not {"a50_mm", "slope", "plateau"} & set(value) else "stated"
    return "named" if isinstance(value, NamedDetection) else "stated"


class Target(_Part):
    """Risk that the repeat interval must meet."""

    measure: Annotated[
        Literal["exposure", "exceedances", "preventable_exceedances"],
        Field(
            description="which risk is bounded: undetected time beyond limits (exposure), damage beyond limits at initiation included; damage "
            "that gets beyond the limit unfound or arises there; the part of that which inspection could prevent were all damage on the "
            "tapped side, with sizes at onset as they are or smaller, so that what cannot be prevented never lengthens"
        ),
    ] = "exposure"
    per_10000_flight_hours: Annotated[
        Positive,
        Field(description="largest value [exceedances or beyond-limit hours per 10,000 panel flight hours]"),
    ]
    share_of_draws: Annotated[
        Number, Field(gt=0, lt=1, description="share of parameter draws that must meet it [-]")
    ] = 0.95
    window_flight_hours: Annotated[
        Positive | None,
        Field(
            description="length of the window of age in which the risk is held against the target, wherever that is worst; "
            "null only in records of form 1, which knew the mean over the horizon alone [panel flight hours]"
        ),
    ] = 10_000.0
    basis: Annotated[
        str, Field(description="where the target comes from; blank: stated by the question alone")
    ] = ""
    structure_class: Annotated[
        str | None,
        Field(
            description="records only: class of structure whose target in dataset.toml was taken, its numbers beside it"
        ),
    ] = None

    @property
    def column(self) -> str:
        """Name under which results hold what is bounded."""
        name = self.measure.removesuffix("_exceedances")
        return name if self.window_flight_hours is None else f"{name}_worst"

    @property
    def words(self) -> str:
        """What is bounded, by how much and where, in words."""
        names = {
            "exposure": "hours beyond the limit and unfound",
            "exceedances": "damage beyond the limit",
            "preventable_exceedances": "preventable exceedances",
        }
        window = self.window_flight_hours
        where = "over the horizon" if window is None else f"in the worst {window:,.0f} flight hours of age"
        return f"{names[self.measure]} at most {self.per_10000_flight_hours:g} per 10,000 panel flight hours {where}"


class Threshold(_Part):
    """How early the first look must be."""

    allowed_share: Annotated[
        Number, Field(gt=0, lt=1, description="share of panels that may have damage by then [-]")
    ]
    confidence: Annotated[Number, Field(gt=0, lt=1, description="one-sided confidence [-]")] = 0.95


class GrowthWindow(_Part):
    """Repeat from the time between detectable size and limit."""

    opportunities: Annotated[Whole, Field(ge=1, le=10, description="looks wanted within the window")] = 2
    growth_percentile: Annotated[
        Number, Field(gt=0, lt=1, description="upper percentile of the growth rate [-]")
    ] = 0.9
    detectable_pod: Annotated[Number, Field(gt=0, lt=1, description="POD of the detectable size [-]")] = 0.9


class DetectionChance(_Part):
    """Repeat from the chance that every look within the growth window misses."""

    accepted_miss: Annotated[
        Number, Field(gt=0, lt=1, description="chance accepted that all looks in the window miss [-]")
    ]
    growth_percentile: Annotated[
        Number, Field(gt=0, lt=1, description="upper percentile of the growth rate [-]")
    ] = 0.9
    detectable_pod: Annotated[
        Number, Field(gt=0, lt=1, description="POD of the size at which the window begins [-]")
    ] = 0.5


class FailureFinding(_Part):
    """Repeat from the share of the time for which damage may stand hidden."""

    unavailability: Annotated[
        Number,
        Field(gt=0, lt=1, description="share of the time for which a panel may have damage, as a mean [-]"),
    ]


class Cost(_Part):
    """Repeat of least cost per flight hour, in any one currency."""

    look: Annotated[Positive, Field(description="cost of one look at one panel")]
    repair: Annotated[
        Annotated[Number, Field(ge=0)], Field(description="cost of a repair of damage found within the limit")
    ]
    beyond_limit: Annotated[
        Annotated[Number, Field(ge=0)], Field(description="cost of damage that gets beyond the limit unfound")
    ]
    beyond_hour: Annotated[
        Annotated[Number, Field(ge=0)], Field(description="cost of each flight hour beyond the limit")
    ] = 0.0


class Question(_Part):
    """A question about the threshold and repeat interval of one group of zones."""

    name: Annotated[
        str,
        Field(pattern=r"^[A-Za-z0-9][A-Za-z0-9_.-]*$", description="short name, also of the record's file"),
    ]
    title: Annotated[str, Field(description="the question in words")]
    group: Annotated[str, Field(description="group of zones, as in the zones table")]
    known_on: Annotated[
        dt.date | None, Field(description="day whose knowledge is used; default: all of it")
    ] = None
    clock: Annotated[Clock, Field(description="clock of the schedule")] = "flight_hours"
    horizon: Annotated[Positive, Field(description="age up to which damage counts [units of clock]")]
    modes: Annotated[tuple[Mode, ...], Field(min_length=1, description="damage types (kinds)")]
    detection: Annotated[
        Annotated[StatedDetection, Tag("stated")] | Annotated[NamedDetection, Tag("named")],
        Discriminator(_form_of_detection),
        Field(description="POD of the planned inspection: its numbers, or its name in the register"),
    ]
    past_detection: Annotated[
        Annotated[
            Annotated[StatedDetection, Tag("stated")] | Annotated[NamedDetection, Tag("named")],
            Discriminator(_form_of_detection),
        ]
        | None,
        Field(
            description="POD of the looks that were made, with their method and `in_fit`, where those to come are made otherwise; none: "
            "as the planned inspection"
        ),
    ] = None
    target: Annotated[
        Target | None,
        Field(
            description="risk that the repeat must meet; none: the target that dataset.toml states for the structure class of the "
            "group"
        ),
    ] = None
    threshold: Threshold
    growth_window: Annotated[
        GrowthWindow | None,
        Field(description="repeat from the time between detectable size and limit; none: not asked"),
    ] = None
    detection_chance: Annotated[
        DetectionChance | None,
        Field(
            description="repeat from the chance that all looks in the detectable-growth interval miss; none: not asked"
        ),
    ] = None
    failure_finding: Annotated[
        FailureFinding | None,
        Field(description="repeat from the time for which damage may stand hidden; none: not asked"),
    ] = None
    cost: Annotated[
        Cost | None, Field(description="repeat of least cost per flight hour; none: not asked")
    ] = None
    govern: Annotated[
        tuple[RuleName, ...] | None,
        Field(
            description="rules whose smallest answer sets the repeat interval; default by the structure class of the zones: all "
            "that bear on safety and have numbers for critical and primary structure, the risk for the rest"
        ),
    ] = None
    gates: Annotated[
        tuple[Literal["preventable", "limit", "growth_window", "flown", "step", "present"], ...],
        Field(
            description="checks that hold the repeat back where they fail, not only caution: most damage beyond the limit can "
            "be prevented; the limit is above the size found with POD 0.9; the repeat is within the detectable-growth interval, within what "
            "was flown, no large step; the present programme meets the target"
        ),
    ] = ()
    growth_groups: Annotated[
        tuple[str, ...],
        Field(description="groups whose findings are pooled for growth and size at onset; default: own"),
    ] = ()
    life_groups: Annotated[
        tuple[str, ...],
        Field(
            description="groups whose lives of a kind tell what the life of the own group may be: their hazards share a "
            "distribution whose spread is fitted, and the own looks are weighed against it; default: none but the own"
        ),
    ] = ()
    measured_to_true: Annotated[
        Number,
        Field(
            gt=0.2, lt=5, description="true size over size as mapped; a tap outline usually understates [-]"
        ),
    ] = 1.0
    log_measured_to_true_sd: Annotated[
        Number, Field(ge=0, lt=2, description="how sure that factor is: standard deviation of its log [-]")
    ] = 0.1
    growth_forms: Annotated[
        tuple[Literal["linear", "proportional"], ...],
        Field(min_length=1, description="forms of growth that may hold; the mappings weigh them"),
    ] = ("linear", "proportional")
    held_against: Annotated[
        Literal["mean", "worst_zone"] | None,
        Field(
            description="whether the target holds for the mean of the group or for its worst zone; default by the structure "
            "class: the worst zone for critical structure, the mean for the rest"
        ),
    ] = None
    limit_mm: Annotated[
        Positive | None,
        Field(description="largest size that may stay; default: the limits table in force [mm]"),
    ] = None
    limit_counts: Annotated[
        Literal["as_bounded", "as_diameter"],
        Field(
            description="what a limit of the table bounds: the longest extent, the equivalent diameter or the area, as its row "
            "says; as_diameter only for records before form 4, which took every limit for a diameter"
        ),
    ] = "as_bounded"
    packages: Annotated[
        tuple[str, ...], Field(description="scheduled checks to ride on; none: no packaging")
    ] = ()
    basis: Annotated[
        tuple[Literal["recorded", "implied"], ...], Field(min_length=1, description="looks that count")
    ] = ("recorded", "implied")
    prevalent: Annotated[
        Literal["left_out", "bounded"],
        Field(
            description="panels whose record begins late: left_out: under watch from their first clean look on record, those damaged at it "
            "left out; bounded: nothing was looked at before, so that damage found at it began between new and then"
        ),
    ] = "left_out"
    proposed_repeat: Annotated[
        Positive | None,
        Field(description="repeat interval that somebody proposed, to be judged [units of clock]"),
    ] = None
    fewest_finds: Annotated[
        Whole,
        Field(
            ge=1,
            description="without effect, kept for records before form 3: the prior of the shape weighs an assumed shape now",
        ),
    ] = 20
    draws: Annotated[Whole, Field(ge=50, le=20000, description="parameter draws")] = 1024
    samples: Annotated[
        Whole,
        Field(
            ge=48,
            le=1536,
            description="damages sampled in each draw, over all parts of the fleet; more of them take longer, and take off what sampling "
            "alone adds to the risk (docs/seed_noise.md)",
        ),
    ] = 96
    seed: Annotated[Whole, Field(ge=0, description="seed of the draws")]

    @property
    def looked_with(self) -> StatedDetection | NamedDetection:
        """POD and method of the looks that were made."""
        return self.past_detection or self.detection

    @model_validator(mode="after")
    def _rules_have_their_numbers(self) -> Question:
        if self.govern is not None and not self.govern:
            raise ValueError("`govern` must name a rule, or be left out so that the structure class decides")
        for rule in self.govern or ():
            # The numbers of a rule stand in the table of its name; those of the risk rule in the target.
            if getattr(self, RULE_FIELDS[rule]) is None:
                raise ValueError(f"`govern` names {rule}, but there is no [{rule}] table with its numbers")
        if self.draws * self.samples > MOST_SAMPLED:
            raise ValueError(
                f"`draws` times `samples` must be at most {MOST_SAMPLED:,}, which takes some 4 GB and minutes for each kind of damage. "
                f"Got {self.draws:,} times {self.samples:,}. Ask for fewer of either"
            )
        kinds = [mode.kind for mode in self.modes]
        if len(set(kinds)) < len(kinds):
            raise ValueError(f"`modes` must name each kind once, got {', '.join(kinds)}")
        return self


def read_question(source: Question | str | Path) -> Question:
    """Read a question from its TOML file.

    Parameters
    ----------
    source : Question, str or Path
        A question is returned as it is.

    Returns
    -------
    Question
        The checked question.

    Raises
    ------
    QuestionError
        If the file cannot be read, or a field is missing, unknown or out of range; the message names
        the file, each field, what it must be and what it was.
    """
    if isinstance(source, Question):
        return source
    path = Path(source)
    data = read_toml_file(path, of="a question's TOML file", refuse=QuestionError)
    numbers = {"a50_mm", "slope", "plateau"}
    for name in ("detection", "past_detection"):
        detection = data.get(name)
        if isinstance(detection, dict) and "pod" in detection and numbers & set(detection):
            raise QuestionError(
                f"{path}: {name}: give `pod` or the numbers of a POD, not both. Got pod {detection['pod']!r} beside "
                f"{', '.join(sorted(numbers & set(detection)))}. Leave out one of them."
            )
    try:
        return Question.model_validate(data)
    except ValidationError as error:
        lines = []
        for item in error.errors(include_url=False):
            where = ".".join(str(part) for part in item["loc"] if part not in _FORMS) or "question"
            got = "" if item["type"] == "missing" else f" Got {item['input']!r}."
            lines.append(f"  {where}: {item['msg']}.{got if len(got) < 120 else ''}")
        raise QuestionError(
            f"{path}: {len(lines)} field(s) are wrong.\n" + "\n".join(lines) + "\nMend them in the file; "
            "docs/questions.md lists the fields."
        ) from None
