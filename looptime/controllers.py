"""Controllers, steered wheels and targets as a team states them: in the project file or by options.

Values that cannot be are refused here, in one place for both.
"""

import math
from dataclasses import fields
from typing import Any, TypeVar

from looptime.errors import UsageError, nearest
from looptime.records import dataclass

__all__ = ["Controller", "Target", "Wheel", "parse_target", "stated"]

#: Words that a key may take.
CHOICES: dict[str, tuple[str, ...]] = {
    "form": ("per loop", "fixed step", "measured step"),
    "runs_on": ("robot", "device"),
    "derivative_of": ("error", "measurement"),
    "plant": ("position", "speed"),
}
#: Keys whose number must be above 0.
_ABOVE_ZERO = (
    "step_ms", "output_limit", "integral_limit", "wraps", "full_speed", "resolution", "tolerance",
)  # fmt: skip
_ANY_SIGN = ("load", "x_m", "y_m")
#: What the numbers of a target are, and how many may be left out at the end.
_TARGETS: dict[str, tuple[tuple[str, ...], int]] = {
    "step": (("SIZE",), 0),
    "ramp": (("SPEED", "SECONDS"), 1),
    "trapezoid": (("DISTANCE", "SPEED", "ACCELERATION"), 0),
    "sine": (("AMPLITUDE", "HZ"), 0),
}
#: Length of a ramp that states none [s].
RAMP_S = 1.0


@dataclass(frozen=True)
class Target:
    """What a controller is asked to follow, from rest at 0."""

    kind: str  #: ``step``, ``ramp``, ``trapezoid`` or ``sine``
    #: step: size; ramp: speed, length [s]; trapezoid: distance, greatest speed, acceleration; sine:
    #: amplitude, frequency [Hz]. In the unit of the measured value.
    numbers: tuple[float, ...]
    text: str  #: As it was written


def parse_target(text: str) -> Target:
    """Read a target such as ``step:90``.

    Raises
    ------
    UsageError
        If it is none, with how they are written.

    Examples
    --------
    >>> parse_target("trapezoid:0.8,1.2,3").numbers
    (0.8, 1.2, 3.0)
    """
    kind, _, rest = text.partition(":")
    if kind not in _TARGETS:
        kinds = ", ".join(f"{kind}:{','.join(names)}" for kind, (names, _) in _TARGETS.items())
        raise UsageError(f"target {text!r} is not known: write {kinds}")
    names, optional = _TARGETS[kind]
    try:
        numbers = tuple(float(word) for word in rest.split(","))
    except ValueError:
        numbers = ()
    if not len(names) - optional <= len(numbers) <= len(names):
        raise UsageError(
            f"target {text!r}: write {kind}:{','.join(names)}, numbers after the colon"
        )
    if not all(map(math.isfinite, numbers)) or numbers[0] == 0 or min(numbers[1:], default=1) <= 0:
        raise UsageError(f"target {text!r}: {names[0]} must not be 0, the others must be above 0")
    if kind == "ramp" and len(numbers) == 1:
        numbers = (*numbers, RAMP_S)
    return Target(kind, numbers, text)


@dataclass(frozen=True)
class Controller:
    """``[[controller]]``: one controller of the loop, its gains and, if stated, its mechanism."""

    name: str = "controller"  #: What the team calls it
    #: Calls that read the measured value and put the output to use; of several names, separated by
    #: ``|``, the first that a log has.
    read_call: str | None = None
    write_call: str | None = None
    #: How the code meets time: ``per loop`` (it ignores the step), ``fixed step`` (it assumes
    #: `step_ms`) or ``measured step``. Must be stated where `ki` or `kd` is.
    form: str | None = None
    step_ms: float | None = None  #: The step that a fixed step or a filter assumes
    #: As they stand in the code; the output is in full scale (-1 to 1).
    kp: float = 0.0
    ki: float = 0.0
    kd: float = 0.0
    #: Time constant of a first-order filter, ``D += dt/(filter + dt) (new - D)``.
    derivative_filter_ms: float = 0.0
    #: The output is cut at it, either way; at full scale where none is stated.
    output_limit: float | None = None
    integral_limit: float | None = None  #: The sum that `ki` multiplies is cut at it, either way
    #: ``robot``, or ``device``: on the motor's own controller, where the pace changes the age of
    #: the set-point and not the gains.
    runs_on: str = "robot"
    #: 360 for an angle in degrees: the error is taken the shorter way round.
    wraps: float | None = None
    derivative_of: str = "error"  #: ``error`` or ``measurement``
    feed_forward: float = 0.0  #: Output for each unit a second of the wanted speed
    sensor_delay_ms: float = 0.0  #: Dead time within the sensor
    plant: str | None = None  #: ``position`` or ``speed``: what is measured
    full_speed: float | None = None  #: Speed at full output [unit/s]
    time_constant_ms: float = 0.0  #: Of the speed
    load: float = 0.0  #: Output that only just holds the mechanism, a lift's weight
    resolution: float | None = None  #: Smallest step of the measured value [unit]
    unit: str = ""  #: Of the measured value
    target: Target | None = None  #: What it is asked to follow
    tolerance: float | None = None  #: Error within which it counts as settled [unit]

    def __post_init__(self) -> None:
        if self.form is None and (self.ki or self.kd) and self.runs_on == "robot":
            raise UsageError(
                f"form is missing: say how the code meets time, one of {', '.join(CHOICES['form'])}"
            )
        if self.form == "fixed step" and self.step_ms is None:
            raise UsageError("form = 'fixed step' needs step_ms, the step that the code assumes")
        if self.derivative_filter_ms and self.form == "per loop" and self.step_ms is None:
            raise UsageError("a filter in code that ignores the step needs step_ms")
        if abs(self.load) >= self.limit:
            raise UsageError(
                f"load = {self.load:g} cannot be held with an output of {self.limit:g}"
            )
        if self.has_model and not (self.kp or self.ki):
            raise UsageError("kp and ki are both 0: nothing brings the plant to its target")
        self._one_way_round()

    def _one_way_round(self) -> None:
        if self.target is None or self.wraps is None or self.target.kind != "step":
            return
        if abs(self.target.numbers[0]) >= self.wraps / 2:
            raise UsageError(
                f"target {self.target.text!r}: where the value wraps at {self.wraps:g}, a step is "
                f"below {self.wraps / 2:g}"
            )

    @property
    def limit(self) -> float:
        """What the output is cut at: full scale where nothing else is stated."""
        return 1.0 if self.output_limit is None else self.output_limit

    @property
    def has_gains(self) -> bool:
        """Whether any gain is stated, so that there is a controller and not only a mechanism."""
        return bool(self.kp or self.ki or self.kd)

    @property
    def has_model(self) -> bool:
        """Whether enough is stated to play its mechanism."""
        return self.plant is not None and self.full_speed is not None and self.runs_on == "robot"


@dataclass(frozen=True)
class Wheel:
    """``[[wheel]]``: one steered wheel."""

    name: str = "wheel"  #: What the team calls it
    #: Calls that read its angle and that put its steering command to use.
    read_call: str | None = None
    write_call: str | None = None
    #: Where it stands on the chassis; x forward, y to the left.
    x_m: float | None = None
    y_m: float | None = None


S = TypeVar("S", Controller, Wheel)


def stated(kind: type[S], values: dict[str, Any]) -> S:
    """A `Controller` or a `Wheel` from keys and values as they were written.

    Raises
    ------
    UsageError
        If a key is not known (the nearest is named) or a value cannot be.

    Examples
    --------
    >>> stated(Controller, {"name": "mast", "kp": 2.5, "target": "step:0.3"}).target.kind
    'step'
    """
    known = {f.name: str(f.type) for f in fields(kind)}
    for key in values:
        if key not in known:
            raise UsageError(f"key {key!r} is not known; {nearest(key, known)}")
    return kind(**{key: _value(key, value, known[key]) for key, value in values.items()})


def _value(key: str, value: Any, kind: str) -> Any:
    if "str" in kind or key == "target":
        if not isinstance(value, str) or not value.strip():
            raise UsageError(f"{key} takes text in quotes, not {value!r}")
        if value not in CHOICES.get(key, (value,)):
            raise UsageError(f"{key} = {value!r}: use one of {', '.join(CHOICES[key])}")
        return parse_target(value) if key == "target" else value
    number = isinstance(value, int | float) and not isinstance(value, bool)
    if not number or not math.isfinite(value):
        raise UsageError(f"{key} takes a number, not {value!r}")
    if key in _ABOVE_ZERO and value <= 0:
        raise UsageError(f"{key} = {value:g}: give a number above 0")
    if key not in _ANY_SIGN and value < 0:
        raise UsageError(f"{key} = {value:g}: give a number from 0")
    return float(value)
