"""The answer of a heading study, and its form as JSON."""

import math

from looptime.analysers.estimate import Figure
from looptime.heading.age_distribution import AgeParts
from looptime.heading.curve import CurvePoint
from looptime.heading.growth import Growth
from looptime.heading.kept_work import Work
from looptime.heading.phase import PhaseLost
from looptime.heading.required import Required
from looptime.heading.stale import Stale
from looptime.heading.stalls import Stalls
from looptime.records import dataclass

__all__ = [
    "Ensemble",
    "HeadingResult",
    "Integrated",
    "MeanSquares",
    "PathError",
    "Resolution",
]

_DEG = math.degrees(1.0)
_MM_PER_M = 1e3
Json = dict[str, object]


@dataclass(frozen=True)
class Ensemble:
    """An error over all its starts."""

    #: The mean keeps its sign where the error has one.
    mean: Figure
    rms: Figure
    p95: Figure
    worst: float | None  #: No interval is given for a maximum

    def to_dict(self, factor: float) -> Json:
        """In another unit."""
        return {
            "mean": self.mean.scaled(factor).to_dict(),
            "rms": self.rms.scaled(factor).to_dict(),
            "p95": self.p95.scaled(factor).to_dict(),
            "worst": None if self.worst is None else self.worst * factor,
        }


@dataclass(frozen=True)
class MeanSquares:
    """Mean squares of the integrated heading's error, by cause; they add up [rad2]."""

    #: What uneven steps and an assumed step add to the rule's own error at the same mean rate.
    timing: float
    rule: float  #: The rule's error with even, measured steps
    #: Of the sensor.
    noise: float
    bias: float

    @property
    def total(self) -> float:
        """Sum of the four [rad2]."""
        return self.timing + self.rule + self.noise + self.bias


@dataclass(frozen=True)
class Integrated:
    """Heading integrated from a turn-rate gyro."""

    method: str
    step: str
    over_s: float  #: Length of the motion, or of the stretch over which the error is taken
    end: Ensemble  #: Error at the end, from timing and rule [rad]
    per_minute: Figure  #: Root mean square error after one minute, by the law of growth [rad]
    growth: Growth
    squares: MeanSquares


@dataclass(frozen=True)
class PathError:
    """Errors of the floor position."""

    heading: str  #: Heading that dead reckoning uses for a step
    speed_m_s: float
    duration_s: float  #: Of the drive at whose end the offset is taken
    #: Sideways metres for each metre driven straight while turning, left taken off right.
    lateral: Figure
    sideways: Figure  #: The same with left and right added
    end: Ensemble  #: Offset of the dead-reckoned position at the end [m]


@dataclass(frozen=True)
class Resolution:
    """What a coarse sensor loses."""

    step_deg: float
    #: Turns slower than one step a loop are lost where increments are cut [deg/s].
    lost_below_deg_s: float | None
    reading_rms_deg: float  #: Rounding of a heading reading: ``step / sqrt(12)``


@dataclass(frozen=True)
class AsLogged:
    """What the pace costs in the motion that the log itself holds."""

    stale: Stale  #: [rad]
    motion_limits: tuple[str, ...]
    peak_rate: float  #: [rad/s]
    #: Steps in which the heading is logged [deg]; 0 where it is finer than the figures.
    coarse_deg: float = 0.0
    #: The same where they only hide the greatest rate [deg].
    coarse_rate_deg: float = 0.0
    supposed: tuple[str, ...] = ()  #: As in `HeadingResult`


@dataclass(frozen=True)
class HeadingResult:
    """Everything that a heading study finds; angles in radians, lengths in metres inside."""

    motion: str  #: The motion of the robot
    motion_limits: tuple[str, ...]  #: What the motion cannot show
    peak_rate: float  #: Greatest turn rate of the motion [rad/s]
    pattern: str
    rate_hz: Figure  #: Wanted loop rate [Hz]
    age: AgeParts  #: [ms]
    #: Ages if the reading counts from the ``start`` or the ``end`` of its call.
    age_if: dict[str, AgeParts]
    stale: Stale  #: [rad]
    integrated: Integrated
    path: PathError
    phase: PhaseLost
    curve: tuple[CurvePoint, ...]  #: Figures against loop rate
    required: dict[str, Required]  #: By ``tolerance_deg`` and ``tolerance_mm``
    #: Rate from which going faster gains less than a tenth, with the log's stalls [Hz].
    stops_helping_hz: float | None
    resolution: Resolution | None  #: Increments are cut to whole multiples of it; 0 for none
    loops_used: int
    loops_in_run: int
    #: Cautions belong beside every required rate.
    notes: tuple[str, ...]
    cautions: tuple[str, ...]
    supposed: tuple[str, ...] = ()  #: As in `looptime.run.Clock`
    warmup_loops: int = 0  #: Loops of the run that were left out as warm-up before the study
    stalls: Stalls | None = None
    motion_assumed: bool = False  #: Whether nobody said how the robot moves
    work: Work = Work()  #: What another pace leaves as it is
    logged: AsLogged | None = None  #: Where a motion was assumed and the log holds one

    @property
    def rests_on(self) -> tuple[str, ...]:
        """What would follow an "if" in any sentence about it, the log's own motion included."""
        return (*self.supposed, *(self.logged.supposed if self.logged else ()))

    @property
    def latency_at_other_rates(self) -> str:
        """``stays``, or ``goes with the period``, as is supposed where no work is known."""
        return "goes with the period" if self.work.work_s is None else "stays"

    def to_dict(self) -> Json:
        """The figures as JSON: degrees, millimetres and milliseconds, null where undefined."""
        whole = self.integrated
        return {
            "motion": self.motion,
            "motion_assumed": self.motion_assumed,
            "greatest_rate_deg_s": self.peak_rate * _DEG,
            "sampling": {
                "pattern": self.pattern,
                "rate_hz": self.rate_hz.to_dict(),
                "reading_age_ms": {"mean": self.age.mean_ms.to_dict(), "max": self.age.max_ms},
            },
            "stale_heading_deg": _stale(self.stale),
            "integrated_heading_deg": {
                "method": whole.method,
                "step": whole.step,
                "end": whole.end.to_dict(_DEG),
                "per_minute": whole.per_minute.scaled(_DEG).to_dict(),
                "growth": {
                    "law": whole.growth.law,
                    "power": whole.growth.power.to_dict(),
                    "coefficient": whole.growth.coefficient.scaled(_DEG).to_dict(),
                    "unit": whole.growth.unit,
                },
            },
            "path": {
                "lateral_mm_per_m": self.path.lateral.scaled(_MM_PER_M).to_dict(),
                "sideways_mm_per_m": self.path.sideways.scaled(_MM_PER_M).to_dict(),
                "end_offset_mm": self.path.end.to_dict(1e3),
            },
            "phase_lost_deg": {
                **self.phase.whole_run_deg.to_dict(),
                "worst_stretch": self.phase.worst_stretch_deg,
                "crossover_hz": self.phase.crossover_hz,
            },
            "curve": [_point(p, self.phase.crossover_hz) for p in self.curve],
            "stalls": None if self.stalls is None else vars(self.stalls),
            "recorded_motion": _as_logged(self.logged),
            "required_rate_hz": {k: _required(r) for k, r in self.required.items()} or None,
            "parts": self._parts(),
            "notes": list(self.notes),
            "cautions": list(self.cautions) if self.required else [],
            "supposed": list(self.supposed),
        }

    def _parts(self) -> Json:
        squares = self.integrated.squares
        rms = math.sqrt(max(squares.total, 0.0))
        return {
            "mean_age_ms": _ages(self.age),
            "mean_age_ms_by_read_instant": {k: _ages(a) for k, a in self.age_if.items()} or None,
            "integrated_deg2": {
                "timing": squares.timing * _DEG**2,
                "rule": squares.rule * _DEG**2,
                "noise": squares.noise * _DEG**2,
                "bias": squares.bias * _DEG**2,
                "total": squares.total * _DEG**2,
                "total_rms_deg": rms * _DEG,
                "over_s": self.integrated.over_s,
            },
            "path": {
                "heading": self.path.heading,
                "speed_m_s": self.path.speed_m_s,
                "duration_s": self.path.duration_s,
            },
            "resolution": None
            if self.resolution is None
            else {
                "step_deg": self.resolution.step_deg,
                "lost_below_deg_s": self.resolution.lost_below_deg_s,
                "reading_rms_deg": self.resolution.reading_rms_deg,
            },
            "stops_helping_hz": self.stops_helping_hz,
            "work": {
                "pace": self.work.pace,
                "fastest_hz": self.work.fastest_hz,
                "latency": self.latency_at_other_rates,
            },
            "loops": {
                "used": self.loops_used,
                "in_run": self.loops_in_run,
                "warmup": self.warmup_loops,
            },
        }


def _as_logged(at: AsLogged | None) -> Json | None:
    if at is None:
        return None
    coarse = bool(at.coarse_deg)
    return {
        "greatest_rate_deg_s": None if coarse or at.coarse_rate_deg else at.peak_rate * _DEG,
        "stale_heading_deg": {**_stale(at.stale), **({"max": None} if coarse else {})},
        "limits": list(at.motion_limits),
        "supposed": list(at.supposed),
    }


def _stale(stale: Stale) -> Json:
    return {
        "mean": stale.mean.scaled(_DEG).to_dict(),
        "rms": stale.rms.scaled(_DEG).to_dict(),
        "p95": stale.p95.scaled(_DEG).to_dict(),
        "max": stale.max * _DEG,
    }


def _ages(age: AgeParts) -> Json:
    return {
        "latency": age.latency_ms.to_dict(),
        "hold": age.hold_ms.to_dict(),
        "unevenness": age.unevenness_ms.to_dict(),
        "mean": age.mean_ms.to_dict(),
        "max": age.max_ms,
    }


def _point(point: CurvePoint, crossover_hz: float) -> Json:
    return {
        "pattern": point.pattern,
        "rate_hz": point.rate_hz,
        "reading_age_ms": point.age_ms.to_dict(),
        "stale_heading_deg": _stale(point.stale),
        "integrated_rms_deg": point.integrated_rms.scaled(_DEG).to_dict(),
        "lateral_mm_per_m": point.stale.lateral.scaled(_MM_PER_M).to_dict(),
        "sideways_mm_per_m": point.stale.sideways.scaled(_MM_PER_M).to_dict(),
        "phase_lost_deg": point.age_ms.scaled(0.36 * crossover_hz).to_dict(),
    }


def _required(required: Required) -> Json:
    return {
        "tolerance": required.tolerance,
        "judged": required.judged,
        **{
            pattern.replace(" ", "_"): rate.to_dict()
            for pattern, rate in required.by_pattern.items()
        },
        "missed_by": required.missed_by,
        "fastest": None if required.fastest is None else vars(required.fastest),
    }
