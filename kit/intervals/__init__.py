"""Which threshold and repeat interval the evidence supports."""

from kit.intervals.answer import CAUTIONS, Answer, ModeAnswer, RuleAnswer
from kit.intervals.evidence import DAYS_PER_YEAR, Evidence
from kit.intervals.problem import KindDraws, Part, Problem, risks
from kit.intervals.question import Question, QuestionError, read_question
from kit.intervals.recommend import problem_of, recommend
from kit.intervals.risk import (
    IntervalRisk,
    Nodes,
    ScheduleKernel,
    WeibullLife,
    cycle_kernel,
    interval_risk,
    schedule_kernel,
)
from kit.intervals.rules import RULES, Rule, Schedule, combine

__all__ = [
    "CAUTIONS",
    "DAYS_PER_YEAR",
    "RULES",
    "Answer",
    "Evidence",
    "IntervalRisk",
    "KindDraws",
    "ModeAnswer",
    "Nodes",
    "Part",
    "Problem",
    "Question",
    "QuestionError",
    "Rule",
    "RuleAnswer",
    "Schedule",
    "ScheduleKernel",
    "WeibullLife",
    "combine",
    "cycle_kernel",
    "interval_risk",
    "problem_of",
    "read_question",
    "recommend",
    "risks",
    "schedule_kernel",
]
