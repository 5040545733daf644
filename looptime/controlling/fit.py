"""Full speed and time constant of a mechanism, fitted to what the robot logged of itself.

The model is linear in everything but the time constant: for each of these the rest is least
squares over the exact solution, with a state of its own at the beginning of each stretch and a
constant push (a lift's weight) besides. A dead time between the output and the value, and rows
that hold the output of the loop before, are looked for, since without them the time constant takes
up what is theirs.
"""

from __future__ import annotations

import math
import re
from dataclasses import replace

import numpy as np

from looptime.analysers.estimate import Figure
from looptime.analysers.own_stamps import sample_age_of, stamps_ns
from looptime.array_types import Float
from looptime.controlling.fit_stretches import (
    LEAST_STRETCHES,
    LEAST_VALUES,
    Stretches,
    clustered,
    cut_up,
)
from looptime.errors import NotEnoughError, UsageError, nearest
from looptime.records import dataclass
from looptime.run import Run
from looptime.signal_names import kind_by_unit, known_as
from looptime.stats.arrays import HUGE, distinct
from looptime.stats.student import t_quantile

__all__ = ["Fit", "fit_arrays", "fit_plant", "parse_fit", "signal_key", "signal_named"]

#: Share of the variance above which a fit is not used.
MOST_LEFT = 0.1
#: Time constants that are looked through [s].
SHORTEST_S, LONGEST_S = 1e-4, 5.0
#: Longest dead time that is looked for: in loops or, if that is longer [s]; those tried first are
#: half a loop and its doubles. It is looked for in the stretches in which the output does most.
MOST_LOOPS, LONGEST_DEAD_S, STRETCHES_LOOKED_AT = 8, 0.3, 100
#: Greatest logarithm of a time constant that is looked at then, either way.
SPAN = 12.0
#: A dead time is told where it leaves less than this share of the mean square that none leaves,
#: and is more than this share of a loop.
LEAVES, LEAST_LOOPS = 0.9, 0.1
#: Mean squares by which the sums of fits that are alike may differ (chi-square, 95 %).
ALIKE = 3.84
#: Share of the mean square below which one kind of mechanism fits clearly better than the other.
CLEARLY = 0.5
#: What is said where nothing moved, and where a fit leaves most of what little did.
STILL = (
    "nothing moved: about its mean the measured value only scatters as noise does: not used; move "
    "the setpoint to and fro and log it"
)
#: Share of the variance about the mean that differences from value to value make of noise alone,
#: above which what moved is said to be mostly noise.
MOSTLY_NOISE = 0.5
#: Half the width of the gain's interval, as a share of it, above which the log does not tell it.
WIDEST = 0.5
#: Most signals that a refusal names.
MOST_NAMED = 12


#: A unit behind a name: in brackets, or one of those that names end with.
_UNIT = re.compile(
    r"[\s_]*[\[(][^\[\]()]*[\])]$|_(deg|rad|rev|mm|cm|m|rpm|v|a)(_s)?$", re.IGNORECASE
)


@dataclass(frozen=True)
class Fit:
    """What a log says of a mechanism."""

    full_speed: Figure  #: [unit/s]
    time_constant_ms: Figure
    left: float  #: Share of the measured value's variance that the fit leaves unexplained
    used: bool  #: Whether it leaves less than `MOST_LEFT` and drives the way of the output
    values: int  #: Measured values behind it
    text: str  #: How it came out, in words
    plant: str = "speed"  #: What the measured value was taken for: ``position`` or ``speed``
    output: str = ""  #: The two signals' names
    measured: str = ""
    left_rms: float = 0.0  #: Root of the mean square that it leaves [unit]
    #: Between output and value, besides the sensor's stated delay; None where none is told.
    dead_time_ms: Figure | None = None
    row_before: bool = False  #: Whether the output beside a value is that of the loop before
    one_stamp: bool = False  #: Whether the output and the value stand in the same rows
    own_stamp: bool = False  #: Whether each value has a stamp of its own, when it was measured
    wraps: float | None = None  #: By how much the measured value jumps where it begins anew [unit]


def parse_fit(text: str) -> tuple[str, ...]:
    """``OUTPUT,MEASURED`` or ``OUTPUT,MEASURED,TARGET``: the signals' names.

    Examples
    --------
    >>> parse_fit("mast_output,mast_m")
    ('mast_output', 'mast_m')
    """
    words = [word.strip() for word in text.split(",")]
    if len(words) not in (2, 3) or not all(words) or len(set(words)) < len(words):
        raise UsageError(
            f"--fit {text!r}: write OUTPUT,MEASURED, two signals of the log, and behind them the "
            "one that it is to follow: OUTPUT,MEASURED,TARGET"
        )
    return tuple(words)


def fit_plant(
    run: Run, output: str, measured: str, kind: str | None, delay_s: float = 0.0,
    wraps: float | None = None,
) -> Fit:  # fmt: skip
    """Fit a mechanism to two signals of a run.

    Parameters
    ----------
    run : Run
        With both signals.
    output, measured : str
        Names of the signals: output in full scale, and the measured value.
    kind : str, optional
        ``position`` or ``speed``; else the one of the two that leaves clearly less.
    delay_s : float [s]
        Delay within the sensor.
    wraps : float, optional [unit]
        Where the measured value begins anew, as an angle at 360.

    Raises
    ------
    UsageError
        If the log has no such signal (those that there are are named), or fits both kinds alike.
    NotEnoughError
        If it holds too few values, or an output that never changes.
    """
    signals = run.signals
    found = [signal_named(run, name) for name in (output, measured)]
    assert signals is not None
    time = signals.time_ns / 1e9
    given, seen = (np.abs(values) < HUGE for values in found)
    value = found[1][seen] if wraps is None else np.unwrap(found[1][seen], period=wraps)
    age = sample_age_of(run, measured)
    true = time if age is None else stamps_ns(signals, age)[0] / 1e9
    arrays = time[given], found[0][given], true[seen] - delay_s, value
    fitted = _either(*arrays, measured) if kind is None else fit_arrays(*arrays, kind)
    return replace(
        fitted, one_stamp=age is None and bool((given == seen).all()), own_stamp=age is not None,
        output=output, measured=measured,
    )  # fmt: skip


def signal_named(run: Run, name: str) -> Float:
    """A signal by its name in the run or by the header that it stands under, in that one's unit."""
    have = {} if run.signals is None else run.signals.values
    known, factor = known_as(name)
    if name in have or known not in have:
        return have[signal_key(run, name)]
    return have[known] / factor


def signal_key(run: Run, name: str) -> str:
    """The name in the run of a signal that is called so in its log, with its unit or without.

    Raises
    ------
    UsageError
        If the run has none, or several whose names differ in their units alone.
    """
    have = {} if run.signals is None else run.signals.values
    known = known_as(name)[0]
    bare = [one for one in have if _UNIT.sub("", one).lower() == name.strip().lower()]
    for found in (name, known, *(bare if len(bare) == 1 else ())):
        if found in have:
            return found
    where = run.source or "the log"
    if not have:
        raise UsageError(f"{where}: has no signals, so none is called {name!r}")
    hint = f"; {nearest(name, have)}"
    if len(bare) > 1:
        hint = f", but {' and '.join(map(repr, bare[:MOST_NAMED]))}: name one of them in full"
    raise UsageError(f"{where}: has no signal {name!r}{hint}")


def _either(at: Float, output: Float, when: Float, measured: Float, name: str) -> Fit:
    """The fit as a speed or as a position: whichever leaves clearly less, else as its unit says."""
    given = [_Given(at, output, when, measured, kind) for kind in ("speed", "position")]
    order = sorted(given, key=lambda one: _plain(one)[1])
    better, rest = _best(order[0])
    other, most = _plain(order[1])
    if better.full_speed.value is None:
        return better
    if not rest < CLEARLY * most:
        (better, rest), (other, most) = sorted(
            ((better, rest), _best(order[1])), key=lambda one: one[1]
        )
    if not rest < CLEARLY * most:
        stated = kind_by_unit(name)
        if stated is not None:
            found = better if better.plant == stated else other
            return replace(found, text=f"{found.text}; taken as a {stated} by its name's unit")
        raise UsageError(
            f"--fit: can't tell whether the measured value is a speed or a position (as a "
            f"{better.plant} {100 * better.left:.2g} % is left unexplained, as a {other.plant} "
            f"{100 * other.left:.2g} %): say it with --plant"
        )
    return replace(better, text=f"{better.text}; taken as a {better.plant}, which fits best")


def fit_arrays(at: Float, output: Float, when: Float, measured: Float, kind: str) -> Fit:
    """Fit a mechanism to an output held from each instant on, and to measured values.

    Parameters
    ----------
    at, output : float array, shape (n,) [s], [full scale]
        When each output was put to use.
    when, measured : float array, shape (m,) [s], [unit]
        Moments at which the values were true.
    kind : str
        ``position`` or ``speed``.

    Examples
    --------
    >>> from looptime.controlling.law import Plant
    >>> at = np.arange(400) * 0.02
    >>> output = np.sign(np.sin(3 * at))
    >>> plant, x, v, seen = Plant("speed", 2.0, 0.1), 0.0, 0.0, []
    >>> for u in output:
    ...     seen.append(v)
    ...     x, v = plant.after(x, v, u, 0.02)
    >>> found = fit_arrays(at, output, at, np.array(seen), "speed")
    >>> round(found.full_speed.value, 6), round(found.time_constant_ms.value, 4)
    (2.0, 100.0)
    """
    return _best(_Given(at, output, when, measured, kind))[0]


def _best(given: _Given) -> tuple[Fit, float]:
    """The fit with or without a dead time or the rows moved, and the mean square it leaves."""
    best, rest = _plain(given)
    constant = max((best.time_constant_ms.value or 0.0) / 1e3, SHORTEST_S)
    for before in (False, True):
        tau, dead_s = _later(given, constant, before)
        other, left = _told(given, dead_s, before, tau)
        if before and other.dead_time_ms is None:
            other, left = _told(given, 0.0, before, tau)
        told = before or other.dead_time_ms is not None
        if other.used and told and left < LEAVES * rest:
            best, rest = other, left
    if not best.used and _still(given.measured):
        best = replace(best, full_speed=Figure(), time_constant_ms=Figure(), text=STILL)
    return best, rest


def _plain(given: _Given) -> tuple[Fit, float]:
    """The fit without a dead time, and the mean square that it leaves."""
    stretches = given.stretches()
    values = int(stretches.there.sum())
    if values < LEAST_VALUES * LEAST_STRETCHES or len(stretches.length) < LEAST_STRETCHES:
        raise NotEnoughError(
            f"a fit needs {LEAST_STRETCHES} stretches of {LEAST_VALUES} values; "
            f"the log has {len(stretches.length)} with {values}"
        )
    if np.ptp(given.output) == 0:
        raise NotEnoughError("the output never changes: drive the mechanism to and fro and log it")
    return _told(given, 0.0)


def _still(measured: Float) -> bool:
    """Whether values mostly scatter as noise does, or stay within two steps of their resolution.

    Successive differences of values that do not hang together have twice their variance
    (von Neumann's ratio, of standard error ``2 / sqrt(n)`` about 2).
    """
    steps = np.diff(distinct(measured))
    if len(steps) <= 2 and np.ptp(measured) < 2.5 * steps.min(initial=np.inf):
        return True
    ratio = float(np.mean(np.diff(measured) ** 2) / np.var(measured))
    return ratio > min(2 - 4 * 2 / math.sqrt(len(measured)), 2 * MOSTLY_NOISE)


@dataclass(frozen=True)
class _Given:
    """What `fit_arrays` is given."""

    at: Float
    output: Float
    when: Float
    measured: Float
    kind: str

    @property
    def step_s(self) -> float:
        return float(np.median(np.diff(self.at)))

    def stretches(
        self, dead_s: float = 0.0, before: bool = False, most: int | None = None
    ) -> Stretches:
        at, output = (self.at[:-1], self.output[1:]) if before else (self.at, self.output)
        return cut_up(at, output, self.when - dead_s, self.measured, most)


def _later(given: _Given, tau: float, before: bool) -> tuple[float, float]:
    """The time constant and dead time that leave least [s], from the one found without.

    What a fit without makes of the two is about their sum, so they are begun there. Where rows hold
    the loop before's output, a dead time of a whole loop would only undo that.
    """
    from scipy.optimize import minimize

    step = given.step_s
    longest = 0.5 * step if before else max(MOST_LOOPS * step, LONGEST_DEAD_S)
    whole = tau + step if before else tau

    def left(both: Float) -> float:
        dead_s = float(both[1]) * step
        if not (0 <= dead_s <= longest and abs(both[0]) < SPAN):
            return math.inf
        stretches = given.stretches(dead_s, before, STRETCHES_LOOKED_AT)
        values = float(stretches.there.sum())
        return stretches.solved(math.exp(both[0]), given.kind)[0] / values if values else math.inf

    loops = [0.0, 0.5]
    while 2 * loops[-1] * step <= longest:
        loops.append(2 * loops[-1])
    tried = [np.array([math.log(max(whole - d * step, 0.1 * whole)), d]) for d in loops]
    costs = [left(one) for one in tried]
    best, cost = tried[int(np.argmin(costs))], min(costs)
    simplex = best + np.array([[0.0, 0.0], [-0.2, 0.1], [0.1, 0.4]])
    close = {"xatol": 1e-3, "fatol": 1e-3 * cost, "initial_simplex": simplex}
    found = minimize(left, best, method="Nelder-Mead", options=close).x
    return math.exp(found[0]), float(found[1]) * step


def _time_constant(stretches: Stretches, kind: str, near: float | None = None) -> float:
    """The time constant that leaves least [s]."""
    from scipy.optimize import minimize_scalar

    def left(logarithm: float) -> float:
        return stretches.solved(math.exp(logarithm), kind)[0]

    tried = np.linspace(math.log(SHORTEST_S), math.log(LONGEST_S), 45)
    if near is not None:
        tried = math.log(near) + np.array([-0.3, 0.0, 0.3])
    best = int(np.argmin([left(float(one)) for one in tried]))
    ends = (tried[max(best - 1, 0)], tried[min(best + 1, len(tried) - 1)])
    found = minimize_scalar(left, bounds=ends, method="bounded", options={"xatol": 1e-10})
    return math.exp(float(found.x))


def _told(
    given: _Given, dead_s: float, before: bool = False, near: float | None = None
) -> tuple[Fit, float]:
    """The fit with a dead time, and the mean square that it leaves."""
    kind, stretches = given.kind, given.stretches(dead_s, before)
    tau = _time_constant(stretches, kind, near)
    cost, gain, rest, slope = stretches.solved(tau, kind)
    value, _, push = stretches.projected(tau, kind)
    total = float((value**2).sum())
    least = min(total, stretches.about_mean())
    share = cost / least if least > 0 else 1.0
    change = max(tau * 1e-4, 1e-9)
    after, _ = stretches.columns(tau + change, kind, gain)
    early, _ = stretches.columns(tau - change, kind, gain)
    bend = stretches.without_start((after - early) / (2 * change), tau, kind)
    slopes = [slope, bend, push]
    if dead_s:
        rate, _ = stretches.columns(tau, kind, gain, rate=True)
        slopes.append(stretches.without_start(rate, tau, kind))
    spread = clustered(np.stack(slopes), rest)
    half = t_quantile(0.975, max(len(stretches.length) - 2, 1)) * spread
    speed = Figure(gain, gain - float(half[0]), gain + float(half[0]))
    time = Figure(tau, max(tau - float(half[1]), 0.0), tau + float(half[1]))
    longest = _longest_alike(stretches, kind, cost, total)
    if longest is not None:
        time = Figure(0.0, 0.0, max(longest, tau))
    dead = Figure(dead_s, dead_s - float(half[-1]), dead_s + float(half[-1])).scaled(1e3)
    told = dead_s > max(float(half[-1]), LEAST_LOOPS * given.step_s)
    later = dead if told else None
    vague = bool(half[0] > WIDEST * abs(gain))
    used = share <= MOST_LEFT and gain > 0 and not vague
    values = int(stretches.there.sum())
    text = _words(share, gain, vague, later, before)
    found = Fit(
        speed, time.scaled(1e3), share, used, values, text, kind,
        left_rms=math.sqrt(cost / values), dead_time_ms=later, row_before=before,
    )  # fmt: skip
    return found, cost / values


def _longest_alike(
    stretches: Stretches, kind: str, cost: float, total: float
) -> float | None:  # fmt: skip
    """The longest time constant that can't be told from none [s]; None where the log tells one.

    Two fits are alike where their sums of squares differ by less than `ALIKE` mean squares, the
    likelihood ratio of 95 % for one parameter.
    """
    enough = cost * (1 + ALIKE / float(stretches.there.sum())) + 1e-12 * total
    low, high = math.log(SHORTEST_S), math.log(LONGEST_S)
    if stretches.solved(SHORTEST_S, kind)[0] > enough:
        return None
    while high - low > 0.01:
        middle = (low + high) / 2
        low, high = (
            (middle, high) if stretches.solved(math.exp(middle), kind)[0] <= enough
            else (low, middle)
        )  # fmt: skip
    return math.exp(high)


def _words(share: float, gain: float, vague: bool, dead: Figure | None, before: bool) -> str:
    """How it came out."""
    if share > MOST_LEFT:
        return (
            f"leaves {100 * share:.0f} % of what the measured value did about its mean "
            "unexplained: not used; move the setpoint to and fro and log it, or look whether these "
            "two signals belong together"
        )
    if vague:
        return (
            "the output moves too little to tell the full speed: not used; move the setpoint to "
            "and fro and log it"
        )
    if gain <= 0:
        return "the measured value goes against the output: not used; turn one's sign"
    text = f"explains {100 * (1 - share):.1f} % of what the measured value did"
    if before:
        text += "; the output in a row is that of the loop before, and is taken so"
    if dead is not None:
        text += (
            f"; with a dead time of {dead.value:.3g} ms ({dead.low:.3g} to {dead.high:.3g}) "
            "between output and value, or a second time constant of about as much, without which "
            "the time constant would be wrong"
        )
    return text
