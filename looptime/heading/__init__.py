"""From loop timing to heading and position error."""

from looptime.heading.instants import Labels, sampling_from_run
from looptime.heading.integrated import RULES, AssumedStep, parse_step
from looptime.heading.lead import Lead, parse_lead
from looptime.heading.motion import Motion
from looptime.heading.path import HEADINGS
from looptime.heading.pattern import Sampling
from looptime.heading.required import CAUTIONS
from looptime.heading.result import HeadingResult
from looptime.heading.sensor import Sensor
from looptime.heading.setup import Setup, Tolerance
from looptime.heading.spelling import MOTION_HELP, parse_motion
from looptime.heading.study import PATTERNS, study

__all__ = [
    "CAUTIONS",
    "HEADINGS",
    "MOTION_HELP",
    "PATTERNS",
    "RULES",
    "AssumedStep",
    "HeadingResult",
    "Labels",
    "Lead",
    "Motion",
    "Sampling",
    "Sensor",
    "Setup",
    "Tolerance",
    "parse_lead",
    "parse_motion",
    "parse_step",
    "sampling_from_run",
    "study",
]
