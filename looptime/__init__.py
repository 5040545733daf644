"""looptime: where a robot's control loop spends its time, and what to do about it."""

from looptime.parsers.read import Log, read, read_log
from looptime.project import Project
from looptime.run import Run

__all__ = ["Log", "Project", "Run", "__version__", "read", "read_log"]
__version__ = "0.1.0"
