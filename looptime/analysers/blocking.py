"""Which calls block: as labelled, or inferred from how long they take, with the reason."""

from collections.abc import Callable, Mapping

import numpy as np

from looptime.analysers.durations import (
    CallTimes,
    call_times,
    ordered_quantiles,
    passed_by,
    times_of,
)
from looptime.array_types import Float, Int
from looptime.records import dataclass
from looptime.run import Run
from looptime.stats.arrays import median
from looptime.stats.beta import binomial_at_least

__all__ = ["BLOCKING_KINDS", "Blocking", "Sign", "blocking", "blocking_signs"]

#: Kinds of call in which a thread waits for something outside it.
BLOCKING_KINDS = ("sensor read", "actuator write", "wait")

_TICK_LOW_MS, _TICK_HIGH_MS = 15.0, 16.7
#: Durations sit on a tick within so much of it (nine of ten within the first, less the tenth that
#: is shorter), by a clock that steps as finely; or some on two, with nearly none between.
_ON_TICK, _CLOCK_OF_IT, _ON_TWO, _BETWEEN = 0.04, 0.02, 0.06, 0.1
#: How much more even than the run's other calls, each for its length, one on a tick is; or how even
#: where there is none to compare with.
_EVEN, _EVEN_ALONE = 0.33, 0.01
_FEWEST = 30
#: Durations spread evenly belong to a wait where the run's quarters differ by less of the spread.
_LEVEL_MOVES = 0.4
#: How far from an even spread; how well the ends must keep the beat of the device (by chance they
#: reach 0.31, in a paced loop that much of the spread's own shape comes on top of it to 0.5),
#: whose period is at least so many steps of the clock.
_UNEVEN, _ON_THE_BEAT, _STEPS = 0.15, 0.7, 4
#: Delays of different calls within this part of each other may be one, unless chance forbids it.
_ALIKE, _SURE = 0.05, 0.001


@dataclass(frozen=True)
class Sign:
    """One reason to call a call blocking."""

    #: ``labelled``, ``name``, ``cpu``, ``floor``, ``timeout``, ``adapter tick`` or ``device wait``.
    code: str
    text: str  #: In plain words
    value_ms: float | None = None  #: The constant behind it, where there is one
    count: int = 0  #: Calls that show it
    ms_per_loop: float = 0.0  #: What these calls cost the loop by it [ms]


@dataclass(frozen=True)
class Blocking:
    """A call that blocks, and why it is held to."""

    name: str
    thread: str
    kind: str
    on_loop_thread: bool
    signs: tuple[Sign, ...]

    @property
    def inferred(self) -> bool:
        """Whether the durations or the processor time say so, not only a label or a name."""
        return any(s.code not in ("labelled", "name") for s in self.signs)


def blocking(
    run: Run, times: Mapping[tuple[int, int], CallTimes] | None = None
) -> tuple[Blocking, ...]:
    """Calls that block, each with its reasons.

    Reasons: the kind that the log or the project states; ordinary words in the name; less
    processor time than half of the duration; a floor with hardly any spread, far above what
    other calls take; rare calls that all take the same much longer time, as with a driver's
    timeout; durations at the 15 to 16 ms tick of an adapter or scheduler; durations spread evenly
    over a range while the ends keep its beat, as when a call waits for a device's next measurement.

    Parameters
    ----------
    run : Run
        The recording.
    times : dict, optional
        From `looptime.analysers.durations.call_times`, to save the time.

    Returns
    -------
    tuple of Blocking
        In the order of the names.
    """
    times = call_times(run) if times is None else times
    cpu = _cpu_shares(run)
    medians = [ordered_quantiles(took.ordered_ms, [0.5])[0] for took in times.values()]
    usual = median(np.array(medians)) if medians else 0.0
    made = []
    for (thread, code), took in sorted(times.items()):
        label = run.names[code]
        signs = []
        if label.kind in BLOCKING_KINDS:
            known = label.kind_from in ("log", "project")
            article = "an" if label.kind[0] in "aeiou" else "a"
            suggested = f"its name suggests {article} {label.kind}"
            text = f"labelled {label.kind}" if known else suggested
            signs.append(Sign("labelled" if known else "name", text))
        if label.kind not in ("pacing", "compute"):
            signs += _floor(took, usual, label.kind)
        if label.kind != "pacing":
            signs += _cpu(cpu.get((thread, code)), took)
            signs += _signs(took, max(len(run), 1), run.clock.tick_ns, _spans(run, thread, code))
        own = (thread, code)
        signs = [
            s for s in signs
            if not (s.code == "timeout" and _held_up(run, times, own, s))
            and not (s.code == "adapter tick" and _by_chance(run, times, own, label.kind))
        ]  # fmt: skip
        if signs:
            on_loop = thread == run.loop_thread
            name = run.thread_names[thread]
            made.append(Blocking(label.name, name, label.kind, on_loop, tuple(signs)))
    return tuple(made)


def _held_up(
    run: Run, times: Mapping[tuple[int, int], CallTimes], own: tuple[int, int], sign: Sign
) -> bool:
    """Whether the same delay hits the thread's calls as their shares of the time have it.

    A driver's timeout is that of one call, or of a few; collection of memory, or another process,
    holds up whatever runs. Calls that hold others are left out: they share their delays.
    """
    delay = (sign.value_ms or 0.0) - times[own].p50_ms
    inside = _inside(run)
    alone = {key: one for key, one in times.items() if key[0] == own[0] and inside[key[1]] <= 0}
    whole = sum(one.total_ns for one in alone.values())
    hit = {
        key: int((np.abs(one.far_ms - one.p50_ms - delay) <= _ALIKE * delay).sum())
        for key, one in alone.items()
    }
    n = sum(hit.values())
    if n - hit.get(own, 0) < 2:
        return False
    return all(
        count == 0 or binomial_at_least(count, n, alone[key].total_ns / whole) >= _SURE
        for key, count in hit.items()
    )


def _inside(run: Run) -> Float:
    """How long the calls of each name held others [ns]."""
    at, size = run.call_columns, len(run.names)
    held = np.bincount(at.name, at.duration_ns, size) - np.bincount(at.name, at.self_ns, size)
    return np.asarray(held, np.float64)


def _by_chance(
    run: Run, times: Mapping[tuple[int, int], CallTimes], own: tuple[int, int], kind: str
) -> bool:
    """Whether it says nothing that a call takes as long as a tick does.

    What it holds explains it; or it computes; or it is no more even than the other calls are, each
    for its length. One that takes two ticks at times, and nearly never anything between, waits.
    """
    took = times[own]
    if 2 * _inside(run)[own[1]] > took.total_ns:
        return True
    if _on_two_ticks(took.ordered_ms, run.clock.tick_ns / 1e6):
        return False
    others = [_unevenness(one.ordered_ms) for key, one in times.items()
              if key != own and key[0] == own[0] and one.count >= _FEWEST]  # fmt: skip
    most = _EVEN * median(np.array(others)) if others else _EVEN_ALONE
    return kind in ("compute", "telemetry") or _unevenness(took.ordered_ms) > most


def _unevenness(ordered_ms: Float) -> float:
    """What lies between the tenths at either end, for each unit of the middle."""
    low, middle, high = ordered_quantiles(ordered_ms, [0.1, 0.5, 0.9])
    return (high - low) / middle if middle > 0 else np.inf


def _spans(run: Run, thread: int, code: int) -> Callable[[], tuple[Int, Int]]:
    """When the calls of a name on a thread began and ended [ns], once it is asked for."""

    def found() -> tuple[Int, Int]:
        at = run.call_columns
        rows = np.flatnonzero((at.thread == thread) & (at.name == code))
        return at.start_ns[rows], at.start_ns[rows] + at.duration_ns[rows].astype(np.int64)

    return found


def blocking_signs(
    durations_ns: Int, loops: int, tick_ns: int = 1, ends_ns: Int | None = None
) -> list[Sign]:
    """What the durations of one call say about waiting.

    Parameters
    ----------
    durations_ns : int array, shape (m,) [ns]
        Of whole calls, in start order.
    loops : int
        Loops of the run.
    tick_ns : int [ns]
        Step of the clock.
    ends_ns : int array, shape (m,) [ns], optional
        When the calls ended. Without these none is known to wait for a device.

    Examples
    --------
    >>> rng = np.random.default_rng(3)
    >>> start = np.cumsum(rng.integers(40, 90, 2000)) * 1_000_000
    >>> end = -(-start // 33_000_000) * 33_000_000  # as the device's next reading is there
    >>> [sign.code for sign in blocking_signs(end - start, 2000, ends_ns=end)]
    ['device wait']
    """
    spans = None if ends_ns is None else lambda: (ends_ns - durations_ns, ends_ns)
    return _signs(times_of(durations_ns), loops, tick_ns, spans)


def _signs(
    took: CallTimes, loops: int, tick_ns: int, spans: Callable[[], tuple[Int, Int]] | None
) -> list[Sign]:
    if took.count < _FEWEST:
        return []
    tick_ms = tick_ns / 1e6
    found = (
        _adapter_tick(took, loops, tick_ms),
        None if spans is None else _device_wait(took, loops, tick_ms, spans),
        _timeout(took, loops, tick_ms),
    )
    return [sign for sign in found if sign is not None]


def _adapter_tick(took: CallTimes, loops: int, tick_ms: float) -> Sign | None:
    """Durations that sit on one such tick, or on two, far more tightly than work would."""
    low, middle, high = ordered_quantiles(took.ordered_ms, [0.1, 0.5, 0.9])
    if not _TICK_LOW_MS <= middle <= _TICK_HIGH_MS:
        return None
    on_one = high - low <= _ON_TICK * middle and tick_ms <= _CLOCK_OF_IT * middle
    if not on_one and not _on_two_ticks(took.ordered_ms, tick_ms):
        return None
    text = (
        f"takes {middle:.1f} ms nearly every time: looks like the fixed 15 to 16 ms tick of an "
        "adapter or a scheduler, not like work"
    )
    return Sign("adapter tick", text, middle, took.count, took.total_ns / 1e6 / loops)


def _on_two_ticks(ordered_ms: Float, tick_ms: float = 0.0) -> bool:
    """Whether some durations are twice the usual one and nearly none lies between.

    As near as a clock tells that steps by ``tick_ms``.

    Examples
    --------
    >>> _on_two_ticks(np.repeat([15.5, 15.6, 31.2], [30, 60, 10])), _on_two_ticks(np.full(90, 15.6))
    (True, False)
    >>> _on_two_ticks(np.linspace(13, 32, 100))
    False
    """
    middle = median(ordered_ms)
    ticks = ordered_ms / middle
    off = np.abs(ticks - np.rint(ticks))
    near = _ON_TWO + tick_ms / middle
    twice = int(((np.rint(ticks) == 2) & (off <= near)).sum())
    apart = int((off > near).sum())
    return twice >= max(3, 0.05 * len(ticks)) and apart <= _BETWEEN * twice


def _device_wait(
    took: CallTimes, loops: int, tick_ms: float, spans: Callable[[], tuple[Int, Int]]
) -> Sign | None:
    """A spread between the extremes, even by Kolmogorov's distance, and ends that keep its beat.

    A call that takes any time up to a longest one is spread as evenly: only where the calls end
    tells that they wait for something that comes at even intervals. Where they begin on the beat
    they have nothing to wait for: the loop, or the clock's step, keeps it.
    """
    few = took.ordered_ms
    low, high = ordered_quantiles(few, [0.005, 0.995])
    if high - low < 2.0 or high - low < 0.5 * high or took.count < 200:
        return None
    if took.moved_ms > _LEVEL_MOVES * (high - low):  # a call that drifts is spread evenly, too
        return None
    inside = few[(few >= low) & (few <= high)]
    even = (inside - low) / (high - low)
    off = float(np.abs(even - (np.arange(len(even)) + 0.5) / len(even)).max())
    if off > _UNEVEN + 0.5 / np.sqrt(len(even)) + tick_ms / (high - low):
        return None
    from looptime.stats.phase_lock import phase_lock  # few logs need it

    spread = (high - low) / 0.99 - tick_ms
    if spread < (_STEPS - 1) * tick_ms:  # so few steps look even whatever the calls do
        return None
    begun, ended = spans()
    period, on_beat = phase_lock((ended - ended[0]) / 1e6, spread)
    if on_beat < _ON_THE_BEAT or period < _STEPS * tick_ms:
        return None
    if phase_lock((begun - begun[0]) / 1e6, period)[1] >= _ON_THE_BEAT:
        return None
    text = (
        f"its durations are spread over {spread:.1f} ms and its ends keep a beat as long: it waits "
        f"for a device that measures every {period:.1f} ms"
    )
    waited = took.total_ns / 1e6 - low * took.count
    return Sign("device wait", text, period, took.count, waited / loops)


def _timeout(took: CallTimes, loops: int, tick_ms: float) -> Sign | None:
    """Rare calls, far above the usual, that agree to 1 % among themselves."""
    far = took.far_ms
    if not 3 <= len(far) <= 0.1 * took.count:  # few calls are asked how often they are made
        return None
    if len(far) > 0.1 * took.count * (1 - float(passed_by(took.ordered_ms).mean())):
        return None
    (middle,) = ordered_quantiles(took.ordered_ms, [0.5])
    constant = median(far)
    near = np.abs(far - constant) <= max(0.01 * constant, tick_ms)
    if near.sum() < 3 or near.mean() < 0.75:
        return None
    count = int(near.sum())
    text = (
        f"{count} calls took {constant:.4g} ms, all within 1 % of each other, where {middle:.3g} "
        "ms is usual: looks like a driver's timeout"
    )
    lost = float((far[near] - middle).sum()) / loops
    return Sign("timeout", text, constant, count, lost)


def _floor(took: CallTimes, usual_ms: float, kind: str) -> list[Sign]:
    """A floor with little spread; alone it speaks only of calls far above the usual."""
    if took.count < _FEWEST:
        return []
    low, middle, high = ordered_quantiles(took.ordered_ms, [0.01, 0.5, 0.9])
    tight = middle > 0 and (middle - low) <= 0.02 * middle and (high - low) <= 0.1 * middle
    far = middle >= 1.0 and middle >= 5 * usual_ms
    if not tight or not far or (kind not in BLOCKING_KINDS and middle < 2.0):
        return []
    text = f"never takes less than {low:.3g} ms and hardly more: a fixed wait, not work"
    return [Sign("floor", text, low, took.count)]


def _cpu_shares(run: Run) -> dict[tuple[int, int], float]:
    at = run.call_columns
    if at.cpu_ns is None or not len(at):
        return {}
    size = max(len(run.names), 1)
    key = at.thread.astype(np.int64) * size + at.name
    cpu = np.bincount(key, weights=at.cpu_ns)
    wall = np.bincount(key, weights=at.duration_ns)
    return {
        (int(k // size), int(k % size)): float(cpu[k] / wall[k]) for k in np.flatnonzero(wall > 0)
    }


def _cpu(share: float | None, took: CallTimes) -> list[Sign]:
    if share is None or share >= 0.5 or took.total_ns < 0.2e6 * took.count:
        return []
    text = f"the processor works only {100 * share:.0f} % of its time: the rest is waiting"
    return [Sign("cpu", text, None, took.count)]
