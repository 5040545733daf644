"""What the loop's pace does to the controllers that run in it and to steered wheels.

Arrays below (`law`, `matrices`, `stability`, `margins`, `simulate`, `response`, `moves`, `fit`,
`wheels`), the whole question in `control_study`.
"""

from looptime.control.control_result import Controlled, ControlResult, Model
from looptime.control.control_study import study
from looptime.controllers import Controller, Wheel

__all__ = ["ControlResult", "Controlled", "Controller", "Model", "Wheel", "study"]
