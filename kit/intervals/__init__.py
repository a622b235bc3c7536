"""Which threshold and repeat interval the evidence supports."""

from kit.intervals.answer import Answer, ModeAnswer, RuleAnswer
from kit.intervals.beliefs import FEW_FINDS, Belief, beliefs, share_evidence
from kit.intervals.by_part import PartAnswer, parts_frame, parts_side_by_side
from kit.intervals.class_target import target_of_class
from kit.intervals.classical import AgeReplacement, age_replacement, failure_finding_interval, looks_needed
from kit.intervals.covered import MEASURED, Study, covered_words
from kit.intervals.evidence import DAYS_PER_YEAR, ONSET_SPREAD, Evidence
from kit.intervals.held import share_meeting
from kit.intervals.joint_risk import JointRisk, Usage
from kit.intervals.monte_carlo import monte_carlo_error, risk_and_rise
from kit.intervals.named_pod import kind_asked, with_numbers, with_pod
from kit.intervals.open_traps import traps_by_group
from kit.intervals.opinions import second_opinions
from kit.intervals.problem import Part, Problem, as_counted, risk_of, risks
from kit.intervals.question import (
    NamedDetection,
    Question,
    QuestionError,
    StatedDetection,
    read_question,
)
from kit.intervals.recommend import allowed_by_risk, problem_of, recommend
from kit.intervals.risk import (
    IntervalRisk,
    Nodes,
    ScheduleKernel,
    WeibullLife,
    interval_risk,
    schedule_kernel,
)
from kit.intervals.rules import RULES, Rule, Schedule, combine, risk_rule, shortest_look, threshold_rule
from kit.intervals.slack import Slack, package_slack
from kit.intervals.task_due import tasks_due
from kit.intervals.windows import PER_FLIGHT_HOURS, worst_window
from kit.intervals.words import yearly_in_words

__all__ = [
    "DAYS_PER_YEAR",
    "FEW_FINDS",
    "MEASURED",
    "ONSET_SPREAD",
    "PER_FLIGHT_HOURS",
    "RULES",
    "AgeReplacement",
    "Answer",
    "Belief",
    "Evidence",
    "IntervalRisk",
    "JointRisk",
    "ModeAnswer",
    "NamedDetection",
    "Nodes",
    "Part",
    "PartAnswer",
    "Problem",
    "Question",
    "QuestionError",
    "Rule",
    "RuleAnswer",
    "Schedule",
    "ScheduleKernel",
    "Slack",
    "StatedDetection",
    "Study",
    "Usage",
    "WeibullLife",
    "age_replacement",
    "allowed_by_risk",
    "as_counted",
    "beliefs",
    "combine",
    "covered_words",
    "failure_finding_interval",
    "interval_risk",
    "kind_asked",
    "looks_needed",
    "monte_carlo_error",
    "package_slack",
    "parts_frame",
    "parts_side_by_side",
    "problem_of",
    "read_question",
    "recommend",
    "risk_and_rise",
    "risk_of",
    "risk_rule",
    "risks",
    "schedule_kernel",
    "second_opinions",
    "share_evidence",
    "share_meeting",
    "shortest_look",
    "target_of_class",
    "tasks_due",
    "threshold_rule",
    "traps_by_group",
    "with_numbers",
    "with_pod",
    "worst_window",
    "yearly_in_words",
]
