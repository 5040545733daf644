"""What a study of controllers and steered wheels found, and its JSON."""

from dataclasses import field
from typing import Any

from looptime.analysers.estimate import Figure, to_json
from looptime.controllers import Controller
from looptime.controlling.at_limit import AtLimit
from looptime.controlling.effective import Effective, Noise
from looptime.controlling.enough import RequiredRate
from looptime.controlling.fit import Fit
from looptime.controlling.margins import Margins
from looptime.controlling.moves import CurvePoint, Stall
from looptime.controlling.oscillation import Oscillation
from looptime.controlling.own_pace import OwnPace
from looptime.controlling.response import Response
from looptime.controlling.stability import Stability
from looptime.controlling.trace import Trace
from looptime.controlling.wheels import Steering
from looptime.heading.kept_work import Work
from looptime.records import dataclass

__all__ = ["CAUTIONS", "ControlResult", "Controlled", "Model"]

#: Shown with every figure that rests on a model of a mechanism.
CAUTIONS = (
    "The model of a mechanism is rough; a figure from one is an estimate and never a safety case.",
    "First try changed gains with the wheels off the floor (a lift: near its lower stop, clear of "
    "hands), the output limited and the stop control in hand.",
)


@dataclass(frozen=True)
class Model:
    """What a model of the mechanism says."""

    stability: Stability | None = None
    margins: Margins | None = None  #: Of even loops at the log's mean period and latency
    #: `recorded`, `even`: The target over the recorded loops, and over even ones at the same mean
    #: rate.
    recorded: Response | None = None
    even: Response | None = None
    curve: tuple[CurvePoint, ...] = ()
    stall: Stall | None = None
    required: RequiredRate | None = None  #: Where a tolerance is stated
    trace: Trace | None = None  #: The move over time
    #: Rate beyond which going on to the fastest gains less than a tenth, of the figure that is
    #: judged and of the time to settle; where slower ones settle, too [Hz].
    stops_helping_hz: float | None = None
    cut: bool = False  #: Whether the recorded move reaches the limit of its output
    #: How the loop is paced, and the fastest that its work allows: there `curve` ends [Hz].
    work: Work = Work()


@dataclass(frozen=True)
class Controlled:
    """One controller over the log."""

    stated: Controller  #: With the fitted mechanism in it, where one was fitted
    effective: Effective | None = None  #: None where the log lacks its calls
    #: `age_ms`, `latency_ms`, `phase_lost_deg`: Mean age of the measurement in use, its part before
    #: the use, and the phase that a crossover loses for each Hz.
    age_ms: Figure = field(default_factory=Figure)
    latency_ms: Figure = field(default_factory=Figure)
    phase_lost_deg: Figure = field(default_factory=Figure)
    noise: Noise | None = None
    model: Model = field(default_factory=Model)
    fit: Fit | None = None
    loops: int = 0  #: Loops behind the figures
    notes: tuple[str, ...] = ()
    error: str | None = None  #: Why nothing can be said
    cut: AtLimit | None = None  #: Where a fit names its output, and that is cut at its limit
    oscillation: Oscillation | None = None  #: Where a fit names its signals, and the value swings
    own_pace: OwnPace | None = None  #: Where a fit names its output, and that skips loops

    @property
    def only_fitted(self) -> bool:
        """Whether a mechanism was fitted for its own sake: no gains are stated."""
        return self.fit is not None and not self.stated.has_gains

    def to_dict(self) -> dict[str, Any]:
        """One of ``controllers[]``."""
        at, gains, model = self.stated, self.effective, self.model
        return {
            "name": at.name, "form": at.form, "runs_on": at.runs_on, "unit": at.unit or None,
            "steps_ms": None if gains is None else gains.steps_ms,
            "effective": None if gains is None else {"ki": gains.ki, "kd": gains.kd},
            "factors": None if gains is None else {
                "integral": gains.integral, "derivative": gains.derivative,
            },
            "age_ms": self.age_ms, "latency_ms": self.latency_ms,
            "phase_lost_deg": self.phase_lost_deg, "noise": self.noise,
            "stability": _stability(model), "response": _response(model),
            "fit": self.fit, "at_limit": self.cut, "oscillation": self.oscillation,
            "own_pace": self.own_pace,
            "loops": self.loops, "notes": list(self.notes), "error": self.error,
        }  # fmt: skip


def _stability(model: Model) -> dict[str, Any] | None:
    at, margin = model.stability, model.margins
    if at is None or margin is None:
        return None
    return {
        **to_json(at), "gain_margin": margin.gain_margin,
        "phase_margin_deg": margin.phase_margin_deg, "crossover_hz": margin.crossover_hz,
    }  # fmt: skip


def _response(model: Model) -> dict[str, Any] | None:
    if model.recorded is None:
        return None
    need = model.required
    return {
        "recorded": model.recorded, "even": model.even,
        "curve": [{**to_json(p.response), **{k: v for k, v in to_json(p).items()
                                             if k != "response"}} for p in model.curve],
        "required_rate_hz": None if need is None else need.log_shape_hz, "required": need,
        "stops_helping_hz": model.stops_helping_hz,
        "work": {"pace": model.work.pace, "fastest_hz": model.work.fastest_hz},
        "worst_stall": model.stall,
        "trace": model.trace,
    }  # fmt: skip


@dataclass(frozen=True)
class ControlResult:
    """Controllers and steered wheels over one log."""

    controllers: tuple[Controlled, ...]
    steering: Steering | None
    #: `rate_hz`, `duration_s`: Loops over time, and the length of what was looked at.
    rate_hz: float
    duration_s: float
    loops: int
    warmup_loops: int = 0
    notes: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()
    supposed: tuple[str, ...] = ()  #: As in `looptime.run.Clock`

    def to_dict(self) -> dict[str, Any]:
        """What ``control --json`` gives, besides the log's name."""
        steering = to_json(self.steering)
        wheels = [] if steering is None else steering.pop("wheels")
        made: dict[str, Any] = to_json({
            "loops": self.loops, "warmup_loops": self.warmup_loops,
            "duration_s": self.duration_s, "rate_hz": self.rate_hz,
            "controllers": [one.to_dict() for one in self.controllers],
            "wheels": wheels, "steering": steering,
            "notes": list(self.notes), "cautions": list(self.cautions),
            "supposed": list(self.supposed),
        })  # fmt: skip
        return made
