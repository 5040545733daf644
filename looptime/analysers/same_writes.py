"""How many writes repeat the last value, where the log holds what is written."""

from collections.abc import Sequence

import numpy as np

from looptime.array_types import Bool, Float
from looptime.call_words import words_of
from looptime.records import dataclass
from looptime.run import Run
from looptime.units import split_unit

__all__ = ["Repeats", "repeats"]

#: Words of what is written to an actuator; a target that a controller follows is another thing.
_WRITTEN = frozenset(
    (
        "cmd", "cmds", "cmded", "command", "commands", "commanded", "demand", "demanded", "duty",
        "out", "output", "outputs", "pwm", "sent", "throttle", "written",
    )
)  # fmt: skip
#: Words that any such signal may have beside those of its write.
_BESIDE = frozenset(
    (
        "actuator", "actuators", "drive", "drives", "last", "motor", "motors", "percent", "pct",
        "rpm", "servo", "servos", "speed", "speeds", "value", "values", "wheel", "wheels",
    )
)  # fmt: skip
#: Writes that tell, and the least share of them in whose loops a value is logged.
_FEWEST, _MOST = 50, 0.8


@dataclass(frozen=True)
class Repeats:
    """How many writes repeat what was written last."""

    signals: tuple[str, ...]  #: What it was seen in
    share: float  #: Share of the writes, each with the same weight
    writes: int  #: Writes of each that it rests on


def repeats(run: Run, writes: Sequence[str]) -> Repeats | None:
    """Share of writes that repeat the last value, by the signals that hold what they write.

    A write repeats where each signal of its own is the same as in the last loop that made it; those
    of no write in particular, as ``cmd``, hold for all that have none of their own.

    Parameters
    ----------
    run : Run
        The recording.
    writes : sequence of str
        Names of calls.

    Returns
    -------
    Repeats or None
        None where the log does not tell it of each of them.

    Examples
    --------
    >>> from looptime.run import CallColumns, LoopColumns, Signals
    >>> from looptime.schema import CallName
    >>> k, none, took = np.arange(101), np.zeros(101, int), np.full(101, 10**6)
    >>> made = CallColumns(k, none, none, 10**7 * k, took, took, none)
    >>> run = Run(LoopColumns(k, 10**7 * k, 10 * took), made, (CallName("left.write"),), ("main",),
    ...           0, signals=Signals(10**7 * k, k, {"duty": k // 4 + 0.0}))
    >>> repeats(run, ["left.write"])
    Repeats(signals=('duty',), share=0.75, writes=100)
    """
    if run.signals is None or not len(writes):
        return None
    held = {name: words for name in run.signals.values if (words := _words(name)) & _WRITTEN}
    shares, used, counts = [], [], []
    for write in writes:
        mine = _signals_of(write, held)
        same = _same(run, write, mine)
        if same is None:
            return None
        shares.append(float(same.mean()))
        counts.append(len(same))
        used += mine
    return Repeats(tuple(dict.fromkeys(used)), float(np.mean(shares)), min(counts))


def _words(name: str) -> set[str]:
    return words_of(split_unit(name)[0])


def _signals_of(write: str, held: dict[str, set[str]]) -> list[str]:
    """Signals of what a write writes: its own, else those of no write in particular."""
    words = words_of(write)
    fits = {n: w - _WRITTEN - _BESIDE for n, w in held.items() if w - _WRITTEN - _BESIDE <= words}
    return [n for n, own in fits.items() if own] or list(fits)


def _same(run: Run, write: str, signals: list[str]) -> Bool | None:
    """Of each time that a write was made again, whether its signals were as at the last one."""
    if run.signals is None or not signals:
        return None
    code = next(k for k, call in enumerate(run.names) if call.name == write)
    loops = np.unique(run.call_columns.loop[run.call_columns.name == code])
    known, same = np.ones(max(len(loops) - 1, 0), bool), np.ones(max(len(loops) - 1, 0), bool)
    for name in signals:
        values = run.signals.values[name]
        given = np.flatnonzero(np.isfinite(values))
        last: Float = np.full(len(run), np.nan)
        last[run.signals.loop[given]] = values[given]  # the last of each loop
        now = last[loops]
        known &= np.isfinite(now[1:]) & np.isfinite(now[:-1])
        same &= now[1:] == now[:-1]
    if known.sum() < _FEWEST or known.mean() < _MOST:
        return None
    return same[known]
