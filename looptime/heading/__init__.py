"""From loop timing to heading and position error."""

from importlib import import_module
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from looptime.heading.heading_study import PATTERNS, study
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

# Loaded when first asked for: a summary needs few of them
_HOME = {
    "heading_study": (
        "PATTERNS",
        "study",
    ),
    "instants": (
        "Labels",
        "sampling_from_run",
    ),
    "integrated": (
        "RULES",
        "AssumedStep",
        "parse_step",
    ),
    "lead": (
        "Lead",
        "parse_lead",
    ),
    "motion": ("Motion",),
    "path": ("HEADINGS",),
    "pattern": ("Sampling",),
    "required": ("CAUTIONS",),
    "result": ("HeadingResult",),
    "sensor": ("Sensor",),
    "setup": (
        "Setup",
        "Tolerance",
    ),
    "spelling": (
        "MOTION_HELP",
        "parse_motion",
    ),
}
_MODULE = {name: f"looptime.heading.{module}" for module, names in _HOME.items() for name in names}


def __getattr__(name: str) -> object:
    if name not in _MODULE:
        raise AttributeError(f"module 'looptime.heading' has no attribute {name!r}")
    return getattr(import_module(_MODULE[name]), name)
