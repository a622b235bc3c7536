"""Which threshold and repeat interval the evidence supports."""

from kit.intervals.answer import CAUTIONS, Answer, ModeAnswer, RuleAnswer
from kit.intervals.evidence import Evidence
from kit.intervals.question import Question, QuestionError, read_question
from kit.intervals.recommend import recommend
from kit.intervals.risk import (
    IntervalRisk,
    Nodes,
    ScheduleKernel,
    WeibullLife,
    cycle_kernel,
    interval_risk,
    schedule_kernel,
)

__all__ = [
    "CAUTIONS",
    "Answer",
    "Evidence",
    "IntervalRisk",
    "ModeAnswer",
    "Nodes",
    "Question",
    "QuestionError",
    "RuleAnswer",
    "ScheduleKernel",
    "WeibullLife",
    "cycle_kernel",
    "interval_risk",
    "read_question",
    "recommend",
    "schedule_kernel",
]
