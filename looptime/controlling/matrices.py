"""One loop as a matrix: from just after one output to just after the next, exact.

State: position (where that is measured), speed, output held, sum of the integral (where ki is not
0), last measured value and filtered derivative (where kd is not 0), and readings that are on
their way where a reading is older than a loop when it is used. Limits, loads and targets do not
matter for whether a disturbance dies out, so they are left out.
"""

import math
from dataclasses import replace

import numpy as np

from looptime.array_types import Bool, Float
from looptime.controlling.law import SAME_S, Law, Plant
from looptime.errors import NotEnoughError
from looptime.heading.kept_work import Work
from looptime.heading.pattern import Sampling
from looptime.records import dataclass
from looptime.stats.arrays import distinct

__all__ = [
    "EvenLoop",
    "LoopMatrices",
    "even_matrix",
    "even_settles",
    "loop_matrices",
    "loops_by_reading",
    "spectral_radius",
]

#: Most readings on their way, beyond which no matrix is made.
MOST_ON_THE_WAY = 60
#: Matrices that are made at once, so that they stay near the processor.
_AT_ONCE = 1 << 11


@dataclass(frozen=True)
class LoopMatrices:
    """The loops of a log as matrices."""

    each: Float  #: shape (n, d, d)
    output: int  #: Which state is the output held: its row carries all gains
    duration_s: float


@dataclass(frozen=True)
class EvenLoop:
    """Loops all alike."""

    period_s: float
    latency_share: float  #: Latency without the sensor's delay, over the period
    delay_s: float = 0.0  #: Delay within the sensor, the same at every pace
    work: Work = Work()  #: What another pace leaves as it is

    def at_period(self, period_s: float) -> "EvenLoop":
        """The same loop at another pace.

        Examples
        --------
        >>> waits = EvenLoop(0.02, 0.4, work=Work("waits", 0.01, read_share=1.0))
        >>> [round(loop.at_period(0.016).latency_s, 12) for loop in (waits, EvenLoop(0.02, 0.4))]
        [0.008, 0.0064]
        """
        grows = self.work.factor(self.period_s, period_s, self.work.read_share)
        share = self.latency_share * grows * self.period_s / period_s
        return replace(self, period_s=period_s, latency_share=share)

    @property
    def latency_s(self) -> float:
        """From the moment at which a value was true to its use."""
        return self.latency_share * self.period_s + self.delay_s


def even_matrix(law: Law, plant: Plant, at: EvenLoop) -> LoopMatrices:
    """The matrix of even loops; `LoopMatrices.each` has shape (1, d, d).

    Examples
    --------
    Proportional control of ``x' = K u`` without latency: ``x`` shrinks by ``1 - K kp T`` a loop.

    >>> made = even_matrix(Law("per loop", kp=4.0), Plant("position", 10.0), EvenLoop(0.02, 0.0))
    >>> round(spectral_radius(made.each[0]), 12)
    0.2
    """
    on_the_way = math.floor(at.latency_s / at.period_s + 1e-9)
    _not_too_many(on_the_way)
    return _even(law, plant, np.array([at.period_s]), np.array([at.latency_s]), on_the_way)


def even_settles(law: Law, plant: Plant, at: EvenLoop, periods_s: Float) -> Bool:
    """Whether even loops of each period settle, shape (n,); not where no matrix is made of them.

    The latency goes with the period as `EvenLoop.at_period` has it, the sensor's delay stays.
    """
    latency = np.array([at.at_period(period).latency_s for period in periods_s.tolist()])
    on_the_way = np.floor(latency / periods_s + 1e-9).astype(np.int64)
    settles = np.zeros(len(periods_s), bool)
    for many in distinct(on_the_way[on_the_way <= MOST_ON_THE_WAY]).tolist():
        mine = on_the_way == many
        made = _even(law, plant, periods_s[mine], latency[mine], many)
        settles[mine] = np.abs(np.linalg.eigvals(made.each)).max(axis=1) < 1
    return settles


def _even(law: Law, plant: Plant, period: Float, latency: Float, on_the_way: int) -> LoopMatrices:
    """Even loops of several periods, each as a matrix."""
    offset = np.stack([(i + 1) * period - latency for i in range(on_the_way + 1)])
    return _matrices(law, plant, period, offset, period)


def loop_matrices(law: Law, plant: Plant, at: Sampling) -> LoopMatrices:
    """The recorded loops as matrices, in their order.

    Raises
    ------
    NotEnoughError
        If readings are more than `MOST_ON_THE_WAY` loops old.
    """
    n = len(at)
    newest = np.searchsorted(at.taken_s, at.use_s[:-1] + SAME_S, side="right") - 1
    on_the_way = max(int((newest - np.arange(n)).max(initial=0)), 0)
    _not_too_many(on_the_way)
    rows = np.arange(n)[None, :] + np.arange(1, on_the_way + 2)[:, None]
    taken = np.append(at.taken_s, np.full(on_the_way + 1, np.inf))[rows]
    hold, offset, step = at.hold_s, taken - at.use_s[:-1], np.diff(at.read_s)
    place = _places(law, plant, "o", ways=on_the_way)
    made = np.empty((n, len(place), len(place)))
    for low in range(0, n, _AT_ONCE):
        part = slice(low, low + _AT_ONCE)
        made[part] = _matrices(law, plant, hold[part], offset[:, part], step[part]).each
    return LoopMatrices(made, place["o"], float(hold.sum()))


def loops_by_reading(law: Law, plant: Plant, at: Sampling) -> LoopMatrices | None:
    """The recorded loops, each from one reading to the next, so that its latency stays with it.

    Cut so, the loops may be put into any order: a loop that takes longer until its output is used
    is as a rule a longer one. The state holds the output that is worked out and not yet used as
    well. None where a reading is older than a loop when it is used: then there is no such cut.

    Examples
    --------
    >>> from looptime.heading.pattern import even
    >>> made = loops_by_reading(Law("per loop", kp=4.0), Plant("position", 10.0), even(50, 9))
    >>> made.each.shape, round(spectral_radius(made.each[0]), 12)
    ((9, 4, 4), 0.2)
    """
    before, step = at.latency_s, np.diff(at.taken_s)
    after = step - before
    if (after < -SAME_S).any():
        return None
    place = _places(law, plant, "held", "next")
    used = np.eye(len(place))
    used[place["held"]] = used[place["next"]]
    after, since = np.maximum(after, 0.0), np.diff(at.read_s)
    made = np.empty((len(step), *used.shape))
    for low in range(0, len(step), _AT_ONCE):
        part = slice(low, low + _AT_ONCE)
        moved = _held(plant, place, after[part]) @ used @ _held(plant, place, before[part])
        made[part] = _output(law, place, since[part]) @ moved
    return LoopMatrices(made, place["next"], float(step.sum()))


def _held(plant: Plant, place: dict[str, int], time: Float) -> Float:
    """The plant over each of n times while the output stays; shape (n, d, d)."""
    made = np.tile(np.eye(len(place)), (len(time), 1, 1))
    decay, share = plant.factors(time)
    v, held = place["v"], place["held"]
    made[:, v, v], made[:, v, held] = decay, plant.full_speed * (1 - decay)
    if "x" in place:
        x = place["x"]
        made[:, x, v], made[:, x, held] = share, plant.full_speed * (time - share)
    return made


def _output(law: Law, place: dict[str, int], step: Float) -> Float:
    """The law at each of n readings, so long after the last ones; shape (n, d, d)."""
    made = np.tile(np.eye(len(place)), (len(step), 1, 1))
    error = np.zeros((len(step), len(place)))
    error[:, place.get("x", place["v"])] = -1.0
    made[:, place["next"]] = _by_law(law, place, made, error, step)
    return made


def _places(law: Law, plant: Plant, *outputs: str, ways: int = 0) -> dict[str, int]:
    """Place of each state by its name: of the plant, outputs, law and readings on their way."""
    names = [*(["x"] if plant.kind == "position" else []), "v", *outputs]
    names += ["sum"] if law.ki else []
    names += ["last", *(["D"] if law.filter_s else [])] if law.kd else []
    names += [f"way {i}" for i in range(ways)]
    return {name: k for k, name in enumerate(names)}


def _unit(place: dict[str, int], name: str, n: int) -> Float:
    """The row of a state that stays as it is, n times."""
    row = np.zeros((n, len(place)))
    row[:, place[name]] = 1.0
    return row


def _by_law(law: Law, place: dict[str, int], made: Float, error: Float, step: Float) -> Float:
    """The rows of the output, from those of the error, shape (n, d); the law's own are put in."""
    added, multiplied, passed = (w[:, None] for w in law.weights(step))
    output = law.kp * error
    if law.ki:
        made[:, place["sum"]] = _unit(place, "sum", len(step)) + added * error
        output = output + law.ki * made[:, place["sum"]]
    if law.kd:
        made[:, place["last"]] = -error
        change = multiplied * (error + _unit(place, "last", len(step)))
        if law.filter_s:
            before = _unit(place, "D", len(step))
            change = before + passed * (change - before)
            made[:, place["D"]] = change
        output = output + law.kd * change
    return output


def _not_too_many(on_the_way: int) -> None:
    if on_the_way > MOST_ON_THE_WAY:
        raise NotEnoughError(f"readings are {on_the_way} loops old when used: no model is played")


def _matrices(law: Law, plant: Plant, hold: Float, offset: Float, step: Float) -> LoopMatrices:
    """Matrices of n holds; `offset` (m + 1, n) is when the next readings are taken in each."""
    n, on_the_way = len(hold), len(offset) - 1
    place = _places(law, plant, "o", ways=on_the_way)
    d = len(place)

    def state_after(time: Float) -> tuple[Float | None, Float]:
        decay, share = plant.factors(time)
        v = np.zeros((n, d))
        v[:, place["v"]], v[:, place["o"]] = decay, plant.full_speed * (1 - decay)
        if "x" not in place:
            return None, v
        x = _unit(place, "x", n)
        x[:, place["v"]], x[:, place["o"]] = share, plant.full_speed * (time - share)
        return x, v

    def reading(i: int) -> Float:
        x, v = state_after(np.clip(offset[i], 0.0, hold))
        seen = v if x is None else x
        seen = np.where((offset[i] <= hold + SAME_S)[:, None], seen, 0.0)
        if i == on_the_way:
            return seen
        return np.where((offset[i] <= SAME_S)[:, None], _unit(place, f"way {i}", n), seen)

    made = np.empty((n, d, d))
    x, v = state_after(hold)
    if x is not None:
        made[:, place["x"]] = x
    made[:, place["v"]] = v
    readings = [reading(i) for i in range(on_the_way + 1)]
    for i in range(on_the_way):
        made[:, place[f"way {i}"]] = readings[i + 1]
    made[:, place["o"]] = _by_law(law, place, made, -readings[0], step)
    return LoopMatrices(made, place["o"], float(hold.sum()))


def spectral_radius(matrix: Float) -> float:
    """Greatest absolute eigenvalue; shape (d, d)."""
    return float(np.abs(np.linalg.eigvals(matrix)).max())
