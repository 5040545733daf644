"""What the loop's pace does to the controllers that run in it and to steered wheels.

Arrays below (`law`, `matrices`, `stability`, `margins`, `simulate`, `response`, `moves`, `fit`,
`wheels`), the whole question in `control_study`.
"""

from looptime.controllers import Controller, Wheel
from looptime.controlling.control_result import Controlled, ControlResult, Model
from looptime.controlling.control_study import control

__all__ = ["ControlResult", "Controlled", "Controller", "Model", "Wheel", "control"]
