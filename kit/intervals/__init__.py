"""Which threshold and repeat interval the evidence supports."""

from kit.intervals.answer import Answer, ModeAnswer, RuleAnswer
from kit.intervals.classical import AgeReplacement, age_replacement, failure_finding_interval, looks_needed
from kit.intervals.evidence import DAYS_PER_YEAR, Evidence
from kit.intervals.joint_risk import JointRisk, Usage
from kit.intervals.named_pod import with_pod
from kit.intervals.problem import PER_FLIGHT_HOURS, Part, Problem, as_counted, risks
from kit.intervals.question import NamedDetection, Question, QuestionError, read_question
from kit.intervals.recommend import problem_of, recommend
from kit.intervals.risk import (
    IntervalRisk,
    Nodes,
    ScheduleKernel,
    WeibullLife,
    interval_risk,
    schedule_kernel,
    worst_window,
)
from kit.intervals.rules import RULES, Rule, Schedule, combine

__all__ = [
    "DAYS_PER_YEAR",
    "PER_FLIGHT_HOURS",
    "RULES",
    "AgeReplacement",
    "Answer",
    "Evidence",
    "IntervalRisk",
    "JointRisk",
    "ModeAnswer",
    "NamedDetection",
    "Nodes",
    "Part",
    "Problem",
    "Question",
    "QuestionError",
    "Rule",
    "RuleAnswer",
    "Schedule",
    "ScheduleKernel",
    "Usage",
    "WeibullLife",
    "age_replacement",
    "as_counted",
    "combine",
    "failure_finding_interval",
    "interval_risk",
    "looks_needed",
    "problem_of",
    "read_question",
    "recommend",
    "risks",
    "schedule_kernel",
    "with_pod",
    "worst_window",
]
