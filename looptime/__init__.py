"""looptime: where a robot's control loop spends its time, and what to do about it."""

__version__ = "0.1.0"
